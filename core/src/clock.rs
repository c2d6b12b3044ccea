//! The board's clock: how far it is off, how well that is known, and two ways to know it better.
//!
//! A clock of error e counts (1 + e) times its rated ticks in a second. A frequency computed with the rated tick rate
//! is then low by that factor: measured = true / (1 + e), and so e = true / measured - 1. Positive errors count too
//! many.

use core::fmt;

use crate::arithmetic::{Rough, nearest, wide};
use crate::limit::MAX_CLOCK_PPB;
use crate::unit::{Frequency, TickRate};

/// Frequencies from here on, in nanohertz (1.84 GHz), are beyond the decimal division of [`Clock::trimmed`].
const MAX_TRIM: u64 = u64::MAX / 10;

/// Error of a clock in parts per billion, with two independent uncertainties: a rectangular tolerance, as data sheets
/// give it, and a normal one, as measurements leave it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize))]
pub struct Clock {
    error: i32,
    tolerance: u32,
    standard: u32,
}

impl Clock {
    /// Ordinary quartz that nobody has measured: no known error, within 50 ppm (20 to 50 ppm is typical of
    /// calibration at 25 C).
    pub const QUARTZ: Self = Self { error: 0, tolerance: 50_000, standard: 0 };

    /// A clock of known error, off from it by at most `tolerance_ppb` (any value equally likely) and by a normal part
    /// of `standard_ppb` standard deviation.
    ///
    /// # Errors
    /// [`ClockError::Range`] if one is beyond [`MAX_CLOCK_PPB`].
    pub const fn new(error_ppb: i32, tolerance_ppb: u32, standard_ppb: u32) -> Result<Self, ClockError> {
        if error_ppb.unsigned_abs() > MAX_CLOCK_PPB
            || tolerance_ppb > MAX_CLOCK_PPB
            || standard_ppb > MAX_CLOCK_PPB
        {
            return Err(ClockError::Range);
        }
        Ok(Self { error: error_ppb, tolerance: tolerance_ppb, standard: standard_ppb })
    }

    /// The error of a clock that says `measured` of what is `truth`: true / measured - 1, to the nearest part per
    /// billion (halves towards zero). `measured` must come from the rated tick rate, without any correction, and its
    /// uncertainty from jitter alone ([`Config::clock_ppb`](crate::Config::clock_ppb) and
    /// [`Config::clock_tolerance_ppb`](crate::Config::clock_tolerance_ppb) zero).
    ///
    /// The uncertainty is normal: both relative standard uncertainties and 1/sqrt(12) ppb of rounding, root of
    /// squares, rounded up. It holds for the moment of the measurement; what temperature and ageing may add is
    /// [`Clock::widened`]'s.
    ///
    /// # Errors
    /// [`ClockError::Frequency`] if a frequency is zero or above 1.84 GHz, [`ClockError::Range`] if the error or an
    /// uncertainty is beyond 10 %.
    pub fn trimmed(measured: Known, truth: Known) -> Result<Self, ClockError> {
        let (m, t) = (measured.frequency.nanohertz(), truth.frequency.nanohertz());
        if m == 0 || t == 0 || m > MAX_TRIM || t > MAX_TRIM {
            return Err(ClockError::Frequency);
        }
        let (whole, rest) = billionths(m.abs_diff(t), m).ok_or(ClockError::Range)?;
        let size = whole + u32::from(rest > m - rest);
        let error = if t < m { -size.cast_signed() } else { size.cast_signed() };
        let [of_m, of_t] = [measured.relative()?, truth.relative()?].map(|u| u64::from(u) * u64::from(u));
        // A twelfth is rounding's own; one does for it.
        let standard = root_up(of_m + of_t + 1);
        Self::new(error, 0, standard)
    }

    /// The same with `ppb` more tolerance on either side.
    ///
    /// # Errors
    /// [`ClockError::Range`] if that is beyond [`MAX_CLOCK_PPB`].
    pub const fn widened(self, ppb: u32) -> Result<Self, ClockError> {
        Self::new(self.error, self.tolerance.saturating_add(ppb), self.standard)
    }

    /// The same with an error `ppb` larger, such as a temperature [`Parabola`] gives.
    ///
    /// # Errors
    /// [`ClockError::Range`] if that is beyond [`MAX_CLOCK_PPB`].
    pub const fn shifted(self, ppb: i32) -> Result<Self, ClockError> {
        Self::new(self.error.saturating_add(ppb), self.tolerance, self.standard)
    }

    /// Known error in parts per billion; positive counts too many.
    pub const fn error_ppb(&self) -> i32 {
        self.error
    }

