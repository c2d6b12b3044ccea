//! Arithmetic wider than it looks, in 64-bit integers: no float, and no u128, which an 8-bit part has none worth having of.
//!
//! What a reading is made of stays out of line: written into each other, these functions made 28 KB of a reading on an ATmega, all of its
//! flash, and no part gains from it. Edges use none of them. A remainder is taken by a product: an 8-bit part would divide a second time.

mod rough;
mod scaled;

pub(crate) use rough::Rough;
pub(crate) use scaled::Scaled;

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
        divisions(numerator, denominator, bits)
    } else {
        fraction_by_digits(numerator, denominator, bits)
    }
}

const fn fraction_by_digits(numerator: u64, denominator: u64, bits: u32) -> u64 {
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn fraction_bits_is_the_quotient(a: u64, b in 1u64..1 << 48, bits in 0u32..=48) {
            let a = a % b;
            let quotient = (u128::from(a) << bits) / u128::from(b);
            prop_assert_eq!(u128::from(fraction_bits(a, b, bits)), quotient);
            prop_assert_eq!(u128::from(fraction_by_digits(a, b, bits)), quotient);
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
    }
}
