//! Rate of change of frequency, against a quadratic fit in f64 and against the rate the edges were made with.

mod common;

use common::monte_carlo::{Measures, PERIOD, SETTLING, Stamps, TICKS, Tally, config, windows};
use common::{Train, feed, hertz, meter, points, rate, rising, stamp, value};
use humtick::{Config, Edge, EndToEnd, Estimator, Hann, LeastSquares, Meter, Polarity, Reading, Triangular};

/// A quadratic through stamps, each polarity with a level of its own: what it says of the rate of change.
struct Quadratic {
    /// Hertz a second.
    rate: f64,
    /// Standard deviation of that for jitter of one tick.
    per_tick: f64,
    /// Residual variance in ticks^2.
    scatter: f64,
    freedom: f64,
}

/// `chains`: (cycles, ticks) from any common origin; `near` is some frequency near theirs.
fn quadratic(chains: &[Vec<(f64, f64)>], near: f64, ticks_per_second: f64) -> Quadratic {
    let all = || chains.iter().flatten();
    let middle =
        0.5 * (all().map(|p| p.0).fold(f64::MAX, f64::min) + all().map(|p| p.0).fold(f64::MIN, f64::max));
    let period = ticks_per_second / near;
    let (mut s, mut n) = ([0.0; 6], 0.0);
    for chain in chains {
        let place = |p: &(f64, f64)| {
            let x = p.0 - middle;
            [x, x * x, p.1 - p.0 * period]
        };
        let mean = |i: usize| chain.iter().map(|p| place(p)[i]).sum::<f64>() / chain.len() as f64;
        let (x0, q0, r0) = (mean(0), mean(1), mean(2));
        for point in chain {
            let [x, q, r] = place(point);
            let (x, q, r) = (x - x0, q - q0, r - r0);
            for (sum, term) in s.iter_mut().zip([x * x, x * q, q * q, x * r, q * r, r * r]) {
                *sum += term;
            }
        }
        n += chain.len() as f64;
    }
    let [xx, xq, qq, xr, qr, rr] = s;
    let det = xx * qq - xq * xq;
    let (b, c) = ((qq * xr - xq * qr) / det, (xx * qr - xq * xr) / det);
    let freedom = n - chains.len() as f64 - 2.0;
    // t = c k^2 makes df/dt = -2 c f^3 over ticks a second, f that in the middle.
    let scale = 2.0 * (ticks_per_second / (period + b)).powi(3) / ticks_per_second;
    Quadratic {
        rate: -scale * c,
        per_tick: scale * (xx / det).sqrt(),
        scatter: (rr - b * xr - c * qr).max(0.0) / freedom,
        freedom,
    }
}

/// 95 % factor as documented: Student's t to 0.1 %.
fn factor(freedom: f64) -> f64 {
    1.96 + 2.41 / (freedom + 2.0 - 3.05)
}

fn rocof(reading: &Reading) -> (f64, f64) {
    (reading.rocof.unwrap() as f64 * 1e-9, reading.rocof_uncertainty.unwrap() as f64 * 1e-9)
}

/// An uncertainty is rounded up, by 2^-11 and what a few more roundings of 16 bits may add; a rate is off by three roundings of 31 bits in sums
/// that nearly cancel.
#[track_caller]
fn agrees(reading: &Reading, want: &Quadratic) {
    let (rate, half) = rocof(reading);
    assert!((rate - want.rate).abs() < 2e-6 * (1.0 + want.rate.abs()), "{rate} Hz/s, not {}", want.rate);
    let mut expected = want.per_tick * (want.scatter + 1.0 / 12.0).sqrt() * factor(want.freedom);
    // Undithered: half a tick times the sum of the weights' sizes, by Cauchy's inequality with one crossing to spare.
    if want.scatter < 1.0 / 3.0 {
        expected = expected.max(want.per_tick * 0.5 * (want.freedom + 4.0).sqrt());
    }
    assert!((-5e-4..1e-3).contains(&(half / expected - 1.0)), "+-{half} Hz/s, not {expected}");
}

/// Moments of `f` tau + `ramp` tau^2/2 = `cycles`.
fn moment(f: f64, ramp: f64, cycles: f64) -> f64 {
    2.0 * cycles / (f + (f * f + 2.0 * ramp * cycles).sqrt())
}

