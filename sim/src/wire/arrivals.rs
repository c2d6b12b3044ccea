//! How records follow one another where a relay may send some again.
//!
//! The core's [`Sequence`] takes two late numbers in a row for a sensor that started anew: behind a serial port nothing else can be meant. A
//! relay whose connection broke sends again all that it does not know to have arrived, up to [`REPEATED`] lines. Those are records that have
//! been here, to the last figure, and that is how they are told from a start.

use std::hash::{DefaultHasher, Hash, Hasher};

use humtick::link::{Arrival, Record, Sequence};

/// Lines that a relay sends again at most.
pub const REPEATED: usize = 2_048;

/// Follows the records of one sensor; 8 KB.
#[derive(Clone, Debug)]
pub struct Arrivals {
    sequence: Sequence,
    /// A hash of each of the latest records, where its number says; 0 where there was none.
    latest: Box<[u32; REPEATED]>,
}

impl Default for Arrivals {
    fn default() -> Self {
        Self { sequence: Sequence::new(), latest: Box::new([0; REPEATED]) }
    }
}

impl Arrivals {
    /// Takes a record and says how it follows: [`Arrival::Again`] for one of the latest that comes again, otherwise what
    /// [`Sequence::take`] says.
    ///
    /// Of records that differ, one in 2^32 is taken for another of the same number. A pretend sensor that is started again says the same as
    /// before: its first records count as repeated if it had said fewer than these.
    pub fn take(&mut self, record: &Record) -> Arrival {
        let hash = hash(record);
        let place = &mut self.latest[usize::from(record.sequence) % REPEATED];
        if *place == hash {
            return Arrival::Again;
        }
        *place = hash;
        self.sequence.take(record)
    }
}

fn hash(record: &Record) -> u32 {
    let mut hasher = DefaultHasher::new();
    let Record { sequence, time_ms, state, frequency, uncertainty, rocof, missed, rejected } = record;
    (sequence, time_ms, *state as u8).hash(&mut hasher);
    (frequency.map(|f| f.nanohertz()), uncertainty.map(|u| u.nanohertz())).hash(&mut hasher);
    (rocof, missed, rejected).hash(&mut hasher);
    (hasher.finish() as u32).max(1)
}

#[cfg(test)]
mod tests {
    use humtick::State;
    use humtick::link::next;

    use super::*;

    fn record(sequence: u16, time_ms: u32) -> Record {
        Record {
            sequence,
            time_ms,
            state: State::Seeking,
            frequency: None,
            uncertainty: None,
            rocof: None,
            missed: 0,
            rejected: 0,
        }
    }

    /// Repeated blocks, the very first record included, are no starts; a start is one, though its numbers are the same.
    #[test]
    fn a_block_again_is_no_start_and_a_start_is() {
        let mut arrivals = Arrivals::default();
        let mut take = |range: std::ops::Range<u16>, off: u32| -> Vec<Arrival> {
            range.map(|n| arrivals.take(&record(n, u32::from(n) * 100 + off))).collect()
        };
        assert!(take(0..60, 0).iter().all(|a| *a == Arrival::Next));
        assert!(take(0..60, 0).iter().all(|a| *a == Arrival::Again));
        assert!(take(30..60, 0).iter().all(|a| *a == Arrival::Again));
        assert_eq!(take(60..62, 0), [Arrival::Next; 2]);
        assert_eq!(take(70..71, 0), [Arrival::After(8)]);
        // Late, not repeated: it has not been here.
        assert_eq!(take(65..66, 0), [Arrival::Late]);
        assert_eq!(take(0..2, 7), [Arrival::Restarted, Arrival::Next]);
    }

    /// As many as a relay repeats, across the turn of the numbers.
    #[test]
    fn the_longest_repetition_is_known_again() {
        let mut arrivals = Arrivals::default();
        let numbers: Vec<u16> = std::iter::successors(Some(64_000), |n| Some(next(*n))).take(3_000).collect();
        for (i, n) in numbers.iter().enumerate() {
            assert_eq!(arrivals.take(&record(*n, i as u32)), Arrival::Next);
        }
        for (i, n) in numbers.iter().enumerate().skip(3_000 - REPEATED + 1) {
            assert_eq!(arrivals.take(&record(*n, i as u32)), Arrival::Again, "{n}");
        }
    }
}
