//! When to try again: twice as long after each failure, up to a limit, with jitter so that many do not come back at once.

use std::hash::{BuildHasher, RandomState};
use std::time::Duration;

use crate::random::{Random, Use};

/// After the first failure.
const FIRST: Duration = Duration::from_millis(100);

/// Waits between attempts.
#[derive(Debug)]
pub(super) struct Retry {
    next: Duration,
    most: Duration,
    random: Random,
}

impl Retry {
    pub fn new(most: Duration) -> Self {
        // The one place where chance is not repeatable: relays that start together must differ.
        let seed = RandomState::new().hash_one(0);
        Self { next: FIRST.min(most), most, random: Random::new(seed, Use::Line, 0) }
    }

    /// How long to wait now: between half of the present delay and all of it.
    pub fn wait(&mut self) -> Duration {
        let wait = self.next.mul_f64(0.5 + 0.5 * self.random.unit());
        self.next = (self.next * 2).min(self.most);
        wait
    }

    /// The connection has proved itself.
    pub fn reset(&mut self) {
        self.next = FIRST.min(self.most);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_the_limit_and_scatter() {
        let mut retry = Retry::new(Duration::from_secs(2));
        for most in [100, 200, 400, 800, 1_600, 2_000, 2_000] {
            let wait = retry.wait().as_millis();
            assert!((most / 2 - 1..=most).contains(&wait), "{wait} of {most}");
        }
        retry.reset();
        assert!(retry.wait() <= FIRST);
        let first = |_| Retry::new(FIRST).wait();
        let waits: std::collections::HashSet<_> = (0..20).map(first).collect();
        assert!(waits.len() > 15, "{waits:?}");
    }
}
