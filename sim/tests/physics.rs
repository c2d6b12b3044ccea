//! The simulator against theory: formulas and figures that are not its own.

use std::f64::consts::{PI, TAU};
use std::path::Path;

use humtick::Polarity;
use humtick_sim::edge::Transition;
use humtick_sim::mains::Mains;
use humtick_sim::moment::Moment;
use humtick_sim::scenario::Scenario;

fn scenario(text: &str) -> Scenario {
    Scenario::from_toml(text, Path::new("test.toml")).unwrap()
}

fn transitions(text: &str) -> Vec<Transition> {
    Mains::new(&scenario(text), 2).collect()
}

/// Phase of each rising transition against the ideal crossing of a grid at exactly 50 Hz, in radians; bursts in one.
fn bursts(transitions: &[Transition], polarity: Polarity) -> Vec<Vec<f64>> {
    let offset = if polarity == Polarity::Rising { 0.0 } else { 0.5 };
    let mut all: Vec<(i64, Vec<f64>)> = Vec::new();
    for t in transitions {
        let turns = (t.at.second % 1_000_000) as f64 * 50.0 + t.at.part * 50.0 - offset;
        let cycle = turns.round();
        if (turns - cycle).abs() > 0.25 {
            continue;
        }
        let radians = (turns - cycle) * TAU;
        match all.last_mut() {
            Some((k, burst)) if *k == cycle as i64 => burst.push(radians),
            _ => all.push((cycle as i64, vec![radians])),
        }
    }
    // The scenario starts and ends within a crossing.
    all.into_iter().skip(1).map(|(_, burst)| burst).collect()
}

fn moments(values: impl Iterator<Item = f64> + Clone) -> (f64, f64) {
    let n = values.clone().count() as f64;
    let mean = values.clone().sum::<f64>() / n;
    (mean, (values.map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0)).sqrt())
}

/// Noise relative to the slew: r = (B/f)(sigma/A)/sqrt 3.
fn noisy(r: f64, hysteresis_sigma: f64, seconds: f64) -> String {
    let bandwidth = 20_000.0;
    let sigma = r * 50.0 * 3f64.sqrt() / bandwidth;
    format!(
        "duration_s = {seconds}\n[front_end]\nlowpass_hz = \"none\"\nnoise_bandwidth_hz = {bandwidth}\nnoise_percent = {}\n\
         hysteresis_percent = {}\n",
        100.0 * sigma,
        100.0 * sigma * hysteresis_sigma
    )
}

/// Rice's rule for a ramp: E = erf(1/(r sqrt 2)) + r sqrt(2/pi) exp(-1/(2 r^2)).
#[test]
fn edges_per_crossing_without_hysteresis() {
    for (r, expected) in [(0.5, 1.0085), (1.0, 1.167), (2.0, 1.79), (3.55, 2.94), (10.0, 8.02)] {
        let edges = transitions(&noisy(r, 0.0, 400.0)).len() as f64 / (400.0 * 100.0);
        println!("r {r}: {edges} edges per crossing, {expected} expected");
        assert!((edges / expected - 1.0).abs() < 0.03, "r {r}: {edges}");
    }
}

#[test]
fn jitter_is_noise_over_slew() {
    let text = "duration_s = 1000\n[front_end]\nlowpass_hz = \"none\"\nnoise_percent = 0.1\nhysteresis_percent = 1.0\n";
    let all = bursts(&transitions(text), Polarity::Rising);
    assert!((all.len() as f64 - 50_000.0).abs() < 3.0);
    let (mean, sd) = moments(all.iter().map(|b| b[0]));
    println!("jitter {sd}, mean {mean}");
    assert!((sd / 0.001 - 1.0).abs() < 0.02, "{sd}");
    let _ = (PI, Moment::default());
}
