//! A scenario through the core, scored: the only file that knows all stages from the scenario to the score.
//!
//! ```text
//! scenario -> [grid] -> [waveform] -> [disturb] -> [front end] -> [timer] -> Handed -> core -> [score]
//!                  |                                                                      ^
//!                  +-> course of the true frequency -> [truth] ---------------------------+
//! ```

use humtick::interval::Coverage;
use humtick::{
    Capture, Config, Continuity, Crossing, Edge, IntervalReading, Intervals, Polarity, Reading, Stamp, State,
    Verdict,
};

use crate::bench::{Bench, Judged};
use crate::course::Course;
use crate::edge::TimedEdge;
use crate::entry::{TimedReading, hertz};
use crate::moment::Moment;
use crate::scenario::Scenario;
use crate::score::{Score, Scored};
use crate::settings::{PolarityKind, SettingsError};
use crate::timer;
use crate::truth::Truth;
use times::{Seen, Times};

pub(crate) use source::simulate;
pub use source::{Trial, TrialError};

mod source;
mod times;

/// An edge as the timer hands it to the core.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Handed {
    /// What the core sees.
    pub edge: Edge,
    /// When the edge was, in true time.
    pub at: Moment,
    /// When the handler handed it over.
    pub read: Moment,
    /// Whether the stamp is off by a wrap of the counter.
    pub mistaken: bool,
}

impl Handed {
    /// What the core makes of the registers that a board `hands` over, by `extend`.
    pub fn new(hands: &timer::Handed, extend: fn(Capture) -> Edge) -> Self {
        let edge = extend(hands.capture);
        Self { edge, at: hands.edge.at, read: hands.read, mistaken: edge.stamp.raw() != hands.ticks as u32 }
    }
}

/// Passes `edges`, which are in order of time, through the meter of `scenario` and scores each reading against the grid's true frequency,
/// `grid`; `observe` sees each with its truth. Memory does not grow with the length of the trial.
///
/// Whatever comes after the scenario's end is left out. The meter is handed edges as [`measure`](crate::measure) hands them: time passes
/// with the edges' own stamps, silences are walked through, and before the first edge there is no time.
///
/// # Errors
/// Settings of the meter that do not fit the timer.
pub fn run(
    scenario: &Scenario,
    grid: Course,
    edges: impl IntoIterator<Item = Handed>,
    mut observe: impl FnMut(&Scored),
) -> Result<Score, SettingsError> {
    let config = scenario.meter.config(scenario.timer.tick_hz)?;
    run_as(scenario, &config, grid, edges, &mut observe)
}

/// As [`run`], with the meter's `config` given.
fn run_as<F: FnMut(&Scored)>(
    scenario: &Scenario,
    config: &Config,
    grid: Course,
    edges: impl IntoIterator<Item = Handed>,
    observe: &mut F,
) -> Result<Score, SettingsError> {
    let mut bench = Bench::new(&scenario.meter, config)?;
    let mut trial = Running::new(scenario, grid, config, observe)?;
    let end = Moment::from_s(scenario.duration_s);
    for handed in edges {
        if handed.at.since(end) >= 0.0 {
            break;
        }
        if bench.takes(handed.edge.polarity) {
            trial.score.mistaken += u64::from(handed.mistaken);
            trial.take(&mut bench, &handed);
        }
    }
    trial.end(&mut bench, end)
}

/// Where an edge lies on both scales.
#[derive(Clone, Copy, Debug)]
struct Place {
    tick: u64,
    at: Moment,
}

/// A trial while it runs.
struct Running<'a, F> {
    truth: Truth,
    score: Score,
    times: Times,
    /// The latest edge. The crossing that a verdict speaks of is this one, or at most some cycles before it.
    latest: Option<Place>,
    /// When the latest edge was handed over.
    read: Moment,
    /// Number of the latest crossing of either polarity, as long as the count goes on.
    cycle: [Option<u32>; 2],
    polarities: f64,
    /// Whether rates of change are judged, which cost as much as the rest.
    rocof: bool,
    intervals: Option<Intervals>,
    /// Whose crossings make the intervals.
    one: Polarity,
    observe: &'a mut F,
}

impl<'a, F: FnMut(&Scored)> Running<'a, F> {
    fn new(
        scenario: &Scenario,
        grid: Course,
        config: &Config,
        observe: &'a mut F,
    ) -> Result<Self, SettingsError> {
        let rate = f64::from(config.rate.hz()) * (1.0 + scenario.timer.clock_ppm * 1e-6);
        let settings = &scenario.meter;
        let limits = &scenario.limits;
        Ok(Self {
            truth: Truth::new(grid, scenario.nominal_hz, settings),
            score: Score::new(scenario),
            times: Times::new(rate),
            latest: None,
            read: Moment::default(),
            cycle: [None; 2],
            polarities: if settings.polarity == PolarityKind::Both { 2.0 } else { 1.0 },
            rocof: limits.max_rocof_error_hz_s.is_some() || limits.rocof_response.is_some(),
            intervals: match settings.intervals {
                true => {
                    Some(Intervals::new(config, 10_000).map_err(|e| SettingsError::Value(e.to_string()))?)
                }
                false => None,
            },
            one: settings.polarity.first(),
            observe,
        })
    }

