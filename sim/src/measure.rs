//! A recording through the core: readings, changes of state, and the record as a whole.

use humtick::interval::Coverage;
use humtick::{
    Bursts, Config, Continuity, Crossing, Edge, IntervalReading, Intervals, Polarity, Reject, Stamp, State,
    Verdict,
};

use crate::edge::TimedEdge;
use crate::engine::{Engine, engine};
use crate::entry::{Entry, Happening, TimedInterval, TimedReading};
use crate::input::{InputError, Recording};
use crate::settings::{MeterSettings, SettingsError};
use crate::spacing::Spacing;
use crate::whole::{Run, Whole};

/// What was counted over the whole record.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Counts {
    /// Edges of the polarity used.
    pub edges: u64,
    /// Edges that began a cycle.
    pub crossings: u64,
    /// Edges within the hold-off.
    pub too_soon: u64,
    /// Edges outside the gate.
    pub off_expected: u64,
    /// Edges whose distance from the last one the scale cannot tell.
    pub ambiguous: u64,
}

/// The record as a whole.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    /// What was counted.
    pub counts: Counts,
    /// Over the longest run of crossings with one unbroken cycle count; `None` if there never was a lock.
    pub whole: Option<Whole>,
    /// Intervals between successive edges.
    pub spacing: Spacing,
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
    let bursts = settings.bursts(&config)?;
    let intervals = match settings.intervals {
        true => Some(Intervals::new(&config, 10_000).map_err(|e| SettingsError::Value(e.to_string()))?),
        false => None,
    };
    let every = u64::from(config.every_ms) * u64::from(tick_hz) / 1_000;
    let mut bench = Bench {
        meter: engine(settings, &config)?,
        bursts,
        intervals,
        spacing_of: settings.polarity.first(),
        tick_hz,
        state: State::Seeking,
        now: 0,
        crossed: 0,
        every: every.max(1),
        period: u64::from(tick_hz) * 1_000_000_000 / config.highest.nanohertz(),
        run: Run::default(),
        longest: Run::default(),
        counts: Counts::default(),
        off_expected: [0; 2],
        say: &mut say,
    };
    let mut spacing = Spacing::default();
    let (mut last, mut last_of_one): (Option<u64>, Option<u64>) = (None, None);
    for edge in recording.edges {
        let edge = edge?;
        // A burst has edges of both polarities, whichever the meter uses.
        if bench.bursts.is_none() && !settings.polarity.uses(edge.polarity) {
            continue;
        }
        if let Some(last) = last {
            bench.wait(last, edge.ticks)?;
        }
        last = Some(edge.ticks);
        if settings.polarity.uses(edge.polarity) {
            bench.counts.edges += 1;
        }
        if edge.polarity == bench.spacing_of
            && let Some(last) = last_of_one.replace(edge.ticks)
        {
            spacing.take((edge.ticks - last) as f64 / f64::from(tick_hz));
        }
        bench.take(edge)?;
    }
    // The record may go on after its last edge, and then the silence is part of it.
    if let Some(last) = last {
        bench.wait(last, recording.end.ticks())?;
    }
    bench.end_run();
    let whole = bench.longest.whole(&config);
    Ok(Summary { counts: bench.counts, whole, spacing })
}

/// Steps of a reading's interval that a silence is walked through, so that coasting and loss are seen when they happen. After
/// that many, and once nothing is followed any more, nothing can change but the place on the wrapping scale.
const MOST_STEPS: u32 = 10_000;

struct Bench<'a> {
    meter: Box<dyn Engine>,
    bursts: Option<Bursts>,
    intervals: Option<Intervals>,
    /// Whose crossings the record as a whole goes by: rising, unless only falling ones are used.
    spacing_of: Polarity,
    tick_hz: u32,
    state: State,
    /// The latest moment the meter knows of, on the recording's scale.
    now: u64,
    /// When the latest crossing came.
    crossed: u64,
    /// Ticks from reading to reading.
    every: u64,
    /// Ticks in a cycle, roughly: those of the highest frequency followed.
    period: u64,
    run: Run,
    longest: Run,
    counts: Counts,
    /// Edges of either polarity refused as off the expected time since its last crossing, while it was followed.
    off_expected: [u64; 2],
    say: &'a mut dyn FnMut(Entry) -> std::io::Result<()>,
}

