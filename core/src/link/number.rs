//! Decimal figures without a division: by subtraction of powers of ten, and of a billion times powers of two.
//!
//! On an 8-bit part a 64-bit division takes thousands of cycles, and a line has some forty figures.

use crate::unit::Frequency;

/// Bytes of the longest bare number: ten figures, the point, nine decimals, CR and LF.
pub const MAX_NUMBER: usize = 22;

/// A frequency in hertz and nothing else, for programs that expect a number: with so many `decimals`, 0 to 9 (more count as 9), rounded to
/// the nearest, halves up, and behind it CR and LF. `50.003` with three. Empty from 2^32 Hz on, which no meter reads; where a frequency
/// is not known there is no number either.
pub fn number(frequency: Frequency, decimals: u8, to: &mut [u8; MAX_NUMBER]) -> &[u8] {
    let decimals = decimals.min(9);
    let Some(value) = Fixed::of(frequency.nanohertz(), half(decimals)) else { return &[] };
    let mut out = Buffer { to, len: 0 };
    value.write(&mut out, decimals);
    out.put(b'\r');
    out.put(b'\n');
    out.to.get(..out.len).unwrap_or_default()
}

/// Half of the last of so many decimals, in billionths.
const fn half(decimals: u8) -> u32 {
    let (mut half, mut left) = (BILLION / 2, decimals);
    while left > 0 {
        half /= 10;
        left -= 1;
    }
    half
}

struct Buffer<'a> {
    to: &'a mut [u8; MAX_NUMBER],
    len: usize,
}

/// Where characters go.
pub(super) trait Characters {
    /// One more.
    fn put(&mut self, byte: u8);
}

impl Characters for Buffer<'_> {
    fn put(&mut self, byte: u8) {
        if let Some(place) = self.to.get_mut(self.len) {
            *place = byte;
            self.len += 1;
        }
    }
}

const BILLION: u32 = 1_000_000_000;

/// A number of billionths: whole ones and the rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Fixed {
    whole: u32,
    billionths: u32,
}

impl Fixed {
    /// `billionths` with `more`, up to half a billion, added: what rounding is done by. `None` from 2^32 whole ones on.
    #[allow(clippy::cast_possible_truncation, reason = "below a billion")]
    #[inline(never)]
    pub fn of(billionths: u64, more: u32) -> Option<Self> {
        let mut rest = billionths.checked_add(more.into()).filter(|all| *all < u64::from(BILLION) << 32)?;
        // Below 65.5 kHz half of the turns will do.
        let mut bit = if rest < u64::from(BILLION) << 16 { 16 } else { 32 };
        let mut part = u64::from(BILLION) << bit;
        let mut whole = 0;
        while bit > 0 {
            bit -= 1;
            part >>= 1;
            whole <<= 1;
            if rest >= part {
                rest -= part;
                whole |= 1;
            }
        }
        Some(Self { whole, billionths: rest as u32 })
    }

    /// With so many decimals, the others cut off.
    #[inline(never)]
    pub fn write(self, out: &mut impl Characters, decimals: u8) {
        whole(out, self.whole, 1);
        if decimals == 0 {
            return;
        }
        out.put(b'.');
        let (mut rest, mut left) = (self.billionths, decimals);
        while left > 0 {
            // Ten times a number below a hundred million: the figure comes from the top, whatever place it has.
            out.put(figure(&mut rest, BILLION / 10));
            rest *= 10;
            left -= 1;
        }
    }
}

/// A whole number. Leading zeros are shown from the place of `least` on, a power of ten; behind that place, unless it is the last, comes a
/// point.
#[inline(never)]
pub(super) fn whole(out: &mut impl Characters, value: u32, least: u32) {
    let (mut rest, mut power, mut shown) = (value, BILLION, false);
    // A number of 16 bits has five places.
    if value < 100_000 {
        power = 10_000;
    }
    while power > 0 {
        shown |= power == least;
        let figure = figure(&mut rest, power);
        if shown || figure != b'0' {
            shown = true;
            out.put(figure);
        }
        if power == least && least > 1 {
            out.put(b'.');
        }
        power = tenth(power);
    }
}

/// How often `power` goes into `rest`, at most nine times, as a character; `rest` is what remains. Out of line, or the compiler makes a
/// division of it.
#[inline(never)]
fn figure(rest: &mut u32, power: u32) -> u8 {
    let mut figure = b'0';
    while *rest >= power {
        *rest -= power;
        figure += 1;
    }
    figure
}

/// A tenth of a power of ten from 1 to a billion, rounded down: a table would lie in an AVR's RAM.
const fn tenth(power: u32) -> u32 {
    match power {
        1_000_000_000 => 100_000_000,
        100_000_000 => 10_000_000,
        10_000_000 => 1_000_000,
        1_000_000 => 100_000,
        100_000 => 10_000,
        10_000 => 1_000,
        1_000 => 100,
        100 => 10,
        10 => 1,
        _ => 0,
    }
}
