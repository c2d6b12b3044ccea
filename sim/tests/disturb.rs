//! Each disturbance as the voltage shows it, without low-pass and noise: sizes, widths and times are those asked for.

use std::f64::consts::TAU;
use std::path::Path;

use humtick::Polarity;
use humtick_sim::mains::Mains;
use humtick_sim::mains::probe::Probe;
use humtick_sim::scenario::Scenario;

const SAMPLE_HZ: u32 = 1_000_000;

/// The voltage of 50 Hz with `disturb`, a million times a second.
fn voltage(disturb: &str, seconds: f64) -> Vec<f64> {
    let text =
        format!("duration_s = {seconds}\n[front_end]\nlowpass_hz = \"none\"\nnoise_percent = 0\n{disturb}");
    let scenario = Scenario::from_toml(&text, Path::new("disturb.toml")).unwrap();
    Probe::new(&scenario).samples(SAMPLE_HZ).take((seconds * f64::from(SAMPLE_HZ)) as usize).collect()
}

fn seconds(sample: usize) -> f64 {
    sample as f64 / f64::from(SAMPLE_HZ)
}

fn sine(sample: usize) -> f64 {
    (TAU * 50.0 * seconds(sample)).sin()
}

/// Every sample is what `expected` says of its time, 2 us about jumps left out.
#[track_caller]
fn is(disturb: &str, length: f64, expected: impl Fn(f64) -> f64, jumps: &[f64]) {
    for (k, u) in voltage(disturb, length).into_iter().enumerate() {
        let t = seconds(k);
        if jumps.iter().all(|jump| (t - jump).abs() > 2e-6) {
            assert!((u - expected(t)).abs() < 2e-6, "{u} for {} at {t} s", expected(t));
        }
    }
}

fn plain(t: f64) -> f64 {
    (TAU * 50.0 * t).sin()
}

/// IEC 61000-4-11 has dips to 40 and 70 %; a swell is a dip to more.
#[test]
fn dips_leave_what_is_said_for_as_long_as_is_said() {
    let inside = |t: f64| (0.1..0.15).contains(&t) || (0.3..0.35).contains(&t) || (0.5..0.55).contains(&t);
    for residual in [40.0, 70.0, 120.0] {
        let dip = format!(
            "[[disturb]]\nkind = \"dip\"\nat_s = 0.1\nlength_s = 0.05\nresidual_percent = {residual}\ntimes = 3\nevery_s = 0.2\n"
        );
        let factor = |t| if inside(t) { residual / 100.0 } else { 1.0 };
        is(&dip, 0.8, |t| factor(t) * plain(t), &[0.1, 0.15, 0.3, 0.35, 0.5, 0.55]);
    }
    let step = "[[disturb]]\nkind = \"amplitude-step\"\nat_s = 0.123\npercent = 85\n";
    is(step, 0.3, |t| if t < 0.123 { plain(t) } else { 0.85 * plain(t) }, &[0.123]);
}

#[test]
fn the_phase_jumps_forward() {
    let jump = "[[disturb]]\nkind = \"phase-jump\"\nat_s = 0.05\ndegrees = 30\n";
    is(jump, 0.2, |t| (TAU * (50.0 * t + if t < 0.05 { 0.0 } else { 30.0 / 360.0 })).sin(), &[0.05]);
}

/// Two levels in turn, each for half a period.
#[test]
fn rectangular_flicker_has_two_levels() {
    let flicker = "[voltage]\nflicker = { percent = 10.0, hz = 4.0, shape = \"rectangular\" }\n";
    let factor = |t: f64| if (t * 8.0).floor() % 2.0 == 0.0 { 1.1 } else { 0.9 };
    is(flicker, 1.0, |t| factor(t) * plain(t), &[0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875]);
    let sine = "[voltage]\nflicker = { percent = 10.0, hz = 4.0 }\n";
    is(sine, 1.0, |t| (1.0 + 0.1 * (TAU * 4.0 * t).sin()) * plain(t), &[]);
}

