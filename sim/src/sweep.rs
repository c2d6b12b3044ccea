//! One scenario many times over: one or two of its numbers varied, settings side by side, several seeds.
//!
//! ```text
//! scenario's text + values -> [with_value] -> Scenario -> board -> trial -> Score -> Figures    a job each, dealt out to threads
//! jobs -> Cell (all seeds of one place) -> Sweep -> [tabulate], [picture], [page]
//!                                             |
//!                                             +-> [solve]: the farthest value that still keeps a limit
//! ```
//!
//! All cells see the same seeds, so that what differs between them is the values and not the luck.

pub mod confidence;
mod key;
pub mod measure;
mod page;
mod picture;
mod run;
pub mod solve;
pub mod tabulate;
mod vary;

use std::path::PathBuf;
use std::sync::Arc;

use crate::scenario::{Case, Instead, Scenario, ScenarioError, cases, choose, with_value};
use crate::settings::SettingsError;
use measure::{Figures, Measure, Readings, Spread};

pub use page::page;
pub use picture::svg;
pub use vary::{Across, Vary};

/// Trials of one sweep, at most.
pub const MOST_TRIALS: usize = 1_000_000;

/// A sweep that cannot be.
#[derive(Debug, thiserror::Error)]
pub enum SweepError {
    /// What was asked for is no key, range or limit.
    #[error("{0}")]
    Key(String),
    /// The scenario cannot be used, whatever the values.
    #[error(transparent)]
    Scenario(#[from] ScenarioError),
    /// It cannot with these.
    #[error("with {with}: {what}")]
    Value {
        /// Keys and values.
        with: String,
        /// What was found and what was expected.
        what: String,
    },
    /// The meter cannot be made.
    #[error(transparent)]
    Settings(#[from] SettingsError),
}

/// The scenario that is varied, as text.
#[derive(Clone, Debug)]
pub struct Source {
    /// Of its file.
    pub text: String,
    /// For messages, a scenario without a name, and the series of a recorded grid.
    pub path: PathBuf,
    /// Which case of a file that has several.
    pub case: Option<String>,
    /// In place of the file's own values.
    pub instead: Instead,
}

impl Source {
    /// With `values` for keys, as TOML writes them.
    fn with(&self, values: &[(&str, String)]) -> Result<Scenario, SweepError> {
        let text = values.iter().fold(self.text.clone(), |text, (key, value)| with_value(&text, key, value));
        let cases = cases(&text, &self.path, self.instead).map_err(|error| match error {
            // Its line may be none of the file's.
            ScenarioError::Line { what, .. } if !values.is_empty() => SweepError::Value {
                with: values
                    .iter()
                    .map(|(key, value)| format!("{key} = {value}"))
                    .collect::<Vec<_>>()
                    .join(", "),
                // Values are put in as a file's own cases would be.
                what: what.trim_start_matches("[[cases]] ").into(),
            },
            other => other.into(),
        })?;
        let case = choose(cases, self.case.as_deref())
            .map_err(|what| SweepError::Key(format!("{}: {what}", self.path.display())))?;
        let Case { label, mut scenario } = case;
        if !label.is_empty() {
            scenario.name = format!("{} [{label}]", scenario.name);
        }
        Ok(scenario)
    }
}

/// What is to be varied, and over how many seeds.
#[derive(Clone, Debug)]
pub struct Plan {
    source: Source,
    /// The scenario as its file says.
    pub scenario: Scenario,
    /// One or two numbers.
    pub vary: Vec<Vary>,
    /// Settings side by side.
    pub across: Option<Across>,
    /// How many seeds, from the scenario's own on.
    pub repeat: u32,
    /// Over which readings errors are taken.
    pub readings: Readings,
}

/// All seeds at one place.
#[derive(Clone, Debug)]
pub struct Cell {
    /// Place of its setting among those across; 0 without.
    pub series: usize,
    /// The values of what is varied.
    pub at: Vec<f64>,
    /// A seed each.
    pub seeds: Vec<Figures>,
}

impl Cell {
    /// `measure` over all seeds; `None` if any seed has none.
    pub fn spread(&self, measure: Measure) -> Option<Spread> {
        measure::spread(&self.seeds, measure)
    }

    /// Standard deviation that the noise permits over a whole window, mHz; `None` where the bound does not hold.
    pub fn bound_mhz(&self) -> Option<f64> {
        measure::bound_mhz(&self.seeds)
    }
}

/// A sweep that is over.
#[derive(Clone, Debug)]
pub struct Sweep {
    /// What was asked for.
    pub plan: Plan,
    /// Series after series; within one the last key's values change fastest.
    pub cells: Vec<Cell>,
}

impl Plan {
    /// Of a scenario.
    ///
    /// # Errors
    /// A scenario that cannot be used, a value that it does not take at either end of a range or side by side, a key twice, none or more than two
    /// keys, more than [`MOST_TRIALS`] trials.
    pub fn new(
        source: Source,
        vary: Vec<Vary>,
        across: Option<Across>,
        repeat: u32,
        readings: Readings,
    ) -> Result<Self, SweepError> {
        let scenario = source.with(&[])?;
        let mut plan = Self { source, scenario, vary, across, repeat, readings };
        if !(1..=2).contains(&plan.vary.len()) {
            return Err(SweepError::Key("one or two keys can be varied at a time".into()));
        }
        let mut keys: Vec<_> = plan.keys().collect();
        keys.extend(plan.across.iter().map(|across| across.key.as_str()));
        if let Some(twice) = keys.iter().enumerate().find(|(i, key)| keys[..*i].contains(key)) {
            return Err(SweepError::Key(format!("{} is varied twice", twice.1)));
        }
        // A duration that was given takes the place of the file's, varied or not.
        if plan.source.instead.duration_s.is_some() && keys.contains(&"duration_s") {
            return Err(SweepError::Key("duration_s is varied, and given as well".into()));
        }
        plan.find_whole()?;
        let trials = plan.places().len().saturating_mul(repeat as usize);
        if trials > MOST_TRIALS {
            return Err(SweepError::Key(format!("{trials} trials: expected {MOST_TRIALS} at most")));
        }
        Ok(plan)
    }

    /// Finds out which keys take whole numbers only: their ends are taken and half a number more is not.
    fn find_whole(&mut self) -> Result<(), SweepError> {
        let first = self.first();
        for i in 0..self.vary.len() {
            let at = |value: f64| {
                let mut at = first.clone();
                at[i] = value;
                at
            };
            let (low, high) = self.vary[i].ends();
            let halves = low.min(high).floor() + 0.5;
            let whole = low.fract() == 0.0
                && high.fract() == 0.0
                && self.scenario(0, &at(low)).is_ok()
                && self.scenario(0, &at(halves)).is_err()
                && self.scenario(0, &at(halves + 0.5)).is_ok();
            if whole {
                self.vary[i] = self.vary[i].clone().of_whole();
            }
        }
        for series in 0..self.series() {
            for (i, vary) in self.vary.iter().enumerate() {
                let mut at = first.clone();
                for value in [vary.ends().0, vary.ends().1] {
                    at[i] = value;
                    self.scenario(series, &at)?;
                }
            }
        }
        Ok(())
    }

    fn first(&self) -> Vec<f64> {
        self.vary.iter().map(|vary| vary.ends().0).collect()
    }

    /// The keys that are varied.
    pub fn keys(&self) -> impl Iterator<Item = &str> {
        self.vary.iter().map(|vary| vary.key.as_str())
    }

    /// How many settings stand side by side.
    pub fn series(&self) -> usize {
        self.across.as_ref().map_or(1, |across| across.values.len())
    }

    /// The setting of a series, as `--across` gave it.
    pub fn across(&self, series: usize) -> Option<&str> {
        self.across.as_ref()?.values.get(series).map(String::as_str)
    }

    /// The seeds, first and last.
    pub fn seeds(&self) -> (u64, u64) {
        let first = self.scenario.seed;
        (first, first.wrapping_add(u64::from(self.repeat.max(1)) - 1))
    }

    /// The text of the scenario's file.
    pub fn text(&self) -> &str {
        &self.source.text
    }

    /// Series and values of each cell, in their order.
    fn places(&self) -> Vec<(usize, Vec<f64>)> {
        let (first, second) = (&self.vary[0], self.vary.get(1));
        let rows = |series| first.values.iter().map(move |value| (series, *value));
        let all = (0..self.series()).flat_map(rows);
        match second {
            None => all.map(|(series, value)| (series, vec![value])).collect(),
            Some(second) => all
                .flat_map(|(series, value)| {
                    second.values.iter().map(move |other| (series, vec![value, *other]))
                })
                .collect(),
        }
    }

    /// The scenario with a series' setting and these values.
    ///
    /// # Errors
    /// Values that it does not take.
    pub fn scenario(&self, series: usize, at: &[f64]) -> Result<Scenario, SweepError> {
        let across = self.across.as_ref().zip(self.across(series));
        let values: Vec<_> = across
            .map(|(across, value)| (across.key.as_str(), vary::toml(value)))
            .into_iter()
            .chain(self.keys().zip(at.iter().map(|value| vary::number_as_toml(*value))))
            .collect();
        self.source.with(&values)
    }

    /// Runs all trials on `threads` threads; `progress` is told how many simulated seconds are done.
    ///
    /// # Errors
    /// Values that do not go together somewhere inside the ranges.
    pub fn run(self, threads: usize, progress: impl FnMut(f64)) -> Result<Sweep, SweepError> {
        let places = self.places();
        let mut jobs = Vec::with_capacity(places.len() * self.repeat as usize);
        for (series, at) in &places {
            let scenario = Arc::new(self.scenario(*series, at)?);
            jobs.extend((0..self.repeat).map(|seed| self.job(&scenario, seed)));
        }
        let figures = run::all(&jobs, self.readings, threads, progress)?;
        let cells = places.into_iter().zip(figures.chunks(self.repeat.max(1) as usize));
        let cells = cells.map(|((series, at), seeds)| Cell { series, at, seeds: seeds.to_vec() }).collect();
        Ok(Sweep { plan: self, cells })
    }

    fn job(&self, scenario: &Arc<Scenario>, number: u32) -> run::Job {
        run::Job { scenario: Arc::clone(scenario), seed: self.scenario.seed.wrapping_add(number.into()) }
    }

    /// Simulated seconds of the whole sweep, roughly where the duration itself is varied.
    pub fn seconds(&self) -> f64 {
        self.scenario.duration_s * self.places().len() as f64 * f64::from(self.repeat)
    }
}

impl Sweep {
    /// The cells of one series.
    pub fn series(&self, series: usize) -> &[Cell] {
        let length = self.cells.len() / self.plan.series();
        self.cells.get(series * length..(series + 1) * length).unwrap_or_default()
    }

    /// What `measure` is, over which readings it is taken, and its unit.
    pub fn title(&self, measure: Measure) -> String {
        let (what, unit) = (measure.what(), measure.unit());
        let readings = match self.plan.readings {
            _ if !measure.is_error() => "",
            Readings::Whole => " over whole windows",
            Readings::All => " over all readings",
        };
        if unit.is_empty() { format!("{what}{readings}") } else { format!("{what}{readings}, {unit}") }
    }

    /// What was run, in a line.
    pub fn subject(&self) -> String {
        let plan = &self.plan;
        let (first, last) = plan.seeds();
        let seeds = if first == last { format!("seed {first}") } else { format!("seeds {first} to {last}") };
        let varied = plan.vary.iter().map(|vary| {
            let (from, to) = vary.ends();
            let spaced = if vary.log { ", evenly by ratio" } else { "" };
            format!("; {} from {from} to {to} in {} values{spaced}", vary.key, vary.values.len())
        });
        let across =
            plan.across.iter().map(|across| format!("; {} {}", across.key, across.values.join(", ")));
        format!(
            "{}: {} s at {} Hz, {seeds}{}",
            plan.scenario.name,
            plan.scenario.duration_s,
            plan.scenario.nominal_hz,
            varied.chain(across).collect::<String>()
        )
    }
}

#[cfg(test)]
mod tests;
