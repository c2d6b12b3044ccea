//! What came of one item, in figures that can be saved.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::{Item, slug};
use crate::scenario::{Limits, Within};
use crate::score::{Score, Stretch};
use crate::trial::Trial;

/// What came of an item of a suite. As JSON, the figures stand beside the names.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// As [`Item::name`].
    pub name: String,
    /// As [`Item::file`].
    pub file: PathBuf,
    /// Which case of the file; empty where there is but one.
    pub case: String,
    /// Limits that are broken: key, limit, what was found and when. That the meter never locked is one of them, said or not.
    pub broken: Vec<String>,
    /// Why it could not be tried.
    pub unreadable: Option<String>,
    /// What was found where it could.
    #[serde(flatten)]
    pub figures: Option<Figures>,
}

/// Figures of a trial; hertz and seconds, `None` where unknown.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Figures {
    /// The scenario's own name.
    pub title: String,
    /// Where its randomness came from.
    pub seed: u64,
    /// Seconds tried.
    pub duration_s: f64,
    /// The meter's window.
    pub window_s: f64,
    /// Readings, unknown ones included.
    pub readings: u64,
    /// Readings without a number.
    pub unknown: u64,
    /// The largest error against the truth over the window, with its sign.
    pub worst_hz: Option<f64>,
    /// Middle of its window.
    pub worst_at_s: Option<f64>,
    /// Root mean square of the errors.
    pub rms_hz: Option<f64>,
    /// The same with the clock's lasting error taken off.
    pub apart_rms_hz: Option<f64>,
    /// Share of the 95 % intervals that hold the truth.
    pub coverage: Option<f64>,
    /// Time to the first lock.
    pub lock_s: Option<f64>,
    /// Readings far outside their own interval.
    pub false_readings: u64,
    /// Middle of the first one's window.
    pub first_false_s: Option<f64>,
    /// The largest share of a limit on errors that is used up; 1 and more than that is broken.
    pub used: Option<f64>,
    /// Limits there are.
    pub limits: usize,
    /// Squared errors by thirtieth of the trial, for a comparison.
    pub stretches: Vec<Stretch>,
}

/// What an outcome comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// Every limit is kept.
    Kept,
    /// There is no limit.
    Unlimited,
    /// At least one is broken.
    Broken,
    /// It could not be tried.
    Unreadable,
}

impl Verdict {
    /// Its name in outputs.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Kept => "kept",
            Self::Unlimited => "no limits",
            Self::Broken => "BROKEN",
            Self::Unreadable => "UNREADABLE",
        }
    }
}

impl Outcome {
    pub(super) fn unreadable(item: &Item, why: String) -> Self {
        Self {
            name: item.name.clone(),
            file: item.file.clone(),
            case: item.trial.as_ref().map_or_else(|_| String::new(), |trial| trial.label().into()),
            broken: vec![],
            unreadable: Some(why),
            figures: None,
        }
    }

    pub(super) fn new(item: &Item, trial: &Trial, score: &Score) -> Self {
        let (scenario, limits) = (trial.scenario(), &trial.scenario().limits);
        let mut broken = score.broken(limits);
        if score.lock_s.is_none() && limits.lock_s.is_none() {
            broken.push("never locked".into());
        }
        let worst = score.window.worst;
        Self {
            name: item.name.clone(),
            file: item.file.clone(),
            case: trial.label().into(),
            broken,
            unreadable: None,
            figures: Some(Figures {
                title: scenario.name.clone(),
                seed: scenario.seed,
                duration_s: scenario.duration_s,
                window_s: scenario.meter.window_s,
                readings: score.readings,
                unknown: score.unknown,
                worst_hz: worst.map(|(error, _)| error),
                worst_at_s: worst.map(|(_, at)| at.seconds()),
                rms_hz: score.window.rms(),
                apart_rms_hz: score.apart.rms(),
                coverage: score.coverage.share(),
                lock_s: score.lock_s,
                false_readings: score.false_readings,
                first_false_s: score.first_false.map(|at| at.seconds()),
                used: used(limits, score),
                limits: limits.given(),
                stretches: score.stretches().to_vec(),
            }),
        }
    }

