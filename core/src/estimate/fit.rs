//! A slope with the scatter around the line, in fixed point.

use super::window::Sums;
use super::{Estimator, Frame, Slope, Window, least_squares};
use crate::arithmetic::{Scaled, divide_down, down, fraction_bits, scale_down, size, up};
use crate::unit::{Stamp, Ticks};

/// Bits of [`Fit::period`]: rounding it moves a frequency by at most 2^-47 of itself, half a nanohertz at 70 kHz.
const PERIOD_BITS: u32 = 48;

/// The period over a window of crossings, and how the crossings scatter about their line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Fit {
    /// Stamp of the oldest crossing.
    pub first: Stamp,
    /// From the oldest crossing to the newest.
    pub span: Ticks,
    /// Whole cycles in that span.
    pub cycles: u32,
    /// Crossings in that span, both ends included.
    pub crossings: u32,
    /// Degrees of freedom of the scatter: crossings less one for the slope and one for the level of each polarity.
    pub freedom: u32,
    /// Period in ticks times 2^`period_shift`, rounded down; 48 bits, the top one set.
    pub(crate) period: u64,
    /// Fraction bits of `period`.
    pub(crate) period_shift: u32,
    /// Residual variance about the least-squares line in ticks^2; `None` without a degree of freedom.
    pub(crate) scatter: Option<Scaled>,
    /// Variance of the period for unit variance of the stamps.
    pub(crate) variance: Scaled,
    /// The most that quantisation can move the period, in ticks; `None` where jitter dithers it (see [`dithered`]).
    pub(crate) worst: Option<Scaled>,
}

/// Residual variance from which on quantisation is noise rather than a pattern, over q^2: a third, which half a step of jitter makes.
/// Without jitter residuals stay below q^2/4, so they never come here.
const DITHER: Scaled = Scaled::new(1, 0).over(Scaled::new(3, 0));

/// Whether jitter dithers the quantisation to steps of q ticks.
const fn dithered(scatter: Scaled, q: Scaled) -> bool {
    !scatter.less_than(DITHER.times(q).times(q))
}

impl Fit {
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(super) fn of<const N: usize, E: Estimator>(
        window: &Window<N>,
        slope: &Slope,
        q: Scaled,
    ) -> Option<Self> {
        let (first, last) = window.ends()?;
        let sums = window.sums();
        let scatter =
            if E::IS_LINE { unexplained(sums, slope) } else { unexplained(sums, &least_squares::of(sums)?) };
        let freedom = sums.n.saturating_sub(2);
        let scatter = scatter.map(|ssr| ssr.over(Scaled::new(freedom.into(), 0)));
        let (period, period_shift) = Self::period_of(window.line().period, slope)?;
        let settled = scatter.is_some_and(|s| dithered(s, q));
        Some(Self {
            first,
            span: last - first,
            cycles: window.cycles(),
            crossings: sums.n,
            freedom,
            period,
            period_shift,
            scatter,
            variance: slope.variance,
            worst: if settled { None } else { Some(slope.worst(sums.n, window.missed() == 0).times(q)) },
        })
    }

    /// Over the windows of both polarities, each with its estimator's state.
    pub(super) fn of_both<const N: usize, E: Estimator>(
        (a, est_a): (&Window<N>, &E),
        (b, est_b): (&Window<N>, &E),
        q: Scaled,
    ) -> Option<Self> {
        let ((a_first, a_last), (b_first, b_last)) = (a.ends()?, b.ends()?);
        let (frame_a, frame_b) = frames(a, b)?;
        let first = if frame_a.oldest < frame_b.oldest { a_first } else { b_first };
        let a_newer = b_last.since(a_last).is_none();
        let last = if a_newer { a_last } else { b_last };
        // Slopes against a line of a's period.
        let shift = i64::from(b.line().period) - i64::from(a.line().period);
        let moved = |s: Slope| {
            let num = s.num.checked_add(shift.checked_mul(i64::try_from(s.den).ok()?)?)?;
            Some(Slope { num, ..s })
        };
        let (slope_a, slope_b) = (est_a.slope(a, frame_a)?, moved(est_b.slope(b, frame_b)?)?);
        let slope = if a_newer { E::both(slope_a, slope_b) } else { E::both(slope_b, slope_a) }?;
        let (line_a, line_b) = (least_squares::of(a.sums())?, least_squares::of(b.sums())?);
        let (n, freedom) = (a.sums().n + b.sums().n, (a.sums().n + b.sums().n).checked_sub(3)?);
        // With a common slope, the scatter about both lines grows by (s_a - s_b)^2 / (1/I_a + 1/I_b), I being den/weight.
        let apart = fixed(line_a.num, line_a.den)?.abs_diff(fixed(moved(line_b)?.num, line_b.den)?);
        let apart = Scaled::new(apart, -32);
        let between = apart.times(apart).over(line_a.variance.plus(line_b.variance));
        let own = |sums: &Sums, line: &Slope| unexplained(sums, line);
        let scatter = own(a.sums(), &line_a).zip(own(b.sums(), &line_b)).filter(|_| freedom > 0);
        let scatter = scatter.map(|(a, b)| a.plus(b).plus(between).over(Scaled::new(freedom.into(), 0)));
        let (period, period_shift) = Self::period_of(a.line().period, &slope)?;
        Some(Self {
            first,
            span: last - first,
            // From the middle to just outside is half the span and a half cycle, in quarter cycles.
            cycles: (frame_a.reach - 2) / 2,
            crossings: n,
            freedom,
            period,
            period_shift,
            scatter,
            variance: slope.variance,
            worst: scatter.is_none_or(|s| !dithered(s, q)).then(|| slope.worst(n, false).times(q)),
        })
    }

