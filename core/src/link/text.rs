//! The text line.

use super::number::{Characters, Fixed, thousandths, whole};
use super::stream::{Format, Refused};
use super::{Record, crc};
use crate::qualify::State;
use crate::unit::Frequency;

/// Bytes of the longest line, CR and LF included.
pub const MAX_LINE: usize = 96;

/// What every line of this version begins with.
const VERSION: &[u8] = b"h1";

/// Stands where nothing is known.
const UNKNOWN: u8 = b'-';

/// The line of `record`, CR and LF included, in `to`.
pub fn line<'a>(record: &Record, to: &'a mut [u8; MAX_LINE]) -> &'a [u8] {
    let mut out = Line { to, len: 0 };
    for byte in VERSION {
        out.put(*byte);
    }
    out.next();
    whole(&mut out, record.sequence.into());
    out.next();
    thousandths(&mut out, record.time_ms);
    out.next();
    out.put(letter(record.state));
    out.next();
    out.hertz(record.frequency, 500);
    out.next();
    out.hertz(record.uncertainty, 999);
    out.next();
    out.rate(record.rocof);
    out.next();
    whole(&mut out, record.missed.into());
    out.next();
    whole(&mut out, record.rejected.into());
    out.next();
    // All at once: a loop over bytes keeps the CRC in registers.
    let [high, low] = crc::of(out.to.get(..out.len).unwrap_or_default()).to_be_bytes();
    for half in [high >> 4, high & 15, low >> 4, low & 15] {
        out.put(if half < 10 { b'0' + half } else { b'A' - 10 + half });
    }
    out.put(b'\r');
    out.put(b'\n');
    out.to.get(..out.len).unwrap_or_default()
}

/// Half of 0.1 mHz/s, in nanohertz a second.
const ROCOF_HALF: u32 = 50_000;

const fn letter(state: State) -> u8 {
    match state {
        State::Seeking => b'S',
        State::Locked => b'L',
        State::Coasting => b'C',
        State::Lost => b'X',
    }
}

struct Line<'a> {
    to: &'a mut [u8; MAX_LINE],
    len: usize,
}

impl Characters for Line<'_> {
    fn put(&mut self, byte: u8) {
        if let Some(place) = self.to.get_mut(self.len) {
            *place = byte;
            self.len += 1;
        }
    }
}

impl Line<'_> {
    /// The next field.
    fn next(&mut self) {
        self.put(b' ');
    }

    /// A rate of change in nanohertz a second, with its sign unless it is rounded to zero.
    fn rate(&mut self, rate: Option<i64>) {
        let size = rate.map(i64::unsigned_abs);
        let value = size.and_then(|size| Fixed::of(size, ROCOF_HALF));
        if rate.is_some_and(|rate| rate < 0) && value.is_some() && size >= Some(ROCOF_HALF.into()) {
            self.put(b'-');
        }
        self.fixed(value, 4);
    }

    /// A number with so many decimals.
    fn fixed(&mut self, value: Option<Fixed>, decimals: u8) {
        match value {
            Some(value) => value.write(self, decimals),
            None => self.put(UNKNOWN),
        }
    }

    /// A frequency in microhertz, after adding so many nanohertz.
    fn hertz(&mut self, frequency: Option<Frequency>, round: u32) {
        self.fixed(frequency.and_then(|f| Fixed::of(f.nanohertz(), round)), 6);
    }
}

/// Text lines, which end with LF; a CR before it is no part of them.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Text;

impl Format for Text {
    const DELIMITER: u8 = b'\n';

    fn is_empty(encoded: &[u8]) -> bool {
        matches!(encoded, [] | [b'\r'])
    }

    fn decode(encoded: &[u8]) -> Result<Record, Refused> {
        let line = encoded.strip_suffix(b"\r").unwrap_or(encoded);
        let (covered, crc) = line.split_at_checked(line.len().wrapping_sub(4)).ok_or(Refused::Form)?;
        if hexadecimal(crc).ok_or(Refused::Form)? != crc::of(covered) {
            return Err(Refused::Checksum);
        }
        let mut fields = covered.strip_suffix(b" ").ok_or(Refused::Form)?.split(|byte| *byte == b' ');
        if fields.next() != Some(VERSION) {
            return Err(Refused::Version);
        }
        record(&mut fields).ok_or(Refused::Form)
    }
}

/// The fields this version knows; more may follow.
fn record<'a>(fields: &mut impl Iterator<Item = &'a [u8]>) -> Option<Record> {
    let sequence = decimal(fields.next()?, 0).and_then(|n| u16::try_from(n).ok())?;
    let time_ms = decimal(fields.next()?, 3).and_then(|n| u32::try_from(n).ok())?;
    let state = match fields.next()? {
        b"S" => State::Seeking,
        b"L" => State::Locked,
        b"C" => State::Coasting,
        b"X" => State::Lost,
        _ => return None,
    };
    let frequency = known(fields.next()?, micro)?;
    let uncertainty = known(fields.next()?, micro)?;
    let rocof = known(fields.next()?, |text| {
        let (sign, text) = match text {
            [b'-', size @ ..] => (-1, size),
            size => (1, size),
        };
        let size = decimal(text, 4)?.checked_mul(100_000)?;
        Some(i64::try_from(size).ok()? * sign)
    })?;
    let count = |text| decimal(text, 0).and_then(|n| u16::try_from(n).ok());
    let (missed, rejected) = (count(fields.next()?)?, count(fields.next()?)?);
    Some(Record { sequence, time_ms, state, frequency, uncertainty, rocof, missed, rejected })
}

/// A field that may be unknown; `None` outside where it is neither.
fn known<T>(text: &[u8], read: impl FnOnce(&[u8]) -> Option<T>) -> Option<Option<T>> {
    if text == [UNKNOWN] { Some(None) } else { read(text).map(Some) }
}

fn micro(text: &[u8]) -> Option<Frequency> {
    decimal(text, 6)?.checked_mul(1_000).map(Frequency::from_nanohertz)
}

/// A number with exactly so many decimals, in units of the last; at most 19 figures.
fn decimal(text: &[u8], decimals: usize) -> Option<u64> {
    let point = match decimals {
        0 => text.len(),
        _ => text.len().checked_sub(decimals + 1)?,
    };
    if point == 0 || text.len() > 20 {
        return None;
    }
    let mut value = 0_u64;
    for (place, byte) in text.iter().enumerate() {
        match byte {
            b'.' if place == point => {}
            b'0'..=b'9' if place != point => {
                value = value.checked_mul(10)?.checked_add(u64::from(byte - b'0'))?
            }
            _ => return None,
        }
    }
    Some(value)
}

/// Four figures of base 16, capitals.
fn hexadecimal(text: &[u8]) -> Option<u16> {
    text.iter().try_fold(0, |value, byte| {
        let figure = match byte {
            b'0'..=b'9' => byte - b'0',
            b'A'..=b'F' => byte - b'A' + 10,
            _ => return None,
        };
        Some(value << 4 | u16::from(figure))
    })
}
