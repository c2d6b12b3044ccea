//! The sliding window of crossings.

use super::Frame;
use crate::config::Length;
use crate::limit::{LEAST_CYCLES, MAX_CROSSINGS};
use crate::unit::Stamp;

/// The latest crossings, at most `N`: stamps and cycles between them, kept in O(1) a crossing. What a fit needs of them is summed when
/// a reading asks ([`Residuals`](super::Residuals)), so an edge costs the same whatever the window.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(C)]
pub struct Window<const N: usize> {
    // In this order, since an 8-bit part reaches 64 bytes at once.
    oldest: u16,
    len: u16,
    /// Cycles from the oldest crossing to the newest.
    span: u32,
    rejected: u32,
    /// Ticks a cycle, roughly: what the window was begun with, then the last fit's.
    period: u32,
    /// Longest span in ticks; see [`reach`].
    reach: u32,
    stamps: [u32; N],
    gaps: [Gap; N],
}

/// What lies between a crossing and the one before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Gap {
    /// Cycles.
    pub step: u8,
    /// Edges refused, at most 255.
    pub refused: u8,
}

/// One crossing as the window holds it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Member {
    pub stamp: Stamp,
    /// Cycles since the window's crossing before; meaningless for the oldest.
    pub step: u8,
}

impl<const N: usize> Window<N> {
    /// Longest span in cycles: three quarters of the crossings may be missing. With 64 crossings it has 8 bits.
    #[allow(clippy::cast_possible_truncation, reason = "N is at most 16384")]
    pub const LONGEST_SPAN: u32 = N as u32 * 4 - 1;

    /// An empty window.
    pub(crate) const fn new() -> Self {
        const { assert!(N >= 4 && N <= MAX_CROSSINGS, "a window holds 4 to 16384 crossings") };
        Self {
            stamps: [0; N],
            gaps: [Gap { step: 0, refused: 0 }; N],
            oldest: 0,
            len: 0,
            span: 0,
            rejected: 0,
            period: 0,
            reach: 0,
        }
    }

