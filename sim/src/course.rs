//! A rate that moves along straight lines, and its exact integral: the grid's frequency and its phase, a clock's speed and its count.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use crate::moment::Moment;
use crate::random::Random;

/// An integral too large for a double's fraction: a whole number and the rest, 0 to 1.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sum {
    /// The whole number.
    pub whole: i64,
    /// The rest.
    pub part: f64,
}

impl Sum {
    /// This much more.
    pub fn plus(self, more: f64) -> Self {
        let part = self.part + more;
        let whole = part.floor();
        Self { whole: self.whole + whole as i64, part: part - whole }
    }

    /// How much more this is than `other`.
    pub fn minus(self, other: Self) -> f64 {
        (self.whole - other.whole) as f64 + (self.part - other.part)
    }
}

/// One straight line of the rate.
#[derive(Clone, Copy, Debug)]
pub struct Leg {
    /// Where it begins.
    pub from: Moment,
    /// Its length in seconds.
    pub length: f64,
    /// Rate at its begin, per second.
    pub rate: f64,
    /// Change of the rate, per second squared.
    pub slope: f64,
    /// Integral up to its begin.
    pub sum: Sum,
}

impl Leg {
    /// Rate `x` seconds after its begin.
    #[inline]
    pub fn rate_at(&self, x: f64) -> f64 {
        self.rate + self.slope * x
    }

    /// Integral from its begin to `x` seconds after.
    #[inline]
    pub fn gain(&self, x: f64) -> f64 {
        (self.rate + 0.5 * self.slope * x) * x
    }

    /// Seconds after its begin at which the integral has grown by `gain`; the rate is positive all along.
    #[inline]
    pub fn when(&self, gain: f64) -> f64 {
        // The stable root of slope/2 x^2 + rate x = gain.
        2.0 * gain / (self.rate + (self.rate * self.rate + 2.0 * self.slope * gain).sqrt())
    }

    /// Where it ends.
    pub fn end(&self) -> Moment {
        self.from.later(self.length)
    }

    /// Integral up to its end.
    pub fn end_sum(&self) -> Sum {
        self.sum.plus(self.gain(self.length))
    }
}

/// One thing that a rate is the sum of; times in seconds from the start.
#[derive(Clone, Debug)]
pub enum Part {
    /// Always the same.
    Constant(f64),
    /// From `start` to `stop` it grows by `slope` a second, before and after it stays.
    Ramp {
        /// Per second squared.
        slope: f64,
        /// Seconds.
        start: f64,
        /// Seconds.
        stop: f64,
    },
    /// Jumps by `size`.
    Step {
        /// Seconds.
        at: f64,
        /// Per second.
        size: f64,
    },
    /// `size` times a sine, and `squared` times its square.
    Swing {
        /// Per second.
        size: f64,
        /// Per second.
        squared: f64,
        /// Seconds.
        period: f64,
    },
    /// An Ornstein-Uhlenbeck process, exact at its knots, straight in between.
    Wander(Wander),
    /// Straight lines between points (seconds, rate), held before the first and after the last.
    Recorded(Vec<(f64, f64)>),
}

/// An Ornstein-Uhlenbeck process at even steps.
#[derive(Clone, Debug)]
pub struct Wander {
    sd: f64,
    correlation: f64,
    /// Value at the last knot and at the next.
    between: (f64, f64),
    random: Random,
}

impl Wander {
    /// Standard deviation `sd`, correlation time in seconds.
    pub fn new(sd: f64, correlation: f64, mut random: Random) -> Self {
        let first = sd * random.normal();
        Self { sd, correlation, between: (first, first), random }
    }

    /// Goes on to the next knot, `step` seconds later.
    fn advance(&mut self, step: f64) {
        let keep = libm::exp(-step / self.correlation);
        let next = keep * self.between.1 + self.sd * (1.0 - keep * keep).sqrt() * self.random.normal();
        self.between = (self.between.1, next);
    }
}

/// The legs of a sum of parts, in order.
#[derive(Clone, Debug)]
pub struct Course {
    parts: Vec<Part>,
    /// Even knots a second.
    knots: u32,
    /// Knots that are at no even place: corners and jumps, in order of time.
    corners: Vec<f64>,
    /// Even knots passed.
    passed: u64,
    at: Moment,
    sum: Sum,
    /// Where recorded points were last looked up.
    place: usize,
}