impl Bench<'_> {
    /// Time passes from one edge to the next.
    fn wait(&mut self, from: u64, to: u64) -> std::io::Result<()> {
        let mut step = self.every;
        for steps in 0.. {
            if steps >= MOST_STEPS {
                step = if matches!(self.meter.state(), State::Seeking | State::Lost) {
                    // Whole wraps of the stamp are nothing to the meter; below one, steps short of its horizon will do.
                    self.now += to.saturating_sub(self.now) >> 32 << 32;
                    step.max(1 << 30)
                } else {
                    step.max(self.period)
                };
            }
            let now = if steps == 0 { from + step } else { self.now + step };
            if now >= to {
                break;
            }
            self.now = now;
            let stamp = Stamp::new(now as u32);
            if let Some(edge) = self.bursts.as_mut().and_then(|b| b.idle(stamp)) {
                self.judge(edge)?;
            }
            self.meter.idle(stamp);
            let over = self.intervals.as_mut().and_then(|i| i.idle(stamp));
            self.speak(over)?;
        }
        Ok(())
    }

    fn take(&mut self, edge: TimedEdge) -> std::io::Result<()> {
        self.now = edge.ticks;
        let edge = Edge { stamp: Stamp::new(edge.ticks as u32), polarity: edge.polarity };
        let edge = match &mut self.bursts {
            Some(bursts) => bursts.push(edge),
            None => Some(edge),
        };
        edge.map_or(Ok(()), |edge| self.judge(edge))
    }

    fn judge(&mut self, edge: Edge) -> std::io::Result<()> {
        let one = edge.polarity == self.spacing_of;
        let refused = &mut self.off_expected[usize::from(edge.polarity == Polarity::Falling)];
        let verdict = self.meter.push(edge);
        let over = self.intervals.as_mut().filter(|_| one).and_then(|intervals| intervals.take(&verdict));
        match verdict {
            Verdict::Crossing(crossing) => {
                *refused = 0;
                self.cross(crossing, one);
            }
            Verdict::Locked(lock) => {
                // Where it was followed, its edges had been refused when they came, the last one excepted.
                let before = std::mem::take(refused);
                self.counts.off_expected -= before.min(humtick::qualify::CHAIN as u64 - 1);
                // A chain continues a run only if its cycle numbers do.
                if lock.continuity == Continuity::Broken && one {
                    self.end_run();
                }
                for crossing in lock.crossings() {
                    self.cross(crossing, one);
                }
                let what = match lock.continuity {
                    Continuity::Broken if before > 0 => Some(Happening::Recounted),
                    Continuity::Smooth | Continuity::Broken => None,
                    Continuity::Stepped => Some(Happening::Stepped),
                };
                if let Some(what) = what {
                    self.happen(what)?;
                }
            }
            Verdict::Rejected(Reject::TooSoon { .. }) => self.counts.too_soon += 1,
            Verdict::Rejected(Reject::OffExpected { .. }) => {
                *refused += 1;
                self.counts.off_expected += 1;
            }
            Verdict::Rejected(Reject::Ambiguous) => self.counts.ambiguous += 1,
            Verdict::Seeking => *refused = 0,
            Verdict::Unused => {}
        }
        self.speak(over)
    }

    fn cross(&mut self, crossing: Crossing, one: bool) {
        self.counts.crossings += 1;
        self.crossed = self.now;
        if !one {
            return;
        }
        self.run.take(crossing.cycle, self.place(crossing.stamp));
    }

    fn end_run(&mut self) {
        let run = std::mem::take(&mut self.run);
        if run.cycles() > self.longest.cycles() {
            self.longest = run;
        }
    }

    /// A stamp at or before now, on the recording's scale.
    fn place(&self, stamp: Stamp) -> u64 {
        self.now - u64::from((Stamp::new(self.now as u32) - stamp).count())
    }

    fn seconds(&self, ticks: u64) -> f64 {
        ticks as f64 / f64::from(self.tick_hz)
    }

    fn happen(&mut self, what: Happening) -> std::io::Result<()> {
        let t_s = self.seconds(self.now);
        (self.say)(Entry::Event { t_s, what })
    }

    /// Says the interval that is over, a change of state, then the reading that fell due.
    fn speak(&mut self, over: Option<IntervalReading>) -> std::io::Result<()> {
        if let Some(interval) = over {
            self.say_interval(&interval)?;
        }
        let state = self.meter.state();
        // An edge or two missing is for the readings to count; coasting is news when it outlasts one.
        let brief = state == State::Coasting && self.now - self.crossed < self.every;
        if state != self.state && !brief {
            self.state = state;
            self.happen(Happening::State(state))?;
        }
        let Some(reading) = self.meter.take_reading() else { return Ok(()) };
        let entry = Entry::Reading(TimedReading {
            t_s: self.seconds(self.place(reading.middle)),
            span_s: self.seconds(reading.span.count().into()),
            cycles: reading.cycles,
            frequency_hz: reading.frequency.map(hertz),
            u_hz: reading.standard_uncertainty.map(hertz),
            u95_hz: reading.expanded_uncertainty.map(hertz),
            rocof_hz_s: reading.rocof.map(|r| r as f64 / 1e9),
            rocof_u95_hz_s: reading.rocof_uncertainty.map(|u| u as f64 / 1e9),
            missed: reading.missed,
            rejected: reading.rejected,
            state: reading.state,
        });
        (self.say)(entry)
    }
}

impl Bench<'_> {
    fn say_interval(&mut self, interval: &IntervalReading) -> std::io::Result<()> {
        let entry = Entry::Interval(TimedInterval {
            t_s: self.seconds(self.place(interval.start)),
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

fn hertz(frequency: humtick::Frequency) -> f64 {
    frequency.nanohertz() as f64 / 1e9
}
