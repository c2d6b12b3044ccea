//! Every estimator against the same slope in exact rationals, from nothing but the crossings the meter says it holds.

mod common;

use common::exact::{Points, Slope, end_to_end, is_rounded, last_period, least_squares, sum, triangular};
use common::{Train, around, feed, meter, points, rising, spread, steady};
use humtick::{
    Config, Continuity, Crossing, EndToEnd, Estimator, Fit, LastPeriod, LeastSquares, Meter, Reading,
    Triangular, Verdict,
};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// What an estimator makes of unit variance in every stamp, and of one tick of quantisation.
struct Noise {
    /// Variance of the period for unit variance of the stamps.
    variance: f64,
    /// The most that quantisation can move the period.
    worst: f64,
    /// Twelfths of a squared tick that are added to the scatter.
    quantum: f64,
    /// 95 % factor for so many crossings, six or more.
    factor: fn(f64) -> f64,
}

/// How an estimator's noise follows from the crossings alone.
type NoiseOf = fn(&Points) -> Noise;

fn noise_of_last_period(points: &Points) -> Noise {
    let (_, cycles) = last_period(points);
    let cycles = cycles as f64;
    Noise { variance: 2.0 / cycles.powi(2), worst: 1.0 / cycles, quantum: 2.0, factor: |_| 1.96 }
}

fn noise_of_end_to_end(points: &Points) -> Noise {
    Noise {
        factor: |n| 1.96 + 0.75 / (n - 4.7),
        ..noise_of_last_period(&[points[0], points[points.len() - 1]])
    }
}

fn noise_of_triangular(points: &Points) -> Noise {
    let (half, (_, cycles)) = ((points.len() / 2) as f64, triangular(points));
    let cycles = cycles as f64;
    Noise {
        variance: 2.0 * half / cycles.powi(2),
        worst: half / cycles,
        quantum: 1.0,
        factor: |n| 1.96 + 1.69 / (n - 3.3),
    }
}

/// Without gaps the bound is 3n/(2(n^2 - 1)); with gaps Cauchy's, which is above the sum of positive weights.
fn noise_of_least_squares(points: &Points) -> Noise {
    let n = points.len() as f64;
    let variance = n / spread(points) as f64;
    let gaps = points[points.len() - 1].0 + 1 != points.len() as i128;
    let worst = if gaps { (variance * n).sqrt() / 2.0 } else { 1.5 * n / (n * n - 1.0) };
    let factor = |n| StudentsT::new(0.0, 1.0, n - 2.0).unwrap().inverse_cdf(0.975);
    Noise { variance, worst, quantum: 1.0, factor }
}

/// Residual variance about the least-squares line, and how far off the core's may be: slopes of 32 bits leave 2^-32 of the
/// spread.
fn scatter(points: &Points) -> (f64, f64) {
    let n = points.len() as i128;
    let (num, spread) = least_squares(points);
    // Residuals against a nearby integer line, so that their squares fit; SSR is the same for any.
    let period = num / spread;
    let line: Vec<_> = points.iter().map(|(k, t)| (*k, t - k * period)).collect();
    let tilt = least_squares(&line).0;
    let r = sum(&line, |p| p.1);
    // n spread SSR, exact.
    let ssr = (n * sum(&line, |p| p.1 * p.1) - r * r) * spread - tilt * tilt;
    let freedom = (n - 2) as f64;
    (ssr as f64 / (n as f64 * spread as f64) / freedom, spread as f64 / 4_294_967_296.0 / n as f64 / freedom)
}

/// Uncertainties are known to 16 bits, and rounded up: at least the figure, and at most 2^-11 above it.
const UP: f64 = 1.0 / 2048.0;

