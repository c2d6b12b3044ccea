//! Crossings against a straight line, and the sums of the least-squares line through them.

use super::Frame;
use super::window::{Gap, Window};
use crate::arithmetic::{IS_SMALL, Rough, divide, fraction_bits, nearest, scale_down, size};
use crate::unit::Stamp;

/// The crossings of a window as residuals r = stamp - (line's stamp at the oldest crossing + k * period) against the line of integer
/// period nearest to the least-squares line, k being cycles from the oldest crossing.
///
/// Sums of squares of stamps would not fit into 64 bits; those of residuals do. All sums are exact integers, made anew for each reading:
/// nothing can drift, however long the window slides.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Residuals<'a, const N: usize> {
    pub(super) window: &'a Window<N>,
    /// Ticks a cycle.
    pub(super) period: u32,
    at_oldest: Stamp,
    /// Numerator of the least-squares line's slope, n * sum kr - sum k * sum r; at most half of `spread`.
    pub(super) tilt: i64,
    /// n * sum k^2 - (sum k)^2, n times the spread of k about its mean.
    pub(super) spread: u64,
    sums: Sums,
}

/// Sums over the crossings, k counted in cycles from the oldest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Sums {
    k: u32,
    kk: u64,
    r: i64,
    kr: i64,
    rr: u64,
}

impl<'a, const N: usize> Residuals<'a, N> {
    /// Residuals beyond this many ticks have no sums: N of them squared stay below 2^62, and no crossing that passed a gate is so far off
    /// the others' line.
    const LARGEST: u32 = {
        let n = usize::BITS - (N - 1).leading_zeros();
        let bits = (62 - n) / 2;
        1 << (if bits < 26 { bits } else { 26 })
    };

    /// `None` with fewer than two crossings, or where they are too far from any line.
    #[inline]
    pub fn of(window: &'a Window<N>) -> Option<Self> {
        // The line goes through the oldest crossing: how high it lies does not matter, as long as the sums fit.
        let at_oldest = window.member(0)?.stamp;
        let mut this =
            Self { window, period: window.period(), at_oldest, tilt: 0, spread: 0, sums: Sums::default() };
        this.settle()?;
        Some(this)
    }