impl Course {
    /// The sum of `parts`. The rate must stay positive for [`Leg::when`].
    pub fn new(parts: Vec<Part>) -> Self {
        let mut corners = Vec::new();
        let mut knots = 10.0f64;
        for part in &parts {
            match part {
                Part::Constant(_) => {}
                Part::Ramp { start, stop, .. } => corners.extend([*start, *stop]),
                Part::Step { at, .. } => corners.push(*at),
                // 256 straight lines a period are off by 1/13,000 of the swing at most.
                Part::Swing { period, .. } => knots = knots.max((256.0 / period).ceil()),
                Part::Wander(wander) => knots = knots.max((20.0 / wander.correlation).ceil()),
                Part::Recorded(points) => corners.extend(points.iter().map(|p| p.0)),
            }
        }
        corners.retain(|c| *c > 0.0);
        corners.sort_by(f64::total_cmp);
        corners.dedup();
        corners.reverse();
        let knots = knots.min(1e6) as u32;
        let mut course =
            Self { parts, knots, corners, passed: 0, at: Moment::default(), sum: Sum::default(), place: 0 };
        course.advance();
        course
    }

    fn advance(&mut self) {
        let step = 1.0 / f64::from(self.knots);
        for part in &mut self.parts {
            if let Part::Wander(wander) = part {
                wander.advance(step);
            }
        }
    }

    /// The next straight line.
    pub fn next_leg(&mut self) -> Leg {
        let knots = u64::from(self.knots);
        let place = |k: u64| Moment { second: k / knots, part: (k % knots) as f64 / knots as f64 };
        let (before, even) = (place(self.passed), place(self.passed + 1));
        let corner = self.corners.last().map(|c| Moment::from_s(*c));
        let end = match corner {
            Some(corner) if corner.since(self.at) <= 0.0 => {
                self.corners.pop();
                return self.next_leg();
            }
            Some(corner) if corner.since(even) < 0.0 => corner,
            _ => even,
        };
        let length = end.since(self.at);
        let per_second = f64::from(self.knots);
        let share = |m: Moment| m.since(before) * per_second;
        let (from, to) = (self.value(self.at, share(self.at), true), self.value(end, share(end), false));
        let leg = Leg { from: self.at, length, rate: from, slope: (to - from) / length, sum: self.sum };
        self.at = end;
        self.sum = leg.end_sum();
        if end == even {
            self.passed += 1;
            self.advance();
        }
        leg
    }

    /// The rate at `m`, `share` of the way from one even knot to the next; at a jump after it or before it.
    fn value(&mut self, m: Moment, share: f64, after: bool) -> f64 {
        let t = m.seconds();
        let mut sum = 0.0;
        for part in &self.parts {
            sum += match part {
                Part::Constant(value) => *value,
                Part::Ramp { slope, start, stop } => slope * (t.clamp(*start, *stop) - start),
                Part::Step { at, size } => {
                    let past = m.since(Moment::from_s(*at));
                    if past > 0.0 || (past == 0.0 && after) { *size } else { 0.0 }
                }
                Part::Swing { size, squared, period } => {
                    let turns = m.second as f64 % period + m.part;
                    let sine = libm::sin(TAU * turns / period);
                    size * sine + squared * sine * sine
                }
                Part::Wander(wander) => wander.between.0 + (wander.between.1 - wander.between.0) * share,
                Part::Recorded(points) => {
                    while points.get(self.place + 1).is_some_and(|p| p.0 <= t) {
                        self.place += 1;
                    }
                    match (points.get(self.place), points.get(self.place + 1)) {
                        (Some(a), Some(b)) if t > a.0 => a.1 + (b.1 - a.1) * (t - a.0) / (b.0 - a.0),
                        (Some(a), _) => a.1,
                        _ => 0.0,
                    }
                }
            };
        }
        sum
    }
}

/// A course with its recent past, for questions about any moment in it.
#[derive(Clone, Debug)]
pub struct History {
    course: Course,
    legs: VecDeque<Leg>,
}

impl History {
    /// Nothing forgotten yet.
    pub fn new(mut course: Course) -> Self {
        let first = course.next_leg();
        Self { course, legs: VecDeque::from([first]) }
    }

    fn leg(&mut self, is_beyond: impl Fn(&Leg) -> bool) -> &Leg {
        while self.legs.back().is_some_and(|leg| !is_beyond(leg)) {
            let next = self.course.next_leg();
            self.legs.push_back(next);
        }
        // Most questions are about the newest leg.
        let newest = self.legs.len() - 1;
        let is_newest = newest.checked_sub(1).is_none_or(|before| !is_beyond(&self.legs[before]));
        let place = if is_newest { newest } else { self.legs.partition_point(|leg| !is_beyond(leg)) };
        &self.legs[place]
    }

    /// Rate at `m`, which is not forgotten.
    pub fn rate(&mut self, m: Moment) -> f64 {
        let leg = self.leg(|leg| m.since(leg.from) < leg.length);
        leg.rate_at(m.since(leg.from))
    }