/// Pulses of 20 us at 5 kHz for 2 ms, 30 ms from burst to burst (IEC 61000-4-4 has 15 ms and 300 ms).
#[test]
fn bursts_are_timed_as_said() {
    let burst = "[[disturb]]\nkind = \"burst\"\nat_s = 0.0101\nlength_ms = 2\npulse_hz = 5000\nperiod_ms = 30\ntimes = 3\nsize_percent = 25\nwidth_us = 20\n";
    let begins: Vec<f64> = (0..3)
        .flat_map(|b| (0..10).map(move |p| 0.0101 + 0.03 * f64::from(b) + f64::from(p) / 5_000.0))
        .collect();
    let jumps: Vec<f64> = begins.iter().flat_map(|begin| [*begin, begin + 20e-6]).collect();
    let pulse =
        |t: f64| if begins.iter().any(|begin| (*begin..begin + 20e-6).contains(&t)) { 0.25 } else { 0.0 };
    is(burst, 0.12, |t| plain(t) + pulse(t), &jumps);
}

/// Tone of 175 Hz for 0.1 s, twice.
#[test]
fn a_ripple_control_tone_is_there_while_it_is_sent() {
    let tone = "[[disturb]]\nkind = \"signalling\"\nat_s = 0.1\nhz = 175\npercent = 5\npulse_s = 0.1\nevery_s = 0.25\ntimes = 2\n";
    let found = voltage(tone, 0.6);
    let beyond = |from: f64, to: f64| {
        let inside = (from * 1e6) as usize..(to * 1e6) as usize;
        let added: Vec<f64> = inside.clone().map(|k| found[k] - sine(k)).collect();
        // Amplitude by projection on both parts of 175 Hz, over whole cycles of nothing else.
        let part = |f: fn(f64) -> f64| {
            inside.clone().zip(&added).map(|(k, a)| a * f(TAU * 175.0 * seconds(k))).sum::<f64>() * 2.0
                / added.len() as f64
        };
        part(f64::sin).hypot(part(f64::cos))
    };
    // 14 and 7 whole cycles.
    for (from, expected) in [(0.01, 0.0), (0.11, 0.05), (0.21, 0.0), (0.36, 0.05), (0.46, 0.0)] {
        let amplitude = beyond(from, from + 0.08);
        assert!((amplitude - expected).abs() < 1e-5, "{amplitude} from {from} s on");
    }
    for edge in [0.1, 0.2, 0.35, 0.45] {
        let near = |t: f64| (found[(t * 1e6) as usize] - plain(t)).abs() > 1e-9;
        let starts = edge == 0.1 || edge == 0.35;
        assert_eq!((near(edge - 1e-3), near(edge + 1e-3)), (!starts, starts), "about {edge} s");
    }
}

/// Six notches a cycle of 20 % and 200 us, the first at 30 degrees, against the voltage's sign; flanks take 20 us about begin and end, and a knot of 5 us more.
#[test]
fn notches_are_as_deep_and_as_wide_as_said() {
    let notches = "[[disturb]]\nkind = \"notches\"\nper_cycle = 6\nphase_deg = 30\ndepth_percent = 20\nwidth_us = 200\nstart_s = 0.02\nstop_s = 0.06\n";
    let found = voltage(notches, 0.1);
    for (k, u) in found.iter().enumerate() {
        let (t, added) = (seconds(k), u - sine(k));
        let after = (t - 30.0 / 360.0 / 50.0).rem_euclid(0.02 / 6.0);
        let expected = if (0.0201..0.0599).contains(&t) && (16e-6..184e-6).contains(&after) {
            -0.2 * sine(k).signum()
        } else if !(0.0199..0.0601).contains(&t) || (216e-6..0.02 / 6.0 - 16e-6).contains(&after) {
            0.0
        } else {
            continue;
        };
        assert!((added - expected).abs() < 1e-5, "{added} for {expected} at {t} s");
    }
    // Flanks included a notch has the area of its rectangle.
    let area: f64 = (20_000..60_000).map(|k| (found[k] - sine(k)).abs()).sum::<f64>() * 1e-6;
    assert!((area / (12.0 * 0.2 * 200e-6) - 1.0).abs() < 0.01, "{area}");
}