    /// The period that `slope` makes of a line of `period` ticks, and its fraction bits.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn period_of(period: u32, slope: &Slope) -> Option<(u64, u32)> {
        let (whole, rest) = divide_down(slope.num, slope.den);
        let ticks = period.wrapping_add_signed(i32::try_from(whole).ok()?);
        // A fraction of more than 48 bits says nothing that 47 do not.
        let excess = size(slope.den).saturating_sub(PERIOD_BITS - 1);
        let shift = PERIOD_BITS - size(ticks.into());
        let fraction = fraction_bits(down(rest, excess), down(slope.den, excess), shift);
        Some((up(ticks.into(), shift) + fraction, shift))
    }

    /// The middle of the window, rounded down to a tick.
    pub fn middle(&self) -> Stamp {
        self.first + Ticks::new(self.span.count() / 2)
    }

    /// The period in whole ticks, rounded down.
    #[allow(clippy::cast_possible_truncation, reason = "48 bits less period_shift are the bits of a u32")]
    pub const fn whole_period(&self) -> u32 {
        (self.period >> self.period_shift) as u32
    }

    /// The period in ticks.
    #[allow(clippy::cast_possible_truncation, reason = "fraction bits are at most 48")]
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(crate) const fn scaled_period(&self) -> Scaled {
        Scaled::new(self.period, -(self.period_shift as i16))
    }
}

impl Slope {
    /// The most that quantisation can move it, in ticks a cycle, over `n` crossings.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn worst(&self, n: u32, even: bool) -> Scaled {
        if let Some(worst) = self.worst {
            return worst;
        }
        let n = u64::from(n);
        if even {
            // The positive weights (k - mean)/S of an even spacing add up to 3n/(2(n^2 - 1)), or 3/2n for odd n, which is less.
            return Scaled::new(3 * n, 0).over(Scaled::new(2 * (n * n - 1).max(1), 0));
        }
        // In general half the sum of sizes is at most half of sqrt(n * sum of squares) (Cauchy).
        self.variance.times(Scaled::new(n, -2)).root()
    }
}

/// Where the windows of two polarities lie in the window that both make; `None` if either is empty.
fn frames<const N: usize>(a: &Window<N>, b: &Window<N>) -> Option<(Frame, Frame)> {
    let ((a_first, _), (b_first, _)) = (a.ends()?, b.ends()?);
    let period = i32::try_from(a.line().period).ok().filter(|p| *p > 0)?;
    // b's crossings lie between a's, half a cycle on, wherever the duty cycle puts them.
    let start = 4 * b_first.offset(a_first).div_euclid(period) + 2;
    let a_end = (4 * a.cycles()).cast_signed();
    let b_end = start + (4 * b.cycles()).cast_signed();
    let (first, last) = (start.min(0), a_end.max(b_end));
    let (middle, reach) = ((first + last) / 2, (last - first).unsigned_abs() / 2 + 2);
    Some((Frame { oldest: -middle, reach }, Frame { oldest: start - middle, reach }))
}

/// num/den in 2^-32, rounded down; `None` beyond 2^30.
fn fixed(num: i64, den: u64) -> Option<i64> {
    let (whole, rest) = divide_down(num, den);
    let excess = size(den).saturating_sub(47);
    let fraction = fraction_bits(rest >> excess, den >> excess, 32).cast_signed();
    (whole.unsigned_abs() < 1 << 30).then_some((whole << 32) + fraction)
}

/// Sum of squared residuals about the least-squares line, in ticks^2; `line` is that line's slope. `None` with fewer than three
/// crossings.
///
/// n SSR = n sum r^2 - (sum r)^2 - tilt * slope. The last two nearly cancel the first when the slope is far off, so the
/// sums are then first taken over to the nearest line of integer period and level: |slope| <= 1/2, and 32 bits of its
/// fraction give the last term to 2^-33 of the spread (at 4096 crossings without gaps that is 0.2 % of what
/// quantisation alone puts into n SSR). A level far off does no harm as long as the terms fit: they are exact.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
fn unexplained(sums: &Sums, line: &Slope) -> Option<Scaled> {
    let n = u64::from(sums.n);
    if n < 3 {
        return None;
    }
    let fits = |sums: &Sums| size(sums.rr.cast_unsigned()) + size(n) <= u64::BITS;
    let mut near = *sums;
    let mut tilt = line.num;
    if !fits(sums) || tilt.unsigned_abs() > line.den / 2 {
        let (level, slope) = sums.nearest_line()?;
        near = sums.rebased(level, slope);
        tilt = near.slope()?.0;
    }
    let rr = near.rr.cast_unsigned();
    if !fits(&near) {
        // Jitter of 2^20 ticks and more: what half a tick of slope or level explains does not matter.
        return Some(Scaled::new(rr, 0));
    }
    let all = less_explained(rr * n, near.r, tilt, line.den)?;
    Some(all.over(Scaled::new(n, 0)))
}

/// `all`, which is n sum r^2, less what level and slope explain of it. That is never more, but for rounding, so the square fits.
fn less_explained(all: u64, r: i64, tilt: i64, spread: u64) -> Option<Scaled> {
    let (r, tilt) = (r.unsigned_abs(), tilt.unsigned_abs());
    let excess = size(spread).saturating_sub(31);
    let slope = fraction_bits(down(tilt, excess), down(spread, excess), 32);
    let explained = r * r + scale_down(tilt, u32::try_from(slope).ok()?);
    let whole = all.saturating_sub(explained);
    // What the last term has below one matters where few crossings lie within a tick of the line.
    let below = tilt.wrapping_mul(slope) & 0xFFFF_FFFF;
    Some(if whole >> 31 == 0 {
        Scaled::new((whole << 32).saturating_sub(below), -32)
    } else {
        Scaled::new(whole, 0)
    })
}
