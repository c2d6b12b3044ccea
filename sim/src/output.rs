//! The comparator's output stage: edges that are slow, as an optocoupler's are, then glitches on the wire.
//!
//! # The slow edge
//!
//! The output ramps linearly between low and high; the next stage's threshold lies in the middle of the swing. From low it takes
//! `rise_us` to the threshold and as long again to high, from high `fall_us` to the threshold and as long again to low; 0 is at once.
//! When the input turns round, the ramp turns round where it is. So:
//! - edges further apart than the whole swing, twice the time to the threshold, come `rise_us` and `fall_us` late, always;
//! - a pulse (or a gap) not longer than the time to the threshold is not seen, but the way it moved the output is
//!   missing from the next ramp: the next pulse's end comes earlier;
//! - a pulse of a length w between the two is seen, `rise_us` late, and ends (w / `rise_us` - 1) `fall_us` after the input did.
//!
//! # Glitches
//!
//! Glitches begin as a Poisson process, last exponentially distributed times, may overlap, and are XORed onto the level: each adds
//! two transitions, wherever it lies.

use std::iter::Peekable;

use humtick::Polarity;

use crate::edge::Transition;
use crate::moment::Moment;
use crate::random::{Random, Use};
use crate::scenario::FrontEnd;

/// What the wire behind the comparator does, given the comparator's transitions in order, until `end`: glitches come even where
/// the mains is dead.
///
/// Alternating transitions in, alternating transitions out, in order of time. With no rise, no fall and no glitches they are the
/// same, but for pulses of no length, which are never seen.
pub fn output<I: Iterator<Item = Transition>>(
    edges: I,
    stage: &FrontEnd,
    seed: u64,
    end: Moment,
) -> Glitches<SlowEdges<I>> {
    let slow = SlowEdges::new(edges, stage.rise_us, stage.fall_us);
    Glitches::new(slow, stage.glitch_rate_hz, stage.glitch_width_us, Random::new(seed, Use::Glitch, 0), end)
}

/// The other way.
const fn other(polarity: Polarity) -> Polarity {
    match polarity {
        Polarity::Rising => Polarity::Falling,
        Polarity::Falling => Polarity::Rising,
    }
}

/// Edges after a slow output.
pub struct SlowEdges<I> {
    edges: I,
    /// Seconds from low to the threshold, and from high.
    rise: f64,
    fall: f64,
    /// Where the output was at the last turn: -1 low, 0 at the threshold, 1 high; and where it has been going since.
    place: f64,
    going: Option<Transition>,
    /// When it comes to the threshold, if the input lets it.
    crossing: Option<Transition>,
    /// Which way the last seen edge went; only the other can follow.
    seen: Option<Polarity>,
}

impl<I: Iterator<Item = Transition>> SlowEdges<I> {
    /// `rise_us` and `fall_us` in microseconds, 0 and more. Before the first of `edges` the output rests where that edge leaves from.
    pub const fn new(edges: I, rise_us: f64, fall_us: f64) -> Self {
        let (rise, fall) = (rise_us * 1e-6, fall_us * 1e-6);
        Self { edges, rise, fall, place: 0.0, going: None, crossing: None, seen: None }
    }

    /// The input turns round at `edge`: where the output is by then, and when it will come to the threshold.
    fn turn(&mut self, edge: Transition) {
        self.place = match self.going {
            None if edge.polarity == Polarity::Rising => -1.0,
            None => 1.0,
            Some(last) => {
                let passed = edge.at.since(last.at);
                let (time, rail) = match last.polarity {
                    Polarity::Rising => (self.rise, 1.0),
                    Polarity::Falling => (self.fall, -1.0),
                };
                // A swing of no length never comes to the division.
                let rest = (rail - self.place).abs() * time;
                if passed < rest { self.place + rail * passed / time } else { rail }
            }
        };
        self.seen.get_or_insert(other(edge.polarity));
        self.crossing = (self.seen != Some(edge.polarity)).then(|| {
            let way = match edge.polarity {
                Polarity::Rising => -self.place * self.rise,
                Polarity::Falling => self.place * self.fall,
            };
            Transition { at: edge.at.later(way.max(0.0)), polarity: edge.polarity }
        });
        self.going = Some(edge);
    }
}

impl<I: Iterator<Item = Transition>> Iterator for SlowEdges<I> {
    type Item = Transition;

    fn next(&mut self) -> Option<Transition> {
        loop {
            let edge = self.edges.next();
            let crossed = self.crossing.take_if(|c| edge.is_none_or(|edge| c.at < edge.at));
            if let Some(crossed) = crossed {
                self.seen = Some(crossed.polarity);
            }
            match edge {
                Some(edge) => self.turn(edge),
                None => return crossed,
            }
            if crossed.is_some() {
                return crossed;
            }
        }
    }
}

/// Edges with glitches.
///
/// Since the widths are exponential, how long an open glitch has lasted says nothing about how long it will: the number of open glitches
/// is a birth and death process, and needs no list of ends.
pub struct Glitches<I: Iterator<Item = Transition>> {
    edges: Peekable<I>,
    /// Begins a second, and ends a second of each open glitch.
    begins: f64,
    ends: f64,
    open: u32,
    /// When the next one begins or ends.
    next: Option<Moment>,
    end: Moment,
    random: Random,
    /// Which way the last transition went; `None` at the start.
    level: Option<Polarity>,
}

impl<I: Iterator<Item = Transition>> Glitches<I> {
    /// Glitches at a mean of `rate_hz`, of mean width `width_us`, until `end`. Without width or rate there are none. Where `edges` has
    /// no transition the level is taken as low.
    pub fn new(edges: I, rate_hz: f64, width_us: f64, random: Random, end: Moment) -> Self {
        let (begins, ends) = (rate_hz, 1e6 / width_us);
        let mut glitches =
            Self { edges: edges.peekable(), begins, ends, open: 0, next: None, end, random, level: None };
        if rate_hz > 0.0 && width_us > 0.0 {
            glitches.draw(Moment::default());
        }
        glitches
    }

    /// Draws what comes after `now`.
    fn draw(&mut self, now: Moment) {
        let rate = self.begins + self.ends * f64::from(self.open);
        let next = now.later(self.random.exponential() / rate);
        self.next = Some(next).filter(|next| *next < self.end);
    }
}

impl<I: Iterator<Item = Transition>> Iterator for Glitches<I> {
    type Item = Transition;

    fn next(&mut self) -> Option<Transition> {
        let edge = self.edges.peek().copied();
        let level = self.level.or(edge.map(|edge| other(edge.polarity))).unwrap_or(Polarity::Falling);
        let at = match (self.next, edge) {
            (Some(next), edge) if edge.is_none_or(|edge| next < edge.at) => {
                let rate = self.begins + self.ends * f64::from(self.open);
                if self.random.unit() * rate < self.begins {
                    self.open += 1;
                } else {
                    self.open -= 1;
                }
                self.draw(next);
                next
            }
            _ => self.edges.next()?.at,
        };
        let polarity = other(level);
        self.level = Some(polarity);
        Some(Transition { at, polarity })
    }
}

#[cfg(test)]
mod tests;
