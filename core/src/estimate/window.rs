//! The sliding window of crossings, and the sums of a straight-line fit through it.

use super::Frame;
use crate::arithmetic::{Scaled, nearest, product, size};
use crate::config::Length;
use crate::limit::MAX_CROSSINGS;
use crate::unit::{Stamp, Ticks};

/// The latest crossings, at most `N`, with the sums of their least-squares line kept up to date in O(1) a crossing.
///
/// Stamps are taken as residuals r against a line of integer period, so that sums of squares fit in 64 bits:
/// r = stamp - (line's stamp at the oldest crossing + k * period), with k cycles from the oldest crossing. All sums are exact
/// integers; dropping a crossing, moving the origin to the next one and choosing another line are exact too, so nothing
/// drifts however long the window slides.
///
/// Bounds: when a line is chosen sum r^2 is at most 2^60, or the window restarts; until the next is, each of at most N crossings that
/// come adds at most the square of [`Window::LARGEST_RESIDUAL`], together 2^60. Against the new line sum r^2 is at most twice that
/// against the old and twice what the lines are apart (Cauchy), so below 2^63, and found without error. By Cauchy again
/// sum kr is below 2^54 with spans of 4 N cycles, and the fit's numerator n sum kr - sum k sum r at most the root of
/// n * spread * sum r^2, which is looked at before it is used (`Sums::slope`).
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Window<const N: usize> {
    stamps: [u32; N],
    /// Cycles from the crossing before.
    steps: [u8; N],
    /// Edges refused since the crossing before, at most 255.
    refused: [u8; N],
    oldest: u16,
    /// Cycles from the oldest crossing to the newest.
    span: u32,
    rejected: u32,
    line: Line,
    sums: Sums,
    plan: Plan,
}

/// What [`Window::slide`] goes by. It depends on the number of crossings and the line's period, so it holds for many edges.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Plan {
    /// Longest span in ticks; see [`Window::reach`].
    reach: u32,
    /// As many of the line's periods as there are crossings: from the oldest crossing to the next to come.
    width: u32,
    /// By more than this the next crossing has to come late against the oldest, both taken as residuals, for the oldest to go:
    /// `reach` - `width`. In a full window anything will do; where sliding will not do, nothing.
    least: i32,
}

/// The line that residuals are taken against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Line {
    /// Its stamp at the oldest crossing's cycle.
    pub at_oldest: Stamp,
    /// Ticks a cycle.
    pub period: u32,
}

impl Line {
    /// Ticks from the line at `k` cycles to `stamp`.
    const fn residual(self, stamp: Stamp, k: u32) -> i32 {
        stamp.offset(Stamp::new(self.at_oldest.raw().wrapping_add(self.period.wrapping_mul(k))))
    }
}

/// Sums over the window, k counted in cycles from the oldest crossing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Sums {
    pub n: u32,
    pub k: u32,
    pub kk: u64,
    pub r: i64,
    pub kr: i64,
    pub rr: i64,
}

impl Sums {
    /// The same sums for residuals r - c - d k.
    ///
    /// Single terms may exceed 64 bits where the sum does not, so all is modulo 2^64.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn rebased(&self, c: i64, d: i64) -> Self {
        let (n, k, kk) = (self.n as i64, self.k as i64, self.kk.cast_signed());

