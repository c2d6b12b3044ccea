//! True time of what the meter has only a stamp of.

use std::collections::{VecDeque, vec_deque};

use crate::moment::Moment;

/// Crossings that are remembered at most: more than the largest window of the core holds, of both polarities together.
const MOST: usize = 20_000;

/// Crossings as ticks on a scale that does not wrap and in true time, both rising.
#[derive(Clone, Debug)]
pub(super) struct Times {
    seen: VecDeque<Seen>,
    /// Ticks a second, the clock's lasting error included.
    rate: f64,
}

/// A crossing that the meter took.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    pub tick: u64,
    pub at: Moment,
    pub falling: bool,
}

impl Times {
    pub fn new(rate: f64) -> Self {
        Self { seen: VecDeque::new(), rate }
    }

    /// Ticks a second.
    pub const fn rate(&self) -> f64 {
        self.rate
    }

    /// A crossing, usually the last so far: those of a chain just found may lie between others. One that contradicts them is left out.
    #[inline]
    pub fn learn(&mut self, seen: Seen) {
        let mut place = self.seen.len();
        while let Some(before) = place.checked_sub(1).and_then(|before| self.seen.get(before))
            && before.tick >= seen.tick
        {
            if before.tick == seen.tick || before.at <= seen.at {
                return;
            }
            place -= 1;
        }
        if place.checked_sub(1).is_some_and(|before| self.seen[before].at >= seen.at) {
            return;
        }
        self.seen.insert(place, seen);
        if self.seen.len() > MOST {
            self.seen.pop_front();
        }
    }

    /// True time of `tick` by the clock's rate from another tick.
    #[inline]
    pub fn from(&self, other: u64, at: Moment, tick: u64) -> Moment {
        if tick == other { at } else { at.later((tick as f64 - other as f64) / self.rate) }
    }

    /// True time of `tick`: exact at a crossing, along a straight line between two, at the clock's rate beyond the first and the last.
    /// `None` before any crossing.
    pub fn when(&self, tick: u64) -> Option<Moment> {
        let after = self.seen.partition_point(|seen| seen.tick < tick);
        let at_rate = |seen: &Seen| self.from(seen.tick, seen.at, tick);
        let Some(next) = self.seen.get(after) else { return self.seen.back().map(at_rate) };
        let Some(before) = after.checked_sub(1).and_then(|before| self.seen.get(before)) else {
            return Some(at_rate(next));
        };
        let share = (tick - before.tick) as f64 / (next.tick - before.tick) as f64;
        Some(before.at.later(share * next.at.since(before.at)))
    }

    /// The crossings from tick `first` to tick `last`, both included. The first is looked for from the oldest on, the last from the newest
    /// back.
    pub fn window(&self, first: u64, last: u64) -> vec_deque::Iter<'_, Seen> {
        let from = self.seen.iter().take_while(|seen| seen.tick < first).count();
        let beyond = self.seen.iter().rev().take_while(|seen| seen.tick > last).count();
        let to = self.seen.len() - beyond;
        self.seen.range(from.min(to)..to)
    }

    /// Lets go of what lies before `tick`, but for the last crossing there.
    pub fn forget(&mut self, tick: u64) {
        while self.seen.get(1).is_some_and(|second| second.tick <= tick) {
            self.seen.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(tick: u64, at_s: f64) -> Seen {
        Seen { tick, at: Moment::from_s(at_s), falling: false }
    }

    #[test]
    fn times_between_and_beyond() {
        let mut times = Times::new(1_000.0);
        assert_eq!(times.when(5), None);
        for (tick, at) in
            [(1_000, 1.0), (2_000, 2.5), (2_000, 2.6), (1_900, 2.7), (3_000, 2.4), (3_000, 3.5), (1_800, 2.2)]
        {
            times.learn(seen(tick, at));
        }
        let at = |times: &Times, tick| times.when(tick).unwrap().seconds();
        assert_eq!(
            [900, 1_000, 1_400, 1_900, 2_000, 2_600, 3_000, 4_000].map(|t| at(&times, t)),
            [0.9, 1.0, 1.6, 2.35, 2.5, 3.1, 3.5, 4.5]
        );
        let window = |first, last| times.window(first, last).map(|seen| seen.tick).collect::<Vec<_>>();
        assert_eq!(window(1_000, 2_000), [1_000, 1_800, 2_000]);
        assert_eq!(window(1_001, 1_999), [1_800]);
        assert!(window(3_001, 2_000).is_empty());
        times.forget(2_999);
        assert_eq!((times.seen.len(), at(&times, 2_600)), (2, 3.1));
        times.forget(10_000);
        assert_eq!((times.seen.len(), at(&times, 3_500)), (1, 4.0));
    }

    #[test]
    fn as_many_as_a_window_holds_and_no_more() {
        let mut times = Times::new(1.0);
        for i in 1..=MOST as u64 + 10 {
            times.learn(seen(i, i as f64));
        }
        assert_eq!((times.seen.len(), times.seen[0].tick), (MOST, 11));
    }
}