/// Pulses at random: 2000 a second, normally distributed sizes of 30 %, exponential widths of 100 us on average.
#[test]
fn impulses_are_as_many_as_large_and_as_wide_as_said() {
    let impulses = "seed = 4\n[[disturb]]\nkind = \"impulses\"\nrate_hz = 2000\nsize_percent = 30\nwidth_us = 100\nstart_s = 1\nstop_s = 11\n";
    let text = format!(
        "seed = 4\nduration_s = 12\n[front_end]\nlowpass_hz = \"none\"\nnoise_percent = 0\n{}",
        &impulses[9..]
    );
    let scenario = Scenario::from_toml(&text, Path::new("disturb.toml")).unwrap();
    let found: Vec<f64> = Probe::new(&scenario)
        .samples(SAMPLE_HZ)
        .take(12_000_000)
        .enumerate()
        .map(|(k, u)| u - sine(k))
        .collect();
    assert!(found[..1_000_000].iter().chain(&found[11_050_000..]).all(|a| a.abs() < 1e-6));
    // Jumps: where a pulse begins or ends.
    let jumps = found.windows(2).filter(|w| (w[1] - w[0]).abs() > 1e-4).count();
    // 20,000 pulses of two jumps each; a few begin and end between two samples, or are too small to be seen: 1 % and 0.03 %.
    assert!((f64::from(jumps as u32) / 2.0 / 20_000.0 - 0.99).abs() < 4.0 / 20_000f64.sqrt(), "{jumps}");
    // Mean square: rate x width x size^2, to 1.6 % by 20,000 pulses; those that overlap have signs of their own, which adds nothing in the mean.
    let power = found[1_000_000..11_000_000].iter().map(|a| a * a).sum::<f64>() / 1e7;
    let expected = 2_000.0 * 100e-6 * 0.09;
    assert!((power / expected - 1.0).abs() < 4.0 * (5.0f64 / 20_000.0).sqrt(), "{power} for {expected}");
    // Time with a pulse: rate x width, less for overlaps.
    let share = found[1_000_000..11_000_000].iter().filter(|a| a.abs() > 1e-6).count() as f64 / 1e7;
    assert!((share / (1.0 - (-0.2f64).exp()) - 1.0).abs() < 4.0 * (2.0f64 / 20_000.0).sqrt(), "{share}");
}

/// A threshold that drifts by 2 % an hour, and one by 100 %: crossings come late by what the way to it takes, wherever in a second they lie.
#[test]
fn the_threshold_drifts() {
    for (drift, seconds) in [(2.0, 1_800.97), (-100.0, 1_800.97), (1_200.0, 120.5)] {
        let text = format!(
            "duration_s = {seconds}\n[front_end]\nlowpass_hz = \"none\"\nnoise_percent = 0\nhysteresis_percent = 0.2\n\
             offset_drift_percent_h = {drift}\n"
        );
        let scenario = Scenario::from_toml(&text, Path::new("disturb.toml")).unwrap();
        let rising = Mains::new(&scenario, 1).filter(|t| t.polarity == Polarity::Rising);
        // The last two seconds: all places that a crossing may have in a span.
        let late: Vec<_> = rising.filter(|t| seconds - t.at.seconds() < 2.0).collect();
        assert!(late.len() >= 99);
        for t in late {
            let turns = (t.at.part * 50.0 + 0.25).fract() - 0.25;
            let threshold = 0.001 + drift / 100.0 * t.at.seconds() / 3_600.0;
            let off = turns / 50.0 - threshold.asin() / (TAU * 50.0);
            assert!(off.abs() < 2e-9, "{off} s at {:?} with {drift} %/h", t.at);
        }
    }
}

