//! Readings against the truth, added up in constant memory.

use crate::bench::Counts;
use crate::engine;
use crate::entry::TimedReading;
use crate::moment::Moment;
use crate::scenario::Scenario;
use crate::settings::EstimatorKind;
use crate::stability::{Deviations, Phase};

pub use bound::Bound;
pub use errors::{Coverage, Errors, Histogram};
pub use limits::Held;
pub use response::Response;
pub use settling::Settling;
pub(crate) use stretches::COUNT as STRETCHES;
pub use stretches::Stretch;

mod bound;
mod errors;
mod limits;
mod response;
mod settling;
mod stretches;

/// Readings that stability is worked out from, at most: 100,000, which is 2.8 hours at ten a second.
pub const KEPT: usize = 100_000;

/// A number is false if it is off by more than so many times the half width of its own 95 % interval: 9.8 standard uncertainties, which
/// no noise that the uncertainty knows of makes.
pub const FALSE_FACTOR: f64 = 5.0;

/// A reading is settled within so many times that half width: all but one in 11,000 would be if errors were normal, and 19 of 20 within
/// once, so that settling to that would hardly ever end.
pub const SETTLED_FACTOR: f64 = 2.0;

/// Edges of one polarity a crossing beyond which the bound of the noise does not hold: with 1.08 (noise as steep as the voltage) the first
/// edge scatters 0.92 of sigma over slope, with 1.97 (3.55 times as steep) 0.75.
pub const CHATTER: f64 = 1.05;

/// How steep noise may be against the voltage for its bound: beyond, the first edge comes earlier and scatters less even where hysteresis
/// hides the others, to 0.96 of the bound at 0.7 and 0.92 at 1.
pub const STEEP: f64 = 0.5;

/// A reading with the truth it is held against.
#[derive(Clone, Debug, PartialEq)]
pub struct Scored {
    /// The reading; `t_s` is the middle of its window in true time since the start.
    pub reading: TimedReading,
    /// True time of the first crossing of its window; where nothing is known, the moment of the reading.
    pub first: Moment,
    /// True time of the last.
    pub last: Moment,
    /// True frequency over the window, weighted as the estimator does; `None` where there is no reading, or the grid did not go through
    /// enough cycles in its window.
    pub window_hz: Option<f64>,
    /// True frequency in the middle of the window.
    pub instant_hz: f64,
    /// True rate of change there.
    pub rocof_hz_s: f64,
}

/// Everything that is counted and added up over a trial.
#[derive(Clone, Debug)]
pub struct Score {
    /// Readings, unknown ones included.
    pub readings: u64,
    /// Readings without a number.
    pub unknown: u64,
    /// Errors against the truth over the window: what a reading claims to measure.
    pub window: Errors,
    /// Of these, the readings whose window is as long as it gets: those over the short windows after a lock scatter more, by the
    /// window's length to the power of one and a half.
    pub whole: Errors,
    /// Errors against the truth in the middle of the window: what a reader may take it for.
    pub instant: Errors,
    /// Errors against the truth over the window with the clock's known part taken off: its lasting error, as far as the meter was not
    /// told of it. Wander, temperature and ageing stay in.
    pub apart: Errors,
    /// Of these, the readings over whole windows.
    pub whole_apart: Errors,
    /// Errors of rates of change against the grid's in the middle of the window, in hertz a second; only where a limit asks for them.
    pub rocof: Errors,
    /// Errors of complete ten-second intervals against the grid's mean over them, if the meter reads them.
    pub intervals: Errors,
    /// How long readings were off in the middle of their windows, and rates of change; only where a limit asks for it.
    pub response: Option<Response>,
    /// See `response`.
    pub rocof_response: Option<Response>,
    /// Intervals as the readings state them, against the truth over the window. The clock's tolerance is in them, so with a clock that is
    /// better than that they hold it more often than 95 %.
    pub coverage: Coverage,
    /// The same with the clock apart: the interval less the tolerance's part, the error less the lasting error's.
    pub coverage_apart: Coverage,
    /// What the noise permits for each stamp.
    pub bound: Bound,
    /// Sum of the squared errors, clock apart, each over the variance that the noise permits, and how many.
    over_bound: (f64, u64),
    /// Variance that the noise permits for a whole window without a missing crossing.
    whole_bound: Option<f64>,
    /// Seconds from the start until the meter said it was locked; `None` if it never did.
    pub lock_s: Option<f64>,
    /// Numbers that are off by more than [`FALSE_FACTOR`] times the half width of their 95 % interval, and any whose window lies inside an
    /// interruption or where the grid did not go through enough cycles for one.
    pub false_readings: u64,
    /// Middle of the first false reading's window.
    pub first_false: Option<Moment>,
    /// After steps.
    pub settling: Settling,
    /// Errors over the truth in the window, over the readings' standard uncertainty, clock included.
    pub histogram: Histogram,
    /// The same with the clock apart: the error less the lasting error's part, the uncertainty less the tolerance's.
    pub histogram_apart: Histogram,
    /// Edges by what became of them.
    pub counts: Counts,
    /// Cycles without a crossing while the count went on.
    pub missed: u64,
    /// Captures that were overrun, if the timer said.
    pub overruns: Option<u64>,
    /// Captures whose stamp is off by a wrap of the counter, because an overflow was tallied too early or too late.
    pub mistaken: u64,
    /// Edges of the polarities used over true crossings.
    pub edges_per_crossing: f64,
    /// Seconds that were simulated.
    pub duration_s: f64,
    stretches: stretches::Stretches,
    recorded: bool,
    interruptions: settling::Interruptions,
    /// Windows that begin before it are not judged.
    from: Moment,
    clock: Clock,
    full: Full,
    /// Time from reading to reading, on average and at most.
    spacing_s: f64,
    gap_s: f64,
    /// End of the last judged reading's window.
    last: Option<Moment>,
    kept: Kept,
}