    /// Half width of the rectangular part, in parts per billion.
    pub const fn tolerance_ppb(&self) -> u32 {
        self.tolerance
    }

    /// Standard uncertainty of the normal part, in parts per billion.
    pub const fn standard_ppb(&self) -> u32 {
        self.standard
    }

    /// As far as the error can be from the known one, a + 3 u, in parts per billion: beyond, it is not this clock.
    pub const fn limit_ppb(&self) -> u32 {
        self.tolerance + 3 * self.standard
    }

    /// Standard uncertainty of both parts: sqrt(a^2/3 + u^2) (JCGM 100:2008, 4.3.7 and 5.1.2), in parts per billion,
    /// rounded up.
    pub const fn combined_ppb(&self) -> u32 {
        let (a, u) = (self.tolerance as u64, self.standard as u64);
        root_up((a * a).div_ceil(3) + u * u)
    }

    /// Half width that holds the error with 95 %, in parts per billion, rounded up: 0.95 a for the rectangular part
    /// alone, 1.96 u for the normal one alone, sqrt(0.9025 a^2 + 3.84 u^2 + a u/2) for both. The root of squares
    /// alone would hold 93.0 % at u = 0.3 a; with the last term it is 95.0 to 96.0 % everywhere (by numerical
    /// integration of the convolution; no outside source).
    pub const fn expanded_ppb(&self) -> u32 {
        let (a, u) = (self.tolerance as u64, self.standard as u64);
        // Each square is at most 10^16.
        root_up((a * a * 361).div_ceil(400) + (u * u * 96).div_ceil(25) + (a * u).div_ceil(2))
    }
}

/// A counter's rate with what is known of its clock: what turns ticks into seconds, and says how well.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Timebase {
    pub rate: TickRate,
    pub clock: Clock,
    /// Steps that stamps come in, in ticks.
    pub resolution: u32,
}

impl Timebase {
    /// The step q that stamps come in, in ticks.
    pub const fn quantum(&self) -> Rough {
        Rough::new(self.resolution as u64, 0)
    }

    /// Variance of a stamp's quantisation in squared ticks, q^2/12.
    pub const fn quantisation(&self) -> Rough {
        let q = self.quantum();
        q.times(q).times(TWELFTH)
    }

    /// Ticks a second times 10^9, the known error taken into account: a clock that counts e too many counts (1 + e) times its rated
    /// rate. At most 2^61.
    pub const fn nano_rate(&self) -> u64 {
        wide(self.rate.hz(), 1_000_000_000_u32.wrapping_add_signed(self.clock.error))
    }

    /// Relative standard deviation and relative 95 % half width of the clock and of something else whose variance and whose
    /// own half width squared are `variance` and `expanded`.
    ///
    /// The variance is a^2/3 + u^2 more. All normal parts together are n^2 = `expanded` + (1.96 u)^2; the rectangular one joins them as
    /// 0.9025 a^2 + n^2 + 0.255 a n, as in [`Clock::expanded_ppb`]: the root of squares alone would hold 93 % where the two are alike.
    pub fn with(&self, variance: Rough, expanded: Rough) -> (Rough, Rough) {
        let (mut variance, mut expanded) = (variance, expanded);
        if self.clock.standard != 0 {
            let square = square(self.clock.standard);
            (variance, expanded) = (variance.plus(square), expanded.plus(square.times(NORMAL)));
        }
        if self.clock.tolerance != 0 {
            let square = square(self.clock.tolerance);
            let both = square.times(expanded).root().times(CROSS);
            variance = variance.plus(square.times(THIRD));
            expanded = expanded.plus(square.times(RECTANGLE)).plus(both);
        }
        (variance.root(), expanded.root())
    }
}

/// Square of so many parts per billion.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
const fn square(ppb: u32) -> Rough {
    let relative = Rough::new(ppb as u64, 0).times(Rough::BILLIONTH);
    relative.times(relative)
}

const TWELFTH: Rough = Rough::new(1, 0).over(Rough::new(12, 0));

/// Variance of a rectangular distribution over its half width squared (JCGM 100:2008, 4.3.7).
pub(crate) const THIRD: Rough = Rough::new(1, 0).over(Rough::new(3, 0));

/// 0.95^2: 95 % of a rectangular distribution lie within 0.95 of its half width.
const RECTANGLE: Rough = Rough::new(361, 0).over(Rough::new(400, 0));

/// 1.96^2.
const NORMAL: Rough = Rough::new(38_416, 0).over(Rough::new(10_000, 0));

/// 1/(2 * 1.96).
const CROSS: Rough = Rough::new(25, 0).over(Rough::new(98, 0));

