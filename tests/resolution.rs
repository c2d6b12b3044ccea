//! Stamps in steps of q ticks: a meter that is told says what it would say of a counter q times as slow.

mod common;

use common::{Train, crossings, feed, hertz, rate, rising, steady, value};
use humtick::grid_time::GridTime;
use humtick::interval::Intervals;
use humtick::{
    Biweight, Config, ConfigError, EndToEnd, Estimator, LastPeriod, LeastSquares, Meter, Reading, Triangular,
};
use proptest::prelude::*;

/// Ticks a second of the slow counter: a period of 50 Hz is 4000.
const SLOW: u32 = 200_000;

/// Figures of one reading: frequency and its uncertainties, in nanohertz.
fn figures(reading: &Reading) -> [Option<u64>; 5] {
    [
        reading.frequency.map(|f| f.nanohertz()),
        reading.standard_uncertainty.map(|f| f.nanohertz()),
        reading.expanded_uncertainty.map(|f| f.nanohertz()),
        reading.rocof.map(i64::unsigned_abs),
        reading.rocof_uncertainty,
    ]
}

/// All readings, and those of intervals of a second and of grid time.
fn said<E: Estimator>(q: u32, edges: &[u64]) -> Vec<[Option<u64>; 5]> {
    // A gate that refuses nothing: its own rounding is finer in finer ticks.
    let config = Config { resolution: q, gate_floor_ppm: 100_000, ..Config::mains(rate(SLOW * q)) };
    let mut meter = Meter::<64, E>::new(&config).unwrap();
    let mut intervals = Intervals::new(&config, 1_000).unwrap();
    let mut time = GridTime::new(&config, hertz(50.0)).unwrap();
    let mut all = vec![];
    for edge in edges {
        let verdict = meter.push(rising(edge * u64::from(q)));
        all.extend(meter.take_full_reading().map(|r| figures(&r)));
        let over = intervals.take(&verdict);
        all.extend(over.map(|r| {
            let [f, u, u95] = [r.frequency, r.standard_uncertainty, r.expanded_uncertainty]
                .map(|f| f.map(|f| f.nanohertz()));
            [f, u, u95, None, None]
        }));
        time.take(&verdict);
    }
    all.extend(time.reading().map(|r| {
        [Some(r.elapsed_ns), Some(r.standard_uncertainty_ns), Some(r.expanded_uncertainty_ns), None, None]
    }));
    all
}

/// Equal but for what rounding makes of it: a nanohertz in the frequency, a ten-thousandth in the rest.
fn alike(place: usize, a: Option<u64>, b: Option<u64>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => a.abs_diff(b) <= 2 + if place == 0 { 0 } else { a / 10_000 },
        (a, b) => a == b,
    }
}

fn scales<E: Estimator>(q: u32, edges: &[u64]) {
    let (slow, fast) = (said::<E>(1, edges), said::<E>(q, edges));
    assert_eq!(slow.len(), fast.len());
    for (slow, fast) in slow.iter().zip(&fast) {
        assert!((0..5).all(|i| alike(i, slow[i], fast[i])), "{slow:?}\n{fast:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(64) })]

    #[test]
    fn steps_of_many_ticks_are_ticks_of_a_slower_counter(
        q in 2u32..100, f in 49.0f64..51.0, seed: u64, jitter in prop_oneof![Just(0.0), 0.0f64..1.0, 0.0f64..40.0],
    ) {
        let train = Train { jitter, seed, ..Train::clean(SLOW) };
        let edges = train.edges(&steady(f, 220));
        scales::<LastPeriod>(q, &edges);
        scales::<EndToEnd>(q, &edges);
        scales::<Triangular>(q, &edges);
        scales::<LeastSquares>(q, &edges);
        scales::<Biweight>(q, &edges);
    }
}

/// A board that looks at its pin every 100 us: told, its intervals hold the truth; not told, they hardly ever do.
#[test]
fn a_watched_pin_that_says_so_is_believed() {
    let held = |told| {
        let (mut held, mut all) = (0, 0);
        for step in 0..40 {
            let f = 49.97 + 0.001_3 * f64::from(step);
            // 10 kHz, in steps of 200 ticks of 2 MHz.
            let train = Train { origin: 77_777, ..Train::clean(10_000) };
            let config = Config {
                resolution: if told { 200 } else { 1 },
                clock_tolerance_ppb: 0,
                ..Config::mains(rate(2_000_000))
            };
            let edges: Vec<u64> = train.edges(&steady(f, 500)).iter().map(|e| e * 200).collect();
            feed::<64, LeastSquares>(&mut common::meter(&config), &edges, |_, _, _, reading| {
                if let Some((mean, half)) = reading.and_then(|r| r.frequency.zip(r.expanded_uncertainty)) {
                    all += 1;
                    held += u32::from((value(mean) - f).abs() <= value(half));
                }
            });
        }
        f64::from(held) / f64::from(all)
    };
    let (told, not_told) = (held(true), held(false));
    assert!(told >= 0.95, "told: {told}");
    assert!(not_told < 0.8, "not told: {not_told}");
}

/// Steps of a sixteenth of a period are what four edges may be uneven by, and lock; a meter loses none of them.
#[test]
fn the_coarsest_steps_still_lock() {
    let config = Config { resolution: 2_500, ..Config::mains(rate(2_000_000)) };
    let edges: Vec<u64> =
        crossings(|_| 50.03, 20.0).iter().map(|t| (t * 2e6 / 2_500.0) as u64 * 2_500).collect();
    let mut meter = Meter::<64>::new(&config).unwrap();
    let mut rejected = 0;
    for edge in &edges {
        rejected += u32::from(matches!(meter.push(rising(*edge)), humtick::Verdict::Rejected(_)));
    }
    assert_eq!((rejected, meter.state()), (0, humtick::State::Locked));
    let window = meter.windows().next().unwrap();
    assert_eq!((window.len(), window.missed()), (51, 0));
}

#[test]
fn steps_are_from_one_tick_to_an_eighth_of_the_shortest_period() {
    // 70 Hz at 2 MHz: 28571 ticks.
    let with = |resolution| Meter::<64>::new(&Config { resolution, ..Config::mains(rate(2_000_000)) }).err();
    assert_eq!([1, 3_571].map(with), [None; 2]);
    assert_eq!([0, 3_572, u32::MAX].map(with), [Some(ConfigError::Resolution); 3]);
    assert!(ConfigError::Resolution.to_string().contains("an eighth of the shortest period"));
}
