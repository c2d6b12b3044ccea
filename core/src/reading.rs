//! What a meter says: frequency with its uncertainty, and what it rests on.
//!
#![doc = include_str!("../COVERAGE.md")]

use crate::arithmetic::{Rough, Scaled, digit, fraction_bits, up};
use crate::chain::Chain;
use crate::clock::THIRD;
use crate::config::{Length, Settings};
use crate::estimate::rocof::bend;
use crate::estimate::{Estimator, Fit, LeastSquares};
use crate::qualify::State;
use crate::unit::{Frequency, Stamp, Ticks};

/// One reading. What is not known is `None`: never zero, never the last value again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Reading {
    /// Middle of the window; the moment of the reading if there is no window.
    pub middle: Stamp,
    /// From the oldest crossing of the window to the newest.
    pub span: Ticks,
    /// Cycles in that span.
    pub cycles: u32,
    /// Frequency over the window, rounded to the nearest nanohertz; `None` also if it is outside the range that was asked for.
    pub frequency: Option<Frequency>,
    /// Rate of change of frequency in nanohertz a second, over a window of its own that ends with this one; see
    /// [`Meter::take_full_reading`](crate::Meter::take_full_reading).
    pub rocof: Option<i64>,
    /// Half width of the interval that holds the true rate of change with 95 %, in nanohertz a second.
    pub rocof_uncertainty: Option<u64>,
    /// Standard uncertainty of the frequency, clock tolerance included.
    pub standard_uncertainty: Option<Frequency>,
    /// Half width of the interval that holds the true frequency with 95 %, clock tolerance included.
    pub expanded_uncertainty: Option<Frequency>,
    /// Cycles in the span whose crossing is missing.
    pub missed: u32,
    /// Edges in the span that were refused; of one cycle at most 255 are counted.
    pub rejected: u32,
    /// Whether the mains is being followed.
    pub state: State,
}

impl Reading {
    /// A reading that knows nothing but the state at `now`.
    pub(crate) const fn unknown(now: Stamp, state: State) -> Self {
        Self {
            middle: now,
            span: Ticks::ZERO,
            cycles: 0,
            frequency: None,
            rocof: None,
            rocof_uncertainty: None,
            standard_uncertainty: None,
            expanded_uncertainty: None,
            missed: 0,
            rejected: 0,
            state,
        }
    }
}

/// Frequency of a fit: rate (1 + clock error) / period, to the nearest nanohertz of the rounded period.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) const fn frequency(fit: &Fit, settings: &Settings) -> Frequency {
    let nano_rate = settings.base.nano_rate();
    // Below 2^61 over 2^47.
    let (whole, rest) = digit(nano_rate, fit.period);
    let below = up(whole, fit.period_shift) | fraction_bits(rest, fit.period, fit.period_shift);
    // What is left of the numerator, modulo 2^64, is less than one period.
    let left = up(nano_rate, fit.period_shift).wrapping_sub(below.wrapping_mul(fit.period));
    Frequency::from_nanohertz(below + (left > fit.period / 2) as u64)
}

/// Standard and 95 % uncertainty of a frequency; `None` without scatter to judge by.
///
/// After the GUM (JCGM 100:2008). Type A: the residual variance s^2 and the quantisation's, q^2/12 a stamp (q^2/6 where only two
/// stamps count, whose errors do not spread), through the estimator's variance; times the estimator's coverage factor for the
/// residuals' degrees of freedom. Where jitter does not dither the quantisation, s^2 < q^2/3, its errors are a pattern that
/// repeats from window to window, and no scatter shows it: there the interval is never less than the estimator's guaranteed
/// bound B, and the standard uncertainty never less than B/sqrt(3). Type B: the clock, which no averaging shrinks;
/// its tolerance a is rectangular (4.3.7), a/sqrt(3) and 0.95 a.
///
/// Holds for white jitter. Coloured jitter, a tone, a moving grid or a phase step inside the window make residuals that are no
/// noise: the interval widens, and is 95 % no more.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) fn uncertainty<E: Estimator>(
    fit: &Fit,
    frequency: Frequency,
    settings: &Settings,
) -> Option<(Frequency, Frequency)> {
    let one = Rough::new(1, 0).over(fit.scaled_period());
    let per_period = one.times(one);
    let quantisation = settings.base.quantisation().times(Rough::new(E::QUANTUM, 0));
    let jitter = fit.scatter?.plus(quantisation).times(fit.variance).times(per_period);
    let factor = coverage::<E>(fit.freedom);
    let (mut standard, mut expanded) = (jitter, jitter.times(factor).times(factor));
    if let Some(worst) = fit.worst {
        let bound = worst.times(worst).times(per_period);
        (standard, expanded) = (standard.max(bound.times(THIRD)), expanded.max(bound));
    }
    let f = Rough::new(frequency.nanohertz(), 0);
    let (standard, expanded) = settings.base.with(standard, expanded);
    let nanohertz = |relative: Rough| f.times(relative).ceil().map(Frequency::from_nanohertz);
    Some((nanohertz(standard)?, nanohertz(expanded)?))
}

