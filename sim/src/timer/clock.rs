//! The counter's clock: what it counts while it runs fast or slow.

use std::collections::VecDeque;

use crate::course::{Course, Leg, Part, Sum, Wander};
use crate::moment::Moment;
use crate::random::{Random, Use};
use crate::scenario::Timer;

use super::STRIDE;

/// Frequency of a tuning-fork quartz over temperature: -0.034 ppm times the square of the distance from 25 C. Common practice, from
/// sheets of makers, which give -0.030 to -0.040.
const TUNING_FORK: f64 = -0.034e-6;

/// Days in 1e9 s, the longest scenario, for the bounds.
const LONGEST_DAYS: f64 = 1e9 / 86_400.0;

/// The count of a counter that never wraps.
///
/// It runs at `tick_hz` (1 + error); the error is the sum of the lasting one, the wander, the tuning fork's
/// at the temperature of the moment, and ageing. The count is its integral, rounded down: exact for lasting
/// error and ageing, along straight lines ten times a second and more often for the others.
pub struct Clock {
    course: Course,
    /// The latest leg, in which nearly all questions are, and those before it.
    latest: Leg,
    past: VecDeque<Leg>,
    /// Seconds before the latest leg that are kept.
    keep: f64,
    start: u64,
    /// Ticks a second at the slowest and at the fastest.
    pub(super) bounds: (f64, f64),
}

impl Clock {
    /// The clock of `timer`. It starts at `timer.start`, without what lies above the counter's width.
    pub fn new(timer: &Timer, seed: u64) -> Self {
        let hz = f64::from(timer.tick_hz);
        let mut parts = vec![Part::Constant(hz * (1.0 + timer.clock_ppm * 1e-6))];
        if timer.clock_wander_ppb > 0.0 {
            let random = Random::new(seed, Use::Clock, 0);
            let sd = hz * timer.clock_wander_ppb * 1e-9;
            parts.push(Part::Wander(Wander::new(sd, timer.clock_wander_s, random)));
        }
        let swing = timer.temperature_swing_k;
        if swing > 0.0 {
            let squared = hz * TUNING_FORK * swing * swing;
            parts.push(Part::Swing { size: 0.0, squared, period: timer.temperature_period_s });
        }
        if timer.ageing_ppb_day != 0.0 {
            let slope = hz * timer.ageing_ppb_day * 1e-9 / 86_400.0;
            parts.push(Part::Ramp { slope, start: 0.0, stop: 2e9 });
        }
        // Ten standard deviations of the wander: never, in the age of the universe.
        let either_way =
            10.0 * timer.clock_wander_ppb * 1e-9 + LONGEST_DAYS * timer.ageing_ppb_day.abs() * 1e-9;
        let lasting = 1.0 + timer.clock_ppm * 1e-6;
        let bounds =
            (hz * (lasting - either_way + TUNING_FORK * swing * swing).max(0.0), hz * (lasting + either_way));
        let start = u64::from(timer.start) & ((1 << timer.bits) - 1);
        let mut course = Course::new(parts);
        let latest = course.next_leg();
        // A wrap is asked for while its handler may be due; twice that, since the clock may be off.
        let keep = STRIDE + timer.latency_us.1 * 1e-6 + 2.0 * timer.overflow_latency_us.1 * 1e-6;
        Self { course, latest, past: VecDeque::new(), keep, start, bounds }
    }

    /// Where the counter would stand at `m` if it had no end. What is earlier than a stride and the handlers' longest
    /// latencies before the latest moment asked for is forgotten.
    pub fn count(&mut self, m: Moment) -> u64 {
        let leg = self.leg(|leg| m.since(leg.from) < leg.length, |leg| m.since(leg.from) >= 0.0);
        // The rate is positive, so the sum is too.
        self.start + leg.sum.plus(leg.gain(m.since(leg.from))).whole.cast_unsigned()
    }

    /// When it comes to `count`; the start for a count before it.
    pub(super) fn when(&mut self, count: u64) -> Moment {
        let Some(whole) = i64::try_from(count).ok().and_then(|c| c.checked_sub_unsigned(self.start)) else {
            return Moment::default();
        };
        let sum = Sum { whole, part: 0.0 };
        let leg = self.leg(|leg| sum.minus(leg.sum) < leg.gain(leg.length), |leg| sum.minus(leg.sum) >= 0.0);
        leg.from.later(leg.when(sum.minus(leg.sum)))
    }

