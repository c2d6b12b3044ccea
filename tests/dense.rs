//! The simulator, which looks only where its comparator can switch, against two that look everywhere: the sum of sines itself without
//! noise, and with noise a simulation of every grid point with a noise of its own.

#[path = "../benches/dense/mod.rs"]
mod dense;

use std::f64::consts::TAU;
use std::path::Path;

use humtick_sim::mains::Mains;
use humtick_sim::mains::grid;
use humtick_sim::scenario::Scenario;

use dense::Dense;

fn scenario(text: &str) -> Scenario {
    Scenario::from_toml(text, Path::new("test.toml")).unwrap()
}

/// Seconds at which the simulator's comparator switches.
fn transitions(scenario: &Scenario) -> Vec<f64> {
    Mains::new(scenario, 1).map(|t| t.at.seconds()).collect()
}

/// The fundamental and the harmonics: order, amplitude, phase in turns.
fn tones(scenario: &Scenario) -> Vec<(u32, f64, f64)> {
    let harmonics = scenario.voltage.harmonics.iter();
    let harmonics = harmonics.map(|(order, percent, degrees)| (*order, percent / 100.0, degrees / 360.0));
    std::iter::once((1, 1.0, 0.0)).chain(harmonics).collect()
}

/// Where a comparator with its thresholds at plus and minus `half` switches: steps of 2 us, then bisection.
fn oracle(voltage: impl Fn(f64) -> f64, half: f64, seconds: f64) -> Vec<f64> {
    let mut out = Vec::new();
    let step = 2e-6;
    for k in 0..(seconds / step) as u64 {
        let sign = if out.len() % 2 == 0 { 1.0 } else { -1.0 };
        let is_over = |t: f64| sign * voltage(t) > half;
        let (mut low, mut high) = (k as f64 * step, (k + 1) as f64 * step);
        if is_over(high) {
            while high - low > 1e-13 {
                let middle = 0.5 * (low + high);
                *(if is_over(middle) { &mut high } else { &mut low }) = middle;
            }
            out.push(high);
        }
    }
    out
}

fn agree(scenario: &Scenario, voltage: impl Fn(f64) -> f64) {
    let (found, truth) = (transitions(scenario), oracle(voltage, 0.005, scenario.duration_s));
    assert_eq!(found.len(), truth.len());
    assert!(truth.len() as f64 > 99.0 * scenario.duration_s);
    let off = found.iter().zip(&truth).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    assert!(off < 1e-9, "{off} s off");
}

const QUIET: &str = "duration_s = 1.5\n[voltage]\nharmonics = \"en50160\"\n[front_end]\nnoise_percent = 0\n";

/// Harmonics of 8 % on a grid that rises from 50 Hz by 0.4 Hz within a second: 0.2 t^2 turns.
#[test]
fn crossings_without_noise() {
    let grid =
        "lowpass_hz = \"none\"\n[grid]\nshape = \"ramp\"\nrate_hz_s = 0.4\nstart_s = 0.25\nstop_s = 1.25\n";
    let scenario = scenario(&format!("{QUIET}{grid}"));
    let tones = tones(&scenario);
    agree(&scenario, |t| {
        let (since, after) = ((t - 0.25).clamp(0.0, 1.0), (t - 1.25).max(0.0));
        let turns = 50.0 * t + 0.2 * since * since + 0.4 * after;
        tones.iter().map(|(n, size, phase)| size * (TAU * (f64::from(*n) * turns + phase)).sin()).sum()
    });
}

/// Behind 1 kHz: each tone divided by 1 + j f/1 kHz, and all by the gain for 50 Hz.
#[test]
fn crossings_without_noise_behind_a_low_pass() {
    let scenario = scenario(QUIET);
    assert_eq!((scenario.front_end.lowpass_hz, scenario.front_end.lowpass_order), (Some(1_000.0), 1));
    let tones = tones(&scenario);
    agree(&scenario, |t| {
        let tone = |(n, size, phase): &(u32, f64, f64)| {
            let (x, angle) = (f64::from(*n) * 0.05, TAU * (f64::from(*n) * 50.0 * t + phase));
            (angle.sin() - x * angle.cos()) / (1.0 + x * x) * size * (1.0f64 + 0.05 * 0.05).sqrt()
        };
        tones.iter().map(tone).sum()
    });
}

