//! The farthest value of a key that still keeps a limit, by bisection.
//!
//! Each seed is taken to keep the limit from one end of the range up to some value of its own, and not beyond. The steps of the sweep say
//! between which two of them that value lies, and bisection narrows it to half a percent. Where a seed keeps the limit again beyond a
//! value at which it broke it, that is not so: such seeds are counted, and the first value at which a seed breaks the limit is what counts.
//!
//! The farthest value that holds is the one at which every seed holds: the least of the seeds' own. How many of all seeds hold there
//! is known no better than their number allows; see [`confidence`](super::confidence).

use std::sync::Arc;

use super::confidence::{of_median, share};
use super::measure::{Figures, Measure};
use super::{Sweep, SweepError, run};

/// What is to be kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// Which figure.
    pub measure: Measure,
    /// The most it may be; of a share, the least.
    pub value: f64,
}

impl Limit {
    /// `MEASURE=VALUE`.
    ///
    /// # Errors
    /// Anything else.
    pub fn parse(text: &str) -> Result<Self, SweepError> {
        let wrong = |what: String| {
            let cut: String = text.chars().take(60).collect();
            SweepError::Key(format!("{cut}: {what}; expected MEASURE=VALUE"))
        };
        let (name, value) = text.split_once('=').ok_or_else(|| wrong("no =".into()))?;
        let measure =
            Measure::ALL.into_iter().find(|measure| measure.name() == name.trim()).ok_or_else(|| {
                let names = Measure::ALL.map(Measure::name);
                let near = crate::keys::nearest(names.iter(), name);
                wrong(format!("unknown measure;{near} There are {}", names.join(", ")))
            })?;
        match value.trim().parse::<f64>() {
            Ok(value) if measure.is_share() && value > 1.0 => Err(wrong("a share is 0 to 1".into())),
            Ok(value) if value.is_finite() && value >= 0.0 => Ok(Self { measure, value }),
            _ => Err(wrong("no number of 0 or more".into())),
        }
    }

    /// Whether a trial keeps it.
    pub fn holds(self, figures: &Figures) -> bool {
        self.measure.holds(figures.get(self.measure), self.value)
    }

    /// How many of these seeds keep it.
    pub fn held(self, seeds: &[Figures]) -> usize {
        seeds.iter().filter(|seed| self.holds(seed)).count()
    }
}

impl std::fmt::Display for Limit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let sign = if self.measure.is_share() { ">=" } else { "<=" };
        write!(f, "{} {sign} {}", self.measure.name(), self.value)
    }
}

/// How many seeds hold at a value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct At {
    /// The value.
    pub value: f64,
    /// Seeds that hold there.
    pub held: usize,
}

/// What was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Farthest {
    /// Not every seed holds even at the first value.
    None(At),
    /// All seeds hold up to the last value.
    All(At),
    /// All seeds hold at the one and not at the other, the next that was tried.
    Between(At, At),
}

/// The farthest value that holds, of one series.
#[derive(Clone, Debug, PartialEq)]
pub struct Solution {
    /// Its place among those across.
    pub series: usize,
    /// What is kept.
    pub limit: Limit,
    /// The key.
    pub key: String,
    /// The range's first value and its last.
    pub ends: (f64, f64),
    /// Seeds in all.
    pub count: usize,
    /// How far all of them hold.
    pub farthest: Farthest,
    /// At the last value.
    pub last: At,
    /// How far half of them hold, and between which values that lies for all seeds with 95 %; a value that lies outside the range is `None`.
    pub half: Half,
    /// Seeds that hold at some value beyond one at which they do not.
    pub contradicting: usize,
}

/// How far half of the seeds hold.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Half {
    /// The middle of the seeds' own values.
    pub value: Option<f64>,
    /// Its interval, nearer end first; `None` with fewer than six seeds or where an end lies outside the range.
    pub interval: Option<(f64, f64)>,
}

/// How often the nearest value is looked for again because a seed that holds beyond it fails there. Each time the answer is nearer.
const ROUNDS: u32 = 30;

/// Up to where one seed holds, and the next value at which it does not. Nothing before the range, nothing beyond it.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Edge {
    holds: Option<f64>,
    breaks: Option<f64>,
}

