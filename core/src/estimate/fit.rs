//! A slope with the scatter around the line, in fixed point.

use super::{Estimator, Frame, Residuals, Slope, Window, least_squares};
use crate::arithmetic::{Rough, divide_down, down, fraction_bits, size, up};
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
    /// The least-squares line's period to the nearest tick.
    pub(crate) line: u32,
    /// Residual variance about the least-squares line in ticks^2; `None` without a degree of freedom.
    pub(crate) scatter: Option<Rough>,
    /// Variance of the period for unit variance of the stamps.
    pub(crate) variance: Rough,
    /// The most that quantisation can move the period, in ticks; `None` where jitter dithers it (see [`dithered`]).
    pub(crate) worst: Option<Rough>,
}

/// Residual variance from which on quantisation is noise rather than a pattern, over q^2: a third, which half a step of jitter makes.
/// Without jitter residuals stay below q^2/4, so they never come here.
const DITHER: Rough = Rough::new(1, 0).over(Rough::new(3, 0));

/// Whether jitter dithers the quantisation to steps of q ticks.
const fn dithered(scatter: Rough, q: Rough) -> bool {
    !scatter.less_than(DITHER.times(q).times(q))
}

impl Fit {
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(crate) fn of<const N: usize, E: Estimator>(window: &Window<N>, q: Rough) -> Option<Self> {
        Self::through::<N, E>(Residuals::of(window).as_ref()?, q)
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn through<const N: usize, E: Estimator>(crossings: &Residuals<N>, q: Rough) -> Option<Self> {
        let window = crossings.window;
        let (first, last) = window.ends()?;
        let slope = E::slope(crossings, window.frame());
        let slope = slope.as_ref()?;
        let n = crossings.crossings();
        let freedom = n.saturating_sub(2);
        let scatter = crossings.unexplained().map(|ssr| ssr.over(Rough::new(freedom.into(), 0)));
        let (period, period_shift) = Self::period_of(crossings.period, slope)?;
        let settled = scatter.is_some_and(|s| dithered(s, q));
        Some(Self {
            first,
            span: last - first,
            cycles: window.cycles(),
            crossings: n,
            freedom,
            period,
            period_shift,
            line: crossings.period,
            scatter,
            variance: slope.variance,
            worst: if settled { None } else { Some(slope.worst(n, window.missed() == 0).times(q)) },
        })
    }

    /// Over the windows of both polarities.
    pub(crate) fn of_both<const N: usize, E: Estimator>(
        a: &Window<N>,
        b: &Window<N>,
        q: Rough,
    ) -> Option<Self> {
        let ((a_first, a_last), (b_first, b_last)) = (a.ends()?, b.ends()?);
        let (a, b) = (Residuals::of(a)?, Residuals::of(b)?);
        let (frame_a, frame_b) = frames(&a, &b)?;
        let first = if frame_a.oldest < frame_b.oldest { a_first } else { b_first };
        let a_newer = b_last.since(a_last).is_none();
        let last = if a_newer { a_last } else { b_last };
        // Slopes against a line of a's period.
        let shift = i64::from(b.period) - i64::from(a.period);
        let moved = |s: Slope| {
            let num = s.num.checked_add(shift.checked_mul(i64::try_from(s.den).ok()?)?)?;
            Some(Slope { num, ..s })
        };
        let (slope_a, slope_b) = (E::slope(&a, frame_a)?, moved(E::slope(&b, frame_b)?)?);
        let slope = if a_newer { E::both(slope_a, slope_b) } else { E::both(slope_b, slope_a) }?;
        let (line_a, line_b) = (least_squares::of(&a), least_squares::of(&b));
        let n = a.crossings() + b.crossings();
        let freedom = n.checked_sub(3)?;
        // With a common slope, the scatter about both lines grows by (s_a - s_b)^2 / (1/I_a + 1/I_b), I being den/weight.
        let apart = fixed(line_a.num, line_a.den)?.abs_diff(fixed(moved(line_b)?.num, line_b.den)?);
        let apart = Rough::new(apart, -32);
        let between = apart.times(apart).over(line_a.variance.plus(line_b.variance));
        let scatter = a.unexplained().zip(b.unexplained()).filter(|_| freedom > 0);
        let scatter = scatter.map(|(a, b)| a.plus(b).plus(between).over(Rough::new(freedom.into(), 0)));
        let (period, period_shift) = Self::period_of(a.period, &slope)?;
        Some(Self {
            first,
            span: last - first,
            // From the middle to just outside is half the span and a half cycle, in quarter cycles.
            cycles: (frame_a.reach - 2) / 2,
            crossings: n,
            freedom,
            period,
            period_shift,
            line: a.period,
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
    pub(crate) const fn scaled_period(&self) -> Rough {
        Rough::new(self.period, -(self.period_shift as i16))
    }
}

impl Slope {
    /// The most that quantisation can move it, in ticks a cycle, over `n` crossings.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn worst(&self, n: u32, even: bool) -> Rough {
        if let Some(worst) = self.worst {
            return worst;
        }
        let n = u64::from(n);
        if even {
            // The positive weights (k - mean)/S of an even spacing add up to 3n/(2(n^2 - 1)), or 3/2n for odd n, which is less.
            return Rough::new(3 * n, 0).over(Rough::new(2 * (n * n - 1).max(1), 0));
        }
        // In general half the sum of sizes is at most half of sqrt(n * sum of squares) (Cauchy).
        self.variance.times(Rough::new(n, -2)).root()
    }
}

/// Where the windows of two polarities lie in the window that both make; `None` if either is empty.
fn frames<const N: usize>(a: &Residuals<N>, b: &Residuals<N>) -> Option<(Frame, Frame)> {
    let period = i32::try_from(a.period).ok().filter(|p| *p > 0)?;
    let (a, b) = (a.window, b.window);
    let ((a_first, _), (b_first, _)) = (a.ends()?, b.ends()?);
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
