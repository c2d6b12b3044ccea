//! A slope with the scatter around the line, in fixed point.

use super::window::Sums;
use super::{Slope, Window};
use crate::arithmetic::{Scaled, divide_down, fraction_bits, scale_down};
use crate::unit::{Stamp, Ticks};

/// Bits of [`Fit::period`]: rounding it moves a frequency by at most 2^-47 of itself, half a nanohertz at 70 kHz.
const PERIOD_BITS: u32 = 48;

/// The period over a window of crossings, and how the crossings scatter about their line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fit {
    /// Stamp of the oldest crossing.
    pub first: Stamp,
    /// From the oldest crossing to the newest.
    pub span: Ticks,
    /// Cycles in that span.
    pub cycles: u32,
    /// Crossings in that span, both ends included.
    pub crossings: u32,
    /// Period in ticks times 2^`period_shift`, rounded down; 48 bits, the top one set.
    pub(crate) period: u64,
    /// Fraction bits of `period`.
    pub(crate) period_shift: u32,
    /// Residual variance about the least-squares line in ticks^2, with crossings - 2 degrees of freedom; `None` with
    /// fewer than three crossings, and where it does not make this estimator's uncertainty.
    pub(crate) scatter: Option<Scaled>,
    /// Variance of the period for unit variance of the stamps, as a fraction.
    pub(crate) gain: (u64, u64),
}

impl Fit {
    pub(super) fn of<const N: usize>(window: &Window<N>, slope: Slope) -> Option<Self> {
        let (first, last) = window.ends()?;
        let (whole, rest) = divide_down(slope.num, slope.den);
        let ticks = window.line().period.wrapping_add_signed(i32::try_from(whole).ok()?);
        // A fraction of more than 48 bits says nothing that 47 do not.
        let excess = (u64::BITS - slope.den.leading_zeros()).saturating_sub(PERIOD_BITS - 1);
        let period_shift = PERIOD_BITS - (u32::BITS - ticks.leading_zeros());
        let fraction = fraction_bits(rest >> excess, slope.den >> excess, period_shift);
        Some(Self {
            first,
            span: last - first,
            cycles: window.cycles(),
            crossings: window.sums().n,
            period: (u64::from(ticks) << period_shift) + fraction,
            period_shift,
            scatter: if slope.from_scatter { scatter(window.sums(), &slope) } else { None },
            gain: (slope.var_num, slope.var_den),
        })
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

    /// Degrees of freedom of the scatter: crossings less the two the line takes.
    pub const fn freedom(&self) -> u32 {
        self.crossings.saturating_sub(2)
    }
}

/// Residual variance about the least-squares line, in ticks^2; `line` is that line's slope.
///
/// n SSR = n sum r^2 - (sum r)^2 - tilt * slope. The last two nearly cancel the first when the slope is far off, so the
/// sums are then first taken over to the nearest line of integer period and level: |slope| <= 1/2, and 32 bits of its
/// fraction give the last term to 2^-33 of the spread (at 4096 crossings without gaps that is 0.2 % of what
/// quantisation alone puts into n SSR). A level far off does no harm as long as the terms fit: they are exact.
fn scatter(sums: &Sums, line: &Slope) -> Option<Scaled> {
    let freedom = sums.n.checked_sub(2).filter(|f| *f > 0)?;
    let n = u64::from(sums.n);
    let all = |sums: &Sums| sums.rr.cast_unsigned().checked_mul(n);
    let unexplained = if let Some(all) = all(sums)
        && line.num.unsigned_abs() <= line.den / 2
    {
        less_explained(all, sums.r, line.num, line.den)?
    } else {
        let (level, slope) = sums.nearest_line()?;
        let near = sums.rebased(level, slope);
        match all(&near) {
            Some(all) => less_explained(all, near.r, near.tilt(), line.den)?,
            // Jitter of 2^20 ticks and more: what half a tick of slope or level explains does not matter.
            None => Scaled::new(near.rr.cast_unsigned(), 0).times(Scaled::new(n, 0)),
        }
    };
    Some(unexplained.over(Scaled::new(n * u64::from(freedom), 0)))
}

/// `all`, which is n sum r^2, less what level and slope explain of it. That is never more, but for rounding, so the square fits.
fn less_explained(all: u64, r: i64, tilt: i64, spread: u64) -> Option<Scaled> {
    let (r, tilt) = (r.unsigned_abs(), tilt.unsigned_abs());
    // After the shift the numerator is below 2^30, half the denominator, and its 32 more bits fit.
    let excess = (u64::BITS - spread.leading_zeros()).saturating_sub(31);
    let slope = ((tilt >> excess) << 32) / (spread >> excess);
    let explained = r * r + scale_down(tilt, u32::try_from(slope).ok()?);
    let whole = all.saturating_sub(explained);
    // What the last term has below one matters where few crossings lie within a tick of the line.
    let below = tilt.wrapping_mul(slope) & 0xFFFF_FFFF;
    Some(if whole >> 31 == 0 {
        Scaled::new((whole << 32).saturating_sub(below), -32)
    } else {
        Scaled::new(whole, 0)
    })
}