    /// Forgets all crossings.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(crate) const fn clear(&mut self) {
        self.len = 0;
        self.span = 0;
        self.rejected = 0;
    }

    /// Number of crossings held.
    pub const fn len(&self) -> usize {
        self.len as usize
    }

    /// The same in as many bits as it needs.
    pub(super) const fn crossings(&self) -> u16 {
        self.len
    }

    /// Whether no crossing is held.
    pub const fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// Cycles from the oldest crossing to the newest.
    pub const fn cycles(&self) -> u32 {
        self.span
    }

    /// Cycles inside the window whose crossing is missing.
    pub const fn missed(&self) -> u32 {
        self.span.saturating_sub((self.len as u32).saturating_sub(1))
    }

    /// Edges refused between the oldest crossing and the newest; of one cycle at most 255 are counted.
    pub const fn rejected(&self) -> u32 {
        self.rejected
    }

    /// Stamp of the oldest crossing and of the newest.
    pub fn ends(&self) -> Option<(Stamp, Stamp)> {
        Some((self.member(0)?.stamp, self.member(self.len().checked_sub(1)?)?.stamp))
    }

    /// Ticks a cycle, roughly.
    pub(super) const fn period(&self) -> u32 {
        self.period
    }

    /// Sets what ticks a cycle has, roughly, as a window of `length` begins and as a fit finds; and with it how far the window reaches.
    pub(crate) const fn set_period(&mut self, period: u32, length: Length) {
        (self.period, self.reach) = (period, reach(period, length));
    }

    /// The `i`-th crossing, counted from the oldest.
    pub(super) fn member(&self, i: usize) -> Option<Member> {
        if i >= self.len() {
            return None;
        }
        let at = self.slot(i);
        Some(Member { stamp: Stamp::new(*self.stamps.get(at)?), step: self.gaps.get(at)?.step })
    }

    /// All crossings, oldest first.
    pub(crate) fn members(&self) -> impl Iterator<Item = Member> {
        (0..self.len()).filter_map(|i| self.member(i))
    }

    /// Stamps of all crossings after the oldest, and the gaps before them, in order, in at most two pieces: up to the end of the ring and on from its start.
    #[cfg_attr(target_has_atomic = "ptr", inline)]
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(super) fn younger(&self) -> [(&[u32], &[Gap]); 2] {
        let (from, to) = (self.slot(1), self.slot(1) + self.len().saturating_sub(1));
        let run = |range: core::ops::Range<usize>| {
            (self.stamps.get(range.clone()).unwrap_or(&[]), self.gaps.get(range).unwrap_or(&[]))
        };
        if to <= N { [run(from..to), (&[], &[])] } else { [run(from..N), run(0..to - N)] }
    }

    /// Each crossing in the ring, newest first: those that have left the window as well, as long as nothing has taken their place.
    ///
    /// The first crossing after a clear has step zero, and nothing before it is of this run.
    #[inline]
    pub(super) fn backwards(&self) -> impl Iterator<Item = Member> {
        let mut at = self.slot(self.len().saturating_sub(1));
        let mut left = if self.is_empty() { 0 } else { N };
        core::iter::from_fn(move || {
            left = left.checked_sub(1)?;
            let member = Member { stamp: Stamp::new(*self.stamps.get(at)?), step: self.gaps.get(at)?.step };
            if member.step == 0 {
                left = 0;
            }
            at = if at == 0 { N - 1 } else { at - 1 };
            Some(member)
        })
    }

    const fn slot(&self, i: usize) -> usize {
        after::<N>(self.oldest as usize, i)
    }

    /// Where this window lies if it is the only one: crossings at every fourth quarter cycle, its middle in the middle.
    pub(super) fn frame(&self) -> Frame {
        Frame { oldest: -(2 * self.span).cast_signed(), reach: 2 * self.span + 4 }
    }

    /// Whether one more cycle would be too many for `length` ticks or for the ring. Of two polarities either may have its ends half a
    /// cycle inside the other's.
    fn is_long(&self, length: Length) -> bool {
        let inside = if length.share > 1 { self.period / 2 } else { 0 };
        self.len() == N
            || self
                .ends()
                .is_some_and(|(first, last)| (last - first).count() + inside + self.period > self.reach)
    }

    /// Whether there is enough for a reading: [`LEAST_CYCLES`] cycles, or as many as fit into `length` ticks.
    pub(crate) fn is_ripe(&self, length: Length) -> bool {
        self.span >= LEAST_CYCLES || self.is_long(length)
    }

    /// Takes a crossing `step` cycles after the last, with `refused` edges between them; lets go of those that leave the window, or for
    /// which there is no place.
    #[cfg_attr(target_has_atomic = "ptr", inline)]
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(crate) fn push(&mut self, stamp: Stamp, step: u8, refused: u8) {
        let mut held = self.within_reach(stamp, step.into(), N - 1);
        let gap = if held.len == 0 { Gap { step: 0, refused: 0 } } else { Gap { step, refused } };
        let at = after::<N>(held.oldest, held.len);
        if let (Some(s), Some(g)) = (self.stamps.get_mut(at), self.gaps.get_mut(at)) {
            (*s, *g) = (stamp.raw(), gap);
        }
        held.len += 1;
        held.span += u32::from(gap.step);
        held.rejected += u32::from(gap.refused);
        self.hold(&held);
    }

    /// Lets go of what a crossing of the other polarity at `stamp` leaves outside.
    pub(crate) fn trim(&mut self, stamp: Stamp) {
        self.hold(&self.within_reach(stamp, 0, N));
    }

    #[inline]
    fn hold(&mut self, held: &Held) {
        (self.oldest, self.len) = (narrow(held.oldest), narrow(held.len));
        (self.span, self.rejected) = (held.span, held.rejected);
    }

    /// What is left when the oldest have gone until they are at most `most`, all within reach of `stamp`, and `step` more cycles are not
    /// too many.
    #[inline]
    fn within_reach(&self, stamp: Stamp, step: u32, most: usize) -> Held {
        let mut held =
            Held { oldest: self.oldest.into(), len: self.len(), span: self.span, rejected: self.rejected };
        while let Some(oldest) = self.stamps.get(held.oldest).filter(|_| held.len > 0) {
            if held.len <= most
                && held.span + step <= Self::LONGEST_SPAN
                && stamp.raw().wrapping_sub(*oldest) <= self.reach
            {
                break;
            }
            held.oldest = after::<N>(held.oldest, 1);
            held.len -= 1;
            if held.len == 0 {
                (held.span, held.rejected) = (0, 0);
            } else if let Some(gap) = self.gaps.get(held.oldest) {
                held.span -= u32::from(gap.step);
                held.rejected -= u32::from(gap.refused);
            }
        }
        held
    }
}

/// Which crossings a window holds: in registers, while they come and go.
struct Held {
    oldest: usize,
    len: usize,
    span: u32,
    rejected: u32,
}

/// The slot `i` after `slot` in a ring of `N`.
const fn after<const N: usize>(slot: usize, i: usize) -> usize {
    let at = slot + i;
    if at >= N { at - N } else { at }
}

/// Longest span of a window of `length` in ticks, below 2^31 + 2^26: half a period more than that, so that the number of cycles is the
/// nearest; a quarter where crossings come at every half cycle.
const fn reach(period: u32, length: Length) -> u32 {
    length.ticks + (period >> length.share)
}

#[allow(clippy::cast_possible_truncation, reason = "at most N, which is at most 16384")]
const fn narrow(value: usize) -> u16 {
    value as u16
}
