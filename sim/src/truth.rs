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
            reach_s: settings.window_s + (f64::from(settings.coast_cycles) + 16.0) / lowest,
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
mod tests {
    use super::*;
    use crate::course::{Part, Wander};
    use crate::random::{Random, Use};

    fn settings(estimator: EstimatorKind, polarity: PolarityKind, window_s: f64) -> MeterSettings {
        MeterSettings { estimator, polarity, window_s, ..MeterSettings::default() }
    }

    fn truth(parts: Vec<Part>, estimator: EstimatorKind, window_s: f64) -> Truth {
        Truth::new(Course::new(parts), 50.0, &settings(estimator, PolarityKind::Rising, window_s))
    }

    /// The crossings of a window of which none is missing.
    fn whole(n: usize) -> impl ExactSizeIterator<Item = (Moment, bool)> {
        std::iter::repeat_n((Moment::default(), false), n)
    }

    const ALL: [EstimatorKind; 7] = [
        EstimatorKind::LastPeriod,
        EstimatorKind::EndToEnd,
        EstimatorKind::Triangular,
        EstimatorKind::LeastSquares,
        EstimatorKind::Biweight,
        EstimatorKind::Hann,
        EstimatorKind::Kaiser,
    ];

    /// The phase by Simpson's rule over steps of a millisecond, crossings of it by bisection: nothing of the course and
    /// of the shared instants.
    #[test]
    fn windows_are_those_of_brute_force() {
        let rate = |t: f64| 50.0 + (t.clamp(0.7, 1.2) - 0.7) - 1.5 * (t.clamp(4.4, 4.9) - 4.4);
        let step = 1e-3;
        let mut phase = vec![0.0];
        for i in 0..6_000 {
            let t = f64::from(i) * step;
            let simpson = (rate(t) + 4.0 * rate(t + step / 2.0) + rate(t + step)) / 6.0 * step;
            phase.push(phase[i as usize] + simpson);
        }
        let phase_at = |t: f64| {
            let i = (t / step) as usize;
            let x = t - i as f64 * step;
            phase[i] + x * (rate(i as f64 * step) + 4.0 * rate(i as f64 * step + x / 2.0) + rate(t)) / 6.0
        };
        let when = |p: f64| {
            let (mut low, mut high) = (0.0, 5.9);
            for _ in 0..60 {
                let middle = (low + high) / 2.0;
                if phase_at(middle) < p { low = middle } else { high = middle }
            }
            (low + high) / 2.0
        };
        for polarity in [PolarityKind::Rising, PolarityKind::Both] {
            for estimator in ALL {
                let parts = vec![
                    Part::Constant(50.0),
                    Part::Ramp { slope: 1.0, start: 0.7, stop: 1.2 },
                    Part::Ramp { slope: -1.5, start: 4.4, stop: 4.9 },
                ];
                let mut truth = Truth::new(Course::new(parts), 50.0, &settings(estimator, polarity, 1.0));
                let a_cycle = if polarity == PolarityKind::Both { 2.0 } else { 1.0 };
                // Neighbouring windows, then a jump in time; another phase from the fourth on.
                for (start, n) in [(20.3, 50), (25.3, 50), (30.3, 51), (217.77, 50), (222.77, 49)] {
                    let instants: Vec<f64> = (0..=n).map(|k| when(start + f64::from(k) / a_cycle)).collect();
                    let kind = Kind::of(estimator);
                    let size = instants.len();
                    let weights =
                        if a_cycle == 1.0 { kind.weights(size) } else { kind.weights_of_both(size) };
                    let period: f64 = weights.iter().zip(&instants).map(|(c, t)| c * t).sum();
                    let ends = (Moment::from_s(instants[0]), Moment::from_s(instants[size - 1]));
                    let found = truth.over(ends.0, ends.1, whole(size)).unwrap();
                    assert!((found - 1.0 / period).abs() < 1e-9, "{} {start}: {found}", kind.name);
                }
            }
        }
    }

