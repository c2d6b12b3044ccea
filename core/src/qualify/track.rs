//! Following a period that has been found: where the next crossing is expected, and how wide the gate around it is.

use super::seek::{Chain, INTERVALS};
use crate::config::Settings;
use crate::unit::{Stamp, Ticks};

/// Accepted crossings after locking during which the scatter is averaged fast.
const SETTLING: u8 = 8;

/// Accepted crossings after a jump during which another one may be of the same kind.
const RECURRING: u8 = 250;

/// The expected crossing, the period and the scatter, in sixteenths of a tick where that matters.
///
/// An alpha-beta filter with gains 1/2 and 1/8: critically damped within a few per cent (beta = alpha^2/(2 - alpha) = 1/6).
/// White jitter of sd s makes innovations of sd 1.3 s; a ramp that shifts each period by a leaves them 8 a off, which the
/// scatter, and so the gate, takes in.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Tracker {
    /// Stamp of the last accepted crossing.
    pub last: Stamp,
    /// Where the next crossing is expected, whole ticks.
    expected: Stamp,
    /// Sixteenths of a tick on top of `expected`.
    expected_16: u8,
    /// Period in sixteenths of a tick.
    period_16: u32,
    /// Mean absolute innovation in sixteenths of a tick.
    scatter_16: u32,
    /// Unevenness of the chain, in ticks, until the scatter has settled and can be held against it.
    unevenness: u32,
    /// Cycle number of the expected crossing.
    pub cycle: u32,
    /// Cycles that went by without an accepted edge.
    pub coasted: u8,
    /// Crossings still to come until the scatter has settled.
    settling: u8,
    /// Crossings still to come until a jump is forgotten.
    jumped: u8,
    /// Which way the last innovation was far off, if it was: 1 late, -1 early.
    lean: i8,
    /// The scatter has settled, no jump is remembered, the last innovation was not far off, and since then no cycle was coasted and no edge refused:
    /// [`Tracker::follow`] may judge the next edge. One byte to look at in place of five.
    pub steady: bool,
}

/// How far an accepted edge was from the expected crossing, in sixteenths of a tick.
#[derive(Clone, Copy)]
struct Innovation {
    off_16: i32,
    /// What of it corrects expectation and period.
    counted_16: i32,
    /// Which way it is far off, if it is.
    lean: i8,
}

impl Tracker {
    /// Starts from a chain whose last edge is cycle number `cycle`.
    pub fn new(chain: &Chain, cycle: u32) -> Self {
        let [s0, s1, s2, s3] = chain.stamps;
        let [d1, d2, d3] = [s1, s2, s3].map(|s| (s - s0).count());
        // Least squares through four points (weights -3, -1, 1, 3 over 10); below 2^31 since d3 < 3.2 * 2^27.
        let ten_periods = 3 * d3 + d2 - d1;
        let period_16 = ((ten_periods / 10) << 4) + ((ten_periods % 10) << 4) / 10;
        // The line at the fifth point is mean + 2.5 periods.
        let expected = s0 + Ticks::new((d1 + d2 + d3) / 4 + ten_periods / 4);
        Self {
            last: s3,
            expected,
            expected_16: 0,
            period_16,
            // The unevenness of neighbours has 2.4 sigma, the innovations to come 1.6 sigma and a mean of 1.3 sigma.
            scatter_16: chain.unevenness.saturating_mul(8),
            unevenness: chain.unevenness,
            cycle: cycle.wrapping_add(1),
            coasted: 0,
            settling: SETTLING,
            jumped: 0,
            lean: 0,
            steady: false,
        }
    }

