use std::f64::consts::TAU;

use super::*;
use crate::sweep::tests::plan;

fn solved(text: &str, vary: &str, repeat: u32, limit: &str) -> Solution {
    let sweep = plan(text, &[vary], None, repeat).unwrap().run(2, |_| {}).unwrap();
    solve(&sweep, Limit::parse(limit).unwrap(), 2, |_| {}).unwrap().remove(0)
}

/// Least squares over a second reach f^2 s sqrt(12/(N(N^2-1))) with N = 51 stamps that scatter by s (estimators.md; Cramer-Rao). With noise of n
/// percent at a threshold 4 % off zero s is n/100 over the slope there; with a latency spread evenly over d it is d/sqrt(12), beside the tick's.
/// The middle of the seeds' own values must lie about that: an error of 60 s of readings is their variance's root give or take 9 %.
#[test]
fn white_jitter_is_solved_as_cramer_and_rao_say() {
    let limit_hz = 0.4e-3;
    let s = limit_hz / (2_500.0 * (12.0f64 / (51.0 * 2_600.0)).sqrt());
    let noise = 100.0 * s * TAU * 50.0 * (1.0f64 - 0.04 * 0.04).sqrt();
    let latency_us = 1e6 * (12.0 * s * s - (1e-6f64 / 2.0).powi(2)).sqrt() + 2.0;
    let white = "[front_end]\nnoise_bandwidth_hz = 2000\nhysteresis_percent = 8\n";
    let late = "[front_end]\nnoise_percent = 0\n[timer]\ncapture = 'interrupt'\nlatency_us = [2, 10]\n";
    for (text, vary, expected) in
        [(white, "noise_percent=0.1..2:log:5", noise), (late, "latency_us.2=10..200:5", latency_us)]
    {
        let found = solved(text, vary, 20, "rms_error_mhz=0.4");
        let (low, high) = found.half.interval.unwrap();
        assert!(low < expected && expected < high, "{low} to {high} for {expected}");
        assert!(high - low < 0.2 * expected, "{low} to {high} says nothing");
        let Farthest::Between(value, next) = found.farthest else { panic!("{found:?}") };
        // The least of twenty is some two standard deviations below the middle.
        assert!(value.value > 0.7 * expected && value.value < expected, "{value:?} for {expected}");
        assert!(value.held == 20 && next.held < 20 && next.value > value.value, "{value:?} {next:?}");
        assert!(next.value < 1.006 * value.value, "{value:?} {next:?}");
        assert_eq!(found.contradicting, 0);
        assert!(
            found.sentences()[0]
                .contains("in 20 of 20 seeds (83.2 to 100.0 % of all seeds, with 95 % confidence)")
        );
    }
}

const QUIET: &str = "duration_s = 10\n[front_end]\nnoise_bandwidth_hz = 2000\nhysteresis_percent = 8\n";

#[test]
fn what_fails_at_once_and_what_never_does_is_said() {
    let none = solved(QUIET, "noise_percent=1..2:3", 3, "rms_error_mhz=0.1");
    assert_eq!(none.farthest, Farthest::None(At { value: 1.0, held: 0 }));
    assert!(!none.is_kept() && none.half == Half::default());
    assert!(none.sentences()[0].starts_with(
        "rms_error_mhz <= 0.1 fails already at the first value, front_end.noise_percent = 1: 0 of 3 seeds hold there (0.0 to 70.8 %"
    ));
    let all = solved(QUIET, "noise_percent=0.01..0.1:3", 3, "rms_error_mhz=1");
    assert_eq!(all.farthest, Farthest::All(At { value: 0.1, held: 3 }));
    assert!(all.is_kept());
    assert!(
        all.sentences()[0]
            .contains("holds up to the last value, front_end.noise_percent = 0.1, in all 3 seeds")
    );
    // Longer windows are better: the way that holds is named.
    let other = solved(QUIET, "window_s=0.2..2:3", 3, "rms_error_mhz=0.1");
    assert!(
        other.sentences()[1].contains("meter.window_s=2..0.2 finds the smallest that does"),
        "{:?}",
        other.sentences()
    );
}