/// For each crossing the first transition in standard deviations of the jitter, and how many there are. Crossings with none do not occur:
/// the comparator is on one side before and on the other after.
fn bursts(transitions: &[f64], jitter_s: f64) -> (Vec<f64>, Vec<f64>) {
    let (mut first, mut counts) = (Vec::new(), Vec::new());
    let mut last = 0;
    for t in transitions {
        // The very first crossing is cut off by the start.
        let crossing = (t * 100.0).round() as u64;
        if crossing > last {
            assert_eq!(crossing, last + 1, "a crossing went by");
            first.push((t - crossing as f64 / 100.0) / jitter_s);
            counts.push(0.0);
            last = crossing;
        }
        if let Some(count) = counts.last_mut() {
            *count += 1.0;
        }
    }
    // The last may be cut off by the end.
    first.pop();
    counts.pop();
    (first, counts)
}

/// The largest distance between the two samples' distribution functions, over the critical distance at the level of 0.1 %:
/// sqrt(-ln(0.001 / 2) / 2 * (n + m) / (n m)) for large samples (Smirnov, Ann. Math. Statist. 19, 1948, 279); for discrete values too wide.
fn smirnov(a: &[f64], b: &[f64]) -> f64 {
    let sorted = |values: &[f64]| {
        let mut values = values.to_vec();
        values.sort_by(f64::total_cmp);
        values
    };
    let (a, b) = (sorted(a), sorted(b));
    let share = |of: &[f64], x: f64| of.partition_point(|v| *v <= x) as f64 / of.len() as f64;
    let distance = a.iter().chain(&b).map(|x| (share(&a, *x) - share(&b, *x)).abs()).fold(0.0, f64::max);
    let (n, m) = (a.len() as f64, b.len() as f64);
    distance / (-(0.001f64 / 2.0).ln() / 2.0 * (n + m) / (n * m)).sqrt()
}

/// The first of every 500.
fn earliest(first: &[f64]) -> Vec<f64> {
    first.chunks_exact(500).map(|chunk| chunk.iter().copied().fold(f64::INFINITY, f64::min)).collect()
}

/// Noise whose slope is `r` times the voltage's, r = (B/f)(sigma/A)/sqrt 3; hysteresis in standard deviations of the noise.
fn same_bursts(r: f64, bandwidth: f64, hysteresis: f64, seconds: f64) {
    let sigma = r * 50.0 * 3f64.sqrt() / bandwidth;
    let scenario = scenario(&format!(
        "duration_s = {seconds}\n[front_end]\nlowpass_hz = \"none\"\nnoise_bandwidth_hz = {bandwidth}\nnoise_percent = {}\nhysteresis_percent = {}\n",
        100.0 * sigma,
        100.0 * sigma * hysteresis
    ));
    let dense = Dense {
        tones: tones(&scenario),
        sigma,
        bandwidth_hz: bandwidth,
        hysteresis: sigma * hysteresis,
        seed: 1,
        seconds,
    };
    let jitter_s = sigma / (TAU * 50.0);
    let (first, counts) = bursts(&transitions(&scenario), jitter_s);
    let (dense_first, dense_counts) = bursts(&dense.transitions(grid::course(&scenario)), jitter_s);
    let distances = [
        ("first edges", smirnov(&first, &dense_first)),
        ("earliest of 500", smirnov(&earliest(&first), &earliest(&dense_first))),
        ("sizes", smirnov(&counts, &dense_counts)),
    ];
    for (what, distance) in distances {
        assert!(distance < 1.0, "{what}: {distance} of the critical distance");
    }
}

#[test]
fn bursts_of_noise_as_steep_as_the_voltage() {
    same_bursts(1.0, 5_000.0, 0.0, 800.0);
}

#[test]
fn bursts_of_noise_steeper_than_the_voltage() {
    same_bursts(3.55, 20_000.0, 0.0, 800.0);
}

#[test]
fn bursts_with_hysteresis() {
    same_bursts(3.55, 20_000.0, 1.0, 800.0);
}

/// The default front end: ten standard deviations of hysteresis.
#[test]
fn jitter() {
    same_bursts(0.001 * 400.0 / 3f64.sqrt(), 20_000.0, 10.0, 400.0);
}
