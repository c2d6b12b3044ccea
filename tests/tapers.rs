//! The tapers: their weights, what they let through of a tone beside the mains, and missing crossings.

mod common;

use std::f64::consts::PI;

use common::exact::{Points, sum};
use common::monte_carlo::{Measures, PERIOD, SETTLING, Stamps, Tally, config, run};
use common::{meter, points, rate, rising, steady, value};
use humtick::estimate::{BiweightShape, HannShape, Kaiser6Shape, Shape};
use humtick::{
    Biweight, Config, EndToEnd, Estimator, Hann, Kaiser6, LastPeriod, LeastSquares, Meter, Triangular,
};

/// Modified Bessel functions of the first kind, order 0 and 1, by their power series: forty terms are exact to a float at 6.
fn bessel(order: u32, x: f64) -> f64 {
    let mut term = if order == 0 { 1.0 } else { x / 2.0 };
    let mut all = term;
    for m in 1..40 {
        term *= (x / 2.0).powi(2) / f64::from(m * (m + order as i32));
        all += term;
    }
    all
}

/// Weights of stamps in floats, u from 0 to 1.
fn biweight(u: f64) -> f64 {
    1.0 - u * u
}

fn hann(u: f64) -> f64 {
    if u == 0.0 { 1.0 } else { (PI * u).sin() / (PI * u) }
}

fn kaiser(u: f64) -> f64 {
    let x = 6.0 * (1.0 - u * u).max(0.0).sqrt();
    // I1(x)/x is 1/2 at zero.
    let of = |x: f64| if x < 1e-6 { 0.5 } else { bessel(1, x) / x };
    of(x) / of(6.0)
}

/// All 65536 weights: rounding of the table, straight lines between its points (within 1.5e-4), and rounding down.
#[test]
fn weights_are_those_of_the_shapes() {
    fn check<S: Shape>(of: fn(f64) -> f64) {
        for u in 0..=0xFFFF {
            let off = f64::from(S::weight(u)) - 4095.0 * of(f64::from(u) / 65_536.0);
            assert!((-2.2..1.2).contains(&off), "{}: {off} at {u}", std::any::type_name::<S>());
        }
        // At the table's own points there is nothing but rounding.
        for i in 0..64 {
            let off = f64::from(S::weight(i << 10)) - 4095.0 * of(f64::from(i) / 64.0);
            assert!(off.abs() <= 1.0, "{}: {off} at point {i}", std::any::type_name::<S>());
        }
    }
    check::<BiweightShape>(biweight);
    check::<HannShape>(hann);
    check::<Kaiser6Shape>(kaiser);
}

/// The taper on the instantaneous period for each estimator, u from -1 to 1 over the window; its integral is 1.
#[derive(Clone, Copy)]
enum Taper {
    Boxcar,
    Triangle,
    Parabola,
    Biweight,
    Hann,
    Kaiser6,
}

impl Taper {
    fn at(self, u: f64) -> f64 {
        match self {
            Self::Boxcar => 1.0,
            Self::Triangle => 1.0 - u.abs(),
            Self::Parabola => 1.0 - u * u,
            Self::Biweight => (1.0 - u * u).powi(2),
            Self::Hann => (PI * u / 2.0).cos().powi(2),
            // Less the step at its ends.
            Self::Kaiser6 => bessel(0, 6.0 * (1.0 - u * u).max(0.0).sqrt()) - 1.0,
        }
    }

    /// Its transform at `x` reciprocal window lengths, over that at zero: Simpson's rule.
    fn transform(self, x: f64) -> f64 {
        let integral = |x: f64| -> f64 {
            (0..=2_000u32)
                .map(|i| {
                    let u = f64::from(i) / 1_000.0 - 1.0;
                    let share = [2.0, 4.0][(i % 2) as usize] - f64::from(u8::from(i % 2_000 == 0));
                    share * self.at(u) * (PI * x * u).cos()
                })
                .sum()
        };
        integral(x) / integral(0.0)
    }
}

