//! Writers: files that are there whole or not at all.

pub mod csv;
pub mod truth;
pub mod vcd;
pub mod wav;

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// A file that could not be written. What was there under its name before is there still.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The system refused.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file that was asked for.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// There is something under that name that a file cannot take the place of.
    #[error("{}: is no ordinary file: give another name", path.display())]
    Taken {
        /// The name.
        path: PathBuf,
    },
}

/// Writes `path` with `fill`, through a buffer, into a temporary file beside it (`.NAME.PROCESS.part`) that takes the
/// name when it is complete; if `fill` fails it is removed.
///
/// # Errors
/// The first error of `fill` or of the file system.
pub fn whole<T>(
    path: &Path,
    fill: impl FnOnce(&mut BufWriter<File>) -> io::Result<T>,
) -> Result<T, WriteError> {
    let fault = |source| WriteError::Io { path: path.into(), source };
    check(path)?;
    let (part, file) = Part::beside(path).map_err(fault)?;
    let mut buffer = BufWriter::with_capacity(1 << 16, file);
    let result = fill(&mut buffer).and_then(|result| {
        buffer.flush()?;
        Ok(result)
    });
    // An open file cannot be renamed or removed everywhere.
    drop(buffer);
    let result = result.map_err(fault)?;
    fs::rename(&part.0, path).map_err(fault)?;
    Ok(result)
}

/// Sees to it, before long work, that `paths` can be written after it: each by a file that is begun beside it and goes away again. From
/// then on an interrupted process removes its temporary files ([`remove_when_interrupted`]). For verbs that write files; nothing where there
/// are none.
///
/// # Errors
/// A name that is taken by something else, a folder that is not there or takes no file.
pub fn begin<'a>(paths: impl IntoIterator<Item = &'a PathBuf>) -> Result<(), WriteError> {
    for path in paths {
        let fault = |source| WriteError::Io { path: path.into(), source };
        remove_when_interrupted().map_err(fault)?;
        check(path)?;
        Part::beside(path).map_err(fault)?;
    }
    Ok(())
}

/// Renaming onto a device would replace it.
fn check(path: &Path) -> Result<(), WriteError> {
    match fs::metadata(path) {
        Ok(there) if !there.is_file() => Err(WriteError::Taken { path: path.into() }),
        _ => Ok(()),
    }
}

/// Whether two names are of one file, as far as the system can tell.
pub fn are_one(a: &Path, b: &Path) -> bool {
    a == b || fs::canonicalize(a).is_ok_and(|a| fs::canonicalize(b).is_ok_and(|b| a == b))
}

/// Temporary files there are.
static UNFINISHED: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

fn unfinished() -> MutexGuard<'static, Vec<PathBuf>> {
    UNFINISHED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A temporary file, which is removed if it still has its own name in the end.
struct Part(PathBuf);

impl Part {
    fn beside(path: &Path) -> io::Result<(Self, File)> {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let part = path.with_file_name(format!(".{name}.{}.part", std::process::id()));
        let mut unfinished = unfinished();
        let file = File::create(&part)?;
        unfinished.push(part.clone());
        Ok((Self(part), file))
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        // Under its own name no more: nothing to remove.
        let _ = fs::remove_file(&self.0);
        unfinished().retain(|part| *part != self.0);
    }
}

/// From here on an interrupted process removes its temporary files, and ends with status 130, as shells have it. For programs: the first line of
/// a verb that writes files; once is enough, again does no harm.
///
/// Where the interrupt is ignored, as for what a script starts in the background, it stays so.
///
/// # Errors
/// If the system refuses a handler.
pub fn remove_when_interrupted() -> io::Result<()> {
    static DONE: Mutex<bool> = Mutex::new(false);
    let mut done = DONE.lock().unwrap_or_else(PoisonError::into_inner);
    if !*done {
        let set = ctrlc::try_set_handler(|| {
            // Held until the end, so that no file begins after its removal.
            let unfinished = unfinished();
            for part in unfinished.iter() {
                let _ = fs::remove_file(part);
            }
            std::process::exit(130);
        });
        match set {
            // There was something in the default's place: here nobody but who started the process can have put it there.
            Ok(()) | Err(ctrlc::Error::MultipleHandlers) => *done = true,
            Err(error) => return Err(io::Error::other(error)),
        }
    }
    Ok(())
}