    /// Finds the line and makes the sums.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn settle(&mut self) -> Option<()> {
        // The last fit's period is nearly always still the nearest.
        if self.sum().is_none() {
            let ((oldest, newest), span) = (self.window.ends()?, self.window.cycles());
            self.period = ((newest - oldest).count() + span / 2).checked_div(span)?;
            self.sum()?;
        }
        if self.tilt.unsigned_abs() > self.spread / 2 {
            let slope = i32::try_from(nearest(self.tilt, self.spread)).ok()?;
            self.period = self.period.checked_add_signed(slope)?;
            self.sum()?;
        }
        Some(())
    }

    /// Sums against the line of `period`; `None` if they do not fit.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn sum(&mut self) -> Option<()> {
        if !self.walk_near() && !self.walk_far() {
            return None;
        }
        self.count();
        let (s, n) = (&self.sums, self.crossings());
        self.spread = u64::from(n) * s.kk - u64::from(s.k) * u64::from(s.k);
        // By Cauchy the tilt is at most the root of n * spread * sum r^2; below 2^62. Nearly always all are far below that, which costs no
        // counting of bits: n is below 2^15.
        let is_small = (self.spread | s.rr) >> 48 == 0;
        if self.spread == 0 || !is_small && size(n.into()) + size(self.spread) + size(s.rr) > 124 {
            return None;
        }
        self.tilt = (i64::from(n).wrapping_mul(s.kr)).wrapping_sub(i64::from(s.k).wrapping_mul(s.r));
        Some(())
    }

    /// The line where the crossings begin: at the oldest, which lies on it with k = 0 and so adds nothing to any sum.
    const fn line(&self) -> Line {
        Line { at: self.at_oldest.raw(), period: self.period }
    }

    /// The sums of residuals. False if one is too large.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn walk_far(&mut self) -> bool {
        let mut far = Far { line: self.line(), r: 0, lags: 0, rr: 0 };
        let [before_end, from_start] = self.window.younger();
        if !far.walk(before_end, Self::LARGEST) || !far.walk(from_start, Self::LARGEST) {
            return false;
        }
        // k is the span less what is left to the newest.
        let kr = i64::from(self.window.cycles()) * far.r - far.lags;
        self.sums = Sums { r: far.r, kr, rr: far.rr, ..self.sums };
        true
    }

    /// The same in numbers of 32 bits, for processors that have no more. False, with nothing done, if that is too few.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn walk_near(&mut self) -> bool {
        let mut near = Near { line: self.line(), r: 0, lags: 0, rr: 0 };
        let [before_end, from_start] = self.window.younger();
        if !IS_SMALL || N > SHORT || !near.walk(before_end) || !near.walk(from_start) {
            return false;
        }
        let kr = self.window.cycles().cast_signed() * near.r - near.lags;
        self.sums = Sums { r: near.r.into(), kr: kr.into(), rr: near.rr.into(), ..self.sums };
        true
    }

    /// The sums of k and k^2.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn count(&mut self) {
        let [before_end, from_start] = self.window.younger();
        (self.sums.k, self.sums.kk) = if N <= SHORT {
            // Spans are at most 4 * 64 - 1.
            let mut cycles = Few { k: 0, sum: 0, squares: 0 };
            cycles.add(before_end.1);
            cycles.add(from_start.1);
            (cycles.sum.into(), cycles.squares.into())
        } else {
            let mut cycles = Many { k: 0, sum: 0, squares: 0 };
            cycles.add(before_end.1);
            cycles.add(from_start.1);
            (cycles.sum, cycles.squares)
        };
    }

    /// How many there are.
    pub(super) const fn crossings(&self) -> u32 {
        self.window.crossings() as u32
    }

    /// Sum of squared residuals about the least-squares line, in ticks^2. `None` with fewer than three crossings.
    ///
    /// n SSR = n sum r^2 - (sum r)^2 - tilt^2 / spread. How high the line lies does no harm: all terms are integers but the last.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(super) fn unexplained(&self) -> Option<Rough> {
        let n = u64::from(self.crossings());
        if n < 3 {
            return None;
        }
        let (r, tilt) = (self.sums.r.unsigned_abs(), self.tilt.unsigned_abs());
        let left = if N <= SHORT {
            // 63 squares of 2^26, times 64, and a tilt below 2^27. The last term is never more than the others, but rounded up it may be.
            let (whole, rest) = divide(tilt * tilt, self.spread);
            let left = (self.sums.rr * n - r * r).saturating_sub(whole);
            // What it has below one matters where few crossings lie within a tick of the line.
            if left >> 16 == 0 {
                Rough::new(left * self.spread - rest.min(left * self.spread), 0)
                    .over(Rough::new(self.spread, 0))
            } else {
                Rough::new(left, 0)
            }
        } else {
            let Some(all) = self.sums.rr.checked_mul(n) else {
                // Jitter of 2^18 ticks and more: what half a tick of slope explains does not matter.
                let level = (self.sums.r / i64::from(self.crossings())) * self.sums.r;
                return Some(Rough::new(self.sums.rr.saturating_sub(level.unsigned_abs()), 0));
            };
            unexplained(all - r * r, tilt, self.spread)?
        };
        Some(left.over(Rough::new(n, 0)))
    }

    /// Residual of `stamp` at `k` cycles from the oldest crossing.
    pub(super) const fn of_stamp(&self, stamp: Stamp, k: u32) -> i32 {
        stamp.offset(Stamp::new(self.at_oldest.raw().wrapping_add(self.period.wrapping_mul(k))))
    }

    /// Cycles from the oldest crossing, and residual, of each crossing, oldest first.
    pub(super) fn iter(&self) -> impl Iterator<Item = (u32, i32)> {
        let mut k = 0;
        self.window.members().enumerate().map(move |(i, member)| {
            if i > 0 {
                k += u32::from(member.step);
            }
            (k, self.of_stamp(member.stamp, k))
        })
    }

    /// Place in `frame`, in quarter cycles from its middle, and residual of each crossing, oldest first.
    pub(super) fn placed(&self, frame: Frame) -> impl Iterator<Item = (i32, i32)> {
        self.iter().map(move |(k, r)| (frame.oldest + (4 * k).cast_signed(), r))
    }
}

/// `all` - `tilt`^2 / `spread` where the square has more than 64 bits. The slope, tilt / spread, is at most a half, and 32 bits of its fraction
/// give that to 2^-33 of the spread, as much again where the spread has more than 31 bits: at 4096 crossings without gaps 0.6 % of what quantisation
/// alone puts into n SSR.
fn unexplained(all: u64, tilt: u64, spread: u64) -> Option<Rough> {
    let excess = size(spread).saturating_sub(31);
    let slope = fraction_bits(tilt >> excess, spread >> excess, 32);
    let whole = all.saturating_sub(scale_down(tilt, u32::try_from(slope).ok()?));
    let below = tilt.wrapping_mul(slope) & 0xFFFF_FFFF;
    Some(if whole >> 31 == 0 {
        Rough::new((whole << 32).saturating_sub(below), -32)
    } else {
        Rough::new(whole, 0)
    })
}

