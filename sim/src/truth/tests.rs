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
                let weights = if a_cycle == 1.0 { kind.weights(size) } else { kind.weights_of_both(size) };
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

/// A phase jump makes ends that are no whole number of cycles apart: the window is in the middle between them.
#[test]
fn windows_are_centred() {
    for estimator in [EstimatorKind::EndToEnd, EstimatorKind::LeastSquares] {
        let parts = vec![Part::Constant(50.0), Part::Ramp { slope: 0.1, start: 0.0, stop: 100.0 }];
        let mut truth = truth(parts, estimator, 1.0);
        for (first, span) in [(5.0, 1.0), (6.0, 1.007), (7.0, 0.993), (8.0, 1.006)] {
            let first = Moment::from_s(first);
            let n = ((50.0 + 0.1 * first.seconds()) * span).round() as usize + 1;
            let found = truth.over(first, first.later(span), whole(n)).unwrap();
            let middle = truth.at(first.later(span / 2.0));
            // Least squares 0.01/20/50.6 Hz high.
            assert!((found - middle).abs() < 2e-5, "{estimator:?} {span}: {}", found - middle);
        }
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
            largest = largest.max((truth.over(first, first.later(10.0), whole(501)).unwrap() - 50.0).abs());
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
        let apart =
            noisy.over(first, last, whole(51)).unwrap() - clean.over(ends[0], ends[1], whole(51)).unwrap();
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
