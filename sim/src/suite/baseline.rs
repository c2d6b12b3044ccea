//! A suite's outcomes against earlier ones: what has become better, what worse, beyond noise.
//!
//! # Noise
//!
//! Both were tried with the same seeds, so edge for edge on the same mains: where the meter is the same, so is every reading, and the
//! difference is nothing at all. What does differ is judged stretch by stretch of the trial ([`Score::stretches`], so many of them put
//! together that each holds two windows, or one where fewer than five would be left). With the mean squared errors
//! `a_k` before and `b_k` now, a stretch's relative change is `r_k = 2 (b_k - a_k)/(a_k + b_k)`, and the change of the whole
//! `D = sum (b_k - a_k)`. A meter that errs more alike everywhere changes all stretches by the same share; one that only takes its
//! samples of the noise elsewhere changes them at random. So the scatter of the `r_k` about their median (1.4826 times the median
//! absolute deviation, which is the standard deviation of normal ones) is the noise, s, and D is beyond it if it is more than three times
//! `s sqrt(sum ((a_k + b_k)/2)^2)`. Less than [`LEAST`] of the root mean square is `same` however sure it is, and with fewer than
//! [`ENOUGH`] stretches nobody can tell. A change in one stretch only, after a step say, is always beyond noise: the others show that there is
//! none.
//!
//! [`Score::stretches`]: crate::score::Score::stretches

use std::collections::BTreeMap;
use std::path::Path;

use super::{Figures, Outcome};
use crate::score::{STRETCHES, Stretch};

/// Share of readings whose interval holds the truth: less than this is no change, nor is what so many windows of a second leave to chance.
const COVERED: f64 = 0.02;

/// Share of a root mean square below which a change is none.
pub const LEAST: f64 = 0.01;

/// Stretches that a noise is told from, at least.
pub const ENOUGH: usize = 5;

/// Standard deviations of the noise that a change must exceed.
const SIGMAS: f64 = 3.0;

/// Earlier outcomes, by name.
#[derive(Clone, Debug, Default)]
pub struct Baseline(BTreeMap<String, Outcome>);

/// What became of an item since.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Trend {
    /// Nothing, or nothing that can be told from noise.
    Same,
    /// There was none, or of another seed or length.
    New,
    /// It changed, in which direction cannot be told.
    Unclear,
    /// At least one figure is better, and none worse.
    Better,
    /// At least one figure is worse.
    Worse,
}

impl Trend {
    /// Its name in outputs.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Same => "same",
            Self::New => "new",
            Self::Unclear => "unclear",
            Self::Better => "better",
            Self::Worse => "worse",
        }
    }
}

/// An item against its like of before.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// What it comes to.
    pub trend: Trend,
    /// Relative change of the root mean square; `None` where there is nothing to compare.
    pub rms: Option<f64>,
    /// The same of its noise, one standard deviation.
    pub noise: Option<f64>,
    /// What is behind the trend, figure by figure.
    pub why: String,
}

impl Baseline {
    /// The outcomes that `humtick suite --save` wrote.
    ///
    /// # Errors
    /// The file cannot be read, or a line of it is no outcome.
    pub fn from_file(path: &Path) -> Result<Self, String> {
        let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
        Self::parse(&text).map_err(|(line, what)| format!("{}:{line}: {what}", path.display()))
    }

    fn parse(text: &str) -> Result<Self, (usize, String)> {
        let outcome = |(place, line): (usize, &str)| {
            let wrong =
                |error| (place + 1, format!("is no outcome as `humtick suite --save` writes them: {error}"));
            let mut outcome: Outcome = serde_json::from_str(line).map_err(wrong)?;
            if outcome.unreadable.is_none() {
                outcome.figures = Some(serde_json::from_str(line).map_err(wrong)?);
            }
            Ok((outcome.name.clone(), outcome))
        };
        let outcomes: BTreeMap<_, _> = text.lines().enumerate().map(outcome).collect::<Result<_, _>>()?;
        if outcomes.is_empty() {
            return Err((1, "is empty: expected what `humtick suite --save` writes".into()));
        }
        Ok(Self(outcomes))
    }

