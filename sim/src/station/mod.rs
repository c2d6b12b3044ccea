//! What a listener knows of its sensors: readings in, and for each sensor what it says now, what was lost on the way, and what broke limits.

pub mod limits;
pub mod trend;

use std::collections::HashMap;
use std::time::{Duration, Instant};

use humtick::link::{Arrival, Record};
use humtick::watch::{Event, Watch};
use humtick::{Reading, Stamp, State, Ticks};

use crate::wire::arrivals::Arrivals;
use crate::wire::greeting::Name;
use limits::{Limits, TICKS_A_MS, made};
use trend::Trend;

/// Sensors there may be: some 120 MB.
pub const MOST_SENSORS: usize = 10_000;

/// A way that has been silent for so long gives its sensor's name up to another that claims it: a connection that broke without a word,
/// while its sensor has connected again.
const SILENT: Duration = Duration::from_secs(5);

/// A sensor is silent after so many of its steps from reading to reading, and not before [`SILENT`].
const PATIENCE: u32 = 3;

/// Grid time goes on over missing readings up to so many milliseconds.
const BRIDGED_MS: u32 = 5_000;

/// A way that readings come on: a connection, a port, a sender of datagrams, a topic.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Way(pub u64);

/// A sensor's place in the station.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Id(usize);

impl Id {
    /// The place in the order in which sensors were first heard, from 0.
    pub const fn place(self) -> usize {
        self.0
    }
}

/// What became of a sensor's readings on the way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Readings taken, each once.
    pub readings: u64,
    /// Readings missing by their numbers.
    pub lost: u64,
    /// Readings that came again, and were not taken.
    pub doubled: u64,
    /// Readings that came late and were taken.
    pub late: u64,
    /// Starts of the sensor, but the first.
    pub restarts: u64,
    /// Lines that were damaged or none.
    pub refused: u64,
}

/// A sensor.
#[derive(Debug)]
pub struct Sensor {
    /// Its name, which no other has.
    pub name: Name,
    /// Its latest reading.
    pub last: Record,
    /// When that came.
    pub heard: Instant,
    /// The same in milliseconds since 1970.
    pub utc_ms: i64,
    /// What became of its readings.
    pub tally: Tally,
    /// Its last minutes.
    pub trend: Trend,
    /// What its deviations are from, in hertz: 50 or 60, or what it was at first.
    pub nominal_hz: Option<f64>,
    grid: Option<Grid>,
    arrivals: Arrivals,
    watches: Vec<Watch<1>>,
    way: Option<Way>,
    /// From reading to reading, by its own time.
    step: Duration,
    is_silent: bool,
}

/// How far a clock driven by the mains has come ahead since it was first watched without a break.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grid {
    /// Seconds ahead.
    pub ahead_s: f64,
    /// Seconds since.
    pub since_s: f64,
}

/// What a reading made known.
#[derive(Clone, Debug, PartialEq)]
pub enum News {
    /// The reading itself, which has not been there before.
    Reading,
    /// The state is another one than before.
    State(State),
    /// The sensor started anew.
    Restarted,
    /// So many readings before it are missing.
    Missing(u16),
    /// Nothing has come for three times as long as from reading to reading, and for 5 s.
    Silent,
    /// It has been silent for so long, and is not any more.
    Heard(Duration),
    /// A limit, and whether it was left rather than kept again; the value farthest out, in hertz or hertz a second.
    Limit {
        /// The band, as it was written.
        band: String,
        /// Whether it was left; otherwise the value is back, or has gone.
        left: bool,
        /// The value farthest outside.
        extreme: f64,
    },
}

/// All sensors.
#[derive(Debug)]
pub struct Station {
    sensors: Vec<Sensor>,
    names: HashMap<Name, Id>,
    limits: Limits,
    nominal_hz: Option<f64>,
    start: Instant,
}

impl Station {
    /// Without sensors. Readings are held to `limits`; deviations are from `nominal_hz`, or where that is not given from 50 or 60 Hz.
    pub fn new(limits: Limits, nominal_hz: Option<f64>, now: Instant) -> Self {
        Self { sensors: Vec::new(), names: HashMap::new(), limits, nominal_hz, start: now }
    }

    /// The sensors in the order in which they were first heard.
    pub fn sensors(&self) -> impl ExactSizeIterator<Item = (Id, &Sensor)> {
        self.sensors.iter().enumerate().map(|(place, sensor)| (Id(place), sensor))
    }