fn check_uncertainty(reading: &Reading, points: &Points, config: &Config, noise: NoiseOf) {
    let frequency = common::value(reading.frequency.unwrap());
    let (standard, expanded) = (reading.standard_uncertainty, reading.expanded_uncertainty);
    if points.len() < 3 {
        assert_eq!((standard, expanded), (None, None), "{} crossings", points.len());
        return;
    }
    let (standard, expanded) = (common::value(standard.unwrap()), common::value(expanded.unwrap()));
    let (noise, (scatter, lost)) = (noise(points), scatter(points));
    let n = points.len() as f64;
    // df = f dT/T, and T is rate/f.
    let relative =
        frequency.powi(2) / f64::from(config.rate.hz()) / (1.0 + f64::from(config.clock_ppb) * 1e-9);
    let clock = frequency * f64::from(config.clock_tolerance_ppb) * 1e-9;
    let tolerance = |of: f64| 1e-9 / of + lost / (scatter + 1.0 / 12.0) + 1e-6;
    // Next to the switch at q^2/3 either is right.
    let choices: &[bool] = match scatter - 1.0 / 3.0 {
        off if off.abs() < lost + 1e-4 => &[false, true],
        off => &[off < 0.0],
    };
    let fits = |bounded: &bool| {
        let jitter = (scatter + noise.quantum / 12.0) * noise.variance;
        let worst = if *bounded { noise.worst.powi(2) } else { 0.0 };
        let with = |square: f64, clock: f64| (square * relative * relative + clock * clock).sqrt();
        let want = with(jitter.max(worst / 3.0), clock / 3f64.sqrt());
        // Below four degrees of freedom Student's t, no wider than need be, and not narrower.
        let student = StudentsT::new(0.0, 1.0, n - 2.0).unwrap().inverse_cdf(0.975);
        let (low, high) = match points.len() {
            3 => (student, student * 1.001),
            4 => (student, student * 1.05),
            5 => (student, student * 1.005),
            _ => ((noise.factor)(n) * 0.999, (noise.factor)(n) * 1.001),
        };
        // A normal part n and the clock's rectangle of half width a: 0.9025 a^2 + n^2 + a n/(2 * 1.96).
        let at = |factor: f64| {
            let n = ((jitter * factor * factor).max(worst)).sqrt() * relative;
            (n * n + (0.95 * clock).powi(2) + clock * n / 3.92).sqrt()
        };
        let (low, high) = (at(low), at(high));
        let within = |low: f64, high: f64| low * (1.0 - tolerance(low))..=high * (1.0 + UP + tolerance(low));
        within(want, want).contains(&standard) && within(low, high).contains(&expanded)
    };
    assert!(
        choices.iter().any(fits),
        "{points:?}: scatter {scatter}, standard uncertainty {standard:e}, expanded {expanded:e}"
    );
}

/// The crossings a meter was told of since its window last began anew, to hold the window against.
#[derive(Default)]
struct History(Vec<Crossing>);

impl History {
    fn take<const N: usize, E: Estimator>(&mut self, meter: &Meter<N, E>, verdict: Verdict) {
        match verdict {
            Verdict::Crossing(crossing) => self.0.push(crossing),
            Verdict::Locked(humtick::Lock { continuity, .. }) => {
                if continuity != Continuity::Smooth {
                    self.0.clear();
                }
                let held: Vec<_> = meter.crossings().collect();
                self.0.extend(&held[held.len() - 4..]);
            }
            _ => {}
        }
        if meter.windows().next().unwrap().len() == 1 {
            self.0 = meter.crossings().collect();
        }
    }

