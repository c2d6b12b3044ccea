//! Arithmetic wider than it looks, in 64-bit integers: no float, and no u128, which an 8-bit part has none worth having of.
//!
//! What a reading is made of stays out of line: written into each other, these functions made 28 KB of a reading on an ATmega, all of its
//! flash, and no part gains from it. Edges use none of them. A remainder is taken by a product: an 8-bit part would divide a second time.

/// Bits of `value` up to the highest that is set. By halves, since an 8-bit part has no instruction that counts bits: over 64 at once
/// they are 650 bytes of code.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
#[allow(clippy::cast_possible_truncation, reason = "each half is looked at before the other is dropped")]
pub(crate) const fn size(value: u64) -> u32 {
    if IS_SMALL { size_by_halves(value) } else { u64::BITS - value.leading_zeros() }
}

#[allow(clippy::cast_possible_truncation, reason = "each half is looked at before the other is dropped")]
const fn size_by_halves(value: u64) -> u32 {
    let (mut bits, mut word) = (0, value as u32);
    if value >> 32 != 0 {
        (bits, word) = (32, (value >> 32) as u32);
    }
    let mut half = word as u16;
    if word >> 16 != 0 {
        (bits, half) = (bits + 16, (word >> 16) as u16);
    }
    let mut byte = half as u8;
    if half >> 8 != 0 {
        (bits, byte) = (bits + 8, (half >> 8) as u8);
    }
    bits + u8::BITS - byte.leading_zeros()
}

/// `value` shifted up by fewer than 64 bits. Out of line, as is the other way: an 8-bit part shifts in a loop.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) const fn up(value: u64, bits: u32) -> u64 {
    value << bits
}

/// `value` shifted down by fewer than 64 bits.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) const fn down(value: u64, bits: u32) -> u64 {
    value >> bits
}

/// `num` / `den`, rounded down, and the remainder. Zero goes into nothing no times, which no caller lets happen.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) const fn divide(num: u64, den: u64) -> (u64, u64) {
    match num.checked_div(den) {
        Some(quotient) => (quotient, num - quotient * den),
        None => (0, num),
    }
}

/// Whether this is a processor without a multiplier for 32 bits to 64 and without a divider. Those it was measured on, ATmega and Cortex-M0, have no
/// compare-and-swap either, by which they can be told; nor have small RISC-V processors, which do multiply.
pub(crate) const IS_SMALL: bool = !cfg!(target_has_atomic = "ptr") && !cfg!(target_arch = "riscv32");

/// The product, exactly: by 16-bit halves where the processor has no more, which takes half as long as a 64-bit product.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) const fn wide(a: u32, b: u32) -> u64 {
    if IS_SMALL && !DIVIDES_AT_ONCE { wide_by_halves(a, b) } else { a as u64 * b as u64 }
}

const fn wide_by_halves(a: u32, b: u32) -> u64 {
    let (a1, a0, b1, b0) = (a >> 16, a & 0xFFFF, b >> 16, b & 0xFFFF);
    let low = a0 * b0;
    // 2^16 - 1 squared and once more is below 2^32.
    let middle = a1 * b0 + (low >> 16);
    let other = a0 * b1 + (middle & 0xFFFF);
    let high = a1 * b1 + (middle >> 16) + (other >> 16);
    (high as u64) << 32 | (other << 16 | low & 0xFFFF) as u64
}

/// Bits of a divisor of [`digit`], the top one of which is set.
pub(crate) const DIVISOR_BITS: u32 = 48;

/// Bits of the quotient that one step brings.
const DIGIT_BITS: u32 = 16;

/// Whether 64 bits are best divided at once: by a processor that has 64, and on an AVR, where the division that comes with its C library
/// takes 1,000 cycles, less than two digits.
const DIVIDES_AT_ONCE: bool = usize::BITS == 64 || cfg!(target_arch = "avr");

/// Quotient and remainder for `num` < 2^16 `den`, with `den` of [`DIVISOR_BITS`] (Knuth, TAOCP 4.3.1, algorithm D). The quotient comes of
/// 32 bits over 16: on a Cortex-M0 that takes a third of the time of a division of 64 by 64.
#[allow(clippy::cast_possible_truncation, reason = "32 bits are left of both")]
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) const fn digit(num: u64, den: u64) -> (u64, u64) {
    if DIVIDES_AT_ONCE { divide(num, den) } else { digit_by_halves(num, den) }
}

#[allow(clippy::cast_possible_truncation, reason = "32 bits are left of both")]
const fn digit_by_halves(num: u64, den: u64) -> (u64, u64) {
    // The divisor has its top bit; a check of that is less than a way to panic.
    let Some(quotient) = ((num >> 32) as u32).checked_div((den >> 32) as u32) else { return (0, num) };
    let mut quotient = quotient as u64;
    // From the halves on top it is right or up to two too large.
    let mut rest = num.wrapping_sub(quotient.wrapping_mul(den));
    while rest >> 63 == 1 {
        quotient -= 1;
        rest = rest.wrapping_add(den);
    }
    (quotient, rest)
}

