//! The timer: transitions in simulated time become captures, as registers and handlers hand them over.
//!
//! A counter of a few bits runs by a [`Clock`] that is a little off. An edge is stamped with the count: at the edge by a
//! capture unit, or by the interrupt handler when it comes to it. The handler reads the stamp together with the overflow tally and the
//! overflow flag as they are *then*, and the overflow handler has latencies of its own ([`Overflows`]); so torn captures arise as
//! they do on a board, and the core's [`humtick::timeline`] has to cope, or shows what it cannot cope with.

mod clock;
mod overflow;

pub use clock::Clock;
pub use overflow::{Overflows, Tally};

use humtick::Capture;

use crate::edge::{TimedEdge, Transition};
use crate::moment::Moment;
use crate::random::{Random, Use};
use crate::scenario::{CaptureKind, Overrun, Timer};

/// A capture as the handler hands it over, and what nobody on the board can know.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Handed {
    /// Registers and tally.
    pub capture: Capture,
    /// The tally in full; the capture has its lowest 32 bits.
    pub tally: u64,
    /// The edge that was stamped, in true time.
    pub edge: Transition,
    /// When it was read.
    pub read: Moment,
    /// The stamp if the counter had no end: ticks since it stood at zero.
    pub ticks: u64,
}

impl Handed {
    /// The edge on an endless tick scale, as a board without fault would have it.
    pub const fn timed(&self) -> TimedEdge {
        TimedEdge { ticks: self.ticks, polarity: self.edge.polarity }
    }
}

/// What was counted so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Edges that came to the timer.
    pub edges: u64,
    /// Of those, edges lost at random.
    pub lost: u64,
    /// Edges that came before the last capture was read: each cost a capture, its own or the last one.
    pub overruns: u64,
    /// Wraps of the counter that no handler tallied, up to the last capture read.
    pub overflows_lost: u64,
}

/// Simulated time, in seconds, that is walked through at once where there are no edges.
const STRIDE: f64 = 1.0;

/// The captures of a train of edges.
///
/// One register, one flag: a capture is read a latency after its edge; an edge that comes before that is an overrun, and is
/// dropped or takes the place of the waiting one, which is then read when that would have been. An interrupt that stamps for itself has
/// no register, but the same flag: with [`Overrun::Overwrite`] it takes the level for that of the latest edge.
pub struct Captures<I> {
    edges: I,
    clock: Clock,
    overflows: Overflows,
    bits: u32,
    kind: CaptureKind,
    overrun: Overrun,
    /// Shortest and longest time from edge to reading, in seconds.
    latency: (f64, f64),
    /// Probability that an edge is lost.
    lost: f64,
    random: Random,
    /// The edge that waits to be read, and when it will be.
    waiting: Option<(Transition, Moment)>,
    /// How far time has been walked through.
    reached: Moment,
    counts: Counts,
}

impl<I: Iterator<Item = Transition>> Captures<I> {
    /// Stamps `edges`, which are in order of time, with `timer`, whose fields are within their ranges.
    pub fn new(edges: I, timer: &Timer, seed: u64) -> Self {
        let clock = Clock::new(timer, seed);
        Self {
            edges,
            overflows: Overflows::new(timer, &clock, seed),
            clock,
            bits: timer.bits,
            kind: timer.capture,
            overrun: timer.overrun,
            latency: (timer.latency_us.0 * 1e-6, timer.latency_us.1 * 1e-6),
            lost: timer.lost_percent * 1e-2,
            // Wraps are numbered from 1, and so are the streams of their latencies.
            random: Random::new(seed, Use::Timer, 0),
            waiting: None,
            reached: Moment::default(),
            counts: Counts::default(),
        }
    }

    /// What was counted so far.
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    /// Whether the edge that came is lost.
    fn loses(&mut self) -> bool {
        let loses = self.lost > 0.0 && self.random.unit() < self.lost;
        self.counts.lost += u64::from(loses);
        loses
    }

    fn latency(&mut self) -> f64 {
        let (low, high) = self.latency;
        if low < high { self.random.between(self.latency) } else { low }
    }

    /// Lets time go by in strides, up to less than one before `m`, so that the overflow handler never asks for what the clock has
    /// forgotten, and never looks back.
    fn pass(&mut self, m: Moment) {
        while m.since(self.reached) > STRIDE {
            self.reached = self.reached.later(STRIDE);
            let count = self.clock.count(self.reached);
            self.overflows.seen(&mut self.clock, self.reached, count);
        }
    }

    fn read(&mut self, edge: Transition, read: Moment) -> Handed {
        self.pass(edge.at);
        let at_edge = match self.kind {
            CaptureKind::Hardware => Some(self.clock.count(edge.at)),
            CaptureKind::Interrupt => None,
        };
        self.pass(read);
        let count = match at_edge {
            Some(count) if read == edge.at => count,
            _ => self.clock.count(read),
        };
        let ticks = at_edge.unwrap_or(count);
        let tally = self.overflows.seen(&mut self.clock, read, count);
        self.counts.overflows_lost = tally.lost;
        let capture = Capture {
            raw: (ticks & ((1 << self.bits) - 1)) as u32,
            // Low bits are all that the scale has room for.
            tally: tally.tallied as u32,
            pending: tally.pending,
            polarity: edge.polarity,
        };
        Handed { capture, tally: tally.tallied, edge, read, ticks }
    }
}

impl<I: Iterator<Item = Transition>> Iterator for Captures<I> {
    type Item = Handed;

    fn next(&mut self) -> Option<Handed> {
        while let Some(edge) = self.edges.next() {
            self.counts.edges += 1;
            if self.loses() {
                continue;
            }
            match &mut self.waiting {
                Some((last, read)) if edge.at < *read => {
                    self.counts.overruns += 1;
                    if self.overrun == Overrun::Overwrite {
                        *last = edge;
                    }
                }
                _ => {
                    let read = edge.at.later(self.latency());
                    if let Some((edge, read)) = self.waiting.replace((edge, read)) {
                        return Some(self.read(edge, read));
                    }
                }
            }
        }
        self.waiting.take().map(|(edge, read)| self.read(edge, read))
    }
}

#[cfg(test)]
pub(crate) mod tests;
