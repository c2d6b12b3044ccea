//! Pictures on disk: an SVG, written whole or not at all.

use std::ffi::OsStr;
use std::io::Write;
use std::path::{Path, PathBuf};

use crate::write::{self, WriteError};

/// A picture that could not be written; no part of it is on disk.
#[derive(Debug, thiserror::Error)]
pub enum PictureError {
    /// The name does not end in `.svg`.
    #[error("{}: expected a picture's name ending in .svg", .0.display())]
    Ending(PathBuf),
    /// It cannot be written.
    #[error(transparent)]
    Write(#[from] WriteError),
}

/// Refuses a name that is not a picture's.
///
/// # Errors
/// [`PictureError::Ending`] if it does not end in `.svg`, in either case.
pub fn check(path: &Path) -> Result<(), PictureError> {
    match path.extension().and_then(OsStr::to_str) {
        Some(ending) if ending.eq_ignore_ascii_case("svg") => Ok(()),
        _ => Err(PictureError::Ending(path.into())),
    }
}

/// Writes `svg` to `path`. A file that was there is replaced only once the new one is whole.
///
/// # Errors
/// [`PictureError`]; the file that was there is as it was.
pub fn save(path: &Path, svg: &str) -> Result<(), PictureError> {
    check(path)?;
    Ok(write::whole(path, |to| to.write_all(svg.as_bytes()))?)
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn the_ending_is_svg_in_either_case() {
        assert!(check(Path::new("pump.svg")).is_ok() && check(Path::new("PUMP.SVG")).is_ok());
        for name in ["pump.pdf", "pump", ".svg"] {
            let error = check(Path::new(name)).unwrap_err().to_string();
            assert_eq!(error, format!("{name}: expected a picture's name ending in .svg"));
        }
    }

    #[test]
    fn a_picture_that_fails_leaves_no_crumbs() {
        let folder = tempfile::tempdir().unwrap();
        // A folder in the way.
        let taken = folder.path().join("taken.svg");
        fs::create_dir_all(taken.join("inside")).unwrap();
        assert!(matches!(save(&taken, "<svg/>"), Err(PictureError::Write(WriteError::Taken { .. }))));
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
        save(&folder.path().join("pump.svg"), "<svg/>").unwrap();
        assert_eq!(fs::read(folder.path().join("pump.svg")).unwrap(), b"<svg/>");
    }
}