/// `rest` / `den` * 2^`bits`, rounded down, for `rest` < `den` of [`DIVISOR_BITS`] and the result below 2^64.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
const fn digits(mut rest: u64, den: u64, mut bits: u32) -> u64 {
    let mut quotient = 0;
    while bits > 0 {
        // Whole digits are whole bytes, which an 8-bit part need not shift.
        let (step, shifted, above) = if bits < DIGIT_BITS {
            (bits, up(rest, bits), up(quotient, bits))
        } else {
            (DIGIT_BITS, rest << DIGIT_BITS, quotient << DIGIT_BITS)
        };
        let (more, left) = digit(shifted, den);
        (quotient, rest) = (above | more, left);
        bits -= step;
    }
    quotient
}

/// As [`fraction_bits`], by divisions of 64 bits. As many bits a step as a remainder below the denominator has room for, 16 or more; an 8-bit
/// part shifts by whole bytes, and slowly by anything else.
const fn divisions(mut rest: u64, denominator: u64, mut bits: u32) -> u64 {
    let mut quotient = 0;
    while bits > 0 {
        let (step, shifted, above) = match bits {
            32.. if denominator >> 32 == 0 => (32, rest << 32, quotient << 32),
            16.. => (16, rest << 16, quotient << 16),
            few => (few, up(rest, few), up(quotient, few)),
        };
        let (more, left) = divide(shifted, denominator);
        (quotient, rest) = (above | more, left);
        bits -= step;
    }
    quotient
}

/// Numerator / denominator * 2^`bits`, rounded down, for numerator < denominator < 2^48 and `bits` <= 48 with the result below
/// 2^64.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) const fn fraction_bits(numerator: u64, denominator: u64, bits: u32) -> u64 {
    if DIVIDES_AT_ONCE {
        return divisions(numerator, denominator, bits);
    }
    let more = DIVISOR_BITS - size(denominator);
    digits(up(numerator, more), up(denominator, more), bits)
}

/// `whole` * `fraction` / 2^32, rounded down, for a product below 2^96.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) const fn scale_down(whole: u64, fraction: u32) -> u64 {
    let fraction = fraction as u64;
    (whole >> 32) * fraction + (((whole & 0xFFFF_FFFF) * fraction) >> 32)
}

/// `whole` * `part` / `of`, rounded down, for `part` < `of` < 2^62. Bit by bit, since the product needs 126: for what is asked
/// once in a while.
pub(crate) const fn share(whole: u64, part: u64, of: u64) -> u64 {
    let (mut quotient, mut rest, mut bit) = (0, 0, u64::BITS);
    while bit > 0 {
        bit -= 1;
        // At most three times `of`.
        rest = 2 * rest + part * ((whole >> bit) & 1);
        quotient <<= 1;
        while rest >= of {
            rest -= of;
            quotient += 1;
        }
    }
    quotient
}

/// Quotient rounded to the nearest, halves towards zero, without a division where it is zero; for denominators above zero.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) const fn nearest(num: i64, den: u64) -> i64 {
    let (down, rest) = divide_down(num, den);
    let (above, below) = (den - rest, rest);
    down + (below > above || (below == above && num < 0)) as i64
}

/// Quotient rounded down, and the remainder, 0 to `den` - 1.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(crate) const fn divide_down(num: i64, den: u64) -> (i64, u64) {
    // The complement of a negative number, below zero by one, divides as a positive one does.
    let sign = num >> 63;
    let size = (num ^ sign).cast_unsigned();
    // Mostly the quotient is 0 or -1, and a comparison saves the division.
    let (quotient, rest) = if size < den { (0, size) } else { divide(size, den) };
    (quotient.cast_signed() ^ sign, if sign < 0 { den - 1 - rest } else { rest })
}

/// A value known to 31 bits over any range, for uncertainties: mantissa * 2^exponent, the mantissa's top bit set unless the
/// value is zero. Operations round down, by less than 2^-30 of
/// the result, if they do not say otherwise.
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
        if DIVIDES_AT_ONCE {
            let (quotient, _) = divide((self.mantissa as u64) << 32, other.mantissa as u64);
            return Self::full(quotient << 31, self.exponent - other.exponent - 63);
        }
        let whole = self.mantissa >= other.mantissa;
        let rest = if whole { self.mantissa - other.mantissa } else { self.mantissa };
        let quotient = (whole as u64) << 32 | digits((rest as u64) << 16, (other.mantissa as u64) << 16, 32);
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