    /// The window is the latest of them, no more than it may hold and no fewer.
    fn check<const N: usize, E: Estimator>(
        &self,
        meter: &Meter<N, E>,
        period: f64,
        jitter: f64,
        length: f64,
    ) {
        let held: Vec<_> = meter.crossings().collect();
        assert!(self.0.ends_with(&held), "the window is not the latest crossings");
        let reach = length + 0.5 * period;
        // The window goes by a period of its own, which a few jitters may be off.
        let slack = 6.0 * jitter + 2.0;
        let span = |c: &[Crossing]| {
            let (first, last) = (c[0], c[c.len() - 1]);
            (last.cycle.wrapping_sub(first.cycle), f64::from((last.stamp - first.stamp).count()))
        };
        let (cycles, ticks) = span(&held);
        assert!(
            held.len() <= N && cycles < 4 * N as u32 && ticks <= reach + slack,
            "{cycles} cycles, {ticks}"
        );
        if held.len() < self.0.len() {
            let (cycles, ticks) = span(&self.0[self.0.len() - held.len() - 1..]);
            assert!(
                held.len() == N || cycles >= 4 * N as u32 || ticks > reach - slack,
                "one more crossing, {ticks} ticks, was nearer to {length}"
            );
        }
    }
}

struct Tally {
    readings: usize,
    exact: usize,
}

/// Follows a train with gaps, extras and jitter, and checks every reading and every window.
fn follow<const N: usize, E: Estimator>(
    config: &Config,
    nominal: f64,
    jitter: f64,
    (slope, noise): (Slope, NoiseOf),
    seed: u64,
    tally: &mut Tally,
) {
    let tick_hz = config.rate.hz();
    let train = Train { jitter, missing: 0.05, extra: 0.03, seed, ..Train::clean(tick_hz) };
    let period = f64::from(tick_hz) / nominal;
    // The scale wraps after half the window's crossings.
    let origin = (1u64 << 32).saturating_sub((period * N as f64 / 2.0) as u64);
    let train = Train { origin, ..train };
    let mut history = History::default();
    let mut meter = meter::<N, E>(config);
    let length = f64::from(config.window_ms) * f64::from(tick_hz) / 1000.0;
    feed(&mut meter, &train.edges(&steady(nominal, 2 * N as u32 + 100)), |meter, _, verdict, reading| {
        history.take(meter, verdict);
        if meter.windows().next().unwrap().len() > 1 {
            history.check(meter, period, jitter, length.floor());
        }
        let Some(reading) = reading.filter(|r| r.frequency.is_some()) else { return };
        let points = points(meter.crossings());
        let (cycles, ticks) = points[points.len() - 1];
        assert_eq!(i128::from(reading.cycles), cycles);
        assert_eq!(i128::from(reading.span.count()), ticks);
        assert_eq!(i128::from(reading.missed), cycles - (points.len() as i128 - 1));
        let first = meter.crossings().next().unwrap().stamp;
        assert_eq!(i128::from((reading.middle - first).count()), ticks / 2);
        tally.readings += 1;
        tally.exact += usize::from(is_rounded(&reading, slope(&points), config));
        check_uncertainty(&reading, &points, config, noise);
    });
}

const TICK_RATES: [u32; 5] = [1_000, 32_768, 2_000_000, 16_000_000, 100_000_000];
const NOMINALS: [f64; 5] = [0.5, 5.0, 50.0, 400.0, 10_000.0];

/// Every tick rate with every nominal frequency it can carry, three lengths of window, and clocks that are off.
fn sweep<const N: usize, E: Estimator>(of: (Slope, NoiseOf)) {
    let mut tally = Tally { readings: 0, exact: 0 };
    let mut seed = N as u64;
    for tick_hz in TICK_RATES {
        for nominal in NOMINALS {
            let period = f64::from(tick_hz) / nominal;
            // The horizon of 2^31 ticks, and a little below it; half of that between readings.
            let longest = 2.1e12 / f64::from(tick_hz);
            for (cycles, clock_ppb) in [(6.4, 0), (50.0, 37_003), (2_000.0, -99_999_999)] {
                seed += 1;
                let counted = period * (1.0 + f64::from(clock_ppb) / 1e9);
                if counted < 1.25 * 64.0 || counted > 0.79 * f64::from(humtick::limit::MAX_PERIOD) {
                    continue;
                }
                let window = (1000.0 * cycles / nominal).clamp(1.0, longest);
                // An odd number of cycles apart, some 30 readings over the train.
                let every = (1000.0 * (N as f64 / 15.0).max(1.0) / nominal).clamp(1.0, 0.45 * longest);
                let config = Config {
                    window_ms: window as u32,
                    every_ms: every as u32,
                    gate_factor: 50,
                    gate_floor_ppm: 60_000,
                    clock_ppb,
                    clock_tolerance_ppb: [0, 50, 50_000][(seed % 3) as usize],
                    ..around(tick_hz, nominal)
                };
                let jitter = period * [0.0, 1e-4, 5e-3][(seed / 3 % 3) as usize];
                follow::<N, E>(&config, nominal, jitter, of, seed, &mut tally);
            }
        }
    }
    assert!(tally.readings > 500, "only {} readings", tally.readings);
    // Off by one only next to a half: at 10 kHz, one in seven hundredths; elsewhere hardly ever.
    let rounded_away = tally.readings - tally.exact;
    assert!(rounded_away * 50 <= tally.readings, "{rounded_away} of {} not the nearest", tally.readings);
}