/// Crossings of a ramp that passes `f` at zero seconds, from before it to after.
fn ramp(f: f64, ramp: f64, cycles: std::ops::Range<i32>) -> Vec<f64> {
    cycles.map(|k| moment(f, ramp, f64::from(k))).collect()
}

fn as_float(points: &[(i128, i128)]) -> Vec<(f64, f64)> {
    points.iter().map(|p| (p.0 as f64, p.1 as f64)).collect()
}

/// Twenty cycles at 50 Hz and 25 at 60, whatever the main window, with jitter and missing crossings: the quadratic through just
/// those crossings, known from the edges alone.
#[test]
fn the_rate_is_that_of_a_quadratic_through_the_last_twenty_cycles() {
    let mut seen = 0;
    // A window of 3 cycles lets go of crossings that the rate of change still uses.
    for (window_ms, f, cycles) in
        [(1_000, 50.0, 20), (60, 50.0, 20), (250, 50.0, 20), (1_000, 60.0, 25), (51, 60.0, 25)]
    {
        for (seed, jitter, missing) in [(1, 0.0, 0.0), (2, 8.0, 0.0), (3, 40.0, 0.1), (4, 100.0, 0.05)] {
            let train = Train { jitter, missing, seed, ..Train::clean(TICKS) };
            let c = Config {
                window_ms,
                every_ms: 20,
                gate_factor: 50,
                gate_floor_ppm: 100_000,
                ..Config::mains(rate(TICKS))
            };
            let mut history = vec![];
            let mut meter = meter::<64, LeastSquares>(&c);
            // 0.02 Hz/s keep 409 ms nearest to that many cycles.
            for at in train.edges(&ramp(f, 0.02, -100..200)) {
                meter.push(rising(at));
                history.extend(meter.crossings().last().filter(|last| history.last() != Some(last)));
                let Some(reading) = meter.take_full_reading().filter(|r| r.frequency.is_some()) else {
                    continue;
                };
                let newest = history.last().unwrap().cycle;
                let used = history.iter().copied().filter(|c| newest - c.cycle <= cycles);
                let used = points(used);
                if used[used.len() - 1].0 < i128::from(cycles) - 2 || newest < 60 {
                    continue;
                }
                agrees(
                    &reading,
                    &quadratic(&[as_float(&used)], value(reading.frequency.unwrap()), f64::from(TICKS)),
                );
                seen += 1;
            }
        }
    }
    assert!(seen > 3_000, "only {seen} readings");
}

/// Nominal frequencies of their own window: twenty cycles where they last longer.
#[test]
fn the_window_is_twenty_cycles_of_a_slow_nominal_frequency() {
    assert_eq!(Config::around(rate(TICKS), hertz(50.0)).rocof_ms, 409);
    assert_eq!(Config::around(rate(TICKS), hertz(400.0)).rocof_ms, 409);
    let slow = Config::around(rate(TICKS), hertz(16.7));
    assert_eq!((f64::from(slow.rocof_ms) * 0.0167).round(), 20.0);
}

/// Where the window of the rate is the reading's own, `crossings` shows all of it.
#[test]
fn the_rate_over_the_reading_s_own_window_follows_from_its_crossings() {
    for (rate_ms, jitter) in [(100, 3.0), (400, 20.0), (1_000, 0.0), (1_000, 100.0), (4_000, 20.0)] {
        let c = Config {
            window_ms: rate_ms,
            rocof_ms: rate_ms,
            every_ms: 200,
            gate_factor: 50,
            gate_floor_ppm: 100_000,
            ..Config::mains(rate(TICKS))
        };
        let train = Train { jitter, missing: 0.03, seed: u64::from(rate_ms), ..Train::clean(TICKS) };
        let mut meter = meter::<256, LeastSquares>(&c);
        let mut seen = 0;
        for at in train.edges(&ramp(50.0, -0.2, 1..600)) {
            meter.push(rising(at));
            let Some(reading) = meter.take_full_reading().filter(|r| r.rocof.is_some()) else { continue };
            let f = value(reading.frequency.unwrap());
            let held = as_float(&points(meter.crossings()));
            agrees(&reading, &quadratic(&[held], f, f64::from(TICKS)));
            seen += 1;
        }
        assert!(seen > 30, "{seen} readings of {rate_ms} ms");
    }
}