/// Narrows down, for each series of `sweep`, how far `limit` is kept; `progress` is told of simulated seconds beyond the sweep's own.
///
/// # Errors
/// Two keys are varied; values that do not go together.
pub fn solve(
    sweep: &Sweep,
    limit: Limit,
    threads: usize,
    mut progress: impl FnMut(f64),
) -> Result<Vec<Solution>, SweepError> {
    if sweep.plan.vary.len() != 1 {
        return Err(SweepError::Key("a limit is solved for with one key varied".into()));
    }
    (0..sweep.plan.series()).map(|series| one(sweep, series, limit, threads, &mut progress)).collect()
}

fn one(
    sweep: &Sweep,
    series: usize,
    limit: Limit,
    threads: usize,
    progress: &mut impl FnMut(f64),
) -> Result<Solution, SweepError> {
    let plan = &sweep.plan;
    let (vary, cells) = (&plan.vary[0], sweep.series(series));
    let count = plan.repeat as usize;
    let mut contradicts = vec![false; count];
    // The values at which each seed was seen to hold.
    let mut known: Vec<Vec<f64>> = vec![Vec::new(); count];
    let mut edges: Vec<Edge> = (0..count)
        .map(|seed| {
            let held: Vec<bool> = cells.iter().map(|cell| limit.holds(&cell.seeds[seed])).collect();
            let first = held.iter().position(|held| !held).unwrap_or(held.len());
            contradicts[seed] = held.iter().skip(first).any(|held| *held);
            known[seed].extend_from_slice(&vary.values[..first]);
            let value = |place: Option<usize>| vary.values.get(place?).copied();
            Edge { holds: value(first.checked_sub(1)), breaks: value(Some(first)) }
        })
        .collect();
    // Every seed at its own middle, all at once.
    let trials = |tries: &[(usize, f64)], progress: &mut dyn FnMut(f64)| -> Result<Vec<bool>, SweepError> {
        let job = |(seed, value): &(usize, f64)| {
            let scenario = Arc::new(plan.scenario(series, &[*value])?);
            Ok::<_, SweepError>(plan.job(&scenario, *seed as u32))
        };
        let jobs: Vec<_> = tries.iter().map(job).collect::<Result<_, _>>()?;
        let figures = run::all(&jobs, plan.readings, threads, progress)?;
        Ok(figures.iter().map(|figures| limit.holds(figures)).collect())
    };
    // How far along the range a value is.
    let (from, to) = vary.ends();
    let along = |value: f64| if from < to { value } else { -value };
    let nearest = |values: Vec<f64>| values.into_iter().min_by(|a, b| along(*a).total_cmp(&along(*b)));
    let farthest = |values: &[f64], before: f64| {
        let before = values.iter().copied().filter(|value| along(*value) < along(before));
        before.max_by(|a, b| along(*a).total_cmp(&along(*b)))
    };
    let all = |value: f64| -> Vec<_> { (0..count).map(|seed| (seed, value)).collect() };
    for _ in 0..ROUNDS {
        loop {
            let middle = |(seed, edge): (usize, &Edge)| Some((seed, vary.middle(edge.holds?, edge.breaks?)?));
            let tries: Vec<_> = edges.iter().enumerate().filter_map(middle).collect();
            if tries.is_empty() {
                break;
            }
            for ((seed, value), holds) in tries.iter().zip(trials(&tries, progress)?) {
                if holds {
                    known[*seed].push(*value);
                }
                let edge = &mut edges[*seed];
                *(if holds { &mut edge.holds } else { &mut edge.breaks }) = Some(*value);
            }
        }
        let holds: Option<Vec<f64>> = edges.iter().map(|edge| edge.holds).collect();
        let Some(value) = holds.and_then(nearest).filter(|_| edges.iter().any(|edge| edge.breaks.is_some()))
        else {
            break;
        };
        // A seed may hold farther out and fail here: then this is where it breaks first.
        let held = trials(&all(value), progress)?;
        for (seed, _) in held.iter().enumerate().filter(|(_, held)| !**held) {
            contradicts[seed] = true;
            edges[seed] = Edge { holds: farthest(&known[seed], value), breaks: Some(value) };
        }
        if held.iter().all(|held| *held) {
            break;
        }
    }
    let contradicting = contradicts.iter().filter(|contradicts| **contradicts).count();
    let mut held = |value: f64| -> Result<At, SweepError> {
        let held = trials(&all(value), progress)?.into_iter().filter(|holds| *holds).count();
        Ok(At { value, held })
    };
    let at = |cell: &super::Cell| At { value: cell.at[0], held: limit.held(&cell.seeds) };
    let holds: Option<Vec<f64>> = edges.iter().map(|edge| edge.holds).collect();
    let breaks: Vec<f64> = edges.iter().filter_map(|edge| edge.breaks).collect();
    let (first, last) = (at(&cells[0]), at(&cells[cells.len() - 1]));
    let farthest = match (holds.and_then(nearest), nearest(breaks)) {
        (None, _) => Farthest::None(first),
        (Some(_), None) => Farthest::All(last),
        (Some(value), Some(next)) => Farthest::Between(held(value)?, held(next)?),
    };
    Ok(Solution {
        series,
        limit,
        key: vary.key.clone(),
        ends: (from, to),
        count,
        farthest,
        last,
        half: half(&mut edges, along),
        contradicting,
    })
}

