//! Finding a period among edges nobody knows anything about.

use crate::config::Settings;
use crate::unit::Stamp;

/// Edges in a chain: four make three intervals, so that two comparisons must agree before a period is believed.
pub const CHAIN: usize = 4;

/// Intervals between them.
pub(super) const INTERVALS: u32 = 3;

/// Edges remembered. Four cycles with three extra edges in each still hold a chain.
const MEMORY: usize = 16;

/// The same in the counter's type.
const MOST: u8 = 16;

/// Remembers the latest edges and looks for [`CHAIN`] of them an equal time apart.
///
/// Intervals agree when neighbours differ by at most a sixteenth: wide enough for 1 % of jitter (a difference of neighbours
/// has 2.4 times the deviation of one stamp), narrow enough that two edges in a row fall in by chance once in 64.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Seeker {
    /// Newest first.
    stamps: [Stamp; MEMORY],
    len: u8,
}

/// Four edges an equal time apart, oldest first.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Chain {
    pub stamps: [Stamp; CHAIN],
    /// Largest difference between neighbouring intervals, in ticks.
    pub unevenness: u32,
}

impl Seeker {
    pub const fn new() -> Self {
        Self { stamps: [Stamp::new(0); MEMORY], len: 0 }
    }

    pub const fn clear(&mut self) {
        self.len = 0;
    }

    /// Takes an edge and returns the most even chain that ends in it, if there is one.
    pub fn push(&mut self, stamp: Stamp, settings: &Settings) -> Option<Chain> {
        self.forget(stamp, settings);
        // Chatter: the edges of one burst lie within 7 sigma/slew, a few per cent of a period; the first stands for all.
        if self.len > 0 && (stamp - self.at(0)).count() < settings.shortest() / 16 {
            return None;
        }
        self.stamps.copy_within(0..MEMORY - 1, 1);
        if let Some(first) = self.stamps.first_mut() {
            *first = stamp;
        }
        self.len = (self.len + 1).min(MOST);
        self.chain(settings)
    }

    /// Drops what is too old to be in a chain that ends `now`.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub fn forget(&mut self, now: Stamp, settings: &Settings) {
        // Below 2^29.
        let reach = (settings.longest() + settings.longest() / 16) * INTERVALS;
        while self.len > 0 {
            match now.since(self.at(self.len - 1)) {
                Some(age) if age.count() <= reach => break,
                _ => self.len -= 1,
            }
        }
    }

    /// The `i`-th edge before the newest, of those there are.
    fn at(&self, i: u8) -> Stamp {
        self.stamps.get(usize::from(i) % MEMORY).copied().unwrap_or(Stamp::new(0))
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn chain(&self, settings: &Settings) -> Option<Chain> {
        let last = self.at(0);
        let mut best: Option<Chain> = None;
        for i in 1..self.len {
            let third = self.at(i);
            let interval = (last - third).count();
            if interval > settings.longest() {
                break;
            }
            if interval < settings.shortest() {
                continue;
            }
            let Some(j) = self.nearest(i, interval) else { continue };
            let Some(k) = self.nearest(j, interval) else { continue };
            let (second, first) = (self.at(j), self.at(k));
            let (second_step, first_step) = ((third - second).count(), (second - first).count());
            let unevenness = second_step.abs_diff(interval).max(first_step.abs_diff(second_step));
            if unevenness <= interval / 16 && best.is_none_or(|b| unevenness < b.unevenness) {
                best = Some(Chain { stamps: [first, second, third, last], unevenness });
            }
        }
        best
    }

    /// Of the edges older than the `i`-th, the one whose distance before it is nearest to `interval`.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn nearest(&self, i: u8, interval: u32) -> Option<u8> {
        let (from, mut best, mut off) = (self.at(i), None, u32::MAX);
        // Distances only grow.
        for j in i + 1..self.len {
            let step = (from - self.at(j)).count().abs_diff(interval);
            if step >= off {
                break;
            }
            (best, off) = (Some(j), step);
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;
    use crate::unit::TickRate;

    fn settings() -> Settings {
        Config::mains(TickRate::from_hz(1_000_000).unwrap()).check().unwrap()
    }

    fn feed(stamps: &[u32]) -> Option<Chain> {
        let (mut seeker, settings) = (Seeker::new(), settings());
        stamps.iter().map(|s| seeker.push(Stamp::new(*s), &settings)).last().flatten()
    }

    #[test]
    fn four_even_edges_make_a_chain_and_three_do_not() {
        assert!(feed(&[0, 20_000, 40_000]).is_none());
        let chain = feed(&[0, 20_000, 40_010, 60_000]).unwrap();
        assert_eq!(chain.stamps, [0, 20_000, 40_010, 60_000].map(Stamp::new));
        assert_eq!(chain.unevenness, 20);
    }

    #[test]
    fn extra_edges_and_chatter_do_not_hide_the_chain() {
        let chain =
            feed(&[0, 300, 5_000, 11_000, 20_000, 20_050, 27_000, 33_000, 40_000, 47_000, 49_000, 60_000])
                .unwrap();
        assert_eq!(chain.stamps, [0, 20_000, 40_000, 60_000].map(Stamp::new));
        assert_eq!(chain.unevenness, 0);
    }

    #[test]
    fn uneven_or_out_of_range_intervals_do_not_count() {
        assert!(feed(&[0, 20_000, 41_300, 60_000]).is_none());
        // 100 Hz edges hold a 50 Hz chain, every other one; 30 Hz edges hold none.
        assert!(feed(&[0, 10_000, 20_000, 30_000, 40_000, 50_000, 60_000]).is_some());
        assert!(feed(&[0, 33_333, 66_667, 100_000, 133_333]).is_none());
    }

    #[test]
    fn a_chain_may_run_through_the_end_of_the_scale() {
        let start = u32::MAX - 30_000;
        let stamps = [0, 20_000, 40_000, 60_000].map(|t: u32| start.wrapping_add(t));
        assert!(feed(&stamps).is_some());
    }
}
