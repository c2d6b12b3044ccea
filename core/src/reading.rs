//! What a meter says: frequency with its uncertainty, and what it rests on.

use crate::arithmetic::{Scaled, fraction_bits};
use crate::config::Settings;
use crate::estimate::Fit;
use crate::qualify::State;

use crate::unit::{Frequency, Stamp, Ticks};

/// One reading. What is not known is `None`: never zero, never the last value again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// Middle of the window; the moment of the reading if there is no window.
    pub middle: Stamp,
    /// From the oldest crossing of the window to the newest.
    pub span: Ticks,
    /// Cycles in that span.
    pub cycles: u32,
    /// Frequency over the window, rounded to the nearest nanohertz; `None` also if it is outside the range that was asked for.
    pub frequency: Option<Frequency>,
    /// Rate of change of frequency in nanohertz a second.
    pub rocof: Option<i64>,
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
            standard_uncertainty: None,
            expanded_uncertainty: None,
            missed: 0,
            rejected: 0,
            state,
        }
    }
}

/// Frequency of a fit: rate (1 + clock error) / period, to the nearest nanohertz of the rounded period.
pub(crate) const fn frequency(fit: &Fit, settings: &Settings) -> Frequency {
    let (whole, rest) = (settings.nano_rate / fit.period, settings.nano_rate % fit.period);
    let below = (whole << fit.period_shift) | fraction_bits(rest, fit.period, fit.period_shift);
    // What is left of the numerator, modulo 2^64, is less than one period.
    let left = (settings.nano_rate << fit.period_shift).wrapping_sub(below.wrapping_mul(fit.period));
    Frequency::from_nanohertz(below + (left > fit.period / 2) as u64)
}

/// Standard and 95 % uncertainty of a least-squares frequency; `None` without scatter to judge by.
///
/// Type A: the residual variance, plus q^2/12 of quantisation, through the slope's gain. Coverage factor
/// 1.96 + 2.41/(N - 3.05), which is Student's t for N - 2 degrees of freedom within 0.1 % from N = 6 and above it below.
/// Type B: the clock's tolerance a is rectangular (JCGM 100:2008, 4.3.7), a/sqrt(3) and 0.95 a; no averaging shrinks it.
pub(crate) fn uncertainty(
    fit: &Fit,
    frequency: Frequency,
    settings: &Settings,
) -> Option<(Frequency, Frequency)> {
    let scatter = fit.scatter?;
    let period = Scaled::new(fit.period, -i16::try_from(fit.period_shift).ok()?);
    let gain = Scaled::new(fit.gain.0, 0).over(Scaled::new(fit.gain.1, 0).times(period).times(period));
    let jitter = scatter.plus(TWELFTH).times(gain);
    let excess = fit.crossings.checked_mul(100)?.checked_sub(305)?;
    let factor = Scaled::new(u64::from(1_960 + 241_000 / excess), 0).times(THOUSANDTH);
    let f = Scaled::new(frequency.nanohertz(), 0);
    let standard = f.times(jitter.plus(settings.clock.times(THIRD)).root());
    let expanded = f.times(
        jitter.times(factor).times(factor).plus(settings.clock.times(NINETEEN_TWENTIETHS_SQUARED)).root(),
    );
    Some((Frequency::from_nanohertz(standard.ceil()?), Frequency::from_nanohertz(expanded.ceil()?)))
}

const TWELFTH: Scaled = Scaled::new(1, 0).over(Scaled::new(12, 0));
const THOUSANDTH: Scaled = Scaled::new(1, 0).over(Scaled::new(1_000, 0));

/// Variance of a rectangular distribution over its half width squared.
const THIRD: Scaled = Scaled::new(1, 0).over(Scaled::new(3, 0));

/// 0.95^2: 95 % of a rectangular distribution lie within 0.95 of its half width.
const NINETEEN_TWENTIETHS_SQUARED: Scaled = Scaled::new(361, 0).over(Scaled::new(400, 0));
