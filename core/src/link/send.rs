//! Lines on their way through a port that takes a byte at a time.

use embedded_hal_nb::serial;

use super::Record;
use super::text::{MAX_LINE, line};

/// A line that goes out while the main loop does other things.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Outgoing {
    bytes: [u8; MAX_LINE],
    sent: u8,
    len: u8,
}

/// The line before is still on its way: the record was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SendError;

impl core::fmt::Display for SendError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("the line before is still on its way: the port is too slow for so many lines")
    }
}

impl core::error::Error for SendError {}

impl Default for Outgoing {
    fn default() -> Self {
        Self::new()
    }
}

impl Outgoing {
    /// Nothing on its way.
    pub const fn new() -> Self {
        Self { bytes: [0; MAX_LINE], sent: 0, len: 0 }
    }

    /// Whether all has gone.
    pub const fn is_done(&self) -> bool {
        self.sent == self.len
    }

    /// Takes the line of `record`.
    ///
    /// # Errors
    /// If the one before is still on its way; nothing has changed then.
    #[allow(clippy::cast_possible_truncation, reason = "a line has 96 bytes at most")]
    pub fn load(&mut self, record: &Record) -> Result<(), SendError> {
        if !self.is_done() {
            return Err(SendError);
        }
        self.len = line(record, &mut self.bytes).len() as u8;
        self.sent = 0;
        Ok(())
    }

    /// The next byte, for a port that is a register; it counts as sent.
    pub fn next_byte(&mut self) -> Option<u8> {
        let byte = *self.bytes.get(usize::from(self.sent)).filter(|_| !self.is_done())?;
        self.sent += 1;
        Some(byte)
    }

    /// Gives `port` as many bytes as it takes now.
    ///
    /// # Errors
    /// [`nb::Error::WouldBlock`] while something is left; the port's own errors, with the byte not taken.
    pub fn send<P: serial::Write>(&mut self, port: &mut P) -> nb::Result<(), P::Error> {
        while let Some(byte) = self.bytes.get(usize::from(self.sent)).filter(|_| self.sent < self.len) {
            port.write(*byte)?;
            self.sent += 1;
        }
        Ok(())
    }
}

/// Writes the line of `record` to a blocking port.
///
/// # Errors
/// The port's own.
pub fn write_line<W: embedded_io::Write>(record: &Record, port: &mut W) -> Result<(), W::Error> {
    port.write_all(line(record, &mut [0; MAX_LINE]))
}