/// How far half of the seeds hold: seeds in order of how far they do, and of each the middle of what is known.
fn half(edges: &mut [Edge], along: impl Fn(f64) -> f64) -> Half {
    let place = |edge: &Edge| match (edge.holds, edge.breaks) {
        (None, _) => f64::NEG_INFINITY,
        (Some(_), None) => f64::INFINITY,
        (Some(holds), Some(_)) => along(holds),
    };
    edges.sort_by(|a, b| place(a).total_cmp(&place(b)));
    let middle = |edge: &Edge| Some((edge.holds? + edge.breaks?) / 2.0);
    let count = edges.len();
    let of = |at: usize| edges.get(at).and_then(middle);
    let value = (count > 0).then(|| Some((of((count - 1) / 2)? + of(count / 2)?) / 2.0)).flatten();
    let interval =
        of_median(count).and_then(|(low, high)| Some((edges.get(low)?.holds?, edges.get(high)?.breaks?)));
    Half { value, interval: interval.filter(|_| value.is_some()) }
}

impl Solution {
    /// Whether the limit is kept anywhere.
    pub const fn is_kept(&self) -> bool {
        !matches!(self.farthest, Farthest::None(_))
    }

    /// What it says, a sentence each; the first is the answer.
    pub fn sentences(&self) -> Vec<String> {
        let (key, limit, count) = (&self.key, self.limit, self.count);
        let percent = |share: f64| format!("{:.1}", 100.0 * share);
        let of_all = |held: usize| {
            let (low, high) = share(held, count);
            format!("{} to {} % of all seeds, with 95 % confidence", percent(low), percent(high))
        };
        let (from, to) = self.ends;
        let (extreme, other) = if from < to { ("largest", "smallest") } else { ("smallest", "largest") };
        let mut said = Vec::new();
        match self.farthest {
            Farthest::None(first) => {
                said.push(format!(
                    "{limit} fails already at the first value, {key} = {}: {} of {count} seeds hold there ({})",
                    first.value,
                    first.held,
                    of_all(first.held)
                ));
                if self.last.held == count {
                    said.push(format!(
                        "at the last value, {key} = {to}, all {count} hold: {key}={to}..{from} finds the {other} that does"
                    ));
                }
            }
            Farthest::All(last) => said.push(format!(
                "{limit} holds up to the last value, {key} = {}, in all {count} seeds ({}): the {extreme} that holds lies beyond",
                last.value,
                of_all(last.held)
            )),
            Farthest::Between(value, next) => {
                said.push(format!(
                    "{limit} holds up to {key} = {} in {} of {count} seeds ({})",
                    value.value,
                    value.held,
                    of_all(value.held)
                ));
                said.push(format!(
                    "at {}, the next value tried, {} of {count} hold ({})",
                    next.value,
                    next.held,
                    of_all(next.held)
                ));
            }
        }
        let short = crate::report::chart::short;
        match (self.half.value, self.half.interval) {
            (Some(value), Some((low, high))) => said.push(format!(
                "half of the seeds hold up to {} (of all seeds: {} to {}, with 95 % confidence)",
                short(value),
                short(low),
                short(high)
            )),
            (Some(value), None) => said.push(format!("half of the seeds hold up to {}", short(value))),
            _ => {}
        }
        // Holding at the last value and not at the first, a key goes the other way: that was said.
        if !self.is_kept() && (self.contradicting == 0 || self.last.held == count) {
            return said;
        }
        said.push(match self.contradicting {
            0 => "each seed is taken to hold up to a value of its own and not beyond it; no trial contradicts that".into(),
            some => format!(
                "{some} of {count} seeds hold again beyond a value at which they fail: there is no one farthest value, and the nearest is told"
            ),
        });
        said
    }
}

#[cfg(test)]
mod tests;