/// The estimator's 95 % factor with `freedom` degrees of freedom in the scatter. Derived for a slope part of which lies in the
/// residuals it is judged by: (T' - T)/(s g) ~ sqrt(rho) t + sqrt(1 - rho) sqrt(freedom) U, U between -1 and 1 with density
/// (1 - U^2)^((freedom - 3)/2) and rho = the least-squares variance over the estimator's; the formulas fit its quadrature.
/// Below four degrees of freedom it is Student's t, at least; with one, next to the formula's pole, its 12.706 as a figure.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) fn coverage<E: Estimator>(freedom: u32) -> Rough {
    let n = freedom + 2;
    let (above, less) = if n < 6 { (2_410, 3_050) } else { E::COVERAGE };
    let excess = (n * 1_000).saturating_sub(less).max(1);
    let factor = if n < 4 { 12_707 } else { 1_960 + above * 1_000 / excess };
    Rough::new(factor.into(), 0).times(THOUSANDTH)
}

/// Rate of change of frequency in nanohertz a second and the half width of its 95 % interval; `None` with too few crossings.
///
/// R = -2 c f^2/T with c the bend a cycle squared, 16 times as much a quarter cycle squared, and f = 1/T in the middle of these
/// very crossings: on a ramp the reading's own frequency, from another window, is another. The uncertainty is the scatter
/// about the bent line, quantisation q^2/12 added, through the variance of c, times Student's t; where jitter does not dither the
/// quantisation, never less than that can add up to. The clock's error, a factor of
/// 1 + e, is nothing here.
pub(crate) fn rocof<const N: usize, const CHAINS: usize>(
    chains: &[Chain<N>; CHAINS],
    settings: &Settings,
) -> Option<(i64, Option<u64>)> {
    let windows = chains.iter().map(|chain| &chain.window);
    let (_, mut now) = windows.clone().next()?.ends()?;
    for window in windows.clone() {
        let (_, last) = window.ends()?;
        if now.since(last).is_none() {
            now = last;
        }
    }
    let bend = bend(windows, now, Length { ticks: settings.rocof, ..settings.length() })?;
    let f = Scaled::new(settings.base.nano_rate(), 0).over(bend.period);
    // f in nanohertz times f in hertz over T in ticks.
    let scale = f.times(f).over(bend.period).times(Scaled::new(32, 0)).times(Scaled::BILLIONTH);
    let size = i64::try_from(scale.times(bend.c.size).ceil()?).ok()?;
    let spread = bend.scatter.map(|s| s.plus(settings.base.quantisation()).times(bend.variance).root());
    let (q, scale) = (settings.base.quantum(), scale.rough());
    let half = spread.and_then(|s| {
        let noise = s.times(coverage::<LeastSquares>(bend.freedom));
        // Undithered, errors of q/2 either way add up to q/2 times the sum of the weights' sizes, which by Cauchy's inequality is the root
        // of their number times their squares at most.
        let n = Rough::new(u64::from(bend.freedom) + 4, 0);
        let bound = q.times(n.times(bend.variance).root()).over(Rough::new(2, 0));
        let is_dithered = bend.scatter.is_some_and(|s| !s.times(Rough::new(3, 0)).less_than(q.times(q)));
        let half = if !is_dithered && noise.less_than(bound) { bound } else { noise };
        scale.times(half).ceil()
    });
    Some((if bend.c.negative { size } else { -size }, half))
}

/// What a ramp of the reading's rate adds to its frequency: k R^2 T^2/f.
pub(crate) fn ramp_bias<E: Estimator>(reading: &Reading, settings: &Settings) -> Option<Frequency> {
    let (rate, frequency) = (reading.rocof?, reading.frequency?);
    let change = Scaled::new(rate.unsigned_abs(), 0)
        .times(Scaled::new(reading.span.count().into(), 0))
        .over(Scaled::new(settings.base.nano_rate(), 0))
        .times(Scaled::new(1_000_000_000, 0));
    let bias = change.times(change).over(Scaled::new(frequency.nanohertz().max(1), 0));
    let ends = (2 * E::RAMP_ENDS * (1_250 - E::RAMP_BIAS)).checked_div(reading.cycles)?;
    let share = Scaled::new(E::RAMP_BIAS.saturating_sub(ends).into(), 0).over(Scaled::new(10_000, 0));
    Some(Frequency::from_nanohertz(bias.times(share).ceil()?))
}

pub(crate) const THOUSANDTH: Rough = Rough::new(1, 0).over(Rough::new(1_000, 0));
