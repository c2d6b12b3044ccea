//! Which files are whose.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use crate::log::sensor;
use crate::wire::greeting::Name;

/// A log that cannot be viewed.
#[derive(Debug, thiserror::Error)]
pub enum ViewError {
    /// The system refused.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Something else than a log.
    #[error("{}: is no log of `humtick listen`: expected a first line \"# humtick log 1, sensor NAME\"", .0.display())]
    NoLog(PathBuf),
    /// A folder without logs.
    #[error("{}: there is no log in this folder", .0.display())]
    Empty(PathBuf),
}

/// The logs under `paths`, files or folders, by sensor and in the order of their days.
///
/// # Errors
/// If something cannot be read, a file that was named is no log, or a folder holds none. What else lies in a folder is left alone.
pub fn find(paths: &[PathBuf]) -> Result<BTreeMap<Name, Vec<PathBuf>>, ViewError> {
    let mut found: BTreeMap<Name, Vec<PathBuf>> = BTreeMap::new();
    for path in paths {
        let fault = |source| ViewError::Io { path: path.clone(), source };
        if !fs::metadata(path).map_err(fault)?.is_dir() {
            let name = whose(path)?.ok_or_else(|| ViewError::NoLog(path.clone()))?;
            found.entry(name).or_default().push(path.clone());
            continue;
        }
        let mut is_empty = true;
        for entry in fs::read_dir(path).map_err(fault)? {
            let file = entry.map_err(fault)?.path();
            if file.extension().is_some_and(|e| e == "csv")
                && let Some(name) = whose(&file)?
            {
                is_empty = false;
                found.entry(name).or_default().push(file);
            }
        }
        if is_empty {
            return Err(ViewError::Empty(path.clone()));
        }
    }
    for files in found.values_mut() {
        // The day stands last in the name, in an order that sorts.
        let day = |path: &PathBuf| {
            let stem = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
            stem.get(stem.len().saturating_sub(10)..).unwrap_or_default().to_string()
        };
        files.sort_by_key(|path| (day(path), path.clone()));
        files.dedup();
    }
    Ok(found)
}

/// Whose log a file is.
fn whose(path: &Path) -> Result<Option<Name>, ViewError> {
    let fault = |source| ViewError::Io { path: path.into(), source };
    let mut line = Vec::new();
    let file = File::open(path).map_err(fault)?;
    // A file without lines is not read to its end.
    BufReader::new(file.take(200)).read_until(b'\n', &mut line).map_err(fault)?;
    Ok(sensor(line.strip_suffix(b"\n").unwrap_or_default()))
}