    /// A sensor.
    pub fn sensor(&self, id: Id) -> Option<&Sensor> {
        self.sensors.get(id.0)
    }

    /// Whole seconds since the station began.
    pub fn second(&self, now: Instant) -> u64 {
        now.saturating_duration_since(self.start).as_secs()
    }

    /// Carries every trend on to `now`, through silence, and tells which sensors have fallen silent.
    pub fn advance(&mut self, now: Instant, mut tell: impl FnMut(Id)) {
        let second = self.second(now);
        for (place, sensor) in self.sensors.iter_mut().enumerate() {
            sensor.trend.advance(second);
            let patience = SILENT.max(sensor.step.saturating_mul(PATIENCE));
            if !sensor.is_silent && now.saturating_duration_since(sensor.heard) >= patience {
                sensor.is_silent = true;
                tell(Id(place));
            }
        }
    }

    /// How many sensors are outside of a limit now.
    pub fn outside(&self) -> usize {
        self.sensors.iter().filter(|sensor| sensor.is_outside()).count()
    }

    /// The sensor that `way` speaks for under this name, with its first reading. Where another way speaks for a sensor of that name, it
    /// is called NAME-2, or -3; a way that has been silent gives its sensor up. `None` where there are too many sensors.
    pub fn claim(&mut self, name: &Name, way: Way, record: &Record, now: Instant) -> Option<Id> {
        let mut tried = name.clone();
        for number in 2.. {
            let Some(id) = self.names.get(&tried).copied() else { break };
            let sensor = self.sensors.get_mut(id.0)?;
            let is_free = sensor.way.is_none_or(|held| held == way)
                || now.saturating_duration_since(sensor.heard) >= SILENT;
            if is_free {
                sensor.way = Some(way);
                return Some(id);
            }
            if number > MOST_SENSORS {
                return None;
            }
            let short: String = name.as_str().chars().take(40).collect();
            tried = Name::like(&format!("{short}-{number}"));
        }
        if self.sensors.len() >= MOST_SENSORS {
            return None;
        }
        let id = Id(self.sensors.len());
        self.sensors.push(Sensor {
            name: tried.clone(),
            last: *record,
            heard: now,
            utc_ms: 0,
            tally: Tally::default(),
            trend: Trend::default(),
            nominal_hz: self.nominal_hz,
            grid: None,
            arrivals: Arrivals::default(),
            watches: Vec::new(),
            way: Some(way),
            step: Duration::ZERO,
            is_silent: false,
        });
        self.names.insert(tried, id);
        Some(id)
    }

    /// Whether `way` still speaks for the sensor.
    pub fn is_held(&self, id: Id, way: Way) -> bool {
        self.sensors.get(id.0).is_some_and(|sensor| sensor.way == Some(way))
    }

    /// The way is closed.
    pub fn release(&mut self, id: Id, way: Way) {
        if let Some(sensor) = self.sensors.get_mut(id.0).filter(|sensor| sensor.way == Some(way)) {
            sensor.way = None;
        }
    }

    /// Counts a refused line.
    pub fn refuse(&mut self, id: Id) {
        if let Some(sensor) = self.sensors.get_mut(id.0) {
            sensor.tally.refused += 1;
        }
    }

    /// Takes a reading, and tells what it made known; nothing where it has been there before.
    pub fn take(&mut self, id: Id, record: Record, now: Instant, utc_ms: i64, mut tell: impl FnMut(News)) {
        let second = self.second(now);
        if let Some(sensor) = self.sensors.get_mut(id.0) {
            sensor.take(record, now, second, utc_ms, &self.limits, &mut tell);
        }
    }
}

impl Sensor {
    /// The latest frequency in hertz.
    pub fn hertz(&self) -> Option<f64> {
        self.last.frequency.map(|f| f.nanohertz() as f64 / 1e9)
    }

    /// Half width of its 95 % interval in hertz.
    pub fn u95(&self) -> Option<f64> {
        self.last.uncertainty.map(|f| f.nanohertz() as f64 / 1e9)
    }

    /// How far grid time has come.
    pub const fn grid(&self) -> Option<Grid> {
        self.grid
    }

    /// Whether nothing has come for longer than is usual.
    pub const fn is_silent(&self) -> bool {
        self.is_silent
    }

    /// Whether the value is outside a band.
    pub fn is_outside(&self) -> bool {
        self.watches.iter().any(|watch| watch.running().next().is_some())
    }

