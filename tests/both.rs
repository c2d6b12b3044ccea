//! Both polarities: what moves rising and falling edges opposite ways, noise, tones above half the frequency, faults of one chain.

mod common;

use std::f64::consts::PI;

use common::monte_carlo::{Measures, NAMES, PERIOD, SETTLING, Stamps, TICKS, config, run, windows};
use common::{rate, stamp, value};
use humtick::{
    Biweight, Config, Edge, EndToEnd, Estimator, Hann, Kaiser6, LastPeriod, LeastSquares, Meter, Polarity,
    Reading, State, Triangular,
};

/// Runs `$check::<E>($args)` for every estimator.
macro_rules! each {
    ($check:ident ( $($arg:expr),* )) => {
        $check::<LastPeriod>($($arg),*);
        $check::<EndToEnd>($($arg),*);
        $check::<Triangular>($($arg),*);
        $check::<LeastSquares>($($arg),*);
        $check::<Biweight>($($arg),*);
        $check::<Hann>($($arg),*);
        $check::<Kaiser6>($($arg),*);
    };
}

fn name<E>() -> &'static str {
    std::any::type_name::<E>().rsplit("::").next().unwrap_or("")
}

/// Edges at `rise(k)` and `fall(k)` ticks, in order of time as long as they take turns.
fn edges(cycles: u32, rise: impl Fn(f64) -> f64, fall: impl Fn(f64) -> f64) -> Vec<Edge> {
    let at = |ticks: f64| stamp((ticks + f64::from(u32::MAX) - 3e6).floor() as u64);
    (0..cycles)
        .map(f64::from)
        .flat_map(|k| {
            [
                Edge { stamp: at(rise(k)), polarity: Polarity::Rising },
                Edge { stamp: at(fall(k)), polarity: Polarity::Falling },
            ]
        })
        .collect()
}

/// Readings at alternating polarities: every eleven half cycles.
fn readings<E: Estimator, const CHAINS: usize>(config: &Config, edges: &[Edge]) -> Vec<Reading> {
    let mut meter = Meter::<64, E, CHAINS>::new(config).unwrap();
    let mut all = vec![];
    for edge in edges {
        meter.push(*edge);
        all.extend(meter.take_reading());
    }
    all
}

fn mains() -> Config {
    Config { every_ms: 110, clock_tolerance_ppb: 0, gate_floor_ppm: 100_000, ..Config::mains(rate(TICKS)) }
}

/// DC, a duty cycle of 30 or 70 %, a second harmonic: all shift rising edges one way and falling ones the other.
fn opposite_shifts_cancel<E: Estimator>() {
    for duty in [0.3, 0.5, 0.7] {
        for window_ms in [60, 200, 1_000] {
            let c = Config { window_ms, ..mains() };
            // Whole ticks: not a nanohertz may be left.
            let whole = edges(300, |k| 40_000.0 * k, |k| 40_000.0 * (k + duty));
            let all = readings::<E, 2>(&c, &whole);
            assert!(all.len() > 40, "{}: {} readings of {window_ms} ms", name::<E>(), all.len());
            for reading in &all {
                assert_eq!(reading.frequency.unwrap().nanohertz(), 50_000_000_000, "{duty} {}", name::<E>());
            }
            // Fractions of a tick: quantisation, which is within the stated half width, and no more.
            let hertz = 2e6 / 40_000.377;
            let parts = edges(300, |k| 40_000.377 * k, |k| 40_000.377 * (k + duty));
            for reading in readings::<E, 2>(&c, &parts) {
                let off = (value(reading.frequency.unwrap()) - hertz).abs();
                let half = value(reading.expanded_uncertainty.unwrap());
                assert!(off <= half + 1e-6, "{}: {off} of {half} Hz at {duty}", name::<E>());
            }
        }
    }
}

#[test]
fn what_shifts_the_polarities_opposite_ways_cancels() {
    each!(opposite_shifts_cancel());
}

