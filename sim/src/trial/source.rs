//! A trial as a value: what is tried, with which settings. What the program runs, and what tests of a firmware's settings run.

use std::path::Path;
use std::sync::Arc;

use humtick::{Edge, Stamp};

use super::{Handed, run, run_as};
use crate::board;
use crate::edge::TimedEdge;
use crate::input::{self, InputError};
use crate::mains::grid;
use crate::moment::Moment;
use crate::scenario::{Case, Instead, Recorded, Scenario, ScenarioError, cases, choose};
use crate::score::{Score, Scored};
use crate::settings::{Changes, MeterSettings, Nominal, SettingsError};
use crate::timeline::extender;

/// A scenario, or a recording with what is expected of it, that is to go through a meter.
///
/// For the tests of a firmware whose settings must not lose what they were chosen for:
///
/// ```
/// use std::path::Path;
///
/// use humtick_sim::settings::MeterSettings;
/// use humtick_sim::trial::Trial;
///
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// // The pump house's outlet: its motor sparks, and the plant islands.
/// let outlet = "
///     duration_s = 120.0
///     grid = { shape = 'wander', sd_mhz = 20.0 }
///     [[disturb]]
///     kind = 'impulses'
///     rate_hz = 60.0
///     size_percent = 40.0
///     width_us = 60.0
///     [limits]
///     max_error_mhz = 2.0
///     lock_s = 1.5
/// ";
/// let settings = MeterSettings::from_toml("window_s = 1.0\nholdoff = 0.5", Path::new("meter.toml"))?;
/// let trial = Trial::from_toml(outlet)?.with_settings(settings);
/// let score = trial.run()?;
///
/// // The scenario's own limits, told with figure and time where one is broken.
/// assert_eq!(score.broken(&trial.scenario().limits), Vec::<String>::new());
/// // And whatever else there is to say; errors are in hertz, and None where nothing was read.
/// assert!(score.window.rms().is_some_and(|rms| rms < 0.5e-3));
/// assert_eq!(score.false_readings, 0);
/// # Ok(())
/// # }
/// ```
///
/// A firmware's settings are known to be a file's by `settings.config(tick_hz)? == Config { .. }`, the core's own.
#[derive(Clone, Debug, PartialEq)]
pub struct Trial {
    scenario: Scenario,
    label: String,
    text: Arc<str>,
}

/// Why a trial could not be run to its end.
#[derive(Debug, thiserror::Error)]
pub enum TrialError {
    /// Settings of the meter that do not fit the timer.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// The recording cannot be read.
    #[error(transparent)]
    Recording(#[from] InputError),
}

impl Trial {
    /// A scenario, as the files of `humtick scenario` describe it; series that it names are looked for in the current folder.
    ///
    /// # Errors
    /// As [`Scenario::from_toml`].
    pub fn from_toml(text: &str) -> Result<Self, ScenarioError> {
        let scenario = Scenario::from_toml(text, Path::new("scenario"))?;
        Ok(Self::of(Case { label: String::new(), scenario }, &text.into()))
    }