/// What is known of the clock.
#[derive(Clone, Copy, Debug)]
struct Clock {
    /// A reading over the truth by the clock's lasting error alone.
    ratio: f64,
    /// Half width of the tolerance that the meter was told, relative.
    tolerance: f64,
}

/// How long a window gets.
#[derive(Clone, Copy, Debug)]
struct Full {
    window_s: f64,
    /// Most cycles that the meter has room for, or that its estimator looks at.
    cycles: f64,
}

impl Full {
    fn new(scenario: &Scenario) -> Self {
        let cycles = match scenario.meter.estimator {
            EstimatorKind::LastPeriod => 1,
            _ => engine::capacity(&scenario.meter) - 1,
        };
        Self { window_s: scenario.meter.window_s, cycles: cycles as f64 }
    }

    /// Whether a window of `span_s` is as long as it gets at this frequency: the whole number of cycles next to the window's length,
    /// with a quarter to spare for jitter.
    fn holds(&self, span_s: f64, frequency_hz: f64) -> bool {
        span_s * frequency_hz >= self.cycles.min(self.window_s * frequency_hz) - 0.75
    }
}

/// Half width of an interval of `half` hertz without the part of a clock whose tolerance is `tolerance` hertz there: the core makes them
/// together 0.9025 a^2 + n^2 + 25/98 a n.
pub(crate) fn half_width_apart(half: f64, tolerance: f64) -> f64 {
    let cross = 25.0 / 98.0 * tolerance;
    ((cross * cross + 4.0 * (half * half - 0.9025 * tolerance * tolerance)).max(0.0).sqrt() - cross) / 2.0
}

impl Score {
    /// Nothing read yet.
    pub(crate) fn new(scenario: &Scenario) -> Self {
        let ratio = (1.0 + scenario.meter.clock_ppm * 1e-6) / (1.0 + scenario.timer.clock_ppm * 1e-6);
        let (every, period) = (scenario.meter.every_s, 1.0 / scenario.nominal_hz);
        // A reading waits for the first crossing after it is due, and for one more if that is missing.
        let gap_s = every + 2.5 * period;
        Self {
            readings: 0,
            unknown: 0,
            window: Errors::default(),
            whole: Errors::default(),
            instant: Errors::default(),
            apart: Errors::default(),
            whole_apart: Errors::default(),
            rocof: Errors::default(),
            intervals: Errors::default(),
            response: scenario.limits.response.map(|(mhz, _)| Response::new(mhz / 1e3)),
            rocof_response: scenario.limits.rocof_response.map(|(hz_s, _)| Response::new(hz_s)),
            coverage: Coverage::default(),
            coverage_apart: Coverage::default(),
            whole_bound: Bound::new(scenario).of_window(scenario),
            bound: Bound::new(scenario),
            over_bound: (0.0, 0),
            lock_s: None,
            false_readings: 0,
            first_false: None,
            settling: Settling::new(scenario, gap_s),
            histogram: Histogram::default(),
            histogram_apart: Histogram::default(),
            counts: Counts::default(),
            missed: 0,
            overruns: None,
            mistaken: 0,
            edges_per_crossing: 0.0,
            duration_s: 0.0,
            stretches: stretches::Stretches::new(scenario),
            recorded: scenario.recording.is_some(),
            interruptions: settling::Interruptions::new(scenario),
            from: Moment::from_s(scenario.limits.from_s),
            clock: Clock { ratio, tolerance: scenario.meter.clock_tolerance_ppm * 1e-6 },
            full: Full::new(scenario),
            spacing_s: every.max(period),
            gap_s,
            last: None,
            kept: Kept::default(),
        }
    }