/// A level that drifts makes rising edges ever later and falling ones ever earlier: each polarity alone is off, half of the
/// sum is not. The 51 crossings of one polarity count 6 % more in a least-squares line than the other's 50.
#[test]
fn a_drifting_duty_cycle_cancels() {
    // Half a tick a cycle, 0.6 mHz.
    let drifting = edges(300, |k| 40_000.0 * k + 0.5 * k, |k| 40_000.0 * (k + 0.6) - 0.5 * k);
    let off = |all: Vec<Reading>| {
        all.iter()
            .filter(|r| r.cycles >= 49)
            .map(|r| (value(r.frequency.unwrap()) - 50.0).abs())
            .fold(0.0, f64::max)
    };
    let alone = off(readings::<LeastSquares, 1>(&mains(), &drifting));
    assert!((alone - 625e-6).abs() < 20e-6, "{alone} Hz by one polarity");
    let least_squares = off(readings::<LeastSquares, 2>(&mains(), &drifting));
    assert!(least_squares < 0.04 * alone + 20e-6, "least squares: {least_squares} Hz of {alone}");
    let hann = off(readings::<Hann, 2>(&mains(), &drifting));
    assert!(hann < 25e-6, "Hann: {hann} Hz of {alone}");
    let biweight = off(readings::<Biweight, 2>(&mains(), &drifting));
    assert!(biweight < 25e-6, "biweight: {biweight} Hz of {alone}");
}

/// The last period of both polarities is that of the newest edge.
#[test]
fn the_last_period_ends_with_the_newest_edge() {
    // A level that drifts: rising periods are 40,001 ticks, falling ones 39,999.
    let drifting = edges(300, |k| 40_001.0 * k, |k| 39_999.0 * k + 20_000.0);
    let mut meter = Meter::<64, LastPeriod, 2>::new(&Config { every_ms: 1, ..mains() }).unwrap();
    let mut seen = [0; 2];
    for edge in &drifting {
        meter.push(*edge);
        let Some(reading) = meter.take_reading().filter(|r| r.cycles > 10) else { continue };
        let rising = edge.polarity == Polarity::Rising;
        let want = 2e6 / if rising { 40_001.0 } else { 39_999.0 };
        assert!((value(reading.frequency.unwrap()) - want).abs() < 1e-9, "{edge:?}: {reading:?}");
        seen[usize::from(rising)] += 1;
    }
    assert!(seen[0] > 200 && seen[1] > 200, "{seen:?}");
}

/// A meter of each estimator for windows of so many half cycles of both polarities.
fn meters(half_cycles: u32) -> Vec<Box<dyn Measures>> {
    fn one<E: Estimator + 'static>(c: &Config) -> Box<dyn Measures> {
        Box::new(Meter::<32, E, 2>::new(c).unwrap())
    }
    let c = &config(half_cycles);
    vec![
        one::<LastPeriod>(c),
        one::<EndToEnd>(c),
        one::<Triangular>(c),
        one::<LeastSquares>(c),
        one::<Biweight>(c),
        one::<Hann>(c),
        one::<Kaiser6>(c),
    ]
}

fn both(cycles: u32, drift: f64, jitter: f64) -> Stamps {
    Stamps::new(2 * cycles as usize + 1, drift, jitter, u64::from(cycles)).both()
}