/// A frequency with its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Known {
    /// The frequency.
    pub frequency: Frequency,
    /// Its standard uncertainty.
    pub standard: Frequency,
}

impl Known {
    /// Relative standard uncertainty in parts per billion, rounded up.
    fn relative(self) -> Result<u32, ClockError> {
        let (whole, rest) =
            billionths(self.standard.nanohertz(), self.frequency.nanohertz()).ok_or(ClockError::Range)?;
        Ok(whole + u32::from(rest > 0))
    }
}

/// Frequency against temperature of a quartz cut whose curve is a parabola: error = k (T - T0)^2. The tuning forks of
/// 32,768 Hz are; the AT cut of megahertz crystals is a cubic and is not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize))]
pub struct Parabola {
    turnover: i32,
    ppb_per_square_kelvin: i16,
}

impl Parabola {
    /// The usual tuning fork: -0.034 ppm/K^2 around 25 C (value from memory; data sheets say -0.030 +- 0.010, -0.035,
    /// -0.04).
    pub const TUNING_FORK: Self = Self { turnover: 25_000, ppb_per_square_kelvin: -34 };

    /// Temperatures that a curve may be asked for, in thousandths of a degree Celsius.
    const RANGE: core::ops::RangeInclusive<i32> = -100_000..=200_000;

    /// A curve around `turnover_millicelsius`, -100 to 200 C, of `ppb_per_square_kelvin`, -1000 to 1000.
    ///
    /// # Errors
    /// [`ClockError::Curve`] if one is outside.
    pub fn new(turnover_millicelsius: i32, ppb_per_square_kelvin: i16) -> Result<Self, ClockError> {
        if !Self::RANGE.contains(&turnover_millicelsius) || ppb_per_square_kelvin.unsigned_abs() > 1_000 {
            return Err(ClockError::Curve);
        }
        Ok(Self { turnover: turnover_millicelsius, ppb_per_square_kelvin })
    }

    /// Error in parts per billion at a temperature in thousandths of a degree Celsius, against the turnover's, to the
    /// nearest (halves towards zero); `None` outside -100 to 200 C.
    pub fn at(&self, millicelsius: i32) -> Option<i32> {
        if !Self::RANGE.contains(&millicelsius) {
            return None;
        }
        // At most 1000 * (3 * 10^5)^2.
        let off = i64::from(millicelsius - self.turnover);
        i32::try_from(nearest(off * off * i64::from(self.ppb_per_square_kelvin), 1_000_000)).ok()
    }
}

/// `num` / `den` in parts per billion, rounded down, and the remainder; `None` above 10 %. For `den` from 1 to 2^64 /
/// 10.
fn billionths(num: u64, den: u64) -> Option<(u32, u64)> {
    if num > den / 10 {
        return None;
    }
    // One decimal place a step: the remainder is below the denominator, so ten times it still fits.
    // The range says that it is not zero; so does this, where a division by zero would be a way to panic.
    let den = den.max(1);
    let (mut quotient, mut rest) = (0, num);
    for _ in 0..9 {
        quotient = quotient * 10 + rest * 10 / den;
        rest = rest * 10 % den;
    }
    Some((u32::try_from(quotient).ok()?, rest))
}

/// Square root rounded up, for squares of at most 2^63.
#[allow(clippy::cast_possible_truncation, reason = "the root of 64 bits has 32")]
const fn root_up(square: u64) -> u32 {
    let root = square.isqrt();
    (root + (root * root < square) as u64) as u32
}

/// Why a clock or a curve was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ClockError {
    /// An error, tolerance, drift or uncertainty is beyond [`MAX_CLOCK_PPB`].
    Range,
    /// A frequency to trim by is zero or above 1.84 GHz.
    Frequency,
    /// The turnover is outside -100 to 200 C, or the curvature outside +-1000 ppb/K^2.
    Curve,
    /// One pulse a second does not fit: the tick rate is above [`discipline::MAX_HZ`](crate::discipline::MAX_HZ).
    Rate,
}

impl fmt::Display for ClockError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Range => {
                "a clock's error, tolerance, drift and uncertainty must be within 10 % (100000000 ppb)"
            }
            Self::Frequency => "a frequency to trim by must be above zero and at most 1.84 GHz",
            Self::Curve => {
                "a temperature curve needs a turnover of -100 to 200 C and at most 1000 ppb/K^2 either way"
            }
            Self::Rate => "one pulse a second needs a tick rate of at most 107 MHz: choose a prescaler",
        })
    }
}

impl core::error::Error for ClockError {}
