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
    #[allow(clippy::cast_possible_truncation, reason = "below a billion; and below 2^41 shifted by 9")]
    #[inline(never)]
    pub fn of(billionths: u64, more: u32) -> Option<Self> {
        let all = billionths.checked_add(more.into()).filter(|all| *all < u64::from(BILLION) << 32)?;
        // A billion is 2^9 times 5^9, so that below 2,199 Hz 32 bits do.
        if all >> 41 == 0 {
            let (mut rest, mut part, mut whole) = ((all >> 9) as u32, FIFTHS << 11, 0);
            for _ in 0..12 {
                whole <<= 1;
                if rest >= part {
                    rest -= part;
                    whole |= 1;
                }
                part >>= 1;
            }
            return Some(Self { whole, billionths: rest << 9 | (all as u32 & 0x1FF) });
        }
        let (mut rest, mut part, mut whole) = (all, u64::from(BILLION) << 31, 0);
        for _ in 0..32 {
            whole <<= 1;
            if rest >= part {
                rest -= part;
                whole |= 1;
            }
            part >>= 1;
        }
        Some(Self { whole, billionths: rest as u32 })
    }

    /// With so many decimals, at most 9, the others cut off.
    #[inline(never)]
    pub fn write(self, out: &mut impl Characters, decimals: u8) {
        whole(out, self.whole);
        if decimals == 0 {
            return;
        }
        out.put(b'.');
        let (mut rest, mut left) = (self.billionths, decimals);
        // One by one: a loop would need a table, which would lie in an AVR's RAM, or a product a figure.
        let mut next = |power: u32| {
            if left > 0 {
                left -= 1;
                out.put(figure(&mut rest, power));
            }
        };
        next(100_000_000);
        next(10_000_000);
        next(1_000_000);
        next(100_000);
        next(10_000);
        next(1_000);
        next(100);
        next(10);
        next(1);
    }
}

/// 5^9.
const FIFTHS: u32 = 1_953_125;

/// A whole number.
pub(super) fn whole(out: &mut impl Characters, value: u32) {
    let mut places = Places { rest: value, shown: false };
    places.high(out);
    places.low(out, 1_000);
    places.low(out, 100);
    places.low(out, 10);
    places.shown = true;
    places.low(out, 1);
}

/// Thousandths, as a number with three decimals.
pub(super) fn thousandths(out: &mut impl Characters, value: u32) {
    let mut places = Places { rest: value, shown: false };
    places.high(out);
    places.shown = true;
    places.low(out, 1_000);
    out.put(b'.');
    places.low(out, 100);
    places.low(out, 10);
    places.low(out, 1);
}

/// A number as it is written, from the left.
struct Places {
    /// What is not written yet.
    rest: u32,
    /// Whether zeros are, too.
    shown: bool,
}

impl Places {
    /// The figures from ten thousands up, if there are any.
    #[inline(never)]
    fn high(&mut self, out: &mut impl Characters) {
        if self.rest >= 100_000 {
            self.place(out, 1_000_000_000);
            self.place(out, 100_000_000);
            self.place(out, 10_000_000);
            self.place(out, 1_000_000);
            self.place(out, 100_000);
        }
        if self.shown || self.rest >= 10_000 {
            self.place(out, 10_000);
        }
    }

    #[inline(never)]
    fn place(&mut self, out: &mut impl Characters, power: u32) {
        let figure = figure(&mut self.rest, power);
        self.write(out, figure);
    }

    /// The figure at the place of `power`; what is not written yet is below ten times that, and so has 16 bits.
    #[allow(clippy::cast_possible_truncation, reason = "below 10,000")]
    #[inline(never)]
    fn low(&mut self, out: &mut impl Characters, power: u16) {
        let (mut rest, mut figure) = (self.rest as u16, b'0');
        while rest >= power {
            rest -= power;
            figure += 1;
        }
        self.rest = rest.into();
        self.write(out, figure);
    }

    fn write(&mut self, out: &mut impl Characters, figure: u8) {
        if self.shown || figure != b'0' {
            self.shown = true;
            out.put(figure);
        }
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
