//! The simulator against theory: formulas and figures that are not its own.

use std::f64::consts::TAU;
use std::path::Path;

use humtick::Polarity;
use humtick_sim::edge::Transition;
use humtick_sim::mains::Mains;
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
        // Of the other polarity, or where no crossing is: there must be none of those.
        if (turns - cycle).abs() > 0.25 {
            let off = (turns - cycle).abs();
            assert!(
                t.polarity != polarity || off > 0.45 || t.at.seconds() < 0.01,
                "a stray edge at {:?}",
                t.at
            );
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
        // Edges come in pairs more: what is beyond one, to four of its standard deviations and a rounded last figure.
        let seconds = if r < 1.0 { 4_000.0 } else { 400.0 };
        let edges = transitions(&noisy(r, 0.0, seconds)).len() as f64 / (seconds * 100.0);
        assert!((edges / expected - 1.0).abs() < 0.03, "r {r}: {edges}");
        let more = (edges - 1.0) / (expected - 1.0);
        assert!((more - 1.0).abs() < 0.1, "r {r}: {edges}");
    }
}

#[test]
fn jitter_is_noise_over_slew() {
    let text = "duration_s = 1000\n[front_end]\nlowpass_hz = \"none\"\nnoise_percent = 0.1\nhysteresis_percent = 1.0\n";
    let all = bursts(&transitions(text), Polarity::Rising);
    assert!((all.len() as f64 - 50_000.0).abs() < 3.0);
    let (mean, sd) = moments(all.iter().map(|b| b[0]));
    assert!((sd / 0.001 - 1.0).abs() < 0.02, "{sd}");
    // Half the hysteresis late.
    assert!((mean - 0.005).abs() < 5.0 * 0.001 / (all.len() as f64).sqrt(), "{mean}");
}

/// Mean edges per true crossing of a comparator with hysteresis of W sigma: the sheet's table, simulated there with another program.
#[test]
fn edges_per_crossing_with_hysteresis() {
    for (r, w, expected) in [
        (1.0, 1.0, 1.035),
        (3.55, 1.0, 1.82),
        (3.55, 2.0, 1.251),
        (3.55, 3.0, 1.053),
        (3.55, 4.0, 1.0077),
        (10.0, 2.0, 2.38),
        (10.0, 4.0, 1.07),
    ] {
        let seconds = if expected < 1.02 { 6_000.0 } else { 1_200.0 };
        let edges = transitions(&noisy(r, w, seconds)).len() as f64 / (seconds * 100.0);
        assert!((edges / expected - 1.0).abs() < 0.03, "r {r}, W {w}: {edges} for {expected}");
        let more = (edges - 1.0) / (expected - 1.0);
        assert!((more - 1.0).abs() < 0.12, "r {r}, W {w}: {edges} for {expected}");
    }
}

/// Where the chosen edge of a burst lies, in sigma over slew: the figures of noise made densely and of the lazy prototype
/// (first edge at r = 3.55: mean -0.637, sd 0.756; at r = 10: -1.15, 0.645), middle and mean of all edges from the sheet.
#[test]
fn instants_of_bursts() {
    for (r, first, middle_sd, mean_sd) in
        [(3.55, (-0.637, 0.756), 0.54, 0.58), (10.0, (-1.15, 0.645), 0.45, 0.43)]
    {
        let sigma = r * 50.0 * 3f64.sqrt() / 20_000.0;
        let all = bursts(&transitions(&noisy(r, 0.0, 600.0)), Polarity::Rising);
        // The slew of a sine at its zero is 1 radian a radian. A burst has edges of both polarities: rising ones come first and last.
        let (mean, sd) = moments(all.iter().map(|b| b[0] / sigma));
        assert!(
            (mean - first.0).abs() < 0.02 && (sd / first.1 - 1.0).abs() < 0.03,
            "r {r}: first {mean} {sd}"
        );
        let (mean, sd) = moments(all.iter().map(|b| (b[0] + b[b.len() - 1]) / 2.0 / sigma));
        assert!(mean.abs() < 0.02 && (sd / middle_sd - 1.0).abs() < 0.04, "r {r}: middle {mean} {sd}");
        let (mean, sd) = moments(all.iter().map(|b| b.iter().sum::<f64>() / b.len() as f64 / sigma));
        assert!(mean.abs() < 0.03 && (sd / mean_sd - 1.0).abs() < 0.04, "r {r}: mean {mean} {sd}");
    }
}