        let r = self.r.wrapping_sub(shifted(c, n, d, k));
        let kr = self.kr.wrapping_sub(shifted(c, k, d, kk));
        // sum (r - c - dk)^2 = rr - c (r + r') - d (kr + kr'), with the primed sums those just found.
        let rr = self.rr.wrapping_sub(shifted(c, self.r.wrapping_add(r), d, self.kr.wrapping_add(kr)));
        Self { r, kr, rr, ..*self }
    }

    /// n * sum k^2 - (sum k)^2, which is n times the spread of k about its mean.
    pub const fn spread(&self) -> u64 {
        self.n as u64 * self.kk - self.k as u64 * self.k as u64
    }

    /// Level and slope of the integer line nearest to the least-squares line through the residuals; `None` with fewer than two
    /// crossings, or without [`Sums::slope`]. Without a division if it is the zero line.
    pub fn nearest_line(&self) -> Option<(i64, i64)> {
        let (tilt, spread) = self.slope()?;
        let slope = nearest(tilt, spread);
        let level = nearest(self.r - slope * i64::from(self.k), self.n.into());
        Some((level, slope))
    }

    /// Slope of the residuals' least-squares line as a fraction: n * sum kr - sum k * sum r, at most 2^62, over [`Sums::spread`]. `None`
    /// with fewer than two crossings, and where the numerator could be more: in windows of thousands of crossings with residuals of
    /// millions of ticks.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub const fn slope(&self) -> Option<(i64, u64)> {
        let spread = self.spread();
        // Nearly always both are far below that, which costs no counting of bits: n is below 2^15.
        let is_small = (spread | self.rr.cast_unsigned()) >> 48 == 0;
        if spread == 0
            || !is_small && size(self.n as u64) + size(spread) + size(self.rr.cast_unsigned()) > 124
        {
            return None;
        }
        let (n, k) = (self.n as i64, self.k as i64);
        Some((n.wrapping_mul(self.kr).wrapping_sub(k.wrapping_mul(self.r)), spread))
    }

    /// Whether sum r^2 against the line that is `c` + `d` k away can be told.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn reaches(&self, c: i64, d: i64) -> bool {
        // Below 2^62 each, and c^2 n + 2 c d sum k + d^2 sum k^2 is known to 2^-29 of the largest.
        let (level, slope) = (Scaled::new(c.unsigned_abs(), 0), Scaled::new(d.unsigned_abs(), 0));
        let squares = (level.times(level).times(Scaled::new(self.n.into(), 0)))
            .plus(slope.times(slope).times(Scaled::new(self.kk, 0)));
        let both = level.times(slope).times(Scaled::new(self.k.into(), 1));
        let apart = if (c < 0) == (d < 0) { squares.plus(both) } else { squares.minus(both) };
        apart.less_than(Scaled::new(1, 61))
    }
}

/// Largest sum r^2 right after a line has been chosen.
const LARGEST_SQUARES: i64 = 1 << 60;

/// One crossing as the window holds it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Member {
    pub stamp: Stamp,
    /// Cycles since the window's crossing before; meaningless for the oldest.
    pub step: u8,
}

impl<const N: usize> Window<N> {
    /// Residuals beyond this many ticks restart the window: no crossing that passed a gate is so far off.
    pub const LARGEST_RESIDUAL: u32 = {
        let n = usize::BITS - (N - 1).leading_zeros();
        let bits = (LARGEST_SQUARES.ilog2() - n) / 2;
        1 << (if bits < 26 { bits } else { 26 })
    };

    /// Longest span in cycles: three quarters of the crossings may be missing.
    #[allow(clippy::cast_possible_truncation, reason = "N is at most 16384")]
    pub const LONGEST_SPAN: u32 = N as u32 * 4;

    /// An empty window.
    pub(crate) const fn new() -> Self {
        const { assert!(N >= 4 && N <= MAX_CROSSINGS, "a window holds 4 to 16384 crossings") };
        Self {
            stamps: [0; N],
            steps: [0; N],
            refused: [0; N],
            oldest: 0,
            span: 0,
            rejected: 0,
            line: Line { at_oldest: Stamp::new(0), period: 0 },
            sums: Sums { n: 0, k: 0, kk: 0, r: 0, kr: 0, rr: 0 },
            plan: Plan { reach: 0, width: 0, least: i32::MAX },
        }
    }

    /// Forgets all crossings.
    pub(crate) const fn clear(&mut self) {
        self.plan.least = i32::MAX;
        self.span = 0;
        self.rejected = 0;
        self.sums = Sums { n: 0, k: 0, kk: 0, r: 0, kr: 0, rr: 0 };
    }

    /// Number of crossings held.
    pub const fn len(&self) -> usize {
        self.sums.n as usize
    }

