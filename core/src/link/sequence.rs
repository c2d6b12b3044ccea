//! What sequence numbers tell of the way: lines lost, doubled, late, and a sensor that started anew.

use super::{Record, next};

/// Numbers that come once a turn, 1 to 65,535.
const TURN: u16 = u16::MAX;

/// How a record follows those before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Arrival {
    /// As it should, or the first of all.
    Next,
    /// So many records between it and the one before are missing; they may still come ([`Arrival::Late`]).
    After(u16),
    /// The one before came again.
    Again,
    /// It is older than the one before: out of order, or doubled.
    Late,
    /// The sensor started anew.
    Restarted,
}

/// Follows the numbers of one sensor.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Sequence {
    last: Option<u16>,
    /// The latest that seemed late.
    late: Option<u16>,
    /// The sensor's time in the last record.
    time_ms: u32,
}

/// Records out of order are no more than this apart, in milliseconds; a time that has gone back by more is a sensor's that began anew.
const OUT_OF_ORDER_MS: u32 = 60_000;

impl Sequence {
    /// Nothing has come.
    pub const fn new() -> Self {
        Self { last: None, late: None, time_ms: 0 }
    }

    /// Takes the record's number and says how it follows.
    ///
    /// A number up to half a turn ahead is ahead, any other is behind. 0 comes only after a start. Where that very record is lost, the
    /// sensor's time tells: it has gone back by more than a minute (and less than half of its 49.7 days, or it has gone round). Within the
    /// first minute the new numbers look late, and two of them in a row are a start too.
    pub fn take(&mut self, record: &Record) -> Arrival {
        let arrival = self.place(record);
        if !matches!(arrival, Arrival::Again | Arrival::Late) {
            (self.last, self.time_ms) = (Some(record.sequence), record.time_ms);
        }
        arrival
    }

    fn place(&mut self, record: &Record) -> Arrival {
        let number = record.sequence;
        let Some(last) = self.last else { return Arrival::Next };
        let late = self.late.take();
        let back = self.time_ms.wrapping_sub(record.time_ms);
        let has_gone_back = (OUT_OF_ORDER_MS + 1..1 << 31).contains(&back);
        if number == last && !has_gone_back {
            return Arrival::Again;
        }
        if number == 0 || has_gone_back || late.is_some_and(|late| next(late) == number) {
            return Arrival::Restarted;
        }
        // 0 stands where 65,535 would, before 1.
        let place = |number: u16| number % TURN;
        let ahead = if place(number) > place(last) {
            place(number) - place(last)
        } else {
            TURN - (place(last) - place(number))
        };
        if ahead > TURN / 2 {
            self.late = Some(number);
            return Arrival::Late;
        }
        if ahead == 1 { Arrival::Next } else { Arrival::After(ahead - 1) }
    }
}