fn every_size<E: Estimator>(slope: Slope, noise: NoiseOf) {
    sweep::<4, E>((slope, noise));
    sweep::<5, E>((slope, noise));
    sweep::<7, E>((slope, noise));
    sweep::<64, E>((slope, noise));
    sweep::<600, E>((slope, noise));
    sweep::<1024, E>((slope, noise));
}

#[test]
fn last_period_and_its_uncertainty_are_exact() {
    every_size::<LastPeriod>(last_period, noise_of_last_period);
}

#[test]
fn end_to_end_and_its_uncertainty_are_exact() {
    every_size::<EndToEnd>(end_to_end, noise_of_end_to_end);
}

#[test]
fn triangular_and_its_uncertainty_are_exact() {
    every_size::<Triangular>(triangular, noise_of_triangular);
}

#[test]
fn least_squares_and_its_uncertainty_are_exact() {
    every_size::<LeastSquares>(least_squares, noise_of_least_squares);
}

/// One window of each number of crossings, clock left out: the ratio of the two uncertainties is the coverage factor.
#[test]
fn the_coverage_factor_is_students() {
    // Jitter of 20 ticks: uncertainties are 10^4 nHz and more, their rounding does not matter.
    let edges = Train { jitter: 20.0, ..Train::clean(2_000_000) }.edges(&steady(50.0, 200));
    let mut seen = [false; 201];
    // Below ten cycles a window must be full to give a reading; the last one grows through all the others.
    for window_ms in (60..220).step_by(20).chain([5_000]) {
        let config = Config {
            clock_tolerance_ppb: 0,
            window_ms,
            every_ms: 15,
            ..Config::mains(common::rate(2_000_000))
        };
        feed(&mut meter::<256, LeastSquares>(&config), &edges, |meter, _, _, reading| {
            let Some((standard, expanded)) =
                reading.and_then(|r| r.standard_uncertainty.zip(r.expanded_uncertainty))
            else {
                return;
            };
            let n = meter.windows().next().unwrap().len();
            let student = StudentsT::new(0.0, 1.0, n as f64 - 2.0).unwrap().inverse_cdf(0.975);
            let excess = common::value(expanded) / common::value(standard) / student - 1.0;
            let (low, high) = match n {
                4 => (-UP, 0.05),
                5 => (-UP, 0.005),
                _ => (-0.001, 0.001),
            };
            assert!((low..=high).contains(&excess), "{n} crossings: {excess:+.5} from Student's t {student}");
            seen[n] = true;
        });
    }
    assert!(seen[4..=200].iter().all(|s| *s), "not every number of crossings was seen");
}