/// Noise alone crosses zero 2B/sqrt 3 times a second (Rice, Bell Syst. Tech. J. 24, 1945).
#[test]
fn noise_alone_crosses_at_rices_rate() {
    let text = "duration_s = 21\n[[disturb]]\nkind = \"interruption\"\nat_s = 1.0\nlength_s = 20.0\n[front_end]\n\
                lowpass_hz = \"none\"\nnoise_percent = 1\nnoise_bandwidth_hz = 20000\nhysteresis_percent = 0\n";
    let count = transitions(text).iter().filter(|t| t.at.second >= 1).count() as f64 / 20.0;
    let expected = 2.0 * 20_000.0 / 3f64.sqrt();
    assert!((count / expected - 1.0).abs() < 0.01, "{count} a second for {expected}");
}

/// Steady phases in radians of the first rising and falling edges of each cycle, without noise.
fn steady(text: &str) -> (f64, f64) {
    let all = transitions(&format!("duration_s = 5\n{text}"));
    let of = |polarity| {
        let bursts = bursts(&all, polarity);
        assert!(bursts.iter().all(|b| b.len() == 1), "{text}");
        let last = bursts.last().unwrap()[0];
        assert!(bursts.iter().skip(100).all(|b| (b[0] - last).abs() < 1e-8), "{text}");
        last
    };
    (of(Polarity::Rising), of(Polarity::Falling))
}

const CLEAN: &str = "[front_end]\nlowpass_hz = \"none\"\nnoise_percent = 0\nhysteresis_percent = 0\n";

#[test]
fn harmonics_shift_the_crossing() {
    // The root of sin x + 0.06 sin(5 x + 90 degrees), by bisection in the test: -3.298 degrees.
    let mut bounds = (-0.2f64, 0.1f64);
    for _ in 0..60 {
        let x = (bounds.0 + bounds.1) / 2.0;
        if x.sin() + 0.06 * (5.0 * x).cos() > 0.0 { bounds.1 = x } else { bounds.0 = x }
    }
    assert!((bounds.0.to_degrees() + 3.298).abs() < 1e-3);
    let (rising, falling) = steady(&format!("[voltage]\nharmonics = [[5, 6.0, 90.0]]\n{CLEAN}"));
    // 1 ns is 3e-7 rad. Odd harmonics shift both alike.
    assert!((rising - bounds.0).abs() < 1e-7, "{rising}");
    assert!((falling - rising).abs() < 1e-7, "{falling}");
    // The 50th, between whose knots the table is coarsest: the root of sin x + 0.003 sin(50 x + 90 degrees).
    let (rising, _) = steady(&format!("[voltage]\nharmonics = [[50, 0.3, 90.0]]\n{CLEAN}"));
    let off = rising.sin() + 0.003 * (50.0 * rising).cos();
    assert!(off.abs() < 1e-7, "{off}");
}

#[test]
fn direct_voltage_and_even_harmonics_move_the_edges_apart() {
    let (rising, falling) = steady(&format!("[voltage]\ndc_percent = 1.0\n{CLEAN}"));
    assert!(
        (rising + 0.01f64.asin()).abs() < 1e-7 && (falling - 0.01f64.asin()).abs() < 1e-7,
        "{rising} {falling}"
    );
    let (rising, falling) = steady(&format!("[voltage]\nharmonics = [[2, 2.0, 90.0]]\n{CLEAN}"));
    // About 1.146 degrees, opposite ways.
    assert!(
        (rising.to_degrees() + 1.146).abs() < 2e-3 && (rising + falling).abs() < 1e-7,
        "{rising} {falling}"
    );
}

