//! Values of 16 bits: uncertainties.

use super::{IS_SMALL, up};

/// A value known to 16 bits over any range, for uncertainties, of which two figures count (JCGM 100:2008, 7.2.6): mantissa * 2^exponent,
/// the mantissa's top bit set unless the value is zero. Operations are within 2^-15 of the result, the root above it. An 8-bit part carries and
/// multiplies half as many bytes as in [`Scaled`](super::Scaled).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Rough {
    mantissa: u16,
    exponent: i16,
}

impl Rough {
    pub const ZERO: Self = Self { mantissa: 0, exponent: 0 };

    /// Parts per billion, nanoseconds, nanohertz.
    pub const BILLIONTH: Self = Self::new(1, 0).over(Self::new(1_000_000_000, 0));

    /// `value` * 2^`exponent`.
    #[allow(clippy::cast_possible_truncation, reason = "looked at before it is dropped")]
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn new(value: u64, exponent: i16) -> Self {
        let (mut word, mut exponent) = (value as u32, exponent);
        let high = (value >> 32) as u32;
        if high != 0 {
            // Below the 16 bits that stay, a bit more or less is nothing.
            (word, exponent) = match high >> 16 {
                0 => (high << 16 | word >> 16, exponent + 16),
                _ => (high, exponent + 32),
            };
        }
        if word == 0 {
            return Self::ZERO;
        }
        if IS_SMALL {
            return Self::by_shifts(word, exponent);
        }
        let zeros = word.leading_zeros();
        Self::full(word << zeros, exponent - zeros as i16)
    }

    /// `word` * 2^`exponent` for a `word` that is not zero; whole bytes first, since an 8-bit part shifts bit by bit.
    const fn by_shifts(mut word: u32, mut exponent: i16) -> Self {
        while word >> 24 == 0 {
            (word, exponent) = (word << 8, exponent - 8);
        }
        while word >> 31 == 0 {
            (word, exponent) = (word << 1, exponent - 1);
        }
        Self::full(word, exponent)
    }