/// A value known to 16 bits over any range, for uncertainties, of which two figures count (JCGM 100:2008, 7.2.6): mantissa * 2^exponent,
/// the mantissa's top bit set unless the value is zero. Operations are within 2^-15 of the result, the root above it; an 8-bit part takes a third of the time and of the flash that 32 bits would.
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
    const fn full(value: u32, exponent: i16) -> Self {
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

    fn float(s: Scaled) -> f64 {
        f64::from(s.mantissa) * f64::from(s.exponent).exp2()
    }

    fn close(s: Scaled, want: f64) -> bool {
        let error = float(s) / want - 1.0;
        (-1.0 / f64::from(1u32 << 30)..1e-15).contains(&error)
    }

    proptest! {
        #[test]
        fn fraction_bits_is_the_quotient(a: u64, b in 1u64..1 << 48, bits in 0u32..=48) {
            let a = a % b;
            prop_assert_eq!(u128::from(fraction_bits(a, b, bits)), (u128::from(a) << bits) / u128::from(b));
        }

        /// Digits whose first guess is too large among them.
        #[test]
        fn a_digit_is_the_quotient(den in 1u64 << 47..1 << 48, quotient in 0u64..1 << 16, rest: u64, edge: bool) {
            let den = if edge { den | 0xFFFF_FFFF } else { den };
            let rest = rest % den;
            prop_assert_eq!(digit(quotient * den + rest, den), (quotient, rest));
            prop_assert_eq!(digit_by_halves(quotient * den + rest, den), (quotient, rest));
        }

        #[test]
        fn halves_make_the_whole(a: u32, b: u32, value: u64, bits in 0u32..64) {
            prop_assert_eq!(wide_by_halves(a, b), u64::from(a) * u64::from(b));
            let value = value >> bits;
            prop_assert_eq!(size_by_halves(value), u64::BITS - value.leading_zeros());
            let word = value as u32 | 1;
            prop_assert_eq!(Rough::by_shifts(word, 0), Rough::full(word << word.leading_zeros(), -(word.leading_zeros() as i16)));
        }

        #[test]
        fn scale_down_is_the_product(a: u64, b: u32) {
            prop_assert_eq!(u128::from(scale_down(a, b)), (u128::from(a) * u128::from(b)) >> 32);
        }

        #[test]
        fn share_is_the_quotient(whole: u64, part: u64, of in 1u64..1 << 62) {
            let part = part % of;
            prop_assert_eq!(u128::from(share(whole, part, of)), u128::from(whole) * u128::from(part) / u128::from(of));
        }

        #[test]
        fn quotients_round_as_they_say(num in -(1i64 << 62)..1 << 62, den in 1u64..1 << 62) {
            let (n, d) = (i128::from(num), i128::from(den));
            let (quotient, rest) = divide_down(num, den);
            prop_assert_eq!((i128::from(quotient), i128::from(rest)), (n.div_euclid(d), n.rem_euclid(d)));
            let off = 2 * (n - i128::from(nearest(num, den)) * d).abs();
            prop_assert!(off <= d);
        }

        #[test]
        fn root_of_full_is_the_root(near in 1u32 << 15..1 << 16, off in -1i64..=1, any in 1u32 << 30..) {
            let square = u32::try_from(i64::from(near * near) + off).unwrap().max(1 << 30);
            for radicand in [any, square, u32::MAX] {
                prop_assert_eq!(root_of_full(radicand), radicand.isqrt());
                prop_assert_eq!(root_by_bits(radicand), radicand.isqrt());
            }
        }

        /// Against f64, whose 53 bits are an independent reference here.
        #[test]
        fn scaled_agrees_with_floats(a in 1u64.., b in 1u64.., ea in -60i16..60, eb in -60i16..60) {
            let (x, y) = (Scaled::new(a, ea), Scaled::new(b, eb));
            let (fx, fy) = (float(x), float(y));
            prop_assert!(close(x, a as f64 * f64::from(ea).exp2()));
            prop_assert!(close(x.times(y), fx * fy));
            prop_assert!(close(x.over(y), fx / fy));
            prop_assert!(close(x.plus(y), fx + fy));
            let whole = fx.ceil();
            prop_assert_eq!(x.ceil(), (whole < 2f64.powi(63)).then_some(whole as u64));
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
            prop_assert!(near(Scaled::new(a, ea).rough(), fx) || off(Scaled::new(a, ea).rough(), fx).abs() <= 1.0);
            prop_assert_eq!(x.less_than(y), fx < fy);
            let up = fx * (1.0 + 1.0 / 4096.0);
            if let Some(whole) = x.ceil() {
                prop_assert_eq!(whole as f64, up.ceil());
            } else {
                prop_assert!(fx >= 2f64.powi(61));
            }
        }
    }

    #[test]
    fn zero_stays_zero() {
        let one = Scaled::new(1, 0);
        assert_eq!(Scaled::ZERO.times(one), Scaled::ZERO);
        assert_eq!(Scaled::ZERO.over(one), Scaled::ZERO);
        assert_eq!(one.over(Scaled::ZERO), Scaled::ZERO);
        assert_eq!(Rough::ZERO.root(), Rough::ZERO);
        assert_eq!(Rough::new(0, 3).times(Rough::new(1, 0)), Rough::ZERO);
        assert_eq!(Rough::ZERO.over(Rough::new(1, 0)), Rough::ZERO);
        assert_eq!(Rough::new(1, 0).over(Rough::ZERO), Rough::ZERO);
        assert_eq!(Rough::ZERO.plus(Rough::new(1, 0)), Rough::new(1, 0));
        assert_eq!(Rough::ZERO.ceil(), Some(0));
        assert_eq!(Scaled::ZERO.plus(one), one);
        assert_eq!(one.plus(Scaled::ZERO), one);
        assert_eq!(Scaled::ZERO.ceil(), Some(0));
    }
}