    /// Whether no crossing is held.
    pub const fn is_empty(&self) -> bool {
        self.sums.n == 0
    }

    /// Cycles from the oldest crossing to the newest.
    pub const fn cycles(&self) -> u32 {
        self.span
    }

    /// Cycles inside the window whose crossing is missing.
    pub const fn missed(&self) -> u32 {
        self.span.saturating_sub(self.sums.n.saturating_sub(1))
    }

    /// Edges refused between the oldest crossing and the newest; of one cycle at most 255 are counted.
    pub const fn rejected(&self) -> u32 {
        self.rejected
    }

    /// Stamp of the oldest crossing and of the newest.
    pub fn ends(&self) -> Option<(Stamp, Stamp)> {
        Some((self.member(0)?.stamp, self.member(self.len().checked_sub(1)?)?.stamp))
    }

    pub(super) const fn line(&self) -> Line {
        self.line
    }

    pub(super) const fn sums(&self) -> &Sums {
        &self.sums
    }

    /// The `i`-th crossing, counted from the oldest.
    pub(super) fn member(&self, i: usize) -> Option<Member> {
        if i >= self.len() {
            return None;
        }
        let at = self.slot(i);
        Some(Member { stamp: Stamp::new(*self.stamps.get(at)?), step: *self.steps.get(at)? })
    }

    /// All crossings, oldest first.
    pub(crate) fn members(&self) -> impl Iterator<Item = Member> {
        (0..self.len()).filter_map(|i| self.member(i))
    }

    /// Stamp, cycles before the newest, and residual of each crossing in the ring, newest first: those that have left the window
    /// as well, as long as nothing has taken their place.
    ///
    /// The first crossing after a clear has step zero, and nothing before it is of this run.
    pub(super) fn backwards(&self) -> impl Iterator<Item = (Stamp, u32, i32)> {
        let (mut at, mut back) = (self.slot(self.len().saturating_sub(1)), 0);
        let mut left = if self.is_empty() { 0 } else { N };
        core::iter::from_fn(move || {
            left = left.checked_sub(1)?;
            let (stamp, step) = (Stamp::new(*self.stamps.get(at)?), *self.steps.get(at)?);
            let line = self.line.period.wrapping_mul(self.span.wrapping_sub(back));
            let place = (stamp, back, stamp.offset(Stamp::new(self.line.at_oldest.raw().wrapping_add(line))));
            if step == 0 {
                left = 0;
            }
            back += u32::from(step);
            at = if at == 0 { N - 1 } else { at - 1 };
            Some(place)
        })
    }

    const fn slot(&self, i: usize) -> usize {
        let at = self.oldest as usize + i;
        if at >= N { at - N } else { at }
    }

    /// Residual of `stamp` at `k` cycles from the oldest crossing.
    pub(super) const fn residual(&self, stamp: Stamp, k: u32) -> i32 {
        self.line.residual(stamp, k)
    }

