//! The true frequency that a reading is held against.
//!
//! A reading claims the mean over its window with its estimator's weights, and that is what its uncertainty speaks of: least squares
//! and tapers weight the middle of the window, so on a moving grid they answer another question than the mean from end to end. Whoever
//! looks at the reading may take it for the frequency in the middle of the window. Both truths come from the grid's phase, which
//! is integrated exactly, and neither knows of noise, front end or clock.
//!
//! The window's ideal crossings lie one cycle of the grid's phase apart, half a cycle with both polarities; they are as many as the
//! phase between its true ends holds, whatever the reading counted, and centred between these ends. Their instants t_k through the
//! estimator's weights c_k are a period, sum c_k t_k, and its inverse the truth. Where crossings are missing the weights are those that the
//! estimator has without them: on a ramp of 50 mHz/s one crossing missing of a second moves least squares by up to 0.5 mHz.

use std::collections::VecDeque;

use crate::course::{Course, History, Sum};
use crate::moment::Moment;
use crate::settings::{EstimatorKind, MeterSettings, PolarityKind};
use crate::weights::Kind;

/// Seconds of the grid's course that are generated at a time where nobody asks for longer.
const STRIDE_S: f64 = 60.0;

/// How far a window's crossings may lie from those of the windows before to share their instants, in crossings. On a grid that moves
/// by 1 Hz/s a thousandth of a cycle at 50 Hz is 20 uHz.
const SHARED: f64 = 1e-3;

/// Estimators of so few stamps have their instants worked out for each window.
const FEW: usize = 4;

/// Sizes of window whose weights are kept: a window in time holds one crossing more or less from reading to reading.
const SIZES: usize = 4;

/// The grid's course, asked about windows in order of time.
#[derive(Clone, Debug)]
pub struct Truth {
    grid: History,
    estimator: EstimatorKind,
    /// Crossings a cycle: of one polarity, or of two.
    polarities: u8,
    /// Seconds between crossings at the nominal frequency.
    spacing: f64,
    /// How far back a window may begin.
    reach_s: f64,
    /// What lies before has been forgotten.
    forgotten: Moment,
    instants: Instants,
    /// By number of crossings, the latest used first.
    weights: Vec<(usize, Weights)>,
}

#[derive(Clone, Debug)]
enum Weights {
    /// Of the few stamps that count: which, and how much.
    Few(Vec<(usize, f64)>),
    All(Vec<f64>),
}

/// Ideal instants of successive crossings.
#[derive(Clone, Debug, Default)]
struct Instants {
    /// Phase of crossing 0 in crossings, 0 to 1.
    anchor: f64,
    /// Number of the oldest one kept.
    first: i64,
    /// Seconds after a line of nominal spacing, from the oldest to the newest; the line's level means nothing, and drops out of
    /// weights that add up to zero.
    late: VecDeque<f64>,
    /// When the newest is.
    newest: Moment,
}

impl Truth {
    /// Of readings that a meter of these `settings` takes of a mains of `nominal_hz` whose frequency follows `grid`.
    pub fn new(grid: Course, nominal_hz: f64, settings: &MeterSettings) -> Self {
        let polarities = if settings.polarity == PolarityKind::Both { 2 } else { 1 };
        let (lowest, _) = settings.nominal.range_hz();
        Self {
            grid: History::new(grid),
            estimator: settings.estimator,
            polarities,
            spacing: 1.0 / (nominal_hz * f64::from(polarities)),
            // The window, a gap that was coasted, and some cycles that were found to be crossings later.
            reach_s: settings.window_s
                + if settings.intervals { 11.0 } else { 0.0 }
                + (f64::from(settings.coast_cycles) + 16.0) / lowest,
            forgotten: Moment::default(),
            instants: Instants::default(),
            weights: Vec::new(),
        }
    }

    /// The grid's frequency at `at`.
    pub fn at(&mut self, at: Moment) -> f64 {
        self.forget_before(at);
        self.grid.rate(at)
    }

    /// The grid's rate of change of frequency at `at`, in hertz a second: over a millisecond either way, since a swing is made of
    /// straight lines.
    pub fn rate_of_change(&mut self, at: Moment) -> f64 {
        const HALF_S: f64 = 0.001;
        (self.grid.rate(at.later(HALF_S)) - self.grid.rate(at.later(-HALF_S))) / (2.0 * HALF_S)
    }

    /// The grid's mean frequency from `from` to `to`.
    pub fn mean(&mut self, from: Moment, to: Moment) -> f64 {
        self.grid.sum(to).minus(self.grid.sum(from)) / to.since(from)
    }

    /// Cycles of the grid from the start to `at`.
    pub fn cycles(&mut self, at: Moment) -> f64 {
        self.forget_before(at);
        self.grid.sum(at).minus(Sum::default())
    }

    /// The frequency over the window between two crossings, weighted as the estimator does; `None` where the grid has not gone through
    /// enough cycles in it. `seen` are all crossings of the window, oldest first, and whether each is a falling one.
    pub fn over(
        &mut self,
        first: Moment,
        last: Moment,
        seen: impl ExactSizeIterator<Item = (Moment, bool)>,
    ) -> Option<f64> {
        self.forget_before(last);
        let polarities = f64::from(self.polarities);
        let begin = self.grid.sum(first);
        let crossings = self.grid.sum(last).minus(begin) * polarities;
        let steps = crossings.round();
        if steps < 2.0 * polarities - 1.0 {
            return None;
        }
        let oldest = begin.plus((crossings - steps) / 2.0 / polarities);
        let n = steps as usize + 1;
        let late = if seen.len() == n {
            self.late(first, oldest, n)
        } else {
            let at: Vec<_> = seen
                .map(|(at, falling)| ((self.grid.sum(at).minus(oldest) * polarities).round(), falling))
                .collect();
            self.late_with_gaps(first, oldest, steps, &at)
        };
        let frequency = 1.0 / (self.spacing * polarities + late);
        frequency.is_finite().then_some(frequency)
    }

