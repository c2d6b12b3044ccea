//! A text file line by line, each with its number, in bounded memory.

use std::io::{BufRead, Read};
use std::path::{Path, PathBuf};

use super::InputError;

/// Longest line in bytes. A row of captures has a few dozen; a file without line breaks is not read into memory.
const MAX_LINE: u64 = 1 << 16;

/// Reads lines into one buffer that is used again for each.
pub(crate) struct Lines<R> {
    path: PathBuf,
    source: R,
    buffer: Vec<u8>,
    number: u64,
}

impl<R: BufRead> Lines<R> {
    pub(crate) fn new(path: &Path, source: R) -> Self {
        Self { path: path.into(), source, buffer: Vec::new(), number: 0 }
    }

    /// Goes to the next line; `false` when there is none.
    pub(crate) fn advance(&mut self) -> Result<bool, InputError> {
        self.buffer.clear();
        let read = (&mut self.source).take(MAX_LINE).read_until(b'\n', &mut self.buffer);
        let length = read.map_err(|e| InputError::io(&self.path, e))?;
        if length == 0 {
            return Ok(false);
        }
        self.number += 1;
        if self.number == 1 && self.buffer.starts_with(b"\xEF\xBB\xBF") {
            self.buffer.drain(..3);
        }
        if self.buffer.len() as u64 == MAX_LINE && !self.buffer.ends_with(b"\n") {
            return Err(
                self.error(format!("the line is longer than {MAX_LINE} bytes: not a text file of rows"))
            );
        }
        Ok(true)
    }

    /// The line without the white space around it (CR LF included) and without a byte order mark.
    pub(crate) fn text(&self) -> &[u8] {
        self.buffer.trim_ascii()
    }

    /// Number of the line, counted from 1; 0 before the first.
    pub(crate) fn number(&self) -> u64 {
        self.number
    }

    /// An error at this line.
    pub(crate) fn error(&self, what: impl Into<String>) -> InputError {
        InputError::line(&self.path, self.number, what)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_counted_and_trimmed() {
        let mut lines = Lines::new(Path::new("pump.csv"), &b"\xEF\xBB\xBFraw\r\n\n 7 "[..]);
        let mut seen = Vec::new();
        while lines.advance().unwrap() {
            seen.push((lines.number(), lines.text().to_vec()));
        }
        assert_eq!(seen, [(1, b"raw".to_vec()), (2, b"".to_vec()), (3, b"7".to_vec())]);
    }

    #[test]
    fn a_line_may_be_65536_bytes_with_its_break_and_no_longer() {
        let mut longest = vec![b'1'; 65_535];
        longest.push(b'\n');
        assert!(Lines::new(Path::new("pump.csv"), &longest[..]).advance().unwrap());
        longest.insert(0, b'1');
        let error = Lines::new(Path::new("pump.csv"), &longest[..]).advance().unwrap_err();
        assert_eq!(
            error.to_string(),
            "pump.csv:1: the line is longer than 65536 bytes: not a text file of rows"
        );
    }
}