    /// What it comes to.
    pub fn verdict(&self) -> Verdict {
        match &self.figures {
            None => Verdict::Unreadable,
            Some(_) if !self.broken.is_empty() => Verdict::Broken,
            Some(figures) if figures.limits == 0 => Verdict::Unlimited,
            Some(_) => Verdict::Kept,
        }
    }

    /// What is wrong, a line each: limits that are broken, and, where these do not tell it, the worst reading and when it was; or why it could
    /// not be tried. Nothing where nothing is.
    pub fn faults(&self) -> Vec<String> {
        let mut faults: Vec<_> = self.unreadable.iter().chain(&self.broken).cloned().collect();
        let told = faults.iter().any(|fault| fault.starts_with("max_error_mhz"));
        if let Some((error, at_s)) = self.worst().filter(|_| !faults.is_empty() && !told) {
            faults.push(format!("the worst reading is off by {:+.6} mHz, at {at_s:.3} s", error * 1e3));
        }
        faults
    }

    /// All that is wrong for people to read, a line each, the command that does it again last; `None` where nothing is. `settings` is the file
    /// that the suite was given.
    pub fn explained(&self, settings: Option<&Path>) -> Option<String> {
        let mut text = format!("{}  {}\n", self.verdict().name(), self.name);
        let faults = self.faults();
        for fault in &faults {
            text += &format!("    {fault}\n");
        }
        if self.figures.is_some() {
            text += &format!("    replay: {}\n", self.replay(settings));
        }
        (!faults.is_empty()).then_some(text)
    }

    /// The command that does it again and writes a page with pictures; `settings` is the file that the suite was given.
    pub fn replay(&self, settings: Option<&Path>) -> String {
        let mut words = vec!["humtick".into(), "trial".into(), self.file.display().to_string()];
        if !self.case.is_empty() {
            words.extend(["--case".into(), self.case.clone()]);
        }
        if let Some(path) = settings {
            words.extend(["--settings".into(), path.display().to_string()]);
        }
        words.extend(["--report".into(), format!("{}.html", slug(&self.name))]);
        words.iter().map(|word| quoted(word)).collect::<Vec<_>>().join(" ")
    }

    /// Worst error and rms in mHz, coverage in percent, time to lock in seconds, false readings; a dash where unknown.
    pub fn cells(&self) -> [String; 5] {
        let dash = || "-".to_owned();
        let Some(figures) = &self.figures else { return std::array::from_fn(|_| dash()) };
        [
            figures.worst_hz.map_or_else(dash, |hz| millihertz(hz.abs())),
            figures.rms_hz.map_or_else(dash, millihertz),
            figures.coverage.map_or_else(dash, |share| format!("{:.2}", 100.0 * share)),
            figures.lock_s.map_or_else(dash, |s| format!("{s:.3}")),
            figures.false_readings.to_string(),
        ]
    }

    /// Where in the trial a look is worth most: the worst reading's error in hertz and its time.
    pub fn worst(&self) -> Option<(f64, f64)> {
        let figures = self.figures.as_ref()?;
        figures.worst_hz.zip(figures.worst_at_s)
    }
}

/// In mHz to four figures.
fn millihertz(hz: f64) -> String {
    let mhz = hz * 1e3;
    let places = (3.0 - mhz.log10().floor()).clamp(0.0, 9.0) as usize;
    format!("{mhz:.places$}")
}

/// `word` as a shell takes it for one: in single quotes where it is not plain.
fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./=,:+@%".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', "'\\''"))
    }
}

fn used(limits: &Limits, score: &Score) -> Option<f64> {
    let share = |limit: Option<Within>, found: Option<f64>| Some(found? * 1e3 / limit?.1);
    let worst = share(limits.max_error_mhz, score.window.worst.map(|(error, _)| error.abs()));
    let rms = share(limits.rms_error_mhz, score.window.rms());
    worst.into_iter().chain(rms).reduce(f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_that_a_shell_would_take_apart_are_quoted() {
        assert_eq!(quoted("mains/saw.toml"), "mains/saw.toml");
        assert_eq!(quoted("a b"), "'a b'");
        assert_eq!(quoted("it's $1"), "'it'\\''s $1'");
        assert_eq!(quoted(""), "''");
    }
}