/// Fewer than four crossings bend no line.
#[test]
fn three_crossings_have_no_rate() {
    for (rocof_ms, known) in [(1, false), (40, false), (60, true)] {
        let c = Config { rocof_ms, ..Config::mains(rate(TICKS)) };
        let mut last = None;
        let mut meter = meter::<64, LeastSquares>(&c);
        for at in Train::clean(TICKS).edges(&ramp(50.0, 0.0, 1..100)) {
            meter.push(rising(at));
            last = meter.take_full_reading().or(last);
        }
        let last = last.unwrap();
        assert!(last.frequency.is_some());
        assert_eq!((last.rocof.is_some(), last.rocof_uncertainty.is_some()), (known, known), "{rocof_ms} ms");
    }
}

/// After a step nothing from before it bends the line: at 50 Hz, then at 51, the rate is nothing, if there is one.
#[test]
fn a_step_is_no_rate_of_change() {
    // A short window leaves many crossings in the ring that it no longer holds.
    for window_ms in [60, 1_000] {
        let c = Config { window_ms, every_ms: 20, ..Config::mains(rate(TICKS)) };
        let mut meter = meter::<64, LeastSquares>(&c);
        let before = (0..100).map(|k| 40_000 * k);
        let after = (1..100).map(|k| 40_000 * 99 + 39_216 * k);
        let mut seen = 0;
        for at in before.chain(after) {
            meter.push(rising(at));
            let Some(reading) = meter.take_full_reading() else { continue };
            if let Some(r) = reading.rocof {
                // Periods of whole ticks make no bend at all; a window across the step some hertz a second.
                assert!(r.abs() < 1_000, "{reading:?}");
                seen += 1;
            }
        }
        assert!(seen > 100, "{seen}");
    }
}

/// What Monte Carlo makes of rates: their error against the truth, over windows of `edges` stamps.
fn monte_carlo<const N: usize, const CHAINS: usize>(
    edges: usize,
    ramp: f64,
    jitter: f64,
    usual: u32,
) -> Tally {
    let half_cycles = (3 - CHAINS as u32) * (edges as u32 - 1);
    let c = Config { rocof_ms: 10 * half_cycles, ..config(half_cycles) };
    let mut meter = Meter::<N, LeastSquares, CHAINS>::new(&c).unwrap();
    let mut stamps = Stamps::new(edges, 0.377_123, jitter, edges as u64);
    if CHAINS == 2 {
        stamps = stamps.both();
    }
    stamps.ramp = ramp;
    let mut tally = Tally::default();
    for i in 0..windows(usual) + SETTLING {
        let (_, edges) = stamps.window();
        let reading = meter.window(&edges);
        if i >= SETTLING {
            let (rate, half) = rocof(&reading.unwrap());
            tally.take(rate - ramp, half);
        }
    }
    tally
}

/// f^3 s sqrt(720/(N(N^2-1)(N^2-4))), s with quantisation; from the inverse of the normal equations.
fn theory(n: f64, jitter: f64) -> f64 {
    let f = f64::from(TICKS) / (PERIOD as f64 + 0.377_123);
    let s = (jitter * jitter + 1.0 / 12.0).sqrt() / f64::from(TICKS);
    f.powi(3) * s * (720.0 / (n * (n * n - 1.0) * (n * n - 4.0))).sqrt()
}

#[test]
fn noise_and_coverage_of_one_polarity() {
    for (n, tally, jitter) in [
        (8, monte_carlo::<8, 1>(8, 0.0, 20.0, 20_000), 20.0),
        (21, monte_carlo::<21, 1>(21, 0.0, 1.0, 20_000), 1.0),
        (21, monte_carlo::<21, 1>(21, 1.0, 40.0, 20_000), 40.0),
        (21, monte_carlo::<21, 1>(21, -1.0, 40.0, 20_000), 40.0),
        (60, monte_carlo::<60, 1>(60, 0.05, 40.0, 10_000), 40.0),
    ] {
        let sd = tally.rmse() / theory(n.into(), jitter);
        println!(
            "{n} crossings, {jitter} ticks: {:.2} %, +-{:.4} Hz/s, sd {sd:.3} of theory",
            100.0 * tally.coverage(),
            tally.mean_half_width()
        );
        assert!((0.97..1.03).contains(&sd), "{n} crossings: sd {sd} of theory");
        assert!((0.935..=0.97).contains(&tally.coverage()), "{n} crossings: {}", tally.coverage());
    }
}

