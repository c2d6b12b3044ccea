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
}

impl Sequence {
    /// Nothing has come.
    pub const fn new() -> Self {
        Self { last: None, late: None }
    }

    /// Takes the record's number and says how it follows.
    ///
    /// A number up to half a turn ahead is ahead, any other is behind. 0 comes only after a start. Where that very record is lost, the new
    /// numbers look late: two of them in a row are a start too.
    pub fn take(&mut self, record: &Record) -> Arrival {
        let number = record.sequence;
        let Some(last) = self.last else {
            self.last = Some(number);
            return Arrival::Next;
        };
        let late = self.late.take();
        if number == last {
            return Arrival::Again;
        }
        if number == 0 || late.is_some_and(|late| next(late) == number) {
            self.last = Some(number);
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
        self.last = Some(number);
        if ahead == 1 { Arrival::Next } else { Arrival::After(ahead - 1) }
    }
}