    /// Seconds by which the period over `n` crossings from phase `oldest` on exceeds the nominal one.
    fn late(&mut self, first: Moment, oldest: Sum, n: usize) -> f64 {
        self.choose_weights(n);
        match self.weights.first() {
            Some((_, Weights::Few(weights))) => {
                let (grid, polarities) = (&mut self.grid, f64::from(self.polarities));
                let late = weights.iter().map(|(j, c)| {
                    let instant = grid.when(oldest.plus(*j as f64 / polarities));
                    c * (instant.since(first) - *j as f64 * self.spacing)
                });
                late.sum()
            }
            Some((_, Weights::All(weights))) => {
                self.instants.cover(oldest, n, self.polarities, self.spacing, &mut self.grid);
                self.instants.weighted(weights)
            }
            None => 0.0,
        }
    }

    /// The same over the crossings `at` so many steps after the oldest, of `steps` to the newest.
    fn late_with_gaps(&mut self, first: Moment, oldest: Sum, steps: f64, at: &[(f64, bool)]) -> f64 {
        let polarities = f64::from(self.polarities);
        let places: Vec<_> =
            at.iter().map(|(j, falling)| ((j - steps / 2.0) / polarities, *falling)).collect();
        let weights = Kind::of(self.estimator).weigh(&places, (steps + 2.0) / 2.0 / polarities);
        let late = weights.iter().zip(at).map(|(c, (j, _))| {
            let instant = self.grid.when(oldest.plus(j / polarities));
            c * (instant.since(first) - j * self.spacing)
        });
        late.sum()
    }

    /// Puts the weights of `n` crossings first.
    fn choose_weights(&mut self, n: usize) {
        match self.weights.iter().position(|(size, _)| *size == n) {
            Some(0) => {}
            Some(place) => self.weights.swap(0, place),
            None => {
                let kind = Kind::of(self.estimator);
                let all = if self.polarities == 1 { kind.weights(n) } else { kind.weights_of_both(n) };
                let few: Vec<_> = all.iter().copied().enumerate().filter(|(_, c)| *c != 0.0).collect();
                let weights = if few.len() <= FEW { Weights::Few(few) } else { Weights::All(all) };
                self.weights.truncate(SIZES - 1);
                self.weights.insert(0, (n, weights));
            }
        }
    }

    /// Lets go of what no window that ends at `now` or later reaches. Long silences are walked through, so that their course is
    /// never held as a whole.
    fn forget_before(&mut self, now: Moment) {
        let before = now.later(-self.reach_s);
        while before.since(self.forgotten) > STRIDE_S {
            self.forgotten = self.forgotten.later(STRIDE_S);
            self.grid.rate(self.forgotten);
            self.grid.forget(self.forgotten);
        }
        if before.since(self.forgotten) > 0.0 {
            self.forgotten = before;
            self.grid.forget(before);
        }
    }
}

impl Instants {
    /// Makes the oldest instant that of the crossing nearest to phase `oldest`, and has at least `n` from there on.
    fn cover(&mut self, oldest: Sum, n: usize, polarities: u8, spacing: f64, grid: &mut History) {
        let within = oldest.part * f64::from(polarities);
        let whole = oldest.whole * i64::from(polarities);
        let steps = (within - self.anchor).round();
        let mut number = whole + steps as i64;
        if (within - self.anchor - steps).abs() > SHARED {
            self.anchor = within.fract();
            self.late.clear();
            number = whole + within.trunc() as i64;
        }
        let kept = usize::try_from(number - self.first).unwrap_or(usize::MAX);
        if kept < self.late.len() {
            self.late.drain(..kept);
        } else {
            self.late.clear();
        }
        self.first = number;
        while self.late.len() < n {
            let next = number + self.late.len() as i64;
            let cycle = next.div_euclid(polarities.into());
            let part = (next.rem_euclid(polarities.into()) as f64 + self.anchor) / f64::from(polarities);
            let instant = grid.when(Sum { whole: cycle, part });
            let late = match self.late.back() {
                Some(before) => before + (instant.since(self.newest) - spacing),
                None => 0.0,
            };
            self.late.push_back(late);
            self.newest = instant;
        }
    }

    /// The oldest instants through as many weights.
    fn weighted(&self, weights: &[f64]) -> f64 {
        let (front, back) = self.late.as_slices();
        let (at_front, at_back) = weights.split_at(weights.len().min(front.len()));
        product(at_front, front) + product(at_back, back)
    }
}

/// Sum of the products; four sums side by side, or each addition would wait for the one before.
fn product(a: &[f64], b: &[f64]) -> f64 {
    let (a4, a) = a.as_chunks::<4>();
    let b = &b[..4 * a4.len() + a.len()];
    let (b4, b) = b.as_chunks::<4>();
    let mut sums = [0.0; 4];
    for (a, b) in a4.iter().zip(b4) {
        for i in 0..4 {
            sums[i] += a[i] * b[i];
        }
    }
    let rest: f64 = a.iter().zip(b).map(|(a, b)| a * b).sum();
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest
}

#[cfg(test)]
mod tests;