/// Intervals of both polarities hold the truth; the least-squares line is as noisy as its normal equations say.
#[test]
fn noise_and_coverage() {
    let mut failed = vec![];
    for cycles in [3, 4, 10, 25] {
        for jitter in [1.0, 20.0] {
            let mut stamps = both(cycles, 0.377_123, jitter);
            let tallies = run(&mut meters(2 * cycles), &mut stamps, cycles, windows(20_000));
            let n = f64::from(cycles);
            // Spreads of n + 1 and of n crossings.
            let spread = ((n + 1.0) * ((n + 1.0).powi(2) - 1.0) + n * (n * n - 1.0)) / 12.0;
            let sd = (jitter * jitter + 1.0_f64 / 12.0).sqrt() / spread.sqrt() * stamps.hertz().powi(2) / 2e6;
            let noise = tallies[3].rmse() / sd;
            assert!((0.97..1.03).contains(&noise), "{cycles} cycles: {noise} of the least-squares noise");
            for (e, (name, tally)) in NAMES.iter().zip(&tallies).enumerate() {
                println!(
                    "| {name} | {cycles} | {jitter} | {:.1} %, {:.3e} Hz | {:.2} dB | {} |",
                    100.0 * tally.coverage(),
                    tally.mean_half_width(),
                    20.0 * (tally.rmse() / sd).log10(),
                    tally.windows
                );
                // As with one polarity: few crossings, and two stamps, are held more often.
                let most = match (e, cycles, jitter <= 1.0) {
                    (0, 3 | 4, _) => 0.999,
                    (_, 3 | 4, true) | (0 | 1, _, true) => 0.98,
                    (_, 3 | 4, false) | (_, _, true) | (0, ..) => 0.975,
                    _ => 0.965,
                };
                // The factor of two ends is that of one polarity; of two it should be 2.35 at four cycles, and is 2.19.
                let least = if e == 1 && cycles == 4 { 0.93 } else { 0.94 };
                if !(least..=most).contains(&tally.coverage()) {
                    failed.push((name, cycles, jitter, tally.coverage()));
                }
            }
        }
    }
    assert!(failed.is_empty(), "{failed:?}");
}

/// Over the same time both polarities have half the variance of one, by least squares.
#[test]
fn both_polarities_halve_the_variance() {
    let mut one: [Box<dyn Measures>; 1] = [Box::new(Meter::<26, LeastSquares>::new(&config(50)).unwrap())];
    let alone = run(&mut one, &mut Stamps::new(26, 0.377, 20.0, 1), 25, 20_000)[0].rmse();
    let together = run(&mut meters(50)[3..4], &mut both(25, 0.377, 20.0), 25, 20_000)[0].rmse();
    let ratio = (together / alone).powi(2);
    assert!((0.5..0.56).contains(&ratio), "{ratio}");
}

/// Hardly any jitter, periods near small fractions of a tick, a random phase.
#[test]
fn coverage_with_hardly_any_jitter() {
    for cycles in [3, 10, 25] {
        for jitter in [0.0, 0.2, 0.5, 0.7] {
            for drift in [0.001, 0.1, 0.25, 1.0 / 3.0, 0.499] {
                let tallies = run(&mut meters(2 * cycles), &mut both(cycles, drift, jitter), cycles, 2_000);
                for (name, tally) in NAMES.iter().zip(tallies) {
                    let coverage = tally.coverage();
                    assert!(coverage > 0.924, "{name}, {cycles} cycles, {jitter}, {drift}: {coverage}");
                }
            }
        }
    }
}

/// Both lines' common slope and scatter in floats, from the edges.
#[test]
fn least_squares_is_the_common_slope_of_two_lines() {
    for (count, jitter) in [(7, 5.0), (8, 0.0), (21, 100.0), (50, 20.0), (51, 0.0), (51, 3.0)] {
        let mut meter = Meter::<32, LeastSquares, 2>::new(&config(count - 1)).unwrap();
        let mut stamps = Stamps::new(count as usize, 0.377, jitter, 11).both();
        for i in 0..200 {
            let (exact, edges) = stamps.window();
            let Some(reading) = Measures::window(&mut meter, &edges).filter(|_| i > SETTLING) else {
                continue;
            };
            let fit = meter.fit().unwrap();
            assert_eq!((fit.crossings, fit.freedom, fit.cycles), (count, count - 3, (count - 1) / 2));
            let first = edges[0].stamp;
            assert_eq!((fit.first, fit.span), (first, edges[edges.len() - 1].stamp - first));
            assert_eq!(reading.middle.raw(), first.raw().wrapping_add(reading.span.count() / 2));
            let t = |i: usize| exact[i].floor() - 0.5 * PERIOD as f64 * i as f64;
            let chain = |from: usize| (from..count as usize).step_by(2);
            let means = |from: usize| {
                let n = chain(from).count() as f64;
                (chain(from).map(|i| 0.5 * i as f64).sum::<f64>() / n, chain(from).map(t).sum::<f64>() / n)
            };
            let (mut xx, mut xr, mut rr) = (0.0, 0.0, 0.0);
            for from in [0, 1] {
                let (k0, t0) = means(from);
                for i in chain(from) {
                    let (x, r) = (0.5 * i as f64 - k0, t(i) - t0);
                    (xx, xr, rr) = (xx + x * x, xr + x * r, rr + r * r);
                }
            }
            let frequency = 2e6 / (PERIOD as f64 + xr / xx);
            let off = value(reading.frequency.unwrap()) - frequency;
            assert!(off.abs() < 2e-9, "{count} edges: {off} Hz");
            let freedom = f64::from(count) - 3.0;
            let scatter = (rr - xr * xr / xx) / freedom;
            let bound = if scatter < 1.0 / 3.0 { 0.5 * (f64::from(count) / xx).sqrt() } else { 0.0 };
            let period = |of: f64| of * frequency.powi(2) / 2e6;
            let jitter = ((scatter + 1.0 / 12.0) / xx).sqrt();
            let standard = period(jitter.max(bound / 3f64.sqrt()));
            let expanded = period((jitter * (1.96 + 2.41 / (freedom - 1.05))).max(bound));
            let got =
                (value(reading.standard_uncertainty.unwrap()), value(reading.expanded_uncertainty.unwrap()));
            let near = |got: f64, want: f64| (got / want - 1.0).abs() < 1e-3;
            assert!(
                near(got.0, standard) && near(got.1, expanded),
                "{count} edges: {got:?}, not {standard} {expanded}"
            );
        }
    }
}

