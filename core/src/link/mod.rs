//! What a sensor says: a text line that any serial terminal shows, a compact frame for radios, and a bare number.
//!
#![doc = include_str!("../../LINK.md")]

#[cfg(feature = "compact")]
mod compact;
mod crc;
mod keep;
mod number;
mod send;
mod sequence;
mod stream;
mod text;

#[cfg(feature = "compact")]
pub use compact::{Compact, MAX_FRAME, frame};
pub use keep::{Backlog, Keep, Passed, Ticket};
pub use number::{MAX_NUMBER, number};
pub use send::{Outgoing, SendError, write_line};
pub use sequence::{Arrival, Sequence};
pub use stream::{Counts, Decoder, Format, MAX_ENCODED, Refused};
pub use text::{MAX_LINE, Text, line};

use crate::qualify::State;
use crate::reading::Reading;
use crate::unit::{Frequency, Stamp, TickRate};

/// What one line or frame says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Record {
    /// Number of the record: 0 for the first after a start, then 1 to 65,535 and 1 again ([`next`]).
    pub sequence: u16,
    /// Middle of the reading's window in milliseconds of the sensor's own time since its start, modulo 2^32 (49.7 days).
    pub time_ms: u32,
    /// Whether the mains is being followed.
    pub state: State,
    /// Frequency. A text line has it to the nearest microhertz, halves up.
    pub frequency: Option<Frequency>,
    /// Half width of its 95 % interval. A text line has it in microhertz, rounded up.
    pub uncertainty: Option<Frequency>,
    /// Rate of change of frequency in nanohertz a second. A text line has it to the nearest 0.1 mHz/s, halves away from zero.
    pub rocof: Option<i64>,
    /// Cycles of the window whose crossing is missing; 65,535 stands for more.
    pub missed: u16,
    /// Edges of the window that were refused; 65,535 stands for more.
    pub rejected: u16,
}

impl Record {
    /// The record of a reading.
    pub fn new(sequence: u16, time_ms: u32, reading: &Reading) -> Self {
        let most = |count: u32| u16::try_from(count).unwrap_or(u16::MAX);
        Self {
            sequence,
            time_ms,
            state: reading.state,
            frequency: reading.frequency,
            uncertainty: reading.expanded_uncertainty,
            rocof: reading.rocof,
            missed: most(reading.missed),
            rejected: most(reading.rejected),
        }
    }
}

/// The sequence number after `sequence`: 0 comes but once.
pub const fn next(sequence: u16) -> u16 {
    if sequence == u16::MAX { 1 } else { sequence + 1 }
}

/// The sensor's own time: ticks added up to milliseconds, exactly.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SensorTime {
    rate_hz: u32,
    last: Stamp,
    ms: u32,
    /// Thousandths of ticks beyond the whole millisecond, in ticks a second: below the rate.
    rest: u32,
}

impl SensorTime {
    /// Zero at `start`, on a counter of this rate.
    pub const fn new(rate: TickRate, start: Stamp) -> Self {
        Self { rate_hz: rate.hz(), last: start, ms: 0, rest: 0 }
    }

    /// Milliseconds from the start to `now`, rounded down, modulo 2^32. Where `now` is before the last one asked for, that one's: time
    /// does not run backwards. Two that follow one another are less than 2^31 ticks apart.
    pub fn at(&mut self, now: Stamp) -> u32 {
        let Some(more) = now.since(self.last) else { return self.ms };
        self.last = now;
        let mut ticks = more.count();
        // A second at a time, so that a thousand times what is left of one, and the rest, stay within 64 bits; in one step as a rule.
        while ticks >= self.rate_hz {
            ticks -= self.rate_hz;
            self.ms = self.ms.wrapping_add(1_000);
        }
        let thousandths = u64::from(ticks) * 1_000 + u64::from(self.rest);
        let (ms, rest) = self.split(thousandths);
        self.ms = self.ms.wrapping_add(ms);
        self.rest = rest;
        self.ms
    }

    /// Whole milliseconds, at most 1,000, and the rest.
    #[allow(clippy::cast_possible_truncation, reason = "below 1,001, and below the rate")]
    fn split(&self, thousandths: u64) -> (u32, u32) {
        let rate = u64::from(self.rate_hz);
        // Ten turns of a subtraction: a 64-bit division takes an 8-bit part five times as long.
        let (mut ms, mut rest, mut part) = (0, thousandths, rate << 9);
        for _ in 0..10 {
            ms <<= 1;
            if rest >= part {
                rest -= part;
                ms |= 1;
            }
            part >>= 1;
        }
        (ms, rest as u32)
    }
}