#[test]
fn thresholds_and_lowpass_delay() {
    let (rising, falling) = steady(
        "[front_end]\nlowpass_hz = \"none\"\nnoise_percent = 0\nhysteresis_percent = 2\noffset_percent = 0.5\n",
    );
    assert!(
        (rising - 0.015f64.asin()).abs() < 1e-7 && (falling - 0.005f64.asin()).abs() < 1e-7,
        "{rising} {falling}"
    );
    // Delay of RC: atan(f/fc); of a second-order Butterworth: atan2(sqrt 2 w, 1 - w^2).
    for (order, delay) in [(1, 0.25f64.atan()), (2, (2f64.sqrt() * 0.25).atan2(1.0 - 0.0625))] {
        let text = format!(
            "[front_end]\nlowpass_hz = 200\nlowpass_order = {order}\nnoise_percent = 0\nhysteresis_percent = 0\n"
        );
        let (rising, falling) = steady(&text);
        assert!(
            (rising - delay).abs() < 1e-7 && (falling - delay).abs() < 1e-7,
            "order {order}: {rising} for {delay}"
        );
    }
}

/// On a ramp of R the low-pass reads R times its group delay late: RC/(1 + (w RC)^2), 0.749 ms at 200 Hz.
#[test]
fn a_ramp_is_read_late() {
    let ramp = |lowpass: &str| {
        let text = format!(
            "duration_s = 3\n[grid]\nshape = \"ramp\"\nrate_hz_s = 1.0\nstart_s = 0\nstop_s = 3\n[front_end]\nlowpass_hz = {lowpass}\nnoise_percent = 0\nhysteresis_percent = 0\n"
        );
        let rising: Vec<f64> = transitions(&text)
            .iter()
            .filter(|t| t.polarity == Polarity::Rising)
            .map(|t| t.at.seconds())
            .collect();
        // Phase of the grid at an edge, less its number: falls behind by R tau t.
        let phase = |t: f64| 50.0 * t + 0.5 * t * t;
        let lag = |t: f64| phase(t).round() - phase(t);
        let (a, b) = (rising[20], rising[rising.len() - 5]);
        (lag(b) - lag(a)) / (b - a)
    };
    assert!(ramp("\"none\"").abs() < 1e-6, "{}", ramp("\"none\""));
    let late = -ramp("200");
    assert!((late / 0.749e-3 - 1.0).abs() < 0.01, "{late}");
}

/// The dip's edge with a low-pass: nothing jumps, and the state before decays as e^(-t/RC). The exact answer of RC to a sine whose amplitude
/// changes at t0 is written down again here, from the differential equation.
#[test]
fn a_dip_dies_away_behind_the_lowpass() {
    let corner = 100.0;
    let at = 1.003;
    let text = format!(
        "duration_s = 2\n[[disturb]]\nkind = \"amplitude-step\"\nat_s = {at}\npercent = 30\n[front_end]\nlowpass_hz = {corner}\nnoise_percent = 0\nhysteresis_percent = 0\n"
    );
    let edges: Vec<f64> = transitions(&text).iter().map(|t| t.at.seconds()).filter(|t| *t > at).collect();
    // y' = (u - y) w_c, u = A(t) sin w t, in steps of 1 us (fourth-order Runge-Kutta); the scale does not matter to crossings.
    let (w, wc) = (TAU * 50.0, TAU * corner);
    let u = |t: f64, after: bool| (if after { 0.3 } else { 1.0 }) * (w * t).sin();
    let (mut y, mut t) = ((w * 0.9).sin(), 0.9);
    let h = 1e-6;
    let mut crossings = Vec::new();
    while t < 1.1 {
        let after = t + 0.5 * h > at;
        let f = |t: f64, y: f64| wc * (u(t, after) - y);
        let k1 = f(t, y);
        let k2 = f(t + 0.5 * h, y + 0.5 * h * k1);
        let k3 = f(t + 0.5 * h, y + 0.5 * h * k2);
        let k4 = f(t + h, y + h * k3);
        let next = y + h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4);
        if t > at && (next > 0.0) != (y > 0.0) {
            crossings.push(t + h * y / (y - next));
        }
        (y, t) = (next, t + h);
    }
    assert!(crossings.len() > 8);
    for (edge, truth) in edges.iter().zip(&crossings) {
        assert!((edge - truth).abs() < 2e-8, "{edge} {truth}");
    }
    // It matters: the first is not where the steady state has it.
    let steady = edges[6] - 0.06;
    assert!((edges[0] - steady).abs() > 1e-5, "{} {steady}", edges[0]);
}