/// Upward zero crossings of 50 Hz with 1 % of 95 Hz on it, in seconds, and downward ones.
fn with_tone(turns: f64, phase: f64) -> f64 {
    // sin(2 pi 50 t) + 0.01 sin(2 pi 95 t + phase) = 0 near `turns` cycles: the slope there is known to 2 %, each step gains as much.
    let mut t = turns / 50.0;
    let sign = if turns.fract() == 0.0 { 1.0 } else { -1.0 };
    for _ in 0..12 {
        let v = (2.0 * PI * 50.0 * t).sin() + 0.01 * (2.0 * PI * 95.0 * t + phase).sin();
        t -= sign * v / (2.0 * PI * 50.0);
    }
    t
}

/// One polarity samples the tone 50 times a second and takes it for 5 Hz; both see it 45 Hz away.
fn tone<E: Estimator>(at_least: f64, at_most: f64) {
    let c = Config { window_ms: 200, every_ms: 10, gate_factor: 50, ..mains() };
    let (mut alone, mut together): (f64, f64) = (0.0, 0.0);
    for phase in [0.0, 1.0, 2.0] {
        let toned = edges(
            300,
            |k| f64::from(TICKS) * with_tone(k, phase),
            |k| f64::from(TICKS) * with_tone(k + 0.5, phase),
        );
        let off = |all: Vec<Reading>| {
            all.iter()
                .filter(|r| r.cycles >= 10)
                .map(|r| (value(r.frequency.unwrap()) - 50.0).abs())
                .fold(0.0, f64::max)
        };
        alone = alone.max(off(readings::<E, 1>(&c, &toned)));
        together = together.max(off(readings::<E, 2>(&c, &toned)));
    }
    println!("{}: {alone} Hz with one polarity, {together} with both", name::<E>());
    assert!(alone > at_least && together < at_most, "{}: {alone}, {together} Hz", name::<E>());
}

/// 5 Hz in 0.2 s are one reciprocal window: 50 mHz of swing times the taper's transform there. 45 Hz are nine: 450 mHz times
/// 0.003 for the parabola, less than 0.001 for tapers.
#[test]
fn a_tone_near_twice_the_frequency_is_not_folded_down() {
    tone::<LeastSquares>(0.010, 0.003);
    tone::<Biweight>(0.015, 0.000_6);
    tone::<Hann>(0.015, 0.000_6);
    tone::<Kaiser6>(0.015, 0.000_6);
}

