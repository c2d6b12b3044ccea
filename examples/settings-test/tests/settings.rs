//! The sensor's settings against the outlets it is for, and against what the board recorded on the bench.

use std::path::Path;

use humtick_sim::settings::MeterSettings;
use humtick_sim::suite;
use humtick_sim::trial::Trial;

fn file(name: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// Everything in `folder` keeps its limits. The text of a failure says how to look at it.
#[track_caller]
fn keeps_its_limits(folder: &str) {
    if let Err(told) = suite::check(&file(folder), Some(&file("meter.toml"))) {
        panic!("{told}");
    }
}

/// What is tried on the desk is what the firmware runs.
#[test]
fn the_settings_file_says_what_the_firmware_does() {
    let settings = MeterSettings::from_file(&file("meter.toml")).unwrap();
    assert_eq!(Some(settings.config(settings_test::TICK_HZ).unwrap()), settings_test::config());
    assert!(settings_test::meter().is_some());
}

#[test]
fn outlets_keep_their_limits() {
    keeps_its_limits("outlets");
}

/// Recordings from the bench, each with an `expect.toml` beside it.
#[test]
fn captures_keep_their_limits() {
    keeps_its_limits("captures");
}

/// One outlet, and more than its limits say: until the line is lost at 40 s every reading is within a millihertz, and none is false
/// afterwards.
#[test]
fn islanding_is_seen_from_a_quiet_line() {
    let settings = MeterSettings::from_file(&file("meter.toml")).unwrap();
    let trial = Trial::from_file(&file("outlets/islanding.toml")).unwrap().with_settings(settings);
    let (mut worst, mut all) = (0.0, 0);
    let score = trial.run_with(1, |scored| {
        if scored.last.seconds() < 40.0
            && let (Some(measured), Some(truth)) = (scored.reading.frequency_hz, scored.window_hz)
        {
            worst = f64::max(worst, (measured - truth).abs());
            all += 1;
        }
    });
    assert!(all > 390 && worst < 1e-3, "{worst} Hz over {all} readings");
    assert_eq!(score.unwrap().false_readings, 0);
}

/// These tests can fail: without the hold-off and with the window of a single period the pump's outlet breaks its limits.
#[test]
fn spoiled_settings_are_found_out() {
    let spoiled = Path::new(env!("CARGO_TARGET_TMPDIR")).join("spoiled.toml");
    std::fs::write(&spoiled, "estimator = \"last-period\"\nholdoff = 0.0\n").unwrap();
    let told = suite::check(&file("outlets/pump-house.toml"), Some(&spoiled)).unwrap_err();
    assert!(
        told.contains("BROKEN  pump-house [offset_mhz=-1500]\n    max_error_mhz = 1: the worst"),
        "{told}"
    );
    assert!(told.contains("--case offset_mhz=-1500 --settings"), "{told}");
}