/// Going down, the smallest window that still holds: the error goes as its length to the power of -3/2.
#[test]
fn a_falling_range_finds_the_smallest() {
    let found = solved(QUIET, "window_s=2..0.2:7", 7, "rms_error_mhz=0.25");
    let Farthest::Between(value, next) = found.farthest else { panic!("{found:?}") };
    assert!(value.held == 7 && next.held < 7 && next.value < value.value, "{value:?} {next:?}");
    let (from_far, near) = found.half.interval.unwrap();
    // 0.1 % of noise: s = 3.186 us; 0.25 mHz need N(N^2-1) = 12 (f^2 s/0.25 mHz)^2, N = 22.9.
    let exact = 21.9 / 50.0;
    assert!(near < exact && exact < from_far + 0.02, "{near} to {from_far} for {exact}");
}

/// Whole numbers are narrowed down to neighbours: half a second without voltage is 25 cycles, and what coasts over them notes them as missed.
#[test]
fn whole_numbers_end_at_neighbours() {
    let gap = format!("{QUIET}[[disturb]]\nkind = 'interruption'\nat_s = 5.01\nlength_s = 0.5\n");
    let found = solved(&gap, "coast_cycles=4..250:3", 2, "missed_cycles=0");
    let Farthest::Between(value, next) = found.farthest else { panic!("{found:?}") };
    assert!((23.0..=26.0).contains(&value.value) && next.value == value.value + 1.0, "{found:?}");
}

/// A tone between harmonics bends readings in lobes with zeros between them.
#[test]
fn what_is_not_monotone_is_told() {
    let tone = "duration_s = 10\n[front_end]\nnoise_percent = 0\nlowpass_hz = 'none'\n[voltage]\ninterharmonics = [[2.1, 1.0]]\n[meter]\nwindow_s = 0.2\n";
    let found = solved(tone, "voltage.interharmonics.1.1=2.02..2.9:80", 1, "max_error_mhz=10");
    assert_eq!(found.contradicting, 1, "{found:?}");
    assert!(
        found.sentences().last().unwrap().starts_with("1 of 1 seeds hold again"),
        "{:?}",
        found.sentences()
    );
}

/// A seed that holds farther out fails at the nearest of the others' values: the answer is nearer still, where all of them hold.
#[test]
fn all_hold_at_the_answer() {
    let found = solved(
        "duration_s = 20\n[front_end]\nnoise_percent = 0.2\n",
        "noise_percent=0.1..1:3",
        6,
        "rms_error_mhz=0.3",
    );
    let Farthest::Between(value, next) = found.farthest else { panic!("{found:?}") };
    assert!(value.held == 6 && next.held < 6 && next.value > value.value, "{found:?}");
    assert!(found.contradicting > 0, "{found:?}");
}

#[test]
fn half_of_the_seeds() {
    let edge = |holds: f64| Edge { holds: Some(holds), breaks: Some(holds + 0.1) };
    let mut nine: Vec<_> = (1..=9).rev().map(|k| edge(f64::from(k))).collect();
    let half = half(&mut nine, |value| value);
    assert!((half.value.unwrap() - 5.05).abs() < 1e-12);
    assert_eq!(half.interval, Some((2.0, 8.1)));
    // Seeds that hold nowhere come first, those that hold everywhere last.
    let nowhere = Edge { holds: None, breaks: Some(0.0) };
    let everywhere = Edge { holds: Some(10.0), breaks: None };
    let mut few = [everywhere, edge(1.0), nowhere];
    let half = super::half(&mut few, |value| value);
    assert!((half.value.unwrap() - 1.05).abs() < 1e-12 && half.interval.is_none());
    assert_eq!(super::half(&mut [nowhere, edge(1.0)], |value| value).value, None);
    assert_eq!(super::half(&mut [], |value| value), Half::default());
}

#[test]
fn limits_are_read() {
    let limit = Limit::parse("coverage = 0.9").unwrap();
    assert_eq!((limit.to_string().as_str(), limit.measure), ("coverage >= 0.9", Measure::Coverage));
    for (text, why) in [
        ("max_error_mhz", "no ="),
        ("max_error=1", "did you mean max_error_mhz?"),
        ("max_error_mhz=x", "no number"),
        ("max_error_mhz=-1", "no number"),
        ("max_error_mhz=inf", "no number"),
        ("coverage=95", "a share is 0 to 1"),
    ] {
        let message = Limit::parse(text).unwrap_err().to_string();
        assert!(message.contains(why), "{message}");
    }
}
