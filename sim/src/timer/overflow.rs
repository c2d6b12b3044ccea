//! The overflow handler: how many wraps it has tallied by some moment, without going through all of them.
//!
//! # Background
//!
//! Each wrap of the counter sets a flag; so much later, evenly distributed, the handler takes the flag away and adds one to the
//! tally. There is one flag, so wraps that come while it is set are lost. A 1 GHz counter of 8 bits wraps four million
//! times a second, and a simulated week must not walk through that.
//!
//! # Solution
//!
//! Let the latency be between (j - 1) and j wraps long, whatever it is each time. Then each handler that runs answers for j wraps, the one that set its
//! flag and the j - 1 lost ones behind it, and wraps 1, 1 + j, 1 + 2j ... set the flag. What is seen at some moment follows from the
//! number of wraps by then and from the latency of the latest handler, which is a function of its wrap's number alone.
//! Every board that works has j = 1. Where j is not the same for all latencies and all speeds of the clock, wraps are walked
//! through handler by handler.

use crate::moment::Moment;
use crate::random::{Random, Use};
use crate::scenario::Timer;

use super::Clock;

/// What the overflow handler has done by some moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tally {
    /// Wraps tallied.
    pub tallied: u64,
    /// Whether a wrap waits for its handler.
    pub pending: bool,
    /// Wraps that found the flag set.
    pub lost: u64,
}

/// The handler and its flag.
pub struct Overflows {
    bits: u32,
    seed: u64,
    /// Shortest and longest latency in seconds.
    latency: (f64, f64),
    /// Wraps a handler answers for, if always the same.
    each: Option<u64>,
    /// Ticks after a wrap beyond which its handler has surely run.
    at_most: u64,
    walk: Walk,
}

/// Handler by handler.
#[derive(Default)]
struct Walk {
    tallied: u64,
    /// Wraps that are done with: tallied or lost.
    done: u64,
    /// When the handler of the wrap after those will run, if it is known.
    due: Option<Moment>,
}

impl Overflows {
    /// The handler of `timer`.
    pub fn new(timer: &Timer, clock: &Clock, seed: u64) -> Self {
        let latency = (timer.overflow_latency_us.0 * 1e-6, timer.overflow_latency_us.1 * 1e-6);
        let wrap = (1u64 << timer.bits) as f64;
        let least = (latency.0 * clock.bounds.0 / wrap) as u64;
        let most = (latency.1 * clock.bounds.1 / wrap) as u64;
        Self {
            bits: timer.bits,
            seed,
            latency,
            each: (least == most).then_some(most + 1),
            at_most: (latency.1 * clock.bounds.1).ceil() as u64,
            walk: Walk::default(),
        }
    }

    /// What is seen at `m`, when the counter has come to `count`. `m` is not before that of the last call.
    pub fn seen(&mut self, clock: &mut Clock, m: Moment, count: u64) -> Tally {
        let wraps = count >> self.bits;
        let (tallied, pending) = match self.each {
            Some(each) => {
                // A division is a third of the time an edge takes here, and nearly always by one.
                let flags = if each == 1 { wraps } else { wraps.div_ceil(each) };
                let pending = flags > 0 && self.waits(clock, m, count, (flags - 1) * each + 1);
                (flags - u64::from(pending), pending)
            }
            None => {
                self.walk(clock, m, wraps);
                (self.walk.tallied, self.walk.due.is_some())
            }
        };
        Tally { tallied, pending, lost: wraps - tallied - u64::from(pending) }
    }

    /// Whether wrap number `wrap` is still without its handler at `m`.
    fn waits(&self, clock: &mut Clock, m: Moment, count: u64, wrap: u64) -> bool {
        count - (wrap << self.bits) < self.at_most && m < self.runs(clock, wrap)
    }

    /// When the handler of wrap number `wrap`, counted from 1, runs if that wrap sets the flag.
    fn runs(&self, clock: &mut Clock, wrap: u64) -> Moment {
        let latency = match self.latency {
            (low, high) if low < high => Random::new(self.seed, Use::Timer, wrap).between(self.latency),
            (low, _) => low,
        };
        clock.when(wrap << self.bits).later(latency)
    }

    /// Runs the handlers up to `m`, by which there have been `wraps`.
    fn walk(&mut self, clock: &mut Clock, m: Moment, wraps: u64) {
        while self.walk.done < wraps {
            let due = self.walk.due.unwrap_or_else(|| self.runs(clock, self.walk.done + 1));
            self.walk.due = Some(due).filter(|due| m < *due);
            if self.walk.due.is_some() {
                break;
            }
            self.walk.tallied += 1;
            self.walk.done = clock.count(due) >> self.bits;
        }
    }
}

#[cfg(test)]
mod tests;
