//! What can be wrong with a recording, said so that it can be mended.

use crate::front_end::FrontEndError;
use std::path::{Path, PathBuf};

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
    /// An option does not fit the file.
    #[error("{what}")]
    Option {
        /// Which option, what was found, what to do.
        what: String,
    },
    /// The front end cannot work as it was told to.
    #[error(transparent)]
    FrontEnd(#[from] FrontEndError),
}

impl InputError {
    pub(crate) fn io(path: &Path, source: std::io::Error) -> Self {
        Self::Io { path: path.into(), source }
    }

    pub(crate) fn line(path: &Path, line: u64, what: impl Into<String>) -> Self {
        Self::Line { path: path.into(), line, what: what.into() }
    }

    pub(crate) fn file(path: &Path, what: impl Into<String>) -> Self {
        Self::File { path: path.into(), what: what.into() }
    }
}