/// One edge of either polarity fails: counted, and no reading is off by more than it says.
fn one_missing<E: Estimator>() {
    for lost in 190..=201 {
        let mut train = edges(150, |k| 40_000.377 * k, |k| 40_000.377 * (k + 0.5));
        train.remove(lost);
        let mut counted = 0;
        for reading in readings::<E, 2>(&Config { every_ms: 10, ..mains() }, &train)
            .iter()
            .filter(|r| r.state != State::Seeking)
        {
            assert!(reading.missed <= 1, "{reading:?}");
            counted += reading.missed;
            let frequency = reading.frequency.unwrap_or_else(|| panic!("{}: {reading:?}", name::<E>()));
            let off = (value(frequency) - 2e6 / 40_000.377).abs();
            let half = value(reading.expanded_uncertainty.unwrap());
            assert!(off <= half, "{}, edge {lost}: {off} of {half} Hz", name::<E>());
        }
        assert!((90..=101).contains(&counted), "{counted} readings count it");
    }
}

#[test]
fn a_missing_edge_is_counted_and_does_no_harm() {
    each!(one_missing());
}

/// From the oldest edge to the newest the window is its length to the nearest half cycle.
#[test]
fn the_window_is_the_nearest_number_of_half_cycles() {
    for hertz in [47.3, 49.8, 50.0, 50.2, 50.6, 60.0] {
        for window_ms in [60, 80, 200, 333, 1_000] {
            let period = f64::from(TICKS) / hertz;
            let train = edges(200, |k| period * k, |k| period * (k + 0.4));
            let c = Config { window_ms, every_ms: 30, ..mains() };
            let all = readings::<LeastSquares, 2>(&c, &train);
            assert!(all.len() > 50, "{} readings of {window_ms} ms at {hertz} Hz", all.len());
            for reading in &all[all.len() - 50..] {
                let (span, asked) = (f64::from(reading.span.count()), 2e3 * f64::from(window_ms));
                // A duty cycle of 40 % puts half cycles a tenth off, and a full cycle more would be too many.
                assert!(
                    span <= asked + 0.25 * period + 2.0 && span > asked - 0.36 * period - 2.0,
                    "{span} ticks of {asked} at {hertz} Hz"
                );
                assert!((f64::from(reading.cycles) - span / period).abs() < 0.61, "{reading:?}");
            }
        }
    }
}

/// With one polarity not there, or gone, there is no number, whatever the other does.
#[test]
fn both_chains_have_to_be_followed() {
    for keep in [Polarity::Rising, Polarity::Falling] {
        let all = edges(400, |k| 40_000.0 * k, |k| 40_000.0 * (k + 0.5));
        let alone = |e: &&Edge| e.polarity == keep;
        let (before, after) = (&all[..400], all[400..].iter().filter(alone));
        let mut meter =
            Meter::<64, LeastSquares, 2>::new(&Config { gate_floor_ppm: 500, ..mains() }).unwrap();
        for edge in all.iter().filter(alone).take(100) {
            meter.push(*edge);
            assert_eq!(meter.take_reading().and_then(|r| r.frequency), None);
            assert_eq!((meter.state(), meter.fit()), (State::Seeking, None));
        }
        let mut meter =
            Meter::<64, LeastSquares, 2>::new(&Config { gate_floor_ppm: 500, ..mains() }).unwrap();
        let mut known = 0;
        for edge in before {
            meter.push(*edge);
            known += usize::from(meter.take_reading().is_some_and(|r| r.frequency.is_some()));
        }
        assert!(known > 20 && meter.state() == State::Locked);
        let (mut last_known, mut unknown) = (0, 0);
        for (i, edge) in after.enumerate() {
            meter.push(*edge);
            match meter.take_reading() {
                Some(reading) if reading.frequency.is_some() => last_known = i,
                Some(reading) => {
                    assert_eq!(reading.state, State::Lost);
                    unknown += 1;
                }
                None => {}
            }
            if i > 30 {
                assert_eq!((meter.state(), meter.fit()), (State::Lost, None));
            }
        }
        // Coasting ends after 25 cycles; from then on nine readings a second say so.
        assert!((15..=26).contains(&last_known), "{last_known}");
        assert!((25..=33).contains(&unknown), "{unknown}");
    }
}