    /// `value` * 2^`exponent` for a `value` of 31 or 32 bits, or zero: what comes of two mantissas.
    #[allow(clippy::cast_possible_truncation, reason = "16 bits are left")]
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(super) const fn full(value: u32, exponent: i16) -> Self {
        let (mut high, mut low, mut exponent) = ((value >> 16) as u16, value as u16, exponent + 16);
        if high == 0 {
            return Self::ZERO;
        }
        if high.cast_signed() >= 0 {
            (high, low, exponent) = (high << 1 | (low.cast_signed() < 0) as u16, low << 1, exponent - 1);
        }
        Self { mantissa: high.saturating_add((low.cast_signed() < 0) as u16), exponent }
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn times(self, other: Self) -> Self {
        Self::full(self.mantissa as u32 * other.mantissa as u32, self.exponent + other.exponent)
    }

    /// Quotient, rounded down; a zero divisor gives zero, which no caller lets happen.
    #[allow(clippy::cast_possible_truncation, reason = "of 16 bits")]
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn over(self, other: Self) -> Self {
        let (a, b) = (self.mantissa, other.mantissa);
        // Either way the quotient has 16 bits.
        let shift = if a < b { 16 } else { 15 };
        match ((a as u32) << shift).checked_div(b as u32) {
            Some(quotient) if a != 0 => {
                Self { mantissa: quotient as u16, exponent: self.exponent - other.exponent - shift }
            }
            _ => Self::ZERO,
        }
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn plus(self, other: Self) -> Self {
        let (large, small) = if self.exponent >= other.exponent { (self, other) } else { (other, self) };
        if large.mantissa == 0 {
            return small;
        }
        let lag = large.exponent.abs_diff(small.exponent);
        let aligned = if lag < 32 { ((small.mantissa as u32) << 15) >> lag } else { 0 };
        Self::full(((large.mantissa as u32) << 15) + aligned, large.exponent - 15)
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn less_than(self, other: Self) -> bool {
        match (self.mantissa, other.mantissa) {
            (_, 0) => false,
            (0, _) => true,
            (a, b) => self.exponent < other.exponent || (self.exponent == other.exponent && a < b),
        }
    }

    pub const fn max(self, other: Self) -> Self {
        if self.less_than(other) { other } else { self }
    }

    /// Square root, rounded up.
    #[allow(clippy::cast_possible_truncation, reason = "the root of 32 bits has 16, and one more is capped")]
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn root(self) -> Self {
        if self.mantissa == 0 {
            return Self::ZERO;
        }
        // An odd exponent takes one from the mantissa, which leaves 31 bits and a root of 16.
        let odd = self.exponent & 1;
        let root = root_of_full((self.mantissa as u32) << (16 - odd)) as u16;
        Self { mantissa: root.saturating_add(1), exponent: (self.exponent + odd) / 2 - 8 }
    }

    /// The value rounded up to an integer, with 2^-12 of it added first: in 10^7 random readings the operations before it had not
    /// taken more than 1.4e-4 away, of which a root halves most. `None` from 2^62 on, if not a little sooner.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn ceil(self) -> Option<u64> {
        let (mantissa, exponent) =
            (((self.mantissa as u32) << 12) + self.mantissa as u32, self.exponent - 12);
        let bits = exponent.unsigned_abs();
        Some(match (mantissa, exponent) {
            (0, _) => 0,
            (_, 34..) => return None,
            (_, 0..) => up(mantissa as u64, bits as u32),
            // The mantissa has 28 or 29 bits.
            (_, -28..) => ((mantissa + ((1 << bits) - 1)) >> bits) as u64,
            _ => 1,
        })
    }
}

/// Square root, rounded down, of a number of 31 or 32 bits.
///
/// A straight line within 6 % of it, and Newton's rule twice: within 0.2 %, then the root or one more. That is what it is for
/// beside `isqrt`, which takes three times as long and a table that would be in an AVR's RAM.
const fn root_of_full(radicand: u32) -> u32 {
    if IS_SMALL {
        return root_by_bits(radicand);
    }
    let start = (radicand >> 17) + (radicand >> 18) + 19_968;
    let near = (start + radicand / start) / 2;
    let nearer = (near + radicand / near) / 2;
    // 2^16 would be one too many, and its square one bit.
    let most = if nearer > 0xFFFF { 0xFFFF } else { nearer };
    most - (most * most > radicand) as u32
}

/// The same bit by bit, for a processor that divides so as well.
const fn root_by_bits(radicand: u32) -> u32 {
    let (mut rest, mut root, mut bit) = (radicand, 0, 1u32 << 30);
    while bit != 0 {
        let least = root | bit;
        root >>= 1;
        if rest >= least {
            rest -= least;
            root |= bit;
        }
        bit >>= 2;
    }
    root
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::arithmetic::Scaled;

    proptest! {
        #[test]
        fn root_of_full_is_the_root(near in 1u32 << 15..1 << 16, off in -1i64..=1, any in 1u32 << 30..) {
            let square = u32::try_from(i64::from(near * near) + off).unwrap().max(1 << 30);
            for radicand in [any, square, u32::MAX] {
                prop_assert_eq!(root_of_full(radicand), radicand.isqrt());
                prop_assert_eq!(root_by_bits(radicand), radicand.isqrt());
            }
        }

        /// As far off as they say, and not farther.
        #[test]
        fn rough_agrees_with_floats(a in 1u64.., b in 1u64.., ea in -60i16..60, eb in -60i16..60) {
            let float = |r: Rough| f64::from(r.mantissa) * f64::from(r.exponent).exp2();
            let off = |r: Rough, want: f64| (float(r) / want - 1.0) * 32_768.0;
            let (x, y) = (Rough::new(a, ea), Rough::new(b, eb));
            let (fx, fy) = (float(x), float(y));
            let near = |r: Rough, want: f64| off(r, want).abs() <= 0.51;
            prop_assert!(near(x, a as f64 * f64::from(ea).exp2()));
            prop_assert!(near(x.times(y), fx * fy));
            prop_assert!(near(x.plus(y), fx + fy), "{}", off(x.plus(y), fx + fy));
            prop_assert!((-1.0..=0.0).contains(&off(x.over(y), fx / fy)));
            prop_assert!((0.0..=1.0).contains(&off(x.root(), fx.sqrt())), "{}", off(x.root(), fx.sqrt()));
            prop_assert!(near(Scaled::new(a, ea).rough(), a as f64 * f64::from(ea).exp2()));
            prop_assert_eq!(float(x.max(y)), fx.max(fy));
            prop_assert_eq!(x.less_than(y), fx < fy);
            let up = fx * (1.0 + 1.0 / 4096.0);
            if let Some(whole) = x.ceil() {
                prop_assert_eq!(whole as f64, up.ceil());
            } else {
                prop_assert!(fx >= 2f64.powi(61));
            }
        }

        #[test]
        fn shifts_count_leading_zeros(word in 1u32.., bits in 0u32..32) {
            let word = word >> bits | 1;
            let zeros = word.leading_zeros();
            prop_assert_eq!(Rough::by_shifts(word, 0), Rough::full(word << zeros, -(zeros as i16)));
        }
    }

    #[test]
    fn zero_stays_zero() {
        let one = Rough::new(1, 0);
        assert_eq!(Rough::ZERO.root(), Rough::ZERO);
        assert_eq!(Rough::new(0, 3).times(one), Rough::ZERO);
        assert_eq!(Rough::ZERO.over(one), Rough::ZERO);
        assert_eq!(one.over(Rough::ZERO), Rough::ZERO);
        assert_eq!(Rough::ZERO.plus(one), one);
        assert_eq!(Rough::ZERO.ceil(), Some(0));
    }
}