fn decibels(w: f64) -> f64 {
    20.0 * w.abs().log10()
}

/// How much of a phase modulation of `per_cycle` periods a cycle the period shows, over how much single periods swing.
fn response<const N: usize, E: Estimator>(per_cycle: f64) -> f64 {
    // 2e6 ticks a cycle and a swing of a thousandth: what a tick does is below 1e-5 of it.
    let (ticks, swing) = (100_000_000u32, 2_000.0);
    let c = Config {
        clock_tolerance_ppb: 0,
        window_ms: 20 * (N as u32 - 1),
        every_ms: 1,
        gate_factor: 50,
        gate_floor_ppm: 250_000,
        ..Config::around(rate(ticks), common::hertz(50.0))
    };
    let part = |phase: f64| {
        let mut meter = meter::<N, E>(&c);
        let middle = 40 + N as i32 - 1;
        for k in 0..middle + 1 {
            // The phase is that in the middle of the window.
            let from_middle = f64::from(k - middle) + 0.5 * (N as f64 - 1.0);
            let at = 2e6 * f64::from(k) + swing * (2.0 * PI * per_cycle * from_middle + phase).sin();
            meter.push(rising((at + 1e7).round() as u64));
        }
        let reading = meter.take_reading().unwrap();
        assert_eq!(reading.cycles as usize, N - 1);
        f64::from(ticks) / value(reading.frequency.unwrap()) - 2e6
    };
    part(0.0).hypot(part(PI / 2.0)) / (2.0 * swing * (PI * per_cycle).sin())
}

/// `beyond`: by how many cycles the taper is longer than the span from first to last crossing, since it is zero only there.
fn selective<E: Estimator>(taper: Taper, beyond: f64, most: [(f64, f64); 4]) {
    const N: usize = 600;
    let length = N as f64 - 1.0 + beyond;
    for (x, table) in most {
        for x in [x, x + 0.37] {
            let (got, want) = (response::<N, E>(x / length), taper.transform(x).abs());
            let close = (got - want).abs() < 1e-3 || (decibels(got) - decibels(want)).abs() < 0.3;
            assert!(close, "{}: {got} at {x}, not {want}", std::any::type_name::<E>());
            assert!(
                decibels(got) < table + 0.3,
                "{}: {} dB at {x}",
                std::any::type_name::<E>(),
                decibels(got)
            );
        }
    }
}

/// Levels of the highest lobe from 2, 3, 4 and 6 reciprocal window lengths on: of the least-squares parabola -22, -29, -34 and -41 dB;
/// of tapers 6 to 30 dB less. (Computed for continuous tapers; Kaiser's from its transform, see `Taper::transform`.)
#[test]
fn tones_are_let_through_as_the_transforms_say() {
    let at = |levels: [f64; 4]| [(2.0, levels[0]), (3.0, levels[1]), (4.0, levels[2]), (6.0, levels[3])];
    selective::<EndToEnd>(Taper::Boxcar, 0.0, at([-17.8, -20.8, -23.0, -26.0]));
    selective::<Triangular>(Taper::Triangle, 1.0, at([-26.5, -26.9, -35.7, -41.6]));
    selective::<LeastSquares>(Taper::Parabola, 1.0, at([-22.4, -29.4, -34.4, -41.5]));
    selective::<Biweight>(Taper::Biweight, 2.0, at([-27.7, -37.8, -44.8, -54.8]));
    selective::<Hann>(Taper::Hann, 2.0, at([-31.5, -41.5, -48.5, -58.4]));
    selective::<Kaiser6>(Taper::Kaiser6, 2.0, at([-36.1, -45.1, -49.7, -56.4]));
}

