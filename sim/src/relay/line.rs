//! A line that waits, and what became of such lines.

use humtick::link::MAX_ENCODED;

/// A line as it came, LF included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Line {
    len: u8,
    bytes: [u8; MAX_ENCODED + 1],
}

impl Line {
    /// Of a line without its LF; `None` if it is longer than a decoder takes.
    pub fn new(line: &[u8]) -> Option<Self> {
        let mut bytes = [0; MAX_ENCODED + 1];
        bytes.get_mut(..line.len()).filter(|_| line.len() <= MAX_ENCODED)?.copy_from_slice(line);
        bytes[line.len()] = b'\n';
        Some(Self { len: line.len() as u8 + 1, bytes })
    }

    /// The line, LF included.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes[..self.len.into()]
    }
}

/// What became of a lane's lines: those taken and those found are those delivered, dropped, damaged and waiting.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Passed {
    /// Lines of an earlier relay that were found waiting.
    pub found: u64,
    /// Lines that are known to have arrived, or that went where nothing can be known.
    pub delivered: u64,
    /// Lines given up since there was no room for them.
    pub dropped: u64,
    /// Lines of the spool whose checksum did not hold when they were read back.
    pub damaged: u64,
    /// Lines that wait, those on their way included.
    pub waiting: u64,
    /// Those of them that only memory holds: lost when the relay ends.
    pub unsaved: u64,
}
