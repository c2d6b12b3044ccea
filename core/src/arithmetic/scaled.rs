//! Values of 31 bits: what a rate of change is made of, sums that nearly cancel.

use super::rough::Rough;
use super::{DIVIDES_AT_ONCE, digits, divide, down, up, wide};

/// A value known to 31 bits over any range: mantissa * 2^exponent, the mantissa's top bit set unless the value is zero. Operations round
/// down, by less than 2^-30 of the result, if they do not say otherwise.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Scaled {
    mantissa: u32,
    exponent: i16,
}

impl Scaled {
    pub const ZERO: Self = Self { mantissa: 0, exponent: 0 };

    /// Parts per billion, nanoseconds, nanohertz.
    pub const BILLIONTH: Self = Self::new(1, 0).over(Self::new(1_000_000_000, 0));

    /// `value` * 2^`exponent`.
    #[allow(clippy::cast_possible_truncation, reason = "32 bits are left, of at most 64 leading zeros")]
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn new(value: u64, mut exponent: i16) -> Self {
        if value == 0 {
            return Self::ZERO;
        }
        let (mut high, mut low) = ((value >> 32) as u32, value as u32);
        exponent += 32;
        // Whole bytes first: an 8-bit part shifts bit by bit.
        if high == 0 {
            (high, low, exponent) = (low, 0, exponent - 32);
        }
        if high >> 16 == 0 {
            (high, low, exponent) = (high << 16 | low >> 16, low << 16, exponent - 16);
        }
        if high >> 24 == 0 {
            (high, low, exponent) = (high << 8 | low >> 24, low << 8, exponent - 8);
        }
        while high >> 31 == 0 {
            (high, low, exponent) = (high << 1 | low >> 31, low << 1, exponent - 1);
        }
        Self { mantissa: high, exponent }
    }

    /// `value` * 2^`exponent` for a `value` of 63 or 64 bits, or zero: what comes of two mantissas. There are no bits to count,
    /// and the shifts are by one bit and by whole bytes: an 8-bit part takes a loop for any other.
    #[allow(clippy::cast_possible_truncation, reason = "32 bits are left")]
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    const fn full(value: u64, exponent: i16) -> Self {
        if value >> 63 == 1 {
            Self { mantissa: (value >> 32) as u32, exponent: exponent + 32 }
        } else if value == 0 {
            Self::ZERO
        } else {
            Self { mantissa: (value >> 31) as u32, exponent: exponent + 31 }
        }
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn times(self, other: Self) -> Self {
        Self::full(wide(self.mantissa, other.mantissa), self.exponent + other.exponent)
    }

    /// Quotient; a zero divisor gives zero, which no caller lets happen.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn over(self, other: Self) -> Self {
        if self.mantissa == 0 || other.mantissa == 0 {
            return Self::ZERO;
        }
        // The quotient has 32 or 33 bits.
        let quotient = if DIVIDES_AT_ONCE {
            divide((self.mantissa as u64) << 32, other.mantissa as u64).0
        } else {
            quotient_by_digits(self.mantissa, other.mantissa)
        };
        Self::full(quotient << 31, self.exponent - other.exponent - 63)
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn plus(self, other: Self) -> Self {
        let (large, small) = if self.exponent >= other.exponent { (self, other) } else { (other, self) };
        if large.mantissa == 0 {
            return small;
        }
        let lag = large.exponent.abs_diff(small.exponent) as u32;
        let aligned = if lag < 32 { down((small.mantissa as u64) << 31, lag) } else { 0 };
        Self::full(((large.mantissa as u64) << 31) + aligned, large.exponent - 31)
    }

    /// The difference, zero if `other` is larger.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn minus(self, other: Self) -> Self {
        if other.mantissa == 0 {
            return self;
        }
        if self.less_than(other) {
            return Self::ZERO;
        }
        let lag = self.exponent.abs_diff(other.exponent) as u32;
        let aligned = if lag < 32 { down((other.mantissa as u64) << 31, lag) } else { 0 };
        Self::new(((self.mantissa as u64) << 31) - aligned, self.exponent - 31)
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn less_than(self, other: Self) -> bool {
        match (self.mantissa, other.mantissa) {
            (_, 0) => false,
            (0, _) => true,
            (a, b) => self.exponent < other.exponent || (self.exponent == other.exponent && a < b),
        }
    }

    /// The same to 16 bits.
    pub const fn rough(self) -> Rough {
        Rough::full(self.mantissa, self.exponent)
    }

    /// The value rounded up to an integer; `None` from 2^63 on.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn ceil(self) -> Option<u64> {
        let mantissa = self.mantissa as u64;
        if self.exponent > 31 {
            return if mantissa == 0 { Some(0) } else { None };
        }
        if self.exponent >= 0 {
            return Some(up(mantissa, self.exponent.unsigned_abs() as u32));
        }
        let below = self.exponent.unsigned_abs() as u32;
        if below > 32 {
            return Some((mantissa > 0) as u64);
        }
        Some(down(mantissa + down(u32::MAX as u64, 32 - below), below))
    }
}