/// A short window's taper is the sampled one: weights of stamps by the integral's rule, w'(u) = -u v(u).
#[test]
fn short_windows_are_as_selective_as_their_weights() {
    fn check<E: Estimator>(of: fn(f64) -> f64) {
        const N: usize = 12;
        let place = |i: usize| i as f64 - 0.5 * (N as f64 - 1.0);
        let c = |i: usize| of(place(i).abs() / (0.5 * (N as f64 + 1.0))) * place(i);
        let all: f64 = (0..N).map(|i| c(i) * place(i)).sum();
        for x in [0.5, 1.0, 2.0, 3.0, 4.0] {
            let per_cycle = x / (N as f64 + 1.0);
            let sum: f64 = (0..N).map(|i| c(i) * (2.0 * PI * per_cycle * place(i)).sin()).sum();
            let want = (sum / all / (2.0 * (PI * per_cycle).sin())).abs();
            let got = response::<N, E>(per_cycle);
            assert!((got - want).abs() < 1e-3, "{}: {got} at {x}, not {want}", std::any::type_name::<E>());
        }
    }
    check::<Biweight>(biweight);
    check::<Hann>(hann);
    check::<Kaiser6>(kaiser);
}

/// The weighted least-squares slope in exact rationals, with the weights that the shape gives for the places the crossings have.
fn weighted<S: Shape>(points: &Points) -> (i128, i128) {
    let span = points[points.len() - 1].0;
    // In quarter cycles, from the middle to just outside.
    let scale = (1 << 22) / (2 * span + 4) as u32;
    let weight = |k: i128| {
        let u = ((4 * k - 2 * span).unsigned_abs() as u32 * scale) >> 6;
        i128::from(S::weight(u.min(0xFFFF)))
    };
    let v = sum(points, |p| weight(p.0));
    let (vk, vt) = (sum(points, |p| weight(p.0) * p.0), sum(points, |p| weight(p.0) * p.1));
    let (vkk, vkt) = (sum(points, |p| weight(p.0) * p.0 * p.0), sum(points, |p| weight(p.0) * p.0 * p.1));
    (v * vkt - vk * vt, v * vkk - vk * vk)
}

/// With crossings missing, wherever the window has come to: the weighted slope itself.
fn exact<const N: usize, E: Estimator, S: Shape>() {
    let mut worst: f64 = 0.0;
    let mut readings = 0;
    for (seed, hertz, jitter, missing) in
        [(1, 50.000_61, 0.0, 0.0), (2, 50.000_61, 0.0, 0.2), (3, 49.37, 20.0, 0.0), (4, 50.000_6, 20.0, 0.2)]
    {
        let train = common::Train { jitter, missing, seed, ..common::Train::clean(2_000_000) };
        let c = Config {
            window_ms: 20 * (N as u32 - 1),
            gate_factor: 50,
            gate_floor_ppm: 100_000,
            ..Config::mains(rate(2_000_000))
        };
        let mut meter = meter::<N, E>(&c);
        for at in train.edges(&steady(hertz, 6_000)) {
            meter.push(rising(at));
            let Some(reading) = meter.take_reading().filter(|r| r.frequency.is_some()) else { continue };
            let held = points(meter.crossings());
            let first = meter.crossings().next().unwrap().stamp;
            assert_eq!(i128::from((reading.middle - first).count()), held[held.len() - 1].1 / 2);
            let (ticks, cycles) = weighted::<S>(&held);
            let want = 2e6 / (ticks as f64 / cycles as f64);
            worst = worst.max((value(reading.frequency.unwrap()) - want).abs());
            readings += 1;
        }
    }
    // Weighted middles are to a 256th of a quarter cycle, and levels to a tick: 0.0005 tick in six crossings, 0.6 uHz.
    let most = 1e-6;
    assert!(readings > 500 && worst < most, "{N}, {}: {worst} Hz", std::any::type_name::<E>());
}

#[test]
fn tapered_slopes_are_exact() {
    exact::<6, Biweight, BiweightShape>();
    exact::<64, Biweight, BiweightShape>();
    exact::<300, Biweight, BiweightShape>();
    exact::<6, Hann, HannShape>();
    exact::<64, Hann, HannShape>();
    exact::<64, Kaiser6, Kaiser6Shape>();
}

