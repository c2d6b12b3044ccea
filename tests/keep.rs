//! The backlog of the second processor against one that keeps books by name.

use std::collections::VecDeque;

use humtick::link::{Backlog, Keep, Passed, Ticket};
use proptest::prelude::*;

/// What may happen, in any order.
#[derive(Clone, Copy, Debug)]
enum Step {
    Push,
    Next,
    /// Word of the ticket handed out so many tickets ago, however old.
    Arrived(usize),
    Again,
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        4 => Just(Step::Push),
        4 => Just(Step::Next),
        2 => (0..12_usize).prop_map(Step::Arrived),
        1 => Just(Step::Again),
    ]
}

/// Each item by its own number, for ever.
#[derive(Default)]
struct Books {
    held: VecDeque<u32>,
    sent: usize,
    passed: Passed,
}

impl Books {
    fn push(&mut self, room: usize) {
        self.held.push_back(self.passed.taken);
        self.passed.taken += 1;
        while self.held.len() > room {
            self.held.pop_front();
            self.sent = self.sent.saturating_sub(1);
            self.passed.dropped += 1;
        }
    }

    fn next(&mut self) -> Option<u32> {
        let item = *self.held.get(self.sent)?;
        self.sent += 1;
        Some(item)
    }

    fn arrived(&mut self, item: u32) {
        if let Some(place) = self.held.iter().take(self.sent).position(|held| *held == item) {
            self.held.drain(..=place);
            self.sent -= place + 1;
            self.passed.delivered += place as u32 + 1;
        }
    }
}

/// Plays the steps to both and compares all that shows.
fn agree<S: AsRef<[Option<u32>]> + AsMut<[Option<u32>]>>(
    keep: Keep,
    slots: S,
    steps: &[Step],
) -> Result<(), TestCaseError> {
    let room = if keep == Keep::Latest { slots.as_ref().len().min(1) } else { slots.as_ref().len() };
    let (mut backlog, mut books) = (Backlog::new(keep, slots), Books::default());
    let mut handed: Vec<(Ticket, u32)> = Vec::new();
    for step in steps {
        match step {
            Step::Push => {
                backlog.push(books.passed.taken);
                books.push(room);
            }
            Step::Next => {
                let next = backlog.next();
                prop_assert_eq!(next.map(|(_, item)| item), books.next());
                handed.extend(next);
            }
            Step::Arrived(ago) => {
                if let Some((ticket, item)) = handed.iter().rev().nth(*ago) {
                    backlog.arrived(*ticket);
                    books.arrived(*item);
                }
            }
            Step::Again => {
                backlog.again();
                books.sent = 0;
            }
        }
        prop_assert_eq!(backlog.passed(), books.passed);
        prop_assert_eq!((backlog.len(), backlog.is_empty()), (books.held.len(), books.held.is_empty()));
        let Passed { taken, delivered, dropped } = backlog.passed();
        prop_assert_eq!(taken, delivered + dropped + backlog.len() as u32);
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn the_backlog_does_what_the_books_say(steps in prop::collection::vec(step(), 0..80)) {
        for keep in [Keep::All, Keep::Latest] {
            agree(keep, [None; 0], &steps)?;
            agree(keep, [None; 1], &steps)?;
            agree(keep, [None; 4], &steps)?;
            agree(keep, vec![None; 7], &steps)?;
        }
    }

    /// Whatever breaks, with room enough everything arrives, in order, and what comes twice came before.
    #[test]
    fn with_room_nothing_is_lost(breaks in prop::collection::vec((0..6_usize, 0..6_usize, any::<bool>()), 1..40)) {
        let mut backlog = Backlog::new(Keep::All, vec![None; 300]);
        let (mut pushed, mut seen) = (0_u32, 0_u32);
        for (push, send, told) in breaks {
            for _ in 0..push {
                backlog.push(pushed);
                pushed += 1;
            }
            for _ in 0..send {
                let Some((ticket, item)) = backlog.next() else { break };
                // The far end takes what is new and knows again what is not; there is no gap.
                prop_assert!(item <= seen);
                seen = seen.max(item + 1);
                if told {
                    backlog.arrived(ticket);
                }
            }
            if !told {
                backlog.again();
            }
        }
        while let Some((ticket, item)) = backlog.next() {
            prop_assert!(item <= seen);
            seen = seen.max(item + 1);
            backlog.arrived(ticket);
        }
        prop_assert_eq!((seen, backlog.passed()), (pushed, Passed { taken: pushed, delivered: pushed, dropped: 0 }));
    }
}

#[test]
fn the_latest_goes_out_when_the_network_is_back() {
    let mut backlog = Backlog::new(Keep::Latest, [None; 1]);
    for item in 1..=50 {
        backlog.push(item);
    }
    let (old, item) = backlog.next().unwrap();
    assert_eq!(item, 50);
    backlog.push(51);
    // Word of the one before says nothing of this one.
    backlog.arrived(old);
    assert_eq!(backlog.next().map(|(_, item)| item), Some(51));
    assert_eq!(backlog.passed(), Passed { taken: 51, delivered: 0, dropped: 50 });
}