/// `num` * 2^32 / `den`, rounded down.
const fn quotient_by_digits(num: u32, den: u32) -> u64 {
    let whole = num >= den;
    let rest = if whole { num - den } else { num };
    (whole as u64) << 32 | digits((rest as u64) << 16, (den as u64) << 16, 32)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn float(s: Scaled) -> f64 {
        f64::from(s.mantissa) * f64::from(s.exponent).exp2()
    }

    fn close(s: Scaled, want: f64) -> bool {
        let error = float(s) / want - 1.0;
        (-1.0 / f64::from(1u32 << 30)..1e-15).contains(&error)
    }

    proptest! {
        /// Against f64, whose 53 bits are an independent reference here.
        #[test]
        fn scaled_agrees_with_floats(a in 1u64.., b in 1u64.., ea in -60i16..60, eb in -60i16..60) {
            let (x, y) = (Scaled::new(a, ea), Scaled::new(b, eb));
            let (fx, fy) = (float(x), float(y));
            prop_assert!(close(x, a as f64 * f64::from(ea).exp2()));
            prop_assert!(close(x.times(y), fx * fy));
            prop_assert!(close(x.over(y), fx / fy));
            prop_assert!(close(x.plus(y), fx + fy));
            let apart = float(x.minus(y));
            prop_assert!((apart - (fx - fy).max(0.0)).abs() <= fx / f64::from(1u32 << 30), "{}", apart);
            prop_assert_eq!(x.less_than(y), fx < fy);
            let whole = fx.ceil();
            prop_assert_eq!(x.ceil(), (whole < 2f64.powi(63)).then_some(whole as u64));
        }

        #[test]
        fn digits_make_the_quotient(num in 1u32 << 31.., den in 1u32 << 31..) {
            prop_assert_eq!(quotient_by_digits(num, den), (u64::from(num) << 32) / u64::from(den));
        }
    }

    #[test]
    fn zero_stays_zero() {
        let one = Scaled::new(1, 0);
        assert_eq!(Scaled::ZERO.times(one), Scaled::ZERO);
        assert_eq!(Scaled::ZERO.over(one), Scaled::ZERO);
        assert_eq!(one.over(Scaled::ZERO), Scaled::ZERO);
        assert_eq!(Scaled::ZERO.plus(one), one);
        assert_eq!(one.plus(Scaled::ZERO), one);
        assert_eq!(one.minus(Scaled::ZERO), one);
        assert_eq!(Scaled::ZERO.minus(one), Scaled::ZERO);
        assert_eq!(Scaled::ZERO.rough(), Rough::ZERO);
        assert_eq!(Scaled::ZERO.ceil(), Some(0));
    }
}