    /// Earlier items that are not among `now`.
    pub fn gone<'a>(&'a self, now: &[Outcome]) -> Vec<&'a str> {
        let now: std::collections::BTreeSet<_> = now.iter().map(|outcome| outcome.name.as_str()).collect();
        self.0.keys().map(String::as_str).filter(|name| !now.contains(name)).collect()
    }

    /// What became of `now`.
    pub fn change(&self, now: &Outcome) -> Change {
        let none = |trend, why: &str| Change { trend, rms: None, noise: None, why: why.into() };
        let Some(before) = self.0.get(&now.name) else { return none(Trend::New, "") };
        match (&before.figures, &now.figures) {
            (None, None) => none(Trend::Same, ""),
            (Some(_), None) => none(Trend::Worse, "cannot be tried any more"),
            (None, Some(_)) => none(Trend::New, "could not be tried before"),
            (Some(before), Some(now)) if before.seed != now.seed || before.duration_s != now.duration_s => {
                let why = format!(
                    "was seed {} over {} s, is seed {} over {} s",
                    before.seed, before.duration_s, now.seed, now.duration_s
                );
                none(Trend::New, &why)
            }
            (Some(before), Some(now)) => compared(before, now),
        }
    }
}

/// Median relative change of the root mean squares, clock apart; `None` where nothing can be compared. That a change costs a little everywhere
/// can be seen here before it can in any one.
pub fn overall(changes: &[Change]) -> Option<f64> {
    median(changes.iter().filter_map(|change| change.rms).collect())
}

fn compared(before: &Figures, now: &Figures) -> Change {
    // The clock's lasting error can hide what the noise does, and taking it off hides a clock that the meter was told wrongly.
    let whole = ("rms", Shift::of(before, now, |stretch| stretch.squares));
    let apart = ("rms, clock apart", Shift::of(before, now, |stretch| stretch.apart));
    let mut told: Vec<(Trend, String)> = Vec::new();
    for (what, shift) in [&whole, &apart] {
        let trend = shift.trend();
        if trend != Trend::Same && told.iter().all(|(before, _)| *before != trend) {
            told.push((trend, format!("{what} {}", shift.shown())));
        }
    }
    let direction = |worse: bool| if worse { Trend::Worse } else { Trend::Better };
    if (before.rms_hz.is_none(), before.lock_s.is_none()) != (now.rms_hz.is_none(), now.lock_s.is_none()) {
        let worse = now.rms_hz.is_none() || now.lock_s.is_none();
        told.push((direction(worse), if worse { "reads no more" } else { "reads now" }.into()));
    }
    if let (Some(was), Some(is)) = (before.coverage, now.coverage)
        && (is - was).abs() > COVERED.max(SIGMAS * (0.95 * 0.05 / now.duration_s.max(1.0)).sqrt())
        && was.min(is) < 0.95
    {
        told.push((direction(is < was), format!("coverage {:.1} % -> {:.1} %", 100.0 * was, 100.0 * is)));
    }
    if before.false_readings != now.false_readings {
        let trend = direction(now.false_readings > before.false_readings);
        told.push((trend, format!("false readings {} -> {}", before.false_readings, now.false_readings)));
    }
    if let (Some(was), Some(is)) = (before.lock_s, now.lock_s)
        && (is - was).abs() > 0.05 * was.max(is)
    {
        told.push((direction(is > was), format!("lock {was:.3} s -> {is:.3} s")));
    }
    let share = |figures: &Figures| figures.unknown as f64 / figures.readings.max(1) as f64;
    if (share(now) - share(before)).abs() > 0.01 {
        let trend = direction(share(now) > share(before));
        told.push((
            trend,
            format!("unknown {:.1} % -> {:.1} % of readings", 100.0 * share(before), 100.0 * share(now)),
        ));
    }
    let trend = told.iter().map(|(trend, _)| *trend).max().unwrap_or(Trend::Same);
    told.sort_by_key(|(trend, _)| std::cmp::Reverse(*trend));
    let why = told.into_iter().map(|(_, what)| what).collect::<Vec<_>>().join("; ");
    Change { trend, rms: apart.1.rms, noise: apart.1.noise, why }
}