/// The same whatever the number of threads, with the comparator's state lost in an interruption at the end of each batch.
#[test]
fn threads_do_not_matter() {
    let text = "duration_s = 200\nseed = 5\n[grid]\nshape = \"wander\"\n[[disturb]]\nkind = \"impulses\"\nrate_hz = 20\n\
                size_percent = 20\nwidth_us = 100\n[[disturb]]\nkind = \"interruption\"\nat_s = 3.0\nlength_s = 80\n[front_end]\n\
                hysteresis_percent = 3\n";
    let one: Vec<Transition> = Mains::new(&scenario(text), 1).collect();
    for threads in [2, 3, 7] {
        let many: Vec<Transition> = Mains::new(&scenario(text), threads).collect();
        assert!(one == many, "{threads} threads");
    }
    assert!(one.len() > 10_000);
    assert!(one.windows(2).all(|w| w[0].polarity != w[1].polarity && w[1].at.since(w[0].at) >= 0.0));
}

/// An interharmonic of 0.7 % at 72 Hz shakes crossings in the rhythm of its beat with the nearest harmonic of 50 Hz, 22 Hz; period by period
/// the frequency is off by its amplitude times that (zero-crossings.md: a f_b), less what a period's mean takes: sin(pi f_b/f)/(pi f_b/f).
#[test]
fn an_interharmonic_beats() {
    let (size, hz) = (0.007, 72.0);
    let text = format!(
        "duration_s = 20\n[voltage]\ninterharmonics = [[{}, {}]]\n[front_end]\nlowpass_hz = \"none\"\nnoise_percent = 0\nhysteresis_percent = 0\n",
        hz / 50.0,
        size * 100.0
    );
    let rising: Vec<f64> = transitions(&text)
        .iter()
        .filter(|t| t.polarity == Polarity::Rising && t.at.seconds() > 0.01)
        .map(|t| t.at.seconds())
        .collect();
    let off: Vec<f64> = rising.windows(2).map(|pair| 1.0 / (pair[1] - pair[0]) - 50.0).collect();
    let most = off.iter().fold(0.0, |most: f64, off| most.max(off.abs()));
    let beat = hz - 50.0;
    let mean = (std::f64::consts::PI * beat / 50.0).sin() / (std::f64::consts::PI * beat / 50.0);
    let expected = size * beat * mean;
    assert!((most / expected - 1.0).abs() < 0.03, "{most} for {expected}");
    // And the voltage has that tone: the sum of the squares of what is not the fundamental is half its amplitude squared.
    let samples = humtick_sim::mains::probe::Probe::new(&scenario(&text)).samples(100_000);
    let rest = samples.take(2_000_000).enumerate().map(|(k, u)| u - (TAU * 50.0 * k as f64 / 1e5).sin());
    let power = rest.map(|rest| rest * rest).sum::<f64>() / 2e6;
    assert!((power / (size * size / 2.0) - 1.0).abs() < 1e-4, "{power}");
}

/// Flicker of 2 % at 7 Hz with the threshold at 20 % of the amplitude: the edge moves by (V/A) m/(2 pi f), so the frequency is off by (V/A) m f_m
/// (zero-crossings.md), times 1/sqrt(1 - (V/A)^2) for the slope there and the mean over a period.
#[test]
fn flicker_moves_a_threshold_off_zero() {
    let (threshold, depth, hz) = (0.2f64, 0.02, 7.0);
    let text = format!(
        "duration_s = 20\n[voltage]\nflicker = {{ percent = {}, hz = {hz} }}\n[front_end]\nlowpass_hz = \"none\"\nnoise_percent = 0\n\
         hysteresis_percent = 0\noffset_percent = {}\n",
        depth * 100.0,
        threshold * 100.0
    );
    let rising: Vec<f64> = transitions(&text)
        .iter()
        .filter(|t| t.polarity == Polarity::Rising && t.at.seconds() > 0.02)
        .map(|t| t.at.seconds())
        .collect();
    let most = rising.windows(2).map(|pair| (1.0 / (pair[1] - pair[0]) - 50.0).abs()).fold(0.0, f64::max);
    let mean = (std::f64::consts::PI * hz / 50.0).sin() / (std::f64::consts::PI * hz / 50.0);
    let expected = threshold * depth * hz * mean / (1.0 - threshold * threshold).sqrt();
    assert!((most / expected - 1.0).abs() < 0.03, "{most} for {expected}");
}
