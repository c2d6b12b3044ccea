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
        if let Some(newest) = self.held().first() {
            // Chatter: the edges of one burst lie within 7 sigma/slew, a few per cent of a period; the first stands for all.
            if (stamp - *newest).count() < settings.shortest() / 16 {
                return None;
            }
        }
        self.stamps.copy_within(0..MEMORY - 1, 1);
        if let Some(first) = self.stamps.first_mut() {
            *first = stamp;
        }
        self.len = (self.len + 1).min(MOST);
        self.chain(settings)
    }

    /// Drops what is too old to be in a chain that ends `now`.
    pub fn forget(&mut self, now: Stamp, settings: &Settings) {
        // Below 2^29.
        let reach = (settings.longest() + settings.longest() / 16) * INTERVALS;
        while let Some(oldest) = self.held().last() {
            match now.since(*oldest) {
                Some(age) if age.count() <= reach => break,
                _ => self.len -= 1,
            }
        }
    }

    fn held(&self) -> &[Stamp] {
        self.stamps.get(..usize::from(self.len)).unwrap_or_default()
    }

    fn chain(&self, settings: &Settings) -> Option<Chain> {
        let (last, earlier) = self.held().split_first()?;
        let mut best: Option<Chain> = None;
        for (i, third) in earlier.iter().enumerate() {
            let interval = (*last - *third).count();
            if interval > settings.longest() {
                break;
            }
            if interval < settings.shortest() {
                continue;
            }
            let before_third = earlier.get(i + 1..).unwrap_or_default();
            let Some((rest, second, first_step)) = nearest(before_third, *third, interval) else { continue };
            let Some((_, first, second_step)) = nearest(rest, second, interval) else { continue };
            let unevenness = first_step.abs_diff(interval).max(second_step.abs_diff(first_step));
            if unevenness <= interval / 16 && best.is_none_or(|b| unevenness < b.unevenness) {
                best = Some(Chain { stamps: [first, second, *third, *last], unevenness });
            }
        }
        best
    }
}

/// Of `candidates`, newest first, the one whose distance before `from` is nearest to `interval`, with the candidates
/// older than it and that distance.
fn nearest(candidates: &[Stamp], from: Stamp, interval: u32) -> Option<(&[Stamp], Stamp, u32)> {
    let mut best: Option<(&[Stamp], Stamp, u32)> = None;
    for (i, stamp) in candidates.iter().enumerate() {
        let step = (from - *stamp).count();
        if best.is_none_or(|(_, _, b)| step.abs_diff(interval) < b.abs_diff(interval)) {
            best = Some((candidates.get(i + 1..).unwrap_or_default(), *stamp, step));
        } else {
            break;
        }
    }
    best
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