    fn take(
        &mut self,
        record: Record,
        now: Instant,
        second: u64,
        utc_ms: i64,
        limits: &Limits,
        tell: &mut impl FnMut(News),
    ) {
        let silence = now.saturating_duration_since(std::mem::replace(&mut self.heard, now));
        if std::mem::take(&mut self.is_silent) {
            tell(News::Heard(silence));
        }
        let arrival = self.arrivals.take(&record);
        if arrival == Arrival::Again {
            self.tally.doubled += 1;
            return;
        }
        let is_first = self.tally.readings == 0;
        self.tally.readings += 1;
        match arrival {
            Arrival::Next => {
                let step = record.time_ms.wrapping_sub(self.last.time_ms);
                self.step = Duration::from_millis(step.into());
            }
            Arrival::Again => {}
            Arrival::After(missing) => {
                self.tally.lost += u64::from(missing);
                tell(News::Missing(missing));
            }
            Arrival::Late => {
                self.tally.late += 1;
                self.tally.lost = self.tally.lost.saturating_sub(1);
                // It fills a gap, and says nothing about now.
                tell(News::Reading);
                return;
            }
            Arrival::Restarted => {
                self.tally.restarts += 1;
                (self.grid, self.watches) = (None, Vec::new());
                tell(News::Restarted);
            }
        }
        if self.watches.is_empty() {
            self.watches = limits.0.iter().filter_map(|(band, _)| made(band)).collect();
        }
        let before = std::mem::replace(&mut self.last, record);
        self.utc_ms = utc_ms;
        let hertz = self.hertz();
        if let (None, Some(hertz)) = (self.nominal_hz, hertz) {
            self.nominal_hz = Some(nominal(hertz));
        }
        let deviation = hertz.zip(self.nominal_hz).map(|(hertz, nominal)| hertz - nominal);
        self.trend.take(second, deviation);
        tell(News::Reading);
        if is_first || before.state != record.state {
            tell(News::State(record.state));
        }
        if !is_first {
            self.carry(&before);
        }
        for (watch, (_, band)) in self.watches.iter_mut().zip(&limits.0) {
            watch.push(&reading(&record), |event| {
                let (left, excursion) = match event {
                    Event::Left(excursion) => (true, excursion),
                    Event::Returned(excursion) | Event::CutOff(excursion) => (false, excursion),
                    // The state says so already.
                    Event::Lost(_) | Event::Regained(..) => return,
                };
                tell(News::Limit { band: band.clone(), left, extreme: excursion.extreme as f64 / 1e9 });
            });
        }
    }

    /// Carries grid time on from the reading before.
    fn carry(&mut self, before: &Record) {
        let passed = self.last.time_ms.wrapping_sub(before.time_ms);
        let ends = before.frequency.zip(self.last.frequency).zip(self.nominal_hz);
        let Some(((from, to), nominal)) = ends.filter(|_| passed <= BRIDGED_MS) else {
            self.grid = None;
            return;
        };
        let mean = (from.nanohertz() as f64 + to.nanohertz() as f64) / 2e9;
        let seconds = f64::from(passed) / 1e3;
        let grid = self.grid.get_or_insert(Grid { ahead_s: 0.0, since_s: 0.0 });
        grid.ahead_s += (mean / nominal - 1.0) * seconds;
        grid.since_s += seconds;
    }
}

/// 50 or 60 Hz where that is near; otherwise to a whole hertz, or to two figures below one.
pub fn nominal(hertz: f64) -> f64 {
    match hertz {
        hz if (hz - 50.0).abs() <= 5.0 => 50.0,
        hz if (hz - 60.0).abs() < 5.0 => 60.0,
        hz if hz >= 1.0 => hz.round(),
        hz => (hz * 100.0).round() / 100.0,
    }
}

/// The part of a reading that a watch looks at.
fn reading(record: &Record) -> Reading {
    Reading {
        middle: Stamp::new(record.time_ms.wrapping_mul(TICKS_A_MS)),
        span: Ticks::ZERO,
        cycles: 0,
        frequency: record.frequency,
        rocof: record.rocof,
        rocof_uncertainty: None,
        standard_uncertainty: None,
        expanded_uncertainty: record.uncertainty,
        missed: record.missed.into(),
        rejected: record.rejected.into(),
        state: record.state,
    }
}

#[cfg(test)]
mod tests;
