//! A recording through the core: readings, changes of state, and the record as a whole.

use humtick::interval::Coverage;
use humtick::{Config, Continuity, Crossing, IntervalReading, Intervals, Polarity, Stamp, State, Verdict};

pub use crate::bench::Counts;
use crate::bench::{Bench, Judged};
use crate::entry::{Entry, Happening, TimedInterval, TimedReading, hertz};
use crate::input::{InputError, Recording};
use crate::settings::{MeterSettings, SettingsError};
use crate::spacing::Spacing;
use crate::whole::{Run, Whole};

/// The record as a whole.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    /// What was counted.
    pub counts: Counts,
    /// Over the longest run of crossings with one unbroken cycle count; `None` if there never was a lock.
    pub whole: Option<Whole>,
    /// Intervals between successive edges.
    pub spacing: Spacing,
    /// Rows of the recording that were left out, because a wrap was mistaken in them or in the row before: time ran backwards.
    pub torn: u64,
}

/// Why a recording could not be measured.
#[derive(Debug, thiserror::Error)]
pub enum MeasureError {
    /// The recording cannot be read.
    #[error(transparent)]
    Input(#[from] InputError),
    /// The settings make no sense.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// Nobody takes the readings any more.
    #[error("output: {0}")]
    Output(#[from] std::io::Error),
}

/// Passes `recording` through a meter and hands each entry to `say`, in order of time.
///
/// # Errors
/// The first error of the recording, of the settings, or of `say`.
pub fn measure(
    recording: Recording,
    settings: &MeterSettings,
    mut say: impl FnMut(Entry) -> std::io::Result<()>,
) -> Result<Summary, MeasureError> {
    let tick_hz = recording.tick_hz;
    let config = Config { resolution: recording.resolution, ..settings.config(tick_hz)? };
    let intervals = match settings.intervals {
        true => Some(Intervals::new(&config, 10_000).map_err(|e| SettingsError::Value(e.to_string()))?),
        false => None,
    };
    let mut bench = Bench::new(settings, &config)?;
    let mut record = Record {
        intervals,
        one: settings.polarity.first(),
        tick_hz,
        state: State::Seeking,
        crossed: 0,
        run: Run::default(),
        longest: Run::default(),
        say: &mut say,
    };
    let mut spacing = Spacing::default();
    let mut last_of_one: Option<u64> = None;
    for edge in recording.edges {
        let edge = edge?;
        if !bench.takes(edge.polarity) {
            continue;
        }
        bench.wait(edge.ticks, |bench, judged| record.went_by(bench, judged))?;
        if edge.polarity == record.one
            && let Some(last) = last_of_one.replace(edge.ticks)
        {
            spacing.take((edge.ticks - last) as f64 / f64::from(tick_hz));
        }
        if let Some(judged) = bench.take(edge) {
            record.judged(&mut bench, &judged)?;
        }
    }
    // The record may go on after its last edge, and then the silence is part of it.
    bench.wait(recording.end.ticks(), |bench, judged| record.went_by(bench, judged))?;
    record.end_run();
    let whole = record.longest.whole(&config);
    Ok(Summary { counts: bench.counts().clone(), whole, spacing, torn: recording.end.torn() })
}

/// What is said of a recording, and the recording as a whole.
struct Record<'a> {
    intervals: Option<Intervals>,
    /// Whose crossings the record as a whole goes by: rising, unless only falling ones are used.
    one: Polarity,
    tick_hz: u32,
    state: State,
    /// When the latest crossing came.
    crossed: u64,
    run: Run,
    longest: Run,
    say: &'a mut dyn FnMut(Entry) -> std::io::Result<()>,
}

impl Record<'_> {
    /// A burst was over in a silence, or a step of it has passed.
    fn went_by(&mut self, bench: &mut Bench, judged: Option<Judged>) -> std::io::Result<()> {
        match judged {
            Some(judged) => self.judged(bench, &judged),
            None => {
                let now = Stamp::new(bench.now() as u32);
                let over = self.intervals.as_mut().and_then(|i| i.idle(now));
                self.speak(bench, over)
            }
        }
    }

    fn judged(&mut self, bench: &mut Bench, judged: &Judged) -> std::io::Result<()> {
        let one = judged.edge.polarity == self.one;
        let over = self.intervals.as_mut().filter(|_| one).and_then(|i| i.take(&judged.verdict));
        match &judged.verdict {
            Verdict::Crossing(crossing) => self.cross(bench, *crossing, one),
            Verdict::Locked(lock) => {
                // A chain continues a run only if its cycle numbers do.
                if lock.continuity == Continuity::Broken && one {
                    self.end_run();
                }
                for crossing in lock.crossings() {
                    self.cross(bench, crossing, one);
                }
            }
            _ => {}
        }
        if let Some(what) = judged.jump {
            self.happen(bench, what)?;
        }
        self.speak(bench, over)
    }

    fn cross(&mut self, bench: &Bench, crossing: Crossing, one: bool) {
        self.crossed = bench.now();
        if one {
            self.run.take(crossing.cycle, bench.place(crossing.stamp));
        }
    }

    fn end_run(&mut self) {
        let run = std::mem::take(&mut self.run);
        if run.cycles() > self.longest.cycles() {
            self.longest = run;
        }
    }

    fn seconds(&self, ticks: u64) -> f64 {
        ticks as f64 / f64::from(self.tick_hz)
    }

    fn happen(&mut self, bench: &Bench, what: Happening) -> std::io::Result<()> {
        let t_s = self.seconds(bench.now());
        (self.say)(Entry::Event { t_s, what })
    }

    /// Says the interval that is over, a change of state, then the reading that fell due.
    fn speak(&mut self, bench: &mut Bench, over: Option<IntervalReading>) -> std::io::Result<()> {
        if let Some(interval) = over {
            self.say_interval(bench, &interval)?;
        }
        let state = bench.state();
        // An edge or two missing is for the readings to count; coasting is news when it outlasts one.
        let brief = state == State::Coasting && bench.now() - self.crossed < bench.every();
        if state != self.state && !brief {
            self.state = state;
            self.happen(bench, Happening::State(state))?;
        }
        let Some(reading) = bench.take_reading() else { return Ok(()) };
        let t_s = self.seconds(bench.place(reading.middle));
        let span_s = self.seconds(reading.span.count().into());
        (self.say)(Entry::Reading(TimedReading::new(&reading, t_s, span_s)))
    }

    fn say_interval(&mut self, bench: &Bench, interval: &IntervalReading) -> std::io::Result<()> {
        let entry = Entry::Interval(TimedInterval {
            t_s: self.seconds(bench.place(interval.start)),
            span_s: self.seconds(interval.duration.count().into()),
            cycles: interval.cycles,
            frequency_hz: interval.frequency.map(hertz),
            u_hz: interval.standard_uncertainty.map(hertz),
            u95_hz: interval.expanded_uncertainty.map(hertz),
            missed: interval.missed,
            coverage: match interval.coverage {
                Coverage::Complete => "complete",
                Coverage::Partial => "partial",
                Coverage::Unknown => "unknown",
            },
            aligned: interval.aligned,
        });
        (self.say)(entry)
    }
}