/// Without jitter quantisation moves no reading by more than its stated half width, whatever is missing.
#[test]
fn quantisation_stays_within_the_bound_though_crossings_are_missing() {
    fn check<E: Estimator>() {
        for (seed, drift) in [0.001, 0.003, 0.02, 0.1, 0.25, 0.377, 0.499].into_iter().enumerate() {
            let train = common::Train { missing: 0.15, seed: seed as u64, ..common::Train::clean(2_000_000) };
            let hertz = 2e6 / (PERIOD as f64 + drift);
            let mut meter = meter::<60, E>(&Config { every_ms: 60, ..config(80) });
            let mut seen = 0;
            for at in train.edges(&steady(hertz, 5_000)) {
                meter.push(rising(at));
                let Some(reading) = meter.take_reading().filter(|r| r.cycles > 20) else { continue };
                let off = value(reading.frequency.unwrap()) - hertz;
                let half = value(reading.expanded_uncertainty.unwrap());
                assert!(off.abs() <= half, "{}: {off} +- {half} Hz, {reading:?}", std::any::type_name::<E>());
                seen += 1;
            }
            assert!(seen > 500, "{seen}");
        }
    }
    check::<LastPeriod>();
    check::<EndToEnd>();
    check::<Triangular>();
    check::<LeastSquares>();
    check::<Biweight>();
    check::<Hann>();
    check::<Kaiser6>();
}

/// A third of the first half's crossings missing: the mean over many windows is the truth.
#[test]
fn missing_crossings_do_not_pull() {
    fn check<E: Estimator>() {
        let mut meter = meter::<64, E>(&Config { every_ms: 1, ..config(80) });
        let mut stamps = Stamps::new(41, 0.377, 20.0, 9);
        let (mut tally, mut sum) = (Tally::default(), 0.0);
        for i in 0..4_000u32 {
            let (_, mut edges) = stamps.window();
            // All in the first half, but not the first, so that the window keeps its length.
            let mut at = 0;
            edges.retain(|_| {
                at += 1;
                at == 1 || at > 20 || !(at * 7 + i as usize).is_multiple_of(3)
            });
            let reading = Measures::window(&mut meter, &edges);
            if i > SETTLING {
                let reading = reading.unwrap();
                assert!(reading.missed > 4 && reading.cycles == 40);
                tally.take_reading(&reading, stamps.hertz());
                sum += value(reading.frequency.unwrap()) - stamps.hertz();
            }
        }
        let mean = sum / f64::from(tally.windows);
        let standard = tally.rmse() / f64::from(tally.windows).sqrt();
        let name = std::any::type_name::<E>();
        assert!(mean.abs() < 4.0 * standard, "{name}: off by {mean}, standard error {standard}");
        assert!((0.94..0.97).contains(&tally.coverage()), "{name}: {}", tally.coverage());
    }
    check::<EndToEnd>();
    check::<Triangular>();
    check::<LeastSquares>();
    check::<Biweight>();
    check::<Hann>();
    check::<Kaiser6>();
}

/// With no gaps a biweight window is exact in integers: k(M^2 - k^2) for each stamp.
#[test]
fn biweight_is_the_cubic_it_is_said_to_be() {
    let mut boxes: [Box<dyn Measures>; 1] = [Box::new(Meter::<10, Biweight>::new(&config(18)).unwrap())];
    let mut stamps = Stamps::new(10, 0.377, 20.0, 3);
    let tallies = run(&mut boxes, &mut stamps, 9, 5_000);
    let m: f64 = 5.5;
    let c = |i: i32| (f64::from(i) - 4.5) * (m * m - (f64::from(i) - 4.5).powi(2));
    let all: f64 = (0..10).map(|i| c(i) * (f64::from(i) - 4.5)).sum();
    let variance: f64 = (0..10).map(|i| (c(i) / all).powi(2)).sum();
    let sd = variance.sqrt() * 20.0 * stamps.hertz().powi(2) / 2e6;
    assert!((tallies[0].rmse() / sd - 1.0).abs() < 0.03, "{} of {sd}", tallies[0].rmse());
}
