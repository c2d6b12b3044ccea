//! One edge for each burst: which instant of the edges around one crossing stands for it.
//!
//! # Background
//!
//! Noise that is fast against the slope S of the signal makes the comparator switch several times around one
//! crossing. For Gaussian noise of standard deviation s in an ideal low pass of bandwidth B, and r = 2 pi B
//! s/(sqrt(3) S), a crossing has erf(1/(r sqrt(2))) + r sqrt(2/pi) exp(-1/(2 r^2)) edges (derived from Rice's rule
//! for zeros; r = 10: 8). The first is early, by an amount that moves with the noise level; the middle of the burst
//! and the mean of its edges are not, and scatter less. Mean and standard deviation of the chosen instant in units of
//! s/S (24,000 crossings by Monte Carlo, no outside source):
//!
//! | r | first | middle | mean |
//! |---|---|---|---|
//! | 1 | -0.11, 0.92 | 0, 0.83 | 0, 0.84 |
//! | 3.55 | -0.63, 0.76 | 0, 0.55 | 0, 0.60 |
//! | 10 | -1.15, 0.65 | 0, 0.46 | 0, 0.43 |
//!
//! # Where it stands
//!
//! Between source and meter, [`Bursts::push`] by hand or a [`Gathered`] source. A meter without it takes the first
//! edge inside its gate and its hold-off swallows the rest, which is nearly [`Pick::First`] and costs nothing.
//!
//! # Preconditions
//!
//! 1. Edges come in order of time, and [`Bursts::push`] or [`Bursts::idle`] comes less than 2^31 ticks after the last.
//! 2. The span is longer than the bursts, about 7 s/S (by Monte Carlo; no outside source), and much shorter than half a
//!    period. A stray edge up to one span before a crossing joins its burst and moves the middle and the mean.

use core::fmt;

use crate::source::Source;
use crate::unit::{Edge, Stamp, Ticks};

/// Longest span of a burst in ticks, 2^24 - 1: the offsets of 255 edges then have a sum below 2^32. It is an eighth
/// of the longest period.
pub const MAX_SPAN: u32 = (1 << 24) - 1;

/// Edges of a burst that its mean counts.
const COUNTED: u8 = 255;

/// Which instant of a burst stands for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Pick {
    /// The first edge, at once.
    First,
    /// Half way between the first edge and the last; half a tick is rounded down.
    Middle,
    /// The mean of all edges to the nearest tick, half a tick rounded down. From the 256th edge on, edges no longer
    /// count in it: noise with so many (r above 300) has no crossing left to be mean about.
    Mean,
}

/// Collects the edges of a burst and hands over one for all.
///
/// An edge belongs to the open burst if it comes at most `span` ticks after the burst's *first* edge, whatever its
/// polarity. So a burst never lasts longer than the span, and steady noise is cut into bursts rather than swallowed.
/// The next edge begins a burst of its own.
///
/// # Delay
///
/// [`Pick::First`] passes an edge on in the very call that brings it. The others speak in the first call,
/// [`Bursts::push`] or [`Bursts::idle`], that comes more than `span` ticks after the first edge, never sooner.
///
/// # Polarity, and impulses
///
/// The signal crossed if the last edge went the same way as the first; that way is the polarity handed over. With one
/// polarity captured it is always so. With both, a burst that ends the other way left the level where it was: an
/// impulse, not a crossing. Middle and mean hand nothing over for it and count it in [`Bursts::impulses`]: whatever
/// was handed over would have to claim a polarity that the signal did not take, and an impulse that falls into the
/// meter's gate could not be told from a crossing any more. The price is small: where the capture unit lost the first
/// or the last edge of a true burst, its crossing is missing, which the meter counts and bridges. First cannot know
/// yet and passes it on.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Bursts {
    pick: Pick,
    span: u32,
    impulses: u32,
    open: Option<Open>,
}

/// The burst whose edges are still coming.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Open {
    first: Edge,
    last: Edge,
    /// Ticks from the first edge, summed over the counted edges: below 2^32 by [`MAX_SPAN`].
    sum: u32,
    counted: u8,
}

impl Open {
    fn take(&mut self, edge: Edge, after: u32) {
        self.last = edge;
        if self.counted < COUNTED {
            self.sum += after;
            self.counted += 1;
        }
    }