    /// The latest leg that has `begun`, with the clock gone so far on that it has not ended.
    #[inline]
    fn leg(&mut self, goes_on: impl Fn(&Leg) -> bool, begun: impl Fn(&Leg) -> bool) -> Leg {
        while !goes_on(&self.latest) {
            self.advance();
        }
        if begun(&self.latest) {
            return self.latest;
        }
        let oldest = self.past.front().unwrap_or(&self.latest);
        *self.past.iter().rev().find(|leg| begun(leg)).unwrap_or(oldest)
    }

    fn advance(&mut self) {
        let next = self.course.next_leg();
        self.past.push_back(std::mem::replace(&mut self.latest, next));
        while self.past.front().is_some_and(|leg| next.from.since(leg.end()) > self.keep) {
            self.past.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;
    use crate::timer::tests::plain;

    /// Ticks between two moments, worked out on paper.
    fn check(timer: &Timer, seconds: u64, part: f64, truth: f64) {
        let mut clock = Clock::new(timer, 1);
        let count = clock.count(Moment { second: seconds, part });
        let off = count as f64 - f64::from(timer.start) - truth.floor();
        assert!(off.abs() <= 1.0, "{off} ticks off {truth}");
    }

    #[test]
    fn errors_integrate_as_on_paper() {
        let (hz, t) = (16e6, 86_400.25f64);
        let timer = Timer { tick_hz: 16_000_000, bits: 32, start: 77, ..plain() };
        check(&timer, 86_400, 0.25, hz * t);
        check(&Timer { clock_ppm: -35.5, ..timer.clone() }, 86_400, 0.25, hz * t * (1.0 - 35.5e-6));
        // Ageing: t^2/2.
        let ageing = Timer { ageing_ppb_day: 1_000.0, ..timer.clone() };
        check(&ageing, 86_400, 0.25, hz * (t + 1_000e-9 / 86_400.0 * t * t / 2.0));
        // The square of a sine: t/2 - sin(2wt)/(4w). An hour and a quarter's phase.
        let w = 2.0 * PI / 7_000.0;
        let squared = 0.034e-6 * 144.0 * (t / 2.0 - (2.0 * w * t).sin() / (4.0 * w));
        let swing = Timer { temperature_swing_k: 12.0, temperature_period_s: 7_000.0, ..timer };
        check(&swing, 86_400, 0.25, hz * (t - squared));
    }

    #[test]
    fn the_wander_is_the_clocks_own_and_as_wide_as_asked() {
        let timer = Timer { tick_hz: 1_000_000_000, bits: 32, clock_wander_ppb: 50.0, ..plain() };
        let mut clock = Clock::new(&timer, 3);
        let counts: Vec<u64> = (0..40_000).map(|second| clock.count(Moment::second(second))).collect();
        let errors = counts.windows(2).map(|w| (w[1] - w[0]) as f64 - 1e9);
        // 50 ticks a second at a correlation of 10 s: means over a second vary a little less, by (1 - 1/30).
        let variance = errors.map(|e| e * e).sum::<f64>() / 39_999.0 / 2_500.0;
        assert!((variance - 29.0 / 30.0).abs() < 0.06, "{variance}");
    }

    #[test]
    fn when_is_the_inverse_of_count() {
        let timer = Timer { clock_ppm: 80.0, clock_wander_ppb: 100.0, start: 40_000, ..plain() };
        let mut clock = Clock::new(&timer, 9);
        assert_eq!(clock.when(39_999), Moment::default());
        for count in (40_001..40_000_000).step_by(123_457) {
            let at = clock.when(count);
            assert_eq!(clock.count(at.later(1e-12)), count);
            assert_eq!(clock.count(at.later(-1e-12)), count - 1);
        }
    }

    /// Legs are a tenth of a second long. After half an hour, what handlers may ask for is there, and no more.
    #[test]
    fn the_past_is_kept_as_long_as_handlers_are_late() {
        let timer = Timer { latency_us: (0.0, 5e5), overflow_latency_us: (0.0, 1e6), ..plain() };
        let mut clock = Clock::new(&timer, 1);
        let early = clock.count(Moment { second: 1_796, part: 0.55 });
        assert_eq!(clock.count(Moment { second: 1_800, part: 0.05 }) - early, 7_000_000);
        assert_eq!(clock.count(Moment { second: 1_796, part: 0.55 }), early);
        assert!((35..=37).contains(&clock.past.len()), "{}", clock.past.len());
    }
}