    fn take(&mut self, bench: &mut Bench, handed: &Handed) {
        let place = Place { tick: self.tick(handed), at: handed.at };
        let Ok(()) = bench.wait(place.tick, |bench, judged| self.went_by(bench, judged));
        (self.latest, self.read) = (Some(place), handed.read);
        let edge = TimedEdge { ticks: place.tick, polarity: handed.edge.polarity };
        if let Some(judged) = bench.take(edge) {
            self.judged(bench, &judged);
        }
    }

    fn end(mut self, bench: &mut Bench, end: Moment) -> Result<Score, SettingsError> {
        if let Some(latest) = self.latest {
            let to = latest.tick + (end.since(latest.at) * self.times.rate()) as u64;
            self.read = end;
            let Ok(()) = bench.wait(to, |bench, judged| self.went_by(bench, judged));
        }
        let crossings = self.truth.cycles(end) * self.polarities;
        self.score.finish(end, bench.counts(), crossings);
        Ok(self.score)
    }

    /// The edge's stamp on a scale that does not wrap. A silence may be longer than a wrap, so it goes by true time; a torn stamp may lie
    /// before the last one, and so the scale begins one wrap up.
    #[inline]
    fn tick(&self, handed: &Handed) -> u64 {
        let stamp = handed.edge.stamp.raw();
        let Some(latest) = self.latest else { return 1 << 32 | u64::from(stamp) };
        let expected = latest.tick + (handed.at.since(latest.at) * self.times.rate()) as u64;
        expected.wrapping_add_signed(stamp.wrapping_sub(expected as u32).cast_signed().into())
    }

    /// A burst was over in a silence, or a step of it has passed.
    fn went_by(&mut self, bench: &mut Bench, judged: Option<Judged>) -> Result<(), std::convert::Infallible> {
        match judged {
            Some(judged) => self.judged(bench, &judged),
            None => {
                let now = Stamp::new(bench.now() as u32);
                if let Some(over) = self.intervals.as_mut().and_then(|intervals| intervals.idle(now)) {
                    self.interval(bench, &over);
                }
                self.read(bench);
            }
        }
        Ok(())
    }

    fn judged(&mut self, bench: &mut Bench, judged: &Judged) {
        let cycle = usize::from(judged.edge.polarity == Polarity::Falling);
        let is_one = judged.edge.polarity == self.one;
        let over = self.intervals.as_mut().filter(|_| is_one).and_then(|all| all.take(&judged.verdict));
        if let Some(over) = over {
            self.interval(bench, &over);
        }
        match &judged.verdict {
            Verdict::Crossing(crossing) => self.cross(bench, *crossing, cycle),
            Verdict::Locked(lock) => {
                if lock.continuity == Continuity::Broken {
                    self.cycle[cycle] = None;
                }
                for crossing in lock.crossings() {
                    self.cross(bench, crossing, cycle);
                }
                if self.score.lock_s.is_none() && bench.state() == State::Locked {
                    self.score.lock_s = Some(self.read.seconds());
                }
            }
            _ => {}
        }
        self.read(bench);
    }

    #[inline]
    fn cross(&mut self, bench: &Bench, crossing: Crossing, chain: usize) {
        let tick = bench.place(crossing.stamp);
        if let Some(latest) = self.latest {
            let at = self.times.from(latest.tick, latest.at, tick);
            self.times.learn(Seen { tick, at, falling: chain == 1 });
        }
        if let Some(last) = self.cycle[chain].replace(crossing.cycle) {
            self.score.missed += u64::from(crossing.cycle.wrapping_sub(last).saturating_sub(1));
        }
    }

    #[inline]
    fn read(&mut self, bench: &mut Bench) {
        let reading = if self.rocof { bench.take_reading() } else { bench.take_plain_reading() };
        if let Some(reading) = reading {
            self.score(bench, &reading);
        }
    }

    fn interval(&mut self, bench: &Bench, interval: &IntervalReading) {
        let (Some(frequency), Coverage::Complete, Some(latest)) =
            (interval.frequency, interval.coverage, self.latest)
        else {
            return;
        };
        let from = self.times.from(latest.tick, latest.at, bench.place(interval.start));
        let truth = self.truth.mean(from, from.later(10.0));
        self.score.take_interval(hertz(frequency), truth, from.later(5.0));
    }

    fn score(&mut self, bench: &Bench, reading: &Reading) {
        let span = u64::from(reading.span.count());
        let first = bench.place(reading.middle) - span / 2;
        let known = reading.frequency.is_some();
        let seen = self.times.window(first, first + span);
        let beyond = |tick| self.latest.map(|latest| self.times.from(latest.tick, latest.at, tick));
        let when = |tick| self.times.when(tick).or_else(|| beyond(tick)).unwrap_or_default();
        let (from, to) = match (seen.clone().next(), seen.clone().next_back()) {
            (Some(oldest), Some(newest)) if known => (oldest.at, newest.at),
            _ => (when(first), when(first + span)),
        };
        let middle = from.later(to.since(from) / 2.0);
        let seen = seen.map(|seen| (seen.at, seen.falling));
        let scored = Scored {
            reading: TimedReading::new(reading, middle.seconds(), to.since(from)),
            first: from,
            last: to,
            window_hz: if known { self.truth.over(from, to, seen) } else { None },
            instant_hz: self.truth.at(middle),
            rocof_hz_s: if self.rocof { self.truth.rate_of_change(middle) } else { 0.0 },
        };
        self.score.take(&scored);
        (self.observe)(&scored);
        if known {
            self.times.forget(first);
        }
    }
}

#[cfg(test)]
mod tests;