/// The line's stamp where the walk over the crossings has come to.
#[derive(Clone, Copy)]
struct Line {
    at: u32,
    period: u32,
}

/// Crossings in a window that is short: all sums over cycles are then of few bits.
const SHORT: usize = 64;

/// Sums of residuals.
struct Far {
    line: Line,
    r: i64,
    /// For each step of k the sum of the residuals before it.
    lags: i64,
    rr: u64,
}

impl Far {
    /// On over these stamps. False, having stopped, at a residual beyond `largest`.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn walk(&mut self, (stamps, gaps): (&[u32], &[Gap]), largest: u32) -> bool {
        let Self { line: Line { mut at, period }, mut r, mut lags, mut rr } = *self;
        for (stamp, gap) in stamps.iter().zip(gaps) {
            // Below 2^40 * 2^8.
            lags += r * i64::from(gap.step);
            at = at.wrapping_add(period.wrapping_mul(gap.step.into()));
            let off = stamp.wrapping_sub(at).cast_signed();
            if off.unsigned_abs() > largest {
                return false;
            }
            r += i64::from(off);
            rr += (i64::from(off) * i64::from(off)).cast_unsigned();
        }
        *self = Self { line: Line { at, period }, r, lags, rr };
        true
    }
}

/// The same in numbers of 32 bits, for processors that have no more. Of at most 2^12 ticks (2 ms at 2 MHz) in at most 64 crossings, over at
/// most 255 cycles, all sums stay below 2^31.
struct Near {
    line: Line,
    r: i32,
    lags: i32,
    rr: u32,
}

impl Near {
    /// False, having stopped, at a residual that is too large.
    #[inline(never)]
    fn walk(&mut self, (stamps, gaps): (&[u32], &[Gap])) -> bool {
        let Self { line: Line { mut at, period }, mut r, mut lags, mut rr } = *self;
        for (stamp, gap) in stamps.iter().zip(gaps) {
            lags += r;
            at = at.wrapping_add(period);
            if gap.step != 1 {
                (at, lags) = skip(Line { at, period }, r, lags, gap.step);
            }
            let off = stamp.wrapping_sub(at).cast_signed();
            let size = off.unsigned_abs();
            if size > 1 << 12 {
                return false;
            }
            r += off;
            rr += square(size);
        }
        *self = Self { line: Line { at, period }, r, lags, rr };
        true
    }
}

/// Where a `step` of more than one leads, the first cycle of it done. Out of line: its products would be taken for steps of one as well.
#[cold]
#[inline(never)]
fn skip(line: Line, r: i32, lags: i32, step: u8) -> (u32, i32) {
    let more = u32::from(step.wrapping_sub(1));
    (line.at.wrapping_add(line.period.wrapping_mul(more)), lags + r * more.cast_signed())
}

/// Sums of k and k^2 over a short window.
struct Few {
    k: u8,
    sum: u16,
    squares: u32,
}

impl Few {
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn add(&mut self, gaps: &[Gap]) {
        let Self { mut k, mut sum, mut squares } = *self;
        for gap in gaps {
            k = k.wrapping_add(gap.step);
            sum += u16::from(k);
            squares += u32::from(u16::from(k) * u16::from(k));
        }
        *self = Self { k, sum, squares };
    }
}

/// Sums of k and k^2 over any window.
struct Many {
    k: u32,
    sum: u32,
    squares: u64,
}

impl Many {
    fn add(&mut self, gaps: &[Gap]) {
        for gap in gaps {
            self.k += u32::from(gap.step);
            self.sum += self.k;
            self.squares += u64::from(self.k) * u64::from(self.k);
        }
    }
}

/// Of at most 13 bits, by bytes: what an 8-bit part multiplies.
#[allow(clippy::cast_possible_truncation, reason = "bytes")]
const fn square(size: u32) -> u32 {
    let (low, high) = (size as u8 as u16, (size >> 8) as u8 as u16);
    (low * low) as u32 + (((high * low) as u32) << 9) + (((high * high) as u32) << 16)
}

#[cfg(test)]
mod tests;