    /// What a file describes: a scenario, or, if it is called `expect.toml` or `NAME.expect.toml`, what is expected of the recording beside
    /// it ([`Scenario::expected`]).
    ///
    /// # Errors
    /// As these; a file of several cases, for which there is [`Trial::cases`].
    pub fn from_file(path: &Path) -> Result<Self, ScenarioError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| ScenarioError::Io { path: path.into(), source })?;
        let scenario = if Scenario::is_expectation(path) {
            Scenario::expected(&text, path, Instead::default())?
        } else {
            Scenario::from_toml(&text, path)?
        };
        Ok(Self::of(Case { label: String::new(), scenario }, &text.into()))
    }

    /// All cases of a file that reads `text`, in its order; `path` and `instead` are as in [`Scenario::from_toml_with`]. Each is named after its
    /// label too.
    ///
    /// # Errors
    /// As [`Trial::from_file`].
    pub fn cases(text: &str, path: &Path, instead: Instead) -> Result<Vec<Self>, ScenarioError> {
        let whole = text.into();
        Ok(described(text, path, instead)?.into_iter().map(|case| Self::of(case, &whole)).collect())
    }

    /// The case of that label, or the only one.
    ///
    /// # Errors
    /// As [`Trial::from_file`]; and which cases there are, if it is none of them.
    pub fn case(text: &str, path: &Path, label: Option<&str>, instead: Instead) -> Result<Self, String> {
        let cases = described(text, path, instead).map_err(|e| e.to_string())?;
        let case = choose(cases, label).map_err(|e| format!("{}: {e}", path.display()))?;
        Ok(Self::of(case, &text.into()))
    }

    fn of(case: Case, text: &Arc<str>) -> Self {
        let Case { label, mut scenario } = case;
        if !label.is_empty() {
            scenario.name = format!("{} [{label}]", scenario.name);
        }
        Self { scenario, label, text: text.clone() }
    }

    /// The same through a meter with other settings. Settings that name no frequency look where the scenario's do; and since the clock of a
    /// recording is what it is, settings that name none of its error take off what its own do.
    #[must_use]
    pub fn with_settings(mut self, settings: MeterSettings) -> Self {
        let nominal = match settings.nominal {
            Nominal::Auto => self.scenario.meter.nominal,
            named => named,
        };
        let clock_ppm = match self.scenario.recording {
            Some(_) if settings.clock_ppm == 0.0 => self.scenario.meter.clock_ppm,
            _ => settings.clock_ppm,
        };
        self.scenario.meter = MeterSettings { nominal, clock_ppm, ..settings };
        self
    }

    /// The same through a meter of which `changes` names some settings; the others stay as they are.
    #[must_use]
    pub fn with_changes(mut self, changes: &Changes) -> Self {
        self.scenario.meter = changes.over(self.scenario.meter);
        self
    }

    /// What is tried.
    pub const fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// Which case of its file it is; empty where there is but one.
    pub fn label(&self) -> &str {
        &self.label
    }

    /// What the file reads.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Runs it, on as many threads as the machine has cores. The score depends on nothing but what is tried: not on machine, nor threads.
    ///
    /// # Errors
    /// Settings that do not fit the timer; a recording that cannot be read.
    pub fn run(&self) -> Result<Score, TrialError> {
        self.run_with(board::threads(), |_| {})
    }

    /// The same with the mains simulated by so many threads; `observe` sees each reading with its truth.
    ///
    /// # Errors
    /// As [`Trial::run`].
    pub fn run_with(&self, threads: usize, observe: impl FnMut(&Scored)) -> Result<Score, TrialError> {
        match &self.scenario.recording {
            Some(recorded) => self.replay(recorded, observe),
            None => Ok(simulate(&self.scenario, threads, observe)?),
        }
    }

    fn replay(&self, recorded: &Recorded, mut observe: impl FnMut(&Scored)) -> Result<Score, TrialError> {
        let scenario = &self.scenario;
        let recording = input::open(&recorded.path, &recorded.input.clone().for_meter(&scenario.meter))?;
        let mut config = scenario.meter.config(recording.tick_hz)?;
        config.resolution = recording.resolution;
        let rate = f64::from(recording.tick_hz) * (1.0 + scenario.timer.clock_ppm * 1e-6);
        let mut failed = None;
        let edges = recording.edges.map_while(|edge| match edge {
            Ok(edge) => {
                let second = (edge.ticks as f64 / rate).floor();
                let at = Moment::second(second as u64).later((edge.ticks as f64 - second * rate) / rate);
                Some(Handed { edge: stamped(edge), at, read: at, mistaken: false })
            }
            Err(error) => {
                failed = Some(error);
                None
            }
        });
        let score = run_as(scenario, &config, grid::course(scenario), edges, &mut observe)?;
        failed.map_or(Ok(score), |error| Err(error.into()))
    }
}

/// A scenario through a simulated board.
pub(crate) fn simulate(
    scenario: &Scenario,
    threads: usize,
    observe: impl FnMut(&Scored),
) -> Result<Score, SettingsError> {
    let extend = extender(scenario.timer.bits)
        .ok_or_else(|| SettingsError::Value("the counter has 8 to 32 bits".into()))?;
    let mut captures = board::captures(scenario, threads);
    let handed = captures.by_ref().map(|handed| Handed::new(&handed, extend));
    let mut score = run(scenario, grid::course(scenario), handed, observe)?;
    score.overruns = Some(captures.counts().overruns);
    Ok(score)
}

/// On the core's wrapping scale.
const fn stamped(edge: TimedEdge) -> Edge {
    Edge { stamp: Stamp::new(edge.ticks as u32), polarity: edge.polarity }
}

fn described(text: &str, path: &Path, instead: Instead) -> Result<Vec<Case>, ScenarioError> {
    if Scenario::is_expectation(path) {
        return Ok(vec![Case { label: String::new(), scenario: Scenario::expected(text, path, instead)? }]);
    }
    cases(text, path, instead)
}