    /// Takes the next reading.
    pub(crate) fn take(&mut self, scored: &Scored) {
        self.readings += 1;
        if scored.first.since(self.from) < 0.0 {
            return;
        }
        let middle = scored.first.later(scored.last.since(scored.first) / 2.0);
        let rocof_error = scored.reading.rocof_hz_s.map(|rate| rate - scored.rocof_hz_s);
        if let Some(error) = rocof_error {
            self.rocof.take(error, middle);
        }
        let error = scored.reading.frequency_hz.map(|frequency| frequency - scored.instant_hz);
        for (response, error) in [(&mut self.response, error), (&mut self.rocof_response, rocof_error)] {
            if let Some(response) = response {
                response.take(error, middle);
            }
        }
        let Some(frequency) = scored.reading.frequency_hz else {
            self.unknown += 1;
            self.settling.take(scored.last, false);
            self.kept.interrupt();
            return;
        };
        let half = scored.reading.u95_hz;
        let instant = frequency - scored.instant_hz;
        self.instant.take(instant, middle);
        self.settling.take(scored.last, half.is_some_and(|half| instant.abs() <= SETTLED_FACTOR * half));
        self.keep(frequency, scored.window_hz.unwrap_or(scored.instant_hz), scored.last);
        let mut is_false = self.interruptions.hold(scored.first, scored.last);
        match scored.window_hz {
            Some(truth) => {
                is_false |= half.is_some_and(|half| (frequency - truth).abs() > FALSE_FACTOR * half);
                self.judge(scored, frequency, truth, middle);
            }
            None => is_false = true,
        }
        if is_false {
            self.false_readings += 1;
            self.first_false.get_or_insert(middle);
        }
        self.last = Some(scored.last);
    }

    fn judge(&mut self, scored: &Scored, frequency: f64, truth: f64, middle: Moment) {
        let error = frequency - truth;
        let apart = frequency / self.clock.ratio - truth;
        self.window.take(error, middle);
        self.apart.take(apart, middle);
        self.stretches.take(middle.seconds(), error, apart);
        let span_s = scored.last.since(scored.first);
        if self.full.holds(span_s, truth) {
            self.whole.take(error, middle);
            self.whole_apart.take(apart, middle);
        }
        if let Some(variance) = self.bound.variance(truth, span_s, scored.reading.missed) {
            self.over_bound.0 += apart * apart / variance;
            self.over_bound.1 += 1;
        }
        if let Some(half) = scored.reading.u95_hz {
            let share = self.last.map_or(1.0, |last| (scored.last.since(last) / span_s).clamp(0.0, 1.0));
            self.coverage.take(error.abs() <= half, share);
            self.coverage_apart
                .take(apart.abs() <= half_width_apart(half, self.clock.tolerance * frequency), share);
        }
        if let Some(u) = scored.reading.u_hz.filter(|u| *u > 0.0) {
            self.histogram.take(error / u);
            let clock = self.clock.tolerance * frequency;
            let noise = (u * u - clock * clock / 3.0).max(0.0).sqrt();
            if noise > 0.0 {
                self.histogram_apart.take(apart / noise);
            }
        }
    }

    /// Keeps a reading for stability if it follows the last in time.
    fn keep(&mut self, frequency: f64, truth: f64, last: Moment) {
        if self.last.is_some_and(|before| last.since(before) > self.gap_s) {
            self.kept.interrupt();
        }
        self.kept.take((frequency, truth));
    }

