//! What `humtick budget` foretells, against what meters state and how far off they are.

mod common;

use common::monte_carlo::{NAMES, PERIOD, TICKS, meters};
use common::{Train, around, readings, stamp, steady, value};
use humtick::{Config, Edge, LeastSquares};
use humtick_sim::budget::{Board, Budget};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64;

fn budget(jitter_ticks: f64, clock_tolerance_ppm: f64) -> Budget {
    Board {
        tick_hz: TICKS,
        bits: 16,
        nominal_hz: 50.0,
        window_s: 1.0,
        every_s: 0.1,
        jitter_s: jitter_ticks / f64::from(TICKS),
        clock_tolerance_ppm,
    }
    .budget()
    .unwrap()
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// Root mean squares over `trials` windows of 51 crossings: the standard uncertainty stated, the 95 % one, the error.
fn stated(estimator: usize, jitter_ticks: f64, trials: usize) -> [f64; 3] {
    let mut rng = Pcg64::seed_from_u64(7);
    let jitter = Normal::new(0.0, jitter_ticks).unwrap();
    // Periods that no small number of ticks divides.
    let period = PERIOD as f64 + 0.382;
    let (mut u, mut u95, mut error) = (vec![], vec![], vec![]);
    for _ in 0..trials {
        let start = 100_000.0 + rng.random::<f64>();
        let edges: Vec<Edge> = (0..51)
            .map(|k| (start + f64::from(k) * period + jitter.sample(&mut rng)).floor() as u64)
            .map(|at| Edge::rising(stamp(at)))
            .collect();
        let reading = meters::<51>()[estimator].window(&edges).unwrap();
        assert_eq!(reading.cycles, 50);
        u.push(value(reading.standard_uncertainty.unwrap()));
        u95.push(value(reading.expanded_uncertainty.unwrap()));
        error.push(value(reading.frequency.unwrap()) - f64::from(TICKS) / period);
    }
    [rms(&u), rms(&u95), rms(&error)]
}

#[test]
fn readings_state_what_the_budget_foretold_and_are_as_far_off() {
    for jitter_ticks in [4.0, 40.0] {
        for (row, name) in budget(jitter_ticks, 0.0).estimators.iter().zip(NAMES) {
            let estimator = NAMES.iter().position(|n| *n == name).unwrap();
            let [u, u95, error] = stated(estimator, jitter_ticks, 1_000);
            let context = format!("{} as {name}, {jitter_ticks} ticks", row.estimator);
            assert!((u / row.u_hz - 1.0).abs() < 0.02, "{context}: {u} for {}", row.u_hz);
            assert!((u95 / row.u95_hz - 1.0).abs() < 0.02, "{context}: {u95} for {}", row.u95_hz);
            // A thousand trials know a deviation to 2.2 %.
            assert!((error / row.u_hz - 1.0).abs() < 0.08, "{context}: off {error} for {}", row.u_hz);
        }
    }
}

/// Down to no jitter at all, where the bound stands in; a reading adds the quantisation once more than is there, 4 % at one tick.
#[test]
fn least_squares_agrees_down_to_no_jitter() {
    for jitter_ticks in [0.0, 0.1, 1.0, 2.0] {
        let budget = budget(jitter_ticks, 0.0);
        let row = &budget.estimators[3];
        let [u, u95, error] = stated(3, jitter_ticks, 500);
        assert_eq!(row.bound_hz.is_some(), jitter_ticks < 0.5);
        assert!((u / row.u_hz - 1.0).abs() < 0.05, "{jitter_ticks} ticks: {u} for {}", row.u_hz);
        assert!((u95 / row.u95_hz - 1.0).abs() < 0.05, "{jitter_ticks} ticks: {u95} for {}", row.u95_hz);
        assert!(error < row.u_hz * 1.1, "{jitter_ticks} ticks: off {error} for {}", row.u_hz);
    }
}

/// With the clock, and edges one after another as a board hands them over.
#[test]
fn the_clock_enters_as_it_does_in_a_reading() {
    for (jitter_ticks, ppm) in [(40.0, 20.0), (400.0, 50.0), (40.0, 5_000.0)] {
        let config = Config { clock_tolerance_ppb: (ppm * 1e3) as u32, ..around(TICKS, 50.0) };
        let edges = Train { jitter: jitter_ticks, ..Train::clean(TICKS) }.edges(&steady(49.999, 20_000));
        let full: Vec<_> = readings::<64, LeastSquares>(&config, &edges)
            .into_iter()
            .filter(|reading| reading.cycles == 50 && reading.missed == 0)
            .collect();
        assert!(full.len() > 3_000, "{} readings", full.len());
        let u: Vec<_> = full.iter().filter_map(|r| r.standard_uncertainty).map(value).collect();
        let u95: Vec<_> = full.iter().filter_map(|r| r.expanded_uncertainty).map(value).collect();
        let row = budget(jitter_ticks, ppm).estimators[3];
        assert_eq!(u.len(), full.len());
        assert!((rms(&u) / row.u_hz - 1.0).abs() < 0.02, "{} for {}", rms(&u), row.u_hz);
        assert!((rms(&u95) / row.u95_hz - 1.0).abs() < 0.02, "{} for {}", rms(&u95), row.u95_hz);
    }
}
