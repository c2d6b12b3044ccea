//! Where edges come from: a list, an interrupt's queue, a watched pin.

mod common;

use common::{Train, readings, rising, steady};
use embedded_hal::digital::{Error, ErrorKind, ErrorType, InputPin};
use humtick::source::{EdgeQueue, Replay, WatchedPin};
use humtick::{Config, Edge, LeastSquares, Meter, Source, Stamp};
use proptest::prelude::*;

/// What polling a source until it would block gives.
fn polled<S: Source>(source: &mut S) -> Vec<humtick::Reading>
where
    S::Error: std::fmt::Debug,
{
    let mut meter: Meter<64> = common::meter(&Config::mains(common::rate(2_000_000)));
    let mut all = vec![];
    loop {
        match meter.poll(source) {
            Ok(reading) => all.push(reading),
            Err(nb::Error::WouldBlock) => return all,
            Err(nb::Error::Other(error)) => panic!("{error:?}"),
        }
    }
}

#[test]
fn polling_a_list_is_pushing_it() {
    let train = Train { jitter: 2.0, missing: 0.05, extra: 0.05, ..Train::clean(2_000_000) };
    let edges = train.edges(&steady(50.0, 500));
    let by_hand = readings::<64, LeastSquares>(&Config::mains(common::rate(2_000_000)), &edges);
    assert!(by_hand.len() > 90);
    assert_eq!(polled(&mut Replay::new(edges.iter().map(|at| rising(*at)))), by_hand);
    // Through a queue that is never full, the same.
    let queue = EdgeQueue::<128>::new();
    edges.iter().take(128).for_each(|at| queue.send(rising(*at)));
    let some = polled(&mut &queue);
    assert!(some.len() > 15);
    assert_eq!(some, by_hand[..some.len()]);
    assert_eq!(queue.overruns(), 0);
}

#[derive(Clone, Debug)]
enum Step {
    Send(u8),
    Take(u8),
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Against a plain list: order, capacity of N, and every dropped edge counted.
    #[test]
    fn a_queue_keeps_order_and_counts_what_it_drops(
        steps in prop::collection::vec(
            prop_oneof![(1u8..20).prop_map(Step::Send), (1u8..20).prop_map(Step::Take)], 0..40
        )
    ) {
        let queue = EdgeQueue::<8>::new();
        let mut model = std::collections::VecDeque::new();
        let (mut next, mut dropped) = (0u64, 0u16);
        for step in steps {
            match step {
                Step::Send(n) => for _ in 0..n {
                    let edge = if next % 3 == 0 { Edge::falling(rising(next).stamp) } else { rising(next) };
                    queue.send(edge);
                    if model.len() < 8 {
                        model.push_back(edge);
                    } else {
                        dropped += 1;
                    }
                    next += 1;
                },
                Step::Take(n) => for _ in 0..n {
                    prop_assert_eq!((&queue).next_edge(), model.pop_front().ok_or(nb::Error::WouldBlock));
                },
            }
            prop_assert_eq!(queue.overruns(), dropped);
            prop_assert_eq!(queue.is_empty(), model.is_empty());
        }
    }
}

/// With both ends at work at once every edge arrives whole and in order, or is counted. The counts go through 256 many times.
#[test]
fn a_queue_is_shared_by_two_at_once() {
    static QUEUE: EdgeQueue<16> = EdgeQueue::new();
    const EDGES: u32 = 65_000;
    // Both halves alike, so that a torn stamp shows.
    let sender = std::thread::spawn(|| {
        for i in 0..EDGES {
            QUEUE.send(Edge::rising(Stamp::new(i << 16 | i)));
        }
    });
    let (mut next, mut taken) = (0, 0);
    loop {
        let over = sender.is_finished();
        while let Ok(edge) = (&QUEUE).next_edge() {
            let (high, low) = (edge.stamp.raw() >> 16, edge.stamp.raw() & 0xFFFF);
            assert!(high == low && low >= next, "{high} {low} after {next}");
            (next, taken) = (low + 1, taken + 1);
        }
        if over {
            break;
        }
    }
    sender.join().unwrap();
    assert_eq!(taken + u32::from(QUEUE.overruns()), EDGES);
}

/// The pump house's cable comes loose.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Loose;

impl Error for Loose {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

/// A pin that has the levels of a list, one a look.
struct Levels(std::vec::IntoIter<Result<bool, Loose>>);

impl ErrorType for Levels {
    type Error = Loose;
}

impl InputPin for Levels {
    fn is_high(&mut self) -> Result<bool, Loose> {
        self.0.next().expect("no more looks than levels")
    }

    fn is_low(&mut self) -> Result<bool, Loose> {
        self.is_high().map(|high| !high)
    }
}

#[test]
fn a_watched_pin_gives_an_edge_at_each_change_it_sees() {
    let levels = vec![
        Ok(true),
        Ok(true),
        Ok(false),
        Ok(false),
        Err(Loose),
        Ok(false),
        Ok(true),
        Err(Loose),
        Ok(false),
    ];
    let mut now = 100;
    let mut pin = WatchedPin::new(Levels(levels.into_iter()), || {
        now += 1;
        Stamp::new(now)
    });
    let blocked = Err(nb::Error::WouldBlock);
    let want = [
        // The first look only learns the level.
        blocked,
        blocked,
        Ok(Edge::falling(Stamp::new(101))),
        blocked,
        Err(nb::Error::Other(Loose)),
        // The failed look changed nothing.
        blocked,
        Ok(Edge::rising(Stamp::new(102))),
        Err(nb::Error::Other(Loose)),
        Ok(Edge::falling(Stamp::new(103))),
    ];
    for (look, want) in want.into_iter().enumerate() {
        assert_eq!(pin.next_edge(), want, "look {look}");
    }
}

#[test]
fn an_error_of_the_source_comes_out_of_poll() {
    let mut pin = WatchedPin::new(Levels(vec![Ok(true), Err(Loose)].into_iter()), || Stamp::new(0));
    let mut meter: Meter<64> = common::meter(&Config::mains(common::rate(2_000_000)));
    assert_eq!(meter.poll(&mut pin), Err(nb::Error::WouldBlock));
    assert_eq!(meter.poll(&mut pin), Err(nb::Error::Other(Loose)));
}