/// Both polarities at 20 us: 0.05 Hz/s from 20 cycles at 50 Hz. Theory: both chains' normal equations.
#[test]
fn noise_and_coverage_of_both_polarities() {
    for (edges, ramp, jitter, tally) in [
        (21, 0.0, 40.0, monte_carlo::<16, 2>(21, 0.0, 40.0, 20_000)),
        (41, 0.0, 1.0, monte_carlo::<32, 2>(41, 0.0, 1.0, 20_000)),
        (41, 1.0, 40.0, monte_carlo::<32, 2>(41, 1.0, 40.0, 20_000)),
        (42, 1.0, 40.0, monte_carlo::<32, 2>(42, 1.0, 40.0, 20_000)),
        (41, -0.05, 40.0, monte_carlo::<32, 2>(41, -0.05, 40.0, 20_000)),
    ] {
        let period = PERIOD as f64 + 0.377_123;
        let f = f64::from(TICKS) / period;
        let places =
            |from: usize| (from..edges).step_by(2).map(|i| 0.5 * i as f64).map(|k| (k, k * period)).collect();
        let want = quadratic(&[places(0), places(1)], f, f64::from(TICKS));
        let sd = tally.rmse() / (want.per_tick * (jitter * jitter + 1.0_f64 / 12.0).sqrt());
        println!(
            "{edges} edges, {ramp} Hz/s, {jitter} ticks: {:.2} %, +-{:.4} Hz/s, sd {sd:.3} of theory",
            100.0 * tally.coverage(),
            tally.mean_half_width()
        );
        assert!((0.97..1.03).contains(&sd), "{edges} edges, {ramp} Hz/s: sd {sd} of theory");
        assert!((0.935..=0.97).contains(&tally.coverage()), "{edges} edges: {}", tally.coverage());
        if edges == 41 && jitter == 40.0 {
            assert!((0.047..0.053).contains(&tally.mean_half_width()), "{}", tally.mean_half_width());
        }
    }
}

/// Edges of both polarities of a ramp, without jitter; duty cycle in cycles.
fn both_edges(f: f64, ramp: f64, ticks: u32, duty: f64, cycles: std::ops::Range<i32>) -> Vec<Edge> {
    let at = |cycles: f64| stamp((f64::from(ticks) * (moment(f, ramp, cycles) + 20.0)).floor() as u64);
    cycles
        .flat_map(|k| {
            let k = f64::from(k);
            [(k, Polarity::Rising), (k + duty, Polarity::Falling)]
        })
        .map(|(k, polarity)| Edge { stamp: at(k), polarity })
        .collect()
}

/// A clean ramp bends both chains alike. What is left is quantisation, however many edges the window holds and wherever the falling
/// ones lie.
#[test]
fn both_polarities_see_one_ramp() {
    for (rocof_ms, duty) in [(409, 0.5), (400, 0.5), (409, 0.3), (500, 0.6), (300, 0.5), (310, 0.5)] {
        let c = Config { rocof_ms, every_ms: 20, gate_floor_ppm: 100_000, ..Config::mains(rate(TICKS)) };
        let mut meter = Meter::<64, LeastSquares, 2>::new(&c).unwrap();
        let mut seen = 0;
        for edge in both_edges(50.0, 1.0, TICKS, duty, -100..100) {
            meter.push(edge);
            let Some(reading) = meter.take_full_reading().filter(|r| r.cycles > 30) else { continue };
            let (rate, half) = rocof(&reading);
            seen += 1;
            // One tick of quantisation in 41 edges over 0.4 s makes 0.0004 Hz/s; the ramp's own third order is less.
            assert!((rate - 1.0).abs() < 3e-3, "{rocof_ms} ms, duty {duty}: {rate} Hz/s");
            assert!(half < 5e-3, "{rocof_ms} ms, duty {duty}: +-{half} Hz/s");
        }
        assert!(seen > 100, "{seen}");
    }
}

