//! Where edges come from: an interrupt's queue, a watched pin, a list.

use core::convert::Infallible;
use core::sync::atomic::Ordering::{Acquire, Relaxed, Release};

use embedded_hal::digital::InputPin;
use portable_atomic::{AtomicU8, AtomicU16};

use crate::unit::{Edge, Polarity, Stamp};

/// Something that hands over edges in order of time without waiting for them.
pub trait Source {
    /// What can go wrong.
    type Error;

    /// The next edge.
    ///
    /// # Errors
    /// [`nb::Error::WouldBlock`] if there is none yet.
    fn next_edge(&mut self) -> nb::Result<Edge, Self::Error>;
}

/// The queue from a capture interrupt to the main loop, for `N` edges: a power of two, 2 to 128. It never blocks and never overwrites.
///
/// ```
/// use humtick::source::EdgeQueue;
/// use humtick::{Edge, Source, Stamp};
///
/// static QUEUE: EdgeQueue<8> = EdgeQueue::new();
///
/// // In the interrupt:
/// QUEUE.send(Edge::rising(Stamp::new(40_000)));
/// // In the main loop:
/// assert_eq!((&QUEUE).next_edge(), Ok(Edge::rising(Stamp::new(40_000))));
/// ```
///
/// It is shared as it is, from a static. One context sends and one takes: a second sender that interrupts the first would overwrite its edge,
/// and a second taker take one twice. All of it is atomic bytes, loaded and stored and never exchanged, which the smallest processors
/// have; only what counts lost edges is wider.
pub struct EdgeQueue<const N: usize> {
    /// The lowest bytes of all stamps, then the next, and last whether edges are falling: an 8-bit processor finds its way in arrays
    /// of bytes without a product or a shift.
    planes: [[AtomicU8; N]; 5],
    /// Edges sent and taken, modulo 256: the difference is what the queue holds.
    sent: AtomicU8,
    taken: AtomicU8,
    lost: AtomicU16,
}

impl<const N: usize> EdgeQueue<N> {
    #[allow(clippy::cast_possible_truncation, reason = "at most 128")]
    const ROOM: u8 = {
        assert!(N.is_power_of_two() && N >= 2 && N <= 128, "a queue holds 2 to 128 edges, a power of two");
        N as u8
    };

    /// With no edges.
    pub const fn new() -> Self {
        let _ = Self::ROOM;
        Self {
            planes: [const { [const { AtomicU8::new(0) }; N] }; 5],
            sent: AtomicU8::new(0),
            taken: AtomicU8::new(0),
            lost: AtomicU16::new(0),
        }
    }

    /// Hands over an edge. If the queue is full the edge is dropped and counted.
    #[inline]
    pub fn send(&self, edge: Edge) {
        let sent = self.sent.load(Relaxed);
        let held = sent.wrapping_sub(self.taken.load(Acquire));
        let Some([a, b, c, d, falling]) = self.slot(sent).filter(|_| held < Self::ROOM) else {
            return self.lost.store(self.lost.load(Relaxed).wrapping_add(1), Relaxed);
        };
        let bytes = edge.stamp.raw().to_le_bytes();
        a.store(bytes[0], Relaxed);
        b.store(bytes[1], Relaxed);
        c.store(bytes[2], Relaxed);
        d.store(bytes[3], Relaxed);
        falling.store((edge.polarity == Polarity::Falling).into(), Relaxed);
        self.sent.store(sent.wrapping_add(1), Release);
    }

    /// Edges dropped because the queue was full, modulo 2^16.
    pub fn overruns(&self) -> u16 {
        self.lost.load(Relaxed)
    }

    /// Whether there is nothing to take: with interrupts held off, whether to sleep.
    pub fn is_empty(&self) -> bool {
        self.sent.load(Acquire) == self.taken.load(Relaxed)
    }

    #[inline]
    fn slot(&self, at: u8) -> Option<[&AtomicU8; 5]> {
        let at = usize::from(at & (Self::ROOM - 1));
        let [a, b, c, d, falling] = &self.planes;
        Some([a.get(at)?, b.get(at)?, c.get(at)?, d.get(at)?, falling.get(at)?])
    }
}

impl<const N: usize> Default for EdgeQueue<N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const N: usize> Source for &EdgeQueue<N> {
    type Error = Infallible;

    #[inline]
    fn next_edge(&mut self) -> nb::Result<Edge, Infallible> {
        let taken = self.taken.load(Relaxed);
        let slot = self.slot(taken).filter(|_| !self.is_empty());
        let [a, b, c, d, falling] = slot.ok_or(nb::Error::WouldBlock)?;
        let bytes = [a.load(Relaxed), b.load(Relaxed), c.load(Relaxed), d.load(Relaxed)];
        let stamp = Stamp::new(u32::from_le_bytes(bytes));
        let polarity = if falling.load(Relaxed) != 0 { Polarity::Falling } else { Polarity::Rising };
        self.taken.store(taken.wrapping_add(1), Release);
        Ok(Edge { stamp, polarity })
    }
}

/// A pin looked at again and again, for boards without a capture unit. An edge is stamped when it is seen, so its
/// error is the time between two looks, in a pattern that repeats rather than at random. Look at least a hundred times a period, and set the
/// gate's floor to the time between looks if it is more than a few hundredths of one; a pulse shorter than that is not seen at all.
pub struct WatchedPin<P, C> {
    pin: P,
    now: C,
    high: Option<bool>,
}

impl<P: InputPin, C: FnMut() -> Stamp> WatchedPin<P, C> {
    /// Watches `pin`; `now` reads the counter as a stamp.
    pub const fn new(pin: P, now: C) -> Self {
        Self { pin, now, high: None }
    }
}

impl<P: InputPin, C: FnMut() -> Stamp> Source for WatchedPin<P, C> {
    type Error = P::Error;

    /// One look at the pin. The first look only learns the level.
    fn next_edge(&mut self) -> nb::Result<Edge, P::Error> {
        let high = self.pin.is_high().map_err(nb::Error::Other)?;
        let before = self.high.replace(high);
        if before.is_none_or(|b| b == high) {
            return Err(nb::Error::WouldBlock);
        }
        let polarity = if high { Polarity::Rising } else { Polarity::Falling };
        Ok(Edge { stamp: (self.now)(), polarity })
    }
}

/// Edges from a list or any other iterator. When they are used up it would block for ever.
pub struct Replay<I>(I);

impl<I: Iterator<Item = Edge>> Replay<I> {
    /// Replays `edges`.
    pub const fn new(edges: I) -> Self {
        Self(edges)
    }
}

impl<I: Iterator<Item = Edge>> Source for Replay<I> {
    type Error = Infallible;

    fn next_edge(&mut self) -> nb::Result<Edge, Infallible> {
        self.0.next().ok_or(nb::Error::WouldBlock)
    }
}