    /// End to end it is the frequency in the middle; least squares, triangular and tapers exceed it by R^2 T^2/f times their
    /// share (estimators.md and windows.md: 1/20, 1/16, 1/14, 1/13.2; less towards the ends in a short window).
    #[test]
    fn on_a_ramp() {
        let shares = [(EstimatorKind::EndToEnd, 0.0), (EstimatorKind::LeastSquares, 1.0 / 20.0)];
        let shares = shares.into_iter().chain([
            (EstimatorKind::Triangular, 1.0 / 16.0),
            (EstimatorKind::Biweight, 1.0 / 14.0),
            (EstimatorKind::Hann, 1.0 / 13.2),
        ]);
        for (estimator, share) in shares {
            let parts = vec![Part::Constant(45.0), Part::Ramp { slope: 1.0, start: 0.0, stop: 100.0 }];
            let mut truth = truth(parts, estimator, 10.0);
            let (first, last) = (Moment::second(1), Moment::second(11));
            // 45 t + t^2/2 from 1 to 11 s: 510 cycles.
            let found = truth.over(first, last, whole(511)).unwrap();
            let excess = found - truth.at(Moment::second(6));
            let expected = share * 100.0 / 51.0;
            assert!((excess - expected).abs() < 0.02 * expected + 1e-9, "{estimator:?}: {excess} {expected}");
        }
    }

    /// 10 mHz at 0.1 Hz in ten seconds: nothing is left end to end, 3.0 mHz of least squares, 4.0 of triangular, and at 0.05 Hz 6.4,
    /// 7.7 and 8.1 (estimators.md).
    #[test]
    fn swings_are_attenuated_as_each_estimator_does() {
        let cases = [
            (EstimatorKind::EndToEnd, 10.0, 0.0),
            (EstimatorKind::LeastSquares, 10.0, 3.04),
            (EstimatorKind::Triangular, 10.0, 4.05),
            (EstimatorKind::EndToEnd, 20.0, 6.37),
            (EstimatorKind::LeastSquares, 20.0, 7.74),
            (EstimatorKind::Triangular, 20.0, 8.11),
        ];
        for (estimator, period, expected_mhz) in cases {
            let swing = Part::Swing { size: 0.01, squared: 0.0, period };
            let mut truth = truth(vec![Part::Constant(50.0), swing], estimator, 10.0);
            let mut largest = 0.0f64;
            for i in 0..400 {
                let first = Moment::from_s(20.0 + 0.1 * f64::from(i));
                largest =
                    largest.max((truth.over(first, first.later(10.0), whole(501)).unwrap() - 50.0).abs());
            }
            assert!((largest * 1e3 - expected_mhz).abs() < 0.02, "{estimator:?} {period}: {largest}");
        }
    }

    /// After a silence of a year the course in between has been generated and let go again, and the truth is no coarser.
    #[test]
    fn silences_cost_no_memory() {
        let parts = vec![Part::Constant(50.0), Part::Ramp { slope: 1e-9, start: 0.0, stop: 1e9 }];
        let mut truth = truth(parts, EstimatorKind::LeastSquares, 1.0);
        let later = Moment::second(1_000_000);
        let found = truth.over(later.later(0.123), later.later(1.123), whole(51)).unwrap();
        assert!((found - (50.0 + 1e-9 * 1_000_000.623)).abs() < 1e-10, "{found}");
        assert!(truth.over(later, later.later(0.001), whole(2)).is_none());
    }

    /// A noisy window end moves the window, and the truth no more than the grid moves in that time.
    #[test]
    fn noisy_ends_hardly_move_the_truth() {
        let wander = Wander::new(0.02, 5.0, Random::new(3, Use::Grid, 0));
        let parts = vec![Part::Constant(50.0), Part::Wander(wander)];
        let mut clean = truth(parts.clone(), EstimatorKind::LeastSquares, 1.0);
        let mut noisy = truth(parts, EstimatorKind::LeastSquares, 1.0);
        let mut random = Random::new(1, Use::Noise, 0);
        for i in 1..2_000 {
            let ends = [0.1, 1.1].map(|at| Moment::from_s(at + 0.1 * f64::from(i)));
            let [first, last] = ends.map(|end| end.later(2e-5 * random.normal()));
            let apart = noisy.over(first, last, whole(51)).unwrap()
                - clean.over(ends[0], ends[1], whole(51)).unwrap();
            assert!(apart.abs() < 3e-6, "{apart}");
        }
    }

    #[test]
    fn products_are_products() {
        let numbers = |n: usize| (0..n).map(|i| (i as f64).sin()).collect::<Vec<_>>();
        for n in [0, 1, 3, 4, 7, 50] {
            let (a, b) = (numbers(n), numbers(n + 3));
            let plain: f64 = a.iter().zip(&b).map(|(a, b)| a * b).sum();
            assert!((product(&a, &b) - plain).abs() < 1e-13);
        }
    }
}