/// A second at 50 Hz holds 50 cycles and both ends, not one crossing fewer.
#[test]
fn a_window_holds_the_whole_number_of_cycles_nearest_to_its_length() {
    let edges = Train::clean(2_000_000).edges(&steady(50.0, 200));
    for (window_ms, cycles) in [(1_000, 50), (1_009, 50), (1_011, 51), (991, 50), (989, 49), (100, 5)] {
        let config = Config { window_ms, ..Config::mains(common::rate(2_000_000)) };
        let reading = *common::readings::<64, LeastSquares>(&config, &edges).last().unwrap();
        assert_eq!((reading.cycles, reading.span.count()), (cycles, cycles * 40_000), "{window_ms} ms");
    }
    // 16 crossings at most: 15 cycles.
    let config = Config::mains(common::rate(2_000_000));
    assert_eq!(common::readings::<16, LeastSquares>(&config, &edges).last().unwrap().cycles, 15);
}

/// The fit, read at any time, agrees with the reading taken at the same time.
#[test]
fn fit_and_reading_agree() {
    let edges = Train { jitter: 3.0, missing: 0.05, ..Train::clean(2_000_000) }.edges(&steady(50.0, 300));
    feed(
        &mut meter::<64, LeastSquares>(&Config::mains(common::rate(2_000_000))),
        &edges,
        |meter, _, _, reading| {
            let Some(reading) = reading.filter(|r| r.frequency.is_some()) else { return };
            let fit: Fit = meter.fit().unwrap();
            assert_eq!((fit.middle(), fit.span, fit.cycles), (reading.middle, reading.span, reading.cycles));
            assert_eq!(fit.crossings as usize, meter.crossings().count());
            let (ticks, cycles) = least_squares(&points(meter.crossings()));
            assert_eq!(i128::from(fit.whole_period()), ticks / cycles);
        },
    );
}

/// Pushes of the long run: ten million, or `HUMTICK_LONG_RUN` of them.
fn pushes() -> u64 {
    std::env::var("HUMTICK_LONG_RUN").map_or(10_000_000, |n| n.parse().expect("HUMTICK_LONG_RUN is a number"))
}

/// Crossings of 50 Hz at 2 MHz for days on end, with jitter, missing and extra edges. Nothing drifts: the reading is bit for bit that of a meter that has seen only the last seconds.
fn long_run<E: Estimator>(slope: Slope) {
    let config = Config::mains(common::rate(2_000_000));
    let mut old = meter::<64, E>(&config);
    let pushes = pushes();
    let hash = |cycle: u64| cycle.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 32;
    let (mut cycle, mut checked) = (0, 0);
    // The first crossing of the fresh meter: a second's window with as much before it.
    let fresh_from = pushes - 120;
    let mut fresh = meter::<64, E>(&config);
    for pushed in 0..pushes {
        let bits = hash(pushed);
        // Towards the end the train is whole, so that the fresh meter locks to the same crossings.
        if pushed < fresh_from {
            if bits & 0x3F00_0000 == 0 {
                cycle += 1;
            }
            if bits & 0xC0_3F00 == 0 {
                old.push(rising(cycle * 40_000 - 17_000));
            }
        }
        let edge = rising(cycle * 40_000 + (bits & 7));
        old.push(edge);
        if pushed >= fresh_from {
            fresh.push(edge);
        }
        let last = pushed + 1 == pushes;
        if let Some(reading) = old.take_reading()
            && (pushed % 100_000 < 5 || last)
            && reading.frequency.is_some()
        {
            is_rounded(&reading, slope(&points(old.crossings())), &config);
            checked += 1;
        }
        cycle += 1;
    }
    assert!(checked >= pushes / 100_000, "{checked} readings checked");
    assert!(old.crossings().map(|c| c.stamp).eq(fresh.crossings().map(|c| c.stamp)));
    // Whatever line each takes its residuals against, slope and scatter are the same.
    assert!(fresh.fit().is_some_and(|fit| fit.crossings == 51));
    assert_eq!(old.fit(), fresh.fit());
}

#[test]
fn nothing_drifts_in_a_long_run_of_least_squares() {
    long_run::<LeastSquares>(least_squares);
}

#[test]
fn nothing_drifts_in_a_long_run_of_triangular() {
    long_run::<Triangular>(triangular);
}
