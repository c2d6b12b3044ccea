//! What can be wrong with a recording, said so that it can be mended.

use std::path::PathBuf;

/// A recording that cannot be read truthfully. The message names file, line where there is one, what was expected and
/// what to do.
#[derive(Debug, thiserror::Error)]
pub enum InputError {
    /// The file could not be opened or read.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A line of a text file is wrong.
    #[error("{}:{line}: {what}", path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// Line counted from 1.
        line: u64,
        /// What was found, what was expected, what to do.
        what: String,
    },
    /// The file as a whole is wrong, or is binary and has no lines.
    #[error("{}: {what}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What was found, what was expected, what to do.
        what: String,
    },
}