/// Ramps of either sign lie within what is said, and the bias that they leave in a reading is taken off.
fn on_a_ramp<E: Estimator>(at: f64, biased_by: f64) {
    let ticks = 16_000_000;
    let c = Config { every_ms: 50, gate_floor_ppm: 100_000, ..Config::mains(rate(ticks)) };
    let train = Train { jitter: 1.0, origin: 1 << 32, ..Train::clean(ticks) };
    let seconds = |r: &Reading| f64::from(r.middle.raw().cast_signed()) / f64::from(ticks);
    for r in [1.0, -1.0] {
        let mut worst: f64 = 0.0;
        let mut seen = 0;
        let mut meter = meter::<80, E>(&c);
        for edge in train.edges(&ramp(at, r, -100..100)) {
            meter.push(rising(edge));
            let Some(reading) = meter.take_full_reading().filter(|r| r.cycles > 48) else { continue };
            let (rate, half) = rocof(&reading);
            assert!((rate - r).abs() < 2.0 * half.max(1e-4), "{rate} +- {half}, not {r}");
            let truth = at + r * seconds(&reading);
            let bias = value(meter.ramp_bias(&reading).unwrap());
            let read = value(reading.frequency.unwrap());
            let span = f64::from(reading.span.count()) / f64::from(ticks);
            // Long windows have the whole figure; fewer cycles a little less, see RAMP_ENDS.
            let whole = biased_by * (rate * span).powi(2) / read;
            assert!(bias <= whole * 1.001 + 2e-9 && bias >= 0.9 * whole, "{bias} Hz of {whole}");
            worst = worst.max((read - bias - truth).abs());
            seen += 1;
        }
        assert!(
            seen > 30 && worst < 1.5e-5,
            "{}: {seen} readings, off by {worst} Hz at the most on {r} Hz/s",
            std::any::type_name::<E>()
        );
    }
}

#[test]
fn what_a_ramp_adds_is_taken_off() {
    on_a_ramp::<LeastSquares>(50.0, 1.0 / 20.0);
    on_a_ramp::<Triangular>(50.0, 1.0 / 16.0);
    on_a_ramp::<Hann>(55.0, 0.076);
    on_a_ramp::<EndToEnd>(50.0, 0.0);
}

/// A reading without a rate has no bias to take off.
#[test]
fn no_rate_no_bias() {
    let mut m = meter::<64, LeastSquares>(&Config::mains(rate(TICKS)));
    let mut seen = 0;
    feed(&mut m, &Train::clean(TICKS).edges(&ramp(50.0, 0.0, 1..100)), |meter, _, _, reading| {
        let Some(reading) = reading.filter(|r| r.frequency.is_some()) else { return };
        assert_eq!((reading.rocof, meter.ramp_bias(&reading)), (None, None));
        seen += 1;
    });
    assert!(seen > 10);
}

/// Periods near a whole number of ticks and hardly any jitter: quantisation is a pattern that looks like a rate of change. The interval
/// must hold the true rate, none, wherever in the pattern the window lies.
#[test]
fn a_pattern_of_quantisation_is_covered() {
    for drift in [0.0, 0.001, 0.01, 0.03, 0.045, 0.1, 0.25, 0.5] {
        for jitter in [0.0, 0.1, 0.2, 0.3] {
            let (mut held, mut seen) = (0, 0);
            for seed in 0..400u64 {
                let train = Train { jitter, seed, ..Train::clean(TICKS) };
                let f = f64::from(TICKS) / (40_000.0 + drift);
                let start = 0.013 + seed as f64 * 0.618_034e-6 % 0.5e-6;
                let times: Vec<f64> = (0..40).map(|k| start + f64::from(k) / f).collect();
                let mut meter = meter::<64, LeastSquares>(&Config::mains(rate(TICKS)));
                let mut last = None;
                for at in train.edges(&times) {
                    meter.push(rising(at));
                    last = meter.take_full_reading().or(last);
                }
                let (rate, half) = rocof(&last.unwrap());
                seen += 1;
                held += i32::from(rate.abs() <= half);
            }
            assert!(
                f64::from(held) >= 0.94 * f64::from(seen),
                "drift {drift}, jitter {jitter}: {held} of {seen}"
            );
        }
    }
}