    fn middle(&self) -> Edge {
        self.at((self.last.stamp - self.first.stamp).count() / 2)
    }

    fn mean(&self) -> Edge {
        // At most 254 * (2^24 - 1) + 127, since the first edge's own offset is zero. `counted` is at least one.
        let half_down = u32::from(self.counted.saturating_sub(1)) / 2;
        self.at((self.sum + half_down) / u32::from(self.counted.max(1)))
    }

    fn at(&self, after: u32) -> Edge {
        Edge { stamp: self.first.stamp + Ticks::new(after), ..self.last }
    }
}

impl Bursts {
    /// A collector that has seen nothing.
    ///
    /// # Errors
    /// [`SpanError`] if `span` is not 1 to [`MAX_SPAN`] ticks.
    pub const fn new(pick: Pick, span: Ticks) -> Result<Self, SpanError> {
        let span = span.count();
        if span == 0 || span > MAX_SPAN {
            return Err(SpanError);
        }
        Ok(Self { pick, span, impulses: 0, open: None })
    }

    /// Takes an edge. Returns the one that stands for the burst before if `edge` begins a new one; with
    /// [`Pick::First`], `edge` itself if it begins one.
    pub fn push(&mut self, edge: Edge) -> Option<Edge> {
        if let Some(open) = &mut self.open {
            let after = (edge.stamp - open.first.stamp).count();
            if after <= self.span {
                open.take(edge, after);
                return None;
            }
        }
        let before = self.close();
        self.open = Some(Open { first: edge, last: edge, sum: 0, counted: 1 });
        if self.pick == Pick::First { Some(edge) } else { before }
    }

    /// Says that time has come to `now` and all edges before it have been pushed. Returns the edge that stands for
    /// the open burst if that is over. Call it before the meter's own `idle`: the edge may lie up to `span` and the
    /// time between two calls before `now`.
    pub fn idle(&mut self, now: Stamp) -> Option<Edge> {
        let age = now.since(self.open?.first.stamp)?;
        if age.count() > self.span { self.close() } else { None }
    }

    /// Bursts left out because the level after them was the level before, modulo 2^32. None are with [`Pick::First`].
    pub const fn impulses(&self) -> u32 {
        self.impulses
    }

    fn close(&mut self) -> Option<Edge> {
        let open = self.open.take()?;
        let edge = match self.pick {
            Pick::First => return None,
            Pick::Middle => open.middle(),
            Pick::Mean => open.mean(),
        };
        if open.first.polarity != open.last.polarity {
            self.impulses = self.impulses.wrapping_add(1);
            return None;
        }
        Some(edge)
    }
}

/// A source whose bursts have been gathered into one edge each.
///
/// It looks at the counter through `now` *before* it asks the source, so an edge captured between the two is not
/// overtaken, as long as the capture interrupt is not held off across that call.
pub struct Gathered<S, C> {
    source: S,
    bursts: Bursts,
    now: C,
}

impl<S: Source, C: FnMut() -> Stamp> Gathered<S, C> {
    /// Gathers the edges of `source`; `now` reads the counter as a stamp.
    pub const fn new(source: S, bursts: Bursts, now: C) -> Self {
        Self { source, bursts, now }
    }

    /// The collector.
    pub const fn bursts(&self) -> &Bursts {
        &self.bursts
    }
}

impl<S: Source, C: FnMut() -> Stamp> Source for Gathered<S, C> {
    type Error = S::Error;

    fn next_edge(&mut self) -> nb::Result<Edge, S::Error> {
        loop {
            let now = (self.now)();
            match self.source.next_edge() {
                Ok(edge) => {
                    if let Some(picked) = self.bursts.push(edge) {
                        return Ok(picked);
                    }
                }
                Err(nb::Error::WouldBlock) => return self.bursts.idle(now).ok_or(nb::Error::WouldBlock),
                Err(other) => return Err(other),
            }
        }
    }
}

/// The span of a burst is out of range.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SpanError;

impl fmt::Display for SpanError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the span of a burst must be 1 to 16777215 ticks, and should be well below half a period")
    }
}

impl core::error::Error for SpanError {}
