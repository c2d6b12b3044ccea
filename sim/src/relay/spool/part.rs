//! Files of a spool: each a stretch of places.

use std::fs::OpenOptions;
use std::io::{self, BufRead, BufReader, ErrorKind};
use std::path::{Path, PathBuf};

/// A file and the places in it.
#[derive(Debug)]
pub struct Part {
    pub start: u64,
    pub end: u64,
}

/// Whether the error says that there is no such file.
pub fn is_gone(error: &io::Error) -> bool {
    matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory)
}

/// Its name says where it starts.
pub fn path_of(folder: &Path, start: u64) -> PathBuf {
    folder.join(format!("{start:020}.lines"))
}

/// Where the whole lines of a file end, and how many of them lie behind place `from`. What follows the last LF is cut off.
pub fn whole_lines(path: &Path, start: u64, from: u64) -> io::Result<(u64, u64)> {
    let file = OpenOptions::new().read(true).write(true).open(path)?;
    let (mut reader, mut bytes, mut at, mut lines) = (BufReader::new(&file), Vec::new(), start, 0);
    loop {
        bytes.clear();
        let len = reader.read_until(b'\n', &mut bytes)? as u64;
        if bytes.last() != Some(&b'\n') {
            if len > 0 {
                file.set_len(at - start)?;
            }
            return Ok((at, lines));
        }
        at += len;
        lines += u64::from(at > from);
    }
}