    /// Integral from the start to `m`.
    pub fn sum(&mut self, m: Moment) -> Sum {
        let leg = self.leg(|leg| m.since(leg.from) < leg.length);
        leg.sum.plus(leg.gain(m.since(leg.from)))
    }

    /// When the integral reaches `sum`; the rate is positive.
    pub fn when(&mut self, sum: Sum) -> Moment {
        let leg = self.leg(|leg| sum.minus(leg.sum) < leg.gain(leg.length));
        leg.from.later(leg.when(sum.minus(leg.sum)))
    }

    /// Lets go of what ended before `m`.
    pub fn forget(&mut self, m: Moment) {
        while self.legs.len() > 1 && self.legs[0].end().since(m) < 0.0 {
            self.legs.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Use;

    fn history(parts: Vec<Part>) -> History {
        History::new(Course::new(parts))
    }

    /// The integrals of school, over jumps and corners that lie at no even place.
    #[test]
    fn integrals_are_exact() {
        let parts = vec![
            Part::Constant(50.0),
            Part::Ramp { slope: 0.5, start: 3.37, stop: 4.111 },
            Part::Step { at: 5.0031, size: -0.25 },
        ];
        let mut h = history(parts);
        let rise = 4.111 - 3.37;
        let truth =
            50.0 * 10.0 + 0.5 * rise * rise / 2.0 + 0.5 * rise * (10.0 - 4.111) - 0.25 * (10.0 - 5.0031);
        assert!((h.sum(Moment::second(10)).minus(Sum::default()) - truth).abs() < 1e-12);
        assert_eq!(h.rate(Moment::from_s(5.0031)), 50.0 + 0.5 * rise - 0.25);
        assert_eq!(h.rate(Moment::from_s(5.0030)), 50.0 + 0.5 * rise);
        let swing = vec![Part::Swing { size: 0.1, squared: -0.034, period: 7.0 }];
        let half = history(swing).sum(Moment::from_s(3.5)).minus(Sum::default());
        let truth = 0.1 * 2.0 * 3.5 / std::f64::consts::PI - 0.034 * 3.5 / 2.0;
        assert!((half / truth - 1.0).abs() < 1e-4, "{half} {truth}");
        let recorded = vec![Part::Recorded(vec![(1.0, 50.0), (2.5, 50.3), (4.0, 49.7)])];
        let sum = history(recorded).sum(Moment::second(6)).minus(Sum::default());
        assert!((sum - (50.0 + 1.5 * 50.15 + 1.5 * 50.0 + 2.0 * 49.7)).abs() < 1e-12, "{sum}");
    }

    #[test]
    fn time_and_sum_are_inverse() {
        let parts = vec![
            Part::Constant(50.0),
            Part::Wander(Wander::new(0.02, 5.0, Random::new(1, Use::Grid, 0))),
            Part::Step { at: 33.3333, size: 1.0 },
        ];
        let mut h = history(parts);
        for i in 0..3_000 {
            let m = Moment::from_s(f64::from(i) * 0.0217);
            let sum = h.sum(m);
            let back = h.when(sum).since(m);
            assert!(back.abs() < 1e-14, "{back} at {m:?}");
        }
        // A year on: as fine as at the start.
        let mut far = history(vec![Part::Constant(50.013)]);
        far.course.at = Moment::second(31_557_600);
        far.course.passed = 315_576_000;
        far.legs = VecDeque::from([far.course.next_leg()]);
        let m = Moment { second: 31_557_601, part: 0.123_456_789 };
        let sum = far.sum(m);
        assert!(far.when(sum).since(m).abs() < 1e-14);
    }

    /// Variance and correlation of the process, and that its integral is that of straight lines.
    #[test]
    fn wander_is_as_wide_and_as_slow_as_asked() {
        let mut h = history(vec![Part::Wander(Wander::new(2.0, 3.0, Random::new(7, Use::Grid, 0)))]);
        let values: Vec<f64> = (0..300_000).map(|i| h.rate(Moment::second(i))).collect();
        let n = values.len() as f64;
        let variance = values.iter().map(|v| v * v).sum::<f64>() / n;
        let lagged = values.windows(4).map(|w| w[0] * w[3]).sum::<f64>() / n;
        // Some 2 n / 3 / 2 independent values.
        assert!((variance / 4.0 - 1.0).abs() < 0.02, "{variance}");
        assert!((lagged / variance * std::f64::consts::E - 1.0).abs() < 0.05, "{lagged}");
    }

    #[test]
    fn what_is_forgotten_costs_no_memory() {
        let mut h = history(vec![Part::Constant(50.0)]);
        for second in 0..10_000 {
            h.sum(Moment::second(second));
            h.forget(Moment::second(second));
        }
        assert!(h.legs.len() < 30, "{}", h.legs.len());
    }
}