    /// Whether the next crossing, `step` cycles on at `stamp`, asks the oldest to go: for its place, for the span in cycles, or
    /// because without it the window is still nearer to `length` ticks, counted in whole cycles.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(super) fn is_full(&self, stamp: Stamp, step: u8, length: Length) -> bool {
        let Some(oldest) = self.member(0) else { return false };
        self.len() == N
            || self.span + u32::from(step) > Self::LONGEST_SPAN
            || (stamp - oldest.stamp).count() > self.reach(length)
    }

    /// Whether the oldest crossing is outside `length` ticks before a crossing of the other polarity at `stamp`.
    pub(super) fn is_behind(&self, stamp: Stamp, length: Length) -> bool {
        self.member(0).is_some_and(|oldest| (stamp - oldest.stamp).count() > self.reach(length))
    }

    /// Where this window lies if it is the only one: crossings at every fourth quarter cycle, its middle in the middle.
    pub(super) fn frame(&self) -> Frame {
        Frame { oldest: -(2 * self.span).cast_signed(), reach: 2 * self.span + 4 }
    }

    /// Place in `frame`, in quarter cycles from its middle, and residual of each crossing, oldest first.
    pub(super) fn placed(&self, frame: Frame) -> impl Iterator<Item = (i32, i32)> {
        let mut k = 0;
        self.members().enumerate().map(move |(i, member)| {
            if i > 0 {
                k += u32::from(member.step);
            }
            (frame.oldest + (4 * k).cast_signed(), self.residual(member.stamp, k))
        })
    }

    /// Longest span in ticks, below 2^31 + 2^26: half a period more than `length`, so that the number of cycles is the nearest; a
    /// quarter where crossings come at every half cycle.
    const fn reach(&self, length: Length) -> u32 {
        length.ticks + (self.line.period >> length.share)
    }

    /// Whether one more cycle would be too many for `length` ticks or for the ring. Of two polarities either may have its ends half a
    /// cycle inside the other's.
    pub(super) fn is_long(&self, length: Length) -> bool {
        let inside = if length.share > 1 { self.line.period / 2 } else { 0 };
        self.len() == N
            || self.ends().is_some_and(|(first, last)| {
                (last - first).count() + inside + self.line.period > self.reach(length)
            })
    }

    /// Takes the oldest crossing out and makes the next one the origin. Returns the residual it had and how many cycles the
    /// origin moved.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(super) fn drop_oldest(&mut self) -> Option<(i32, u32)> {
        let oldest = self.member(0)?;
        let Some(next) = self.member(1) else {
            self.clear();
            return None;
        };
        let (r0, step) = (oldest.stamp.offset(self.line.at_oldest), u32::from(next.step));
        let s = &mut self.sums;
        s.n -= 1;
        s.r -= i64::from(r0);
        s.rr -= square(r0);
        // Its k was zero; the others' k fall by the step.
        s.kr -= i64::from(step) * s.r;
        s.kk -= u64::from(step) * (2 * u64::from(s.k) - u64::from(step) * u64::from(s.n));
        s.k -= step * s.n;
        self.rejected -= u32::from(self.refused.get(self.slot(1)).copied().unwrap_or(0));
        self.oldest = narrow(self.slot(1));
        self.span -= step;
        self.line.at_oldest = self.line.at_oldest + Ticks::new(self.line.period.wrapping_mul(step));
        Some((r0, step))
    }

    /// Works out when to slide, after anything but sliding has changed the window.
    pub(super) fn plan(&mut self, length: Length) {
        let (n, reach) = (self.sums.n, self.reach(length));
        // Below 2^32, since the span, which the line follows, is within `reach` unless crossings are missing.
        let width = self.line.period.wrapping_mul(n);
        let least = if n < 3 || self.span + 1 != n {
            i32::MAX
        } else if self.len() == N {
            i32::MIN
        } else {
            reach.checked_signed_diff(width).unwrap_or(i32::MAX)
        };
        self.plan = Plan { reach, width, least };
    }

    /// Drops the oldest crossing and appends one that came a single cycle on with no edge refused, the usual case of a full
    /// window without gaps, in fewer steps: exactly what [`Self::drop_oldest`] and [`Self::append`] in turn would leave.
    /// Without gaps the sums of k do not change, and one product serves both squares. False, with nothing changed, if it is
    /// not that case.
    #[cfg_attr(target_has_atomic = "ptr", inline)]
    #[cfg_attr(target_arch = "avr", inline(never))]
    pub(super) fn slide(&mut self, stamp: Stamp) -> bool {
        let at = usize::from(self.oldest);
        let Some(oldest) = self.stamps.get(at) else { return false };
        let after = if at + 1 == N { 0 } else { at + 1 };
        let to = self.slot(self.len());
        let (Some(next), Some(left)) = (self.stamps.get(after), self.refused.get(after)) else {
            return false;
        };
        let r0 = Stamp::new(*oldest).offset(self.line.at_oldest);
        let rise = stamp.raw().wrapping_sub(*oldest).wrapping_sub(self.plan.width).cast_signed();
        let r1 = r0.wrapping_add(rise);
        if rise <= self.plan.least
            || stamp.raw().wrapping_sub(*next) > self.plan.reach
            || !(-Self::LARGEST_RESIDUAL.cast_signed()..=Self::LARGEST_RESIDUAL.cast_signed()).contains(&r1)
        {
            return false;
        }
        let left = *left;
        let (Some(s), Some(c), Some(f)) =
            (self.stamps.get_mut(to), self.steps.get_mut(to), self.refused.get_mut(to))
        else {
            return false;
        };
        (*s, *c, *f) = (stamp.raw(), 1, 0);
        self.rejected -= u32::from(left);
        self.oldest = narrow(after);
        self.line.at_oldest = self.line.at_oldest + Ticks::new(self.line.period);
        let sums = &mut self.sums;
        sums.kr += product(self.span.cast_signed(), r1) - (sums.r - i64::from(r0));
        sums.r += i64::from(rise);
        // Both are residuals, below 2^26.
        sums.rr += product(rise, r0 + r1);
        true
    }

    /// Starts an empty window at `stamp`, with residuals against a line of `period` ticks.
    pub(super) fn start(&mut self, stamp: Stamp, period: u32) {
        self.clear();
        self.line = Line { at_oldest: stamp, period };
        self.append(stamp, 0, 0, 0);
    }

    /// Appends a crossing whose residual is `r`.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(super) fn append(&mut self, stamp: Stamp, r: i32, step: u8, refused: u8) {
        let at = self.slot(self.len());
        if let (Some(s), Some(c), Some(f)) =
            (self.stamps.get_mut(at), self.steps.get_mut(at), self.refused.get_mut(at))
        {
            (*s, *c, *f) = (stamp.raw(), step, refused);
        }
        self.span += u32::from(step);
        self.rejected += u32::from(refused);
        let k = self.span;
        let s = &mut self.sums;
        s.n += 1;
        s.k += k;
        s.kk += u64::from(k) * u64::from(k);
        s.r += i64::from(r);
        s.kr += i64::from(k) * i64::from(r);
        s.rr += square(r);
    }

    /// Moves the line to the integer one nearest to the least-squares line, unless it has the same period and is less than 1024 ticks
    /// away: that distance costs the fit nothing. `None`, with nothing changed, if the crossings are too far from that line.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(super) fn settle(&mut self) -> Option<Moved> {
        let (tilt, spread) = self.sums.slope()?;
        if tilt.unsigned_abs() <= spread / 2 && self.sums.r.unsigned_abs() >> 10 < self.sums.n.into() {
            return Some(Moved { level: 0, slope: 0 });
        }
        let (level, slope) = self.sums.nearest_line()?;
        self.shift(i32::try_from(level).ok()?, i32::try_from(slope).ok()?)
    }

    /// `None`, with nothing changed, if the crossings are too far from that line.
    fn shift(&mut self, level: i32, slope: i32) -> Option<Moved> {
        if !self.sums.reaches(level.into(), slope.into()) {
            return None;
        }
        let moved = self.sums.rebased(level.into(), slope.into());
        if moved.rr > LARGEST_SQUARES {
            return None;
        }
        self.sums = moved;
        self.line.at_oldest = Stamp::new(self.line.at_oldest.raw().wrapping_add_signed(level));
        self.line.period = self.line.period.wrapping_add_signed(slope);
        Some(Moved { level, slope })
    }
}

/// The line was moved: residuals fell by `level` + `slope` * k.
#[derive(Clone, Copy, Debug)]
pub(super) struct Moved {
    pub level: i32,
    pub slope: i32,
}

#[allow(clippy::cast_possible_truncation, reason = "a slot is below N, at most 16384")]
const fn narrow(slot: usize) -> u16 {
    slot as u16
}

const fn square(r: i32) -> i64 {
    r as i64 * r as i64
}

/// c * level + d * slope, modulo 2^64.
const fn shifted(c: i64, level: i64, d: i64, slope: i64) -> i64 {
    c.wrapping_mul(level).wrapping_add(d.wrapping_mul(slope))
}

#[cfg(test)]
mod tests;