    /// Squared errors by thirtieth of the trial, in order of time: all of `window` and `apart`.
    pub const fn stretches(&self) -> &[Stretch] {
        self.stretches.all()
    }

    /// Takes a complete ten-second interval whose middle is `middle`.
    pub(crate) fn take_interval(&mut self, frequency_hz: f64, truth_hz: f64, middle: Moment) {
        if middle.later(-5.0).since(self.from) >= 0.0 {
            self.intervals.take(frequency_hz - truth_hz, middle);
        }
    }

    /// The trial is over.
    pub(crate) fn finish(&mut self, end: Moment, counts: &Counts, true_crossings: f64) {
        self.settling.finish(end);
        for response in [&mut self.response, &mut self.rocof_response].into_iter().flatten() {
            response.finish(end);
        }
        self.counts = counts.clone();
        self.edges_per_crossing = counts.edges as f64 / true_crossings;
        self.duration_s = end.seconds();
    }

    /// Standard deviation that the noise permits for a reading over a whole window, in hertz: see [`Bound`]. `None` if a window has too few
    /// crossings for one.
    pub fn bound_hz(&self) -> Option<f64> {
        self.whole_bound.map(f64::sqrt)
    }

    /// How much the errors, clock apart, exceed what the noise permits, each reading by its own bound, so that the short windows after
    /// a lock count no more than others: 1 for least squares where nothing else disturbs. `None` without a reading, or where the bound
    /// does not hold ([`Score::doubt`]).
    pub fn over_bound(&self) -> Option<f64> {
        let (sum, count) = self.over_bound;
        let ratio = (count > 0 && self.doubt().is_none()).then(|| (sum / count as f64).sqrt());
        ratio.filter(|ratio| ratio.is_finite())
    }

    /// Why the bound of the noise does not hold, if it does not.
    pub fn doubt(&self) -> Option<&'static str> {
        if self.recorded {
            Some("of a recording's noise nothing is known")
        } else if self.bound.noise_s.is_infinite() {
            Some("the voltage does not reach the threshold")
        } else if self.edges_per_crossing > CHATTER {
            Some("crossings have several edges")
        } else if self.bound.steepness > STEEP {
            Some("the noise is half as steep as the voltage, or more")
        } else {
            None
        }
    }

    /// Error of a reading in hertz, at `frequency_hz`, that the clock's lasting error alone makes.
    pub fn clock_hz(&self, frequency_hz: f64) -> f64 {
        (self.clock.ratio - 1.0) * frequency_hz
    }

    /// Allan deviations of the readings, at averaging times in octaves of their spacing: from the longest stretch without a gap among the first
    /// [`KEPT`]. Windows that overlap have smoothed what is shorter than they are. Empty with fewer than three readings in a row.
    pub fn stability(&self) -> Vec<Deviations> {
        self.deviations(|kept| kept.0)
    }

    /// The same of the truth over the same windows.
    pub fn true_stability(&self) -> Vec<Deviations> {
        self.deviations(|kept| kept.1)
    }

    fn deviations(&self, of: fn(&(f64, f64)) -> f64) -> Vec<Deviations> {
        let values: Vec<_> = self.kept.longest().iter().map(of).collect();
        let mean = crate::stability::mean(&values);
        let fractions: Vec<_> = values.iter().map(|f| f / mean).collect();
        let Ok(phase) = Phase::from_fractional(&fractions, self.spacing_s) else {
            return Vec::new();
        };
        phase.octaves().into_iter().filter_map(|m| phase.deviations(m)).collect()
    }
}

/// Frequencies one after the other, and what they should have been.
#[derive(Clone, Debug, Default)]
struct Kept {
    taken: usize,
    run: Vec<(f64, f64)>,
    longest: Vec<(f64, f64)>,
}

impl Kept {
    fn take(&mut self, frequencies: (f64, f64)) {
        if self.taken < KEPT {
            self.taken += 1;
            self.run.push(frequencies);
        }
    }

    fn interrupt(&mut self) {
        if self.run.len() > self.longest.len() {
            std::mem::swap(&mut self.run, &mut self.longest);
        }
        self.run.clear();
    }

    /// The longest stretch.
    fn longest(&self) -> &[(f64, f64)] {
        if self.run.len() > self.longest.len() { &self.run } else { &self.longest }
    }
}

#[cfg(test)]
pub(crate) mod tests;