/// A tone far above the comparator's usual grid switches it as often as it crosses: with noise too small to matter, on a grid of 5 MHz for it,
/// and with none.
#[test]
fn tones_above_the_grid_are_not_folded() {
    let edges = |noise: &str| {
        let text = format!(
            "duration_s = 2\n[front_end]\nlowpass_hz = \"none\"\nhysteresis_percent = 0.1\n{noise}\n[[disturb]]\nkind = \"signalling\"\nat_s = 0\n\
             hz = 49000\npercent = 5\npulse_s = 2\n"
        );
        Mains::new(&Scenario::from_toml(&text, Path::new("disturb.toml")).unwrap(), 1).count()
    };
    let (without, with) =
        (edges("noise_percent = 0"), edges("noise_percent = 0.000001\nnoise_bandwidth_hz = 1e6"));
    assert!(without > 4_000 && without.abs_diff(with) <= 4, "{without} {with}");
}

/// The grid steps by 1 Hz behind a low-pass of 200 Hz, wherever in the cycle: crossings as the poles make them, by Runge-Kutta. That the
/// fundamental is passed a thousandth larger from then on is not simulated, which is worth 4 us at most as long as it dies away, and nothing
/// after; the delay that jumped would be 15 us.
#[test]
fn a_step_of_the_grid_dies_away_behind_the_low_pass() {
    let w = TAU * 200.0;
    for (order, part) in (0..20).flat_map(|k| [(1, k), (2, k)]) {
        let at = 0.1 + f64::from(part) * 1e-3;
        let text = format!(
            "duration_s = 0.3\n[grid]\nshape = \"step\"\nat_s = {at}\nsize_mhz = -1000\n[front_end]\nlowpass_hz = 200\nlowpass_order = {order}\n\
             noise_percent = 0\nhysteresis_percent = 0\n"
        );
        let scenario = Scenario::from_toml(&text, Path::new("disturb.toml")).unwrap();
        let turns = |t: f64| if t < at { 50.0 * t } else { 50.0 * at + 49.0 * (t - at) };
        // v' = w (u - v), or v'' = w^2 (u - v) - sqrt 2 w v'.
        let slope = |t: f64, (v, dv): (f64, f64)| {
            let u = (TAU * turns(t)).sin();
            if order == 1 { (w * (u - v), 0.0) } else { (dv, w * w * (u - v) - 2f64.sqrt() * w * dv) }
        };
        let (step, mut y, mut crossings) = (5e-6, (0.0, 0.0), Vec::new());
        for k in 0..60_000u32 {
            let t = f64::from(k) * step;
            let go = |d: (f64, f64), by: f64| (y.0 + by * d.0, y.1 + by * d.1);
            let k1 = slope(t, y);
            let k2 = slope(t + step / 2.0, go(k1, step / 2.0));
            let k3 = slope(t + step / 2.0, go(k2, step / 2.0));
            let k4 = slope(t + step, go(k3, step));
            let before = y.0;
            y.0 += step / 6.0 * (k1.0 + 2.0 * k2.0 + 2.0 * k3.0 + k4.0);
            y.1 += step / 6.0 * (k1.1 + 2.0 * k2.1 + 2.0 * k3.1 + k4.1);
            if t > 0.05 && (before < 0.0) != (y.0 < 0.0) {
                crossings.push(t + step * before / (before - y.0));
            }
        }
        let found: Vec<_> =
            Mains::new(&scenario, 1).map(|t| t.at.seconds()).filter(|t| *t > 0.05 && *t < 0.299_99).collect();
        assert_eq!(found.len(), crossings.iter().filter(|t| **t < 0.299_99).count(), "order {order}, {at} s");
        for (found, truth) in found.iter().zip(&crossings) {
            let most = if (at..at + 0.02).contains(truth) { 4e-6 } else { 2e-8 };
            assert!((found - truth).abs() < most, "order {order}, {at} s: {found} for {truth}");
        }
    }
}