    /// Starts from a chain that takes over from `before`, `phase` ticks off what that expected.
    ///
    /// The first jump in a while is an event, and all begins anew. Where they recur, in stamps of a coarse clock every few cycles, each
    /// counts as an innovation in the scatter, and what
    /// the scatter was is not forgotten: after a few jumps of one size the gate holds the next. It counts for a 128th of a period (2.8
    /// degrees) at most: larger ones are events of the mains, and no scatter.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub fn again(chain: &Chain, cycle: u32, before: &Self, phase: u32) -> Self {
        let fresh = Self { jumped: RECURRING, ..Self::new(chain, cycle) };
        if before.jumped == 0 {
            return fresh;
        }
        let jump_16 = phase.min(fresh.period() / 128) << 2;
        let scatter_16 = fresh.scatter_16.max(before.scatter_16.saturating_add(jump_16));
        // No wider than a quarter of a period, or no gate would be left outside of which to refuse.
        Self { scatter_16: scatter_16.min(fresh.period_16 / 4), settling: 0, ..fresh }
    }

    /// Tracked period in whole ticks, rounded down.
    pub const fn period(&self) -> u32 {
        self.period_16 >> 4
    }

    /// Signed ticks from the expected crossing to `stamp`.
    pub const fn offset(&self, stamp: Stamp) -> i32 {
        stamp.offset(self.expected)
    }

    /// Half width of the gate in ticks: scatter times factor, not below the floor, wider for each cycle coasted, never beyond
    /// three eighths of a period.
    ///
    /// Out of line: [`Tracker::follow`] seldom asks, and is the faster for not making room for it.
    #[inline(never)]
    pub fn gate(&self, settings: &Settings) -> u32 {
        let factor = u32::from(settings.gate_factor);
        // Whole ticks and sixteenths apart: whole ones are below 3/8 of 2^27, times 50 below 2^32.
        let scatter = (self.scatter_16 >> 4) * factor + (((self.scatter_16 & 15) * factor) >> 4);
        let gate = scatter.max(settings.gate_floor).saturating_add(self.drift(settings));
        gate.min(self.period() / 8 * 3)
    }

    /// How far the expectation may have drifted since the last accepted crossing. For each cycle one mean innovation
    /// (six standard deviations of the tracked period under white jitter) and half the floor (with the default floor 12 mHz of
    /// unnoticed change at 50 Hz).
    fn drift(&self, settings: &Settings) -> u32 {
        let a_cycle = (self.scatter_16 >> 4) + settings.gate_floor / 2;
        a_cycle.saturating_mul(self.coasted.into())
    }

    /// Whether the number of cycles since the last accepted crossing is still beyond doubt.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub fn certain(&self, settings: &Settings) -> bool {
        self.coasted <= settings.coast_cycles && self.drift(settings) <= self.period() / 4
    }

    /// Lets the expected crossing go by.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub fn skip(&mut self) {
        self.advance(0);
        self.coasted = self.coasted.saturating_add(1);
        self.steady = false;
    }

    /// Whether `stamp` is a crossing without any doubt or special case: accepted then, exactly as [`Tracker::accept`] would,
    /// with the period still in range. The one path that every good edge of a steady signal takes; in all other cases it
    /// changes nothing.
    ///
    /// Here the gate is at least its floor, since that is at most a quarter of the shortest period and two ticks, and three
    /// eighths of the tracked one are more from 64 ticks on. So most edges are known to be inside without its two products.
    ///
    /// This one is for edges inside the gate's floor, and calls nothing; [`Tracker::follow_wide`] is for the others.
    #[inline]
    pub fn follow(&mut self, stamp: Stamp, settings: &Settings) -> bool {
        let off = self.offset(stamp);
        // A gap beyond the horizon is nowhere near the expectation, so the gate refuses it.
        if (stamp - self.last).count() < settings.holdoff || !within(off, settings.gate_floor) {
            return false;
        }
        // Inside the floor every innovation counts in full.
        let off_16 = self.sixteenths(off);
        self.try_correct(stamp, Innovation { off_16, counted_16: off_16, lean: 0 }, settings)
    }

    /// As [`Tracker::follow`], for edges anywhere in the gate.
    pub fn follow_wide(&mut self, stamp: Stamp, settings: &Settings) -> bool {
        let off = self.offset(stamp);
        if (stamp - self.last).count() < settings.holdoff || !within(off, self.gate(settings)) {
            return false;
        }
        let seen = self.seen(off, settings);
        if !self.try_correct(stamp, seen, settings) {
            return false;
        }
        self.lean = seen.lean;
        self.steady = seen.lean == 0;
        true
    }

    #[inline]
    fn try_correct(&mut self, stamp: Stamp, seen: Innovation, settings: &Settings) -> bool {
        let period_16 = self.corrected(seen.counted_16, 3);
        if !settings.in_range(period_16) {
            return false;
        }
        self.correct(stamp, seen, period_16, 4);
        true
    }

    /// Takes an edge inside the gate. True once, if the gate settled narrower than the chain was uneven: then one of its edges was
    /// a stray, others may have passed the wide gate it made, and no fit should rest on them. Four true edges are so uneven once in
    /// a thousand times (3.3 of their 2.4 sigma against a gate of 8 sigma).
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub fn accept(&mut self, stamp: Stamp, settings: &Settings) -> bool {
        // After m missed cycles the same offset says less about one period: the gain falls with m.
        let gain = 3 + (u32::from(self.coasted) + 1).ilog2();
        let share = if self.settling > 0 { 2 } else { 4 };
        let seen = self.seen(self.offset(stamp), settings);
        let period_16 = self.corrected(seen.counted_16, gain);
        self.correct(stamp, seen, period_16, share);
        self.lean = seen.lean;
        self.coasted = 0;
        self.jumped = self.jumped.saturating_sub(1);
        self.steady = self.settling <= 1 && seen.lean == 0 && self.jumped == 0;
        if self.settling == 0 {
            return false;
        }
        self.settling -= 1;
        self.settling == 0 && self.unevenness > self.gate(settings)
    }

    /// What an edge `off` ticks from the expected crossing says.
    ///
    /// An innovation beyond twice the scatter (11 % of Gaussian ones) and beyond the gate's floor counts as that much, or a stray
    /// that got through a wide gate would drag the expectation along. The second in a row to the same side counts in full:
    /// strays do not do that, and a ramp that has begun does.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn seen(&self, off: i32, settings: &Settings) -> Innovation {
        // Twice the scatter fits: it is below 3/8 of 2^27 ticks, as the gate is.
        let off_16 = self.sixteenths(off);
        let most = (self.scatter_16 * 2).max(settings.gate_floor << 4).cast_signed();
        let lean = if off_16 > most {
            1
        } else if off_16 < -most {
            -1
        } else {
            return Innovation { off_16, counted_16: off_16, lean: 0 };
        };
        let counted_16 = if lean == self.lean { off_16 } else { i32::from(lean) * most };
        Innovation { off_16, counted_16, lean }
    }

    /// An offset inside the gate in sixteenths of a tick; the gate is at most 3/8 of 2^27 ticks, so they fit.
    #[inline]
    const fn sixteenths(&self, off: i32) -> i32 {
        (off << 4) - self.expected_16 as i32
    }

    /// The period in sixteenths, corrected by an innovation divided by 2^`gain`.
    #[inline]
    const fn corrected(&self, off_16: i32, gain: u32) -> u32 {
        self.period_16.wrapping_add_signed((off_16 + (1 << (gain - 1))) >> gain)
    }

    /// Takes over the corrected period, corrects the scatter by the innovation divided by 2^`share`, and expects the next.
    #[inline]
    fn correct(&mut self, stamp: Stamp, seen: Innovation, period_16: u32, share: u32) {
        self.period_16 = period_16;
        self.advance(seen.counted_16 >> 1);
        // Both below 2^31. The shift rounds down, so the last few sixteenths do not stay for ever.
        let more = seen.off_16.unsigned_abs().wrapping_sub(self.scatter_16).cast_signed();
        self.scatter_16 = self.scatter_16.wrapping_add_signed(more >> share);
        self.last = stamp;
    }

    /// Whether the tracked period is still one that was asked for.
    pub const fn in_range(&self, settings: &Settings) -> bool {
        settings.in_range(self.period_16)
    }

    /// Where a chain stands against this track: the number of cycles between the last accepted crossing and the chain's first edge,
    /// how far its phase is off in ticks, and whether neither phase nor period jumped. `None` if stamps are ambiguous.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub fn before(&self, chain: &Chain) -> Option<(u32, u32, bool)> {
        let [first, .., last] = chain.stamps;
        let period = (last - first).count() / INTERVALS;
        let gap = first.since(self.last)?.count();
        let cycles = (gap + period / 2).checked_div(period)?;
        let phase = gap.abs_diff(cycles * period);
        let smooth = phase <= period / 512 && period.abs_diff(self.period()) <= period / 512;
        Some((cycles, phase, smooth))
    }

    /// Moves the expectation one period on, and by `shift_16` sixteenths of a tick.
    #[inline]
    fn advance(&mut self, shift_16: i32) {
        let step_16 = self.period_16.wrapping_add(self.expected_16.into()).wrapping_add_signed(shift_16);
        self.expected = self.expected + Ticks::new(step_16 >> 4);
        self.expected_16 = step_16.to_le_bytes()[0] & 15;
        self.cycle = self.cycle.wrapping_add(1);
    }
}

