//! Where edges come from: an interrupt's queue, a watched pin, a list.

use core::convert::Infallible;

use embedded_hal::digital::InputPin;
use heapless::spsc::{Consumer, Producer, Queue};

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

/// An edge on its way from the interrupt to the main loop.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Queued {
    edge: Edge,
    /// Edges that found the queue full since the last one that did not.
    lost_before: u16,
}

/// The storage of an [`EdgeQueue`]'s two ends; holds `N` - 1 edges.
pub type EdgeStore<const N: usize> = Queue<Queued, N>;

/// Splits a store into the interrupt's end and the main loop's.
pub fn edge_queue<const N: usize>(store: &mut EdgeStore<N>) -> (EdgeSender<'_>, EdgeQueue<'_>) {
    let (producer, consumer) = store.split();
    (EdgeSender { producer, lost: 0 }, EdgeQueue { consumer, overruns: 0 })
}

/// The interrupt's end: never blocks, never overwrites.
pub struct EdgeSender<'a> {
    producer: Producer<'a, Queued>,
    lost: u16,
}

impl EdgeSender<'_> {
    /// Hands over an edge. If the queue is full the edge is dropped and counted; the count travels with the next edge that
    /// fits, so the main loop learns of it in order.
    pub fn send(&mut self, edge: Edge) {
        match self.producer.enqueue(Queued { edge, lost_before: self.lost }) {
            Ok(()) => self.lost = 0,
            Err(_) => self.lost = self.lost.saturating_add(1),
        }
    }
}

/// The main loop's end.
pub struct EdgeQueue<'a> {
    consumer: Consumer<'a, Queued>,
    overruns: u32,
}

impl EdgeQueue<'_> {
    /// Edges known to have been dropped because the queue was full. A loss is known when the next edge that did fit is taken out. A run of more than 65,535 counts as that many.
    pub const fn overruns(&self) -> u32 {
        self.overruns
    }
}

impl Source for EdgeQueue<'_> {
    type Error = Infallible;

    fn next_edge(&mut self) -> nb::Result<Edge, Infallible> {
        let queued = self.consumer.dequeue().ok_or(nb::Error::WouldBlock)?;
        self.overruns = self.overruns.saturating_add(queued.lost_before.into());
        Ok(queued.edge)
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