/// How a root mean square changed.
struct Shift {
    /// Relative change.
    rms: Option<f64>,
    /// Standard deviation of that by noise.
    noise: Option<f64>,
}

impl Shift {
    fn of(before: &Figures, now: &Figures, squares: impl Fn(&Stretch) -> f64) -> Self {
        let mean = |figures: &Figures| mean(&figures.stretches, &squares);
        let rms = match (mean(before), mean(now)) {
            (Some(was), Some(is)) if was == is => Some(0.0),
            (Some(was), Some(is)) => Some((is / was).sqrt() - 1.0),
            _ => None,
        };
        Self { rms, noise: noise(&pairs(before, now, squares)) }
    }

    fn trend(&self) -> Trend {
        match (self.rms, self.noise) {
            (Some(rms), _) if rms.abs() < LEAST => Trend::Same,
            (Some(rms), Some(noise)) if rms.abs() <= SIGMAS * noise => Trend::Same,
            (Some(rms), Some(_)) => {
                if rms > 0.0 {
                    Trend::Worse
                } else {
                    Trend::Better
                }
            }
            (Some(_), None) => Trend::Unclear,
            (None, _) => Trend::Same,
        }
    }

    fn shown(&self) -> String {
        let noise =
            self.noise.map_or("too short to tell noise".into(), |n| format!("noise {:.1} %", 100.0 * n));
        format!("{:+.1} % ({noise})", 100.0 * self.rms.unwrap_or_default())
    }
}

/// Mean square of all readings judged in `stretches`.
fn mean(stretches: &[Stretch], squares: impl Fn(&Stretch) -> f64) -> Option<f64> {
    // Saved figures may be anything: floats do not overflow.
    let judged: f64 = stretches.iter().map(|stretch| stretch.judged as f64).sum();
    let sum: f64 = stretches.iter().map(squares).sum();
    (judged > 0.0).then(|| sum / judged)
}

/// Mean square before, and now, of stretches that each hold a window or more; none where there are too few.
fn pairs(before: &Figures, now: &Figures, squares: impl Fn(&Stretch) -> f64) -> Vec<(f64, f64)> {
    let windows = now.duration_s / before.window_s.max(now.window_s);
    let whole = |most: f64| [1, 2, 3, 5, 6].into_iter().find(|g| (STRETCHES / g) as f64 <= most);
    let Some(group) = whole(windows / 2.0).or_else(|| whole(windows)) else { return vec![] };
    let means = |figures: &Figures| -> Vec<_> {
        figures.stretches.chunks(group).map(|stretches| mean(stretches, &squares)).collect()
    };
    means(before).into_iter().zip(means(now)).filter_map(|(was, is)| was.zip(is)).collect()
}

/// Standard deviation of the relative change of the root mean square, by the scatter from stretch to stretch.
fn noise(pairs: &[(f64, f64)]) -> Option<f64> {
    if pairs.len() < ENOUGH {
        return None;
    }
    let sizes: Vec<_> = pairs.iter().map(|(was, is)| (was + is) / 2.0).collect();
    let relative: Vec<_> = pairs
        .iter()
        .zip(&sizes)
        .filter(|(_, size)| **size > 0.0)
        .map(|((was, is), size)| (is - was) / size)
        .collect();
    let middle = median(relative.clone())?;
    let scatter = 1.4826 * median(relative.iter().map(|r| (r - middle).abs()).collect())?;
    let whole = sizes.iter().map(|size| size * size).sum::<f64>().sqrt();
    // A root changes by half the share of its square.
    Some(scatter * whole / sizes.iter().sum::<f64>() / 2.0)
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let (low, high) = (values.get(values.len().checked_sub(1)? / 2)?, values.get(values.len() / 2)?);
    Some((low + high) / 2.0)
}

#[cfg(test)]
mod tests;