/// Whether `off` is at most `width`, below 2^30, either way; without a branch on its sign, which is a coin toss.
const fn within(off: i32, width: u32) -> bool {
    off.cast_unsigned().wrapping_add(width) <= 2 * width
}

#[cfg(test)]
mod tests {
    use crate::config::Config;
    use crate::limit::{MAX_PERIOD, MIN_PERIOD};
    use crate::unit::{Frequency, TickRate};

    /// What [`Tracker::follow`] relies on, with the highest floor and the shortest period that a tracker may have.
    #[test]
    fn the_gate_is_never_below_its_floor() {
        let mut checked = 0;
        for shortest in (MIN_PERIOD..2_000).chain((2_000..MAX_PERIOD / 2).step_by(99_991)) {
            let millihertz = 1_000_000_000 / shortest;
            let config = Config {
                gate_floor_ppm: 250_000,
                window_ms: 1_000_000,
                every_ms: 1_000_000,
                ..Config::around(
                    TickRate::from_hz(1_000_000).unwrap(),
                    Frequency::from_nanohertz(u64::from(millihertz) * 1_000_000 / 5 * 4),
                )
            };
            let Ok(settings) = config.check() else { continue };
            checked += 1;
            assert!(settings.gate_floor <= (settings.shortest() - 1) / 8 * 3, "{shortest}");
        }
        assert!(checked > 1_900, "{checked}");
    }
}
