//! Recordings nobody here made. What is right comes from least-squares sine fits made on the files with numpy and scipy, or
//! from counting; none of the files comes with a truth from outside.

use std::io::Write;
use std::path::PathBuf;

use humtick::State;
use humtick_sim::entry::{Entry, TimedReading};
use humtick_sim::front_end::FrontEnd;
use humtick_sim::input::{self, InputOptions};
use humtick_sim::measure::{Summary, measure};
use humtick_sim::settings::{MeterSettings, Nominal};

/// A file of the folder of recordings, if this machine has it; otherwise says so, past the capture of test output.
#[allow(clippy::explicit_write, reason = "eprintln! is captured, and a silent skip is no good")]
fn recording(name: &str) -> Option<PathBuf> {
    let Some(folder) = std::env::var_os("HUMTICK_RECORDINGS") else {
        writeln!(std::io::stderr(), "skipped: {name}: HUMTICK_RECORDINGS is not set").unwrap();
        return None;
    };
    Some(PathBuf::from(folder).join(name))
}

struct Measured {
    readings: Vec<TimedReading>,
    summary: Summary,
}

impl Measured {
    /// Readings that have a number, with the end of their window.
    fn numbers(&self) -> impl Iterator<Item = (f64, f64, &TimedReading)> {
        self.readings.iter().filter_map(|r| Some((r.t_s + r.span_s / 2.0, r.frequency_hz?, r)))
    }

    fn mean_hz(&self) -> f64 {
        self.summary.whole.unwrap().mean_hz
    }

    fn fit_hz(&self) -> f64 {
        self.summary.whole.unwrap().fit_hz.unwrap()
    }
}

/// Measures as `humtick measure` does by default.
fn measured(name: &str, channel: &str, settings: MeterSettings) -> Option<Measured> {
    let path = recording(name)?;
    let (lowest, highest) = settings.nominal.range_hz();
    let choice = Some(channel.to_owned()).filter(|c| !c.is_empty());
    let options = InputOptions {
        signal: choice.clone(),
        channel: choice,
        longest_period_s: 1.0 / lowest,
        shortest_period_s: 1.0 / highest,
        window_s: settings.window_s,
        front_end: FrontEnd { follow_mean: true, ..FrontEnd::default() },
        ..InputOptions::default()
    };
    let mut readings = Vec::new();
    let summary = measure(input::open(&path, &options).unwrap(), &settings, |entry| {
        if let Entry::Reading(reading) = entry {
            readings.push(reading);
        }
        Ok(())
    })
    .unwrap();
    Some(Measured { readings, summary })
}

#[track_caller]
fn near(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found} is not {expected} +- {within}");
}

#[test]
fn a_steady_phase_of_a_275_kv_line() {
    // One window over the last four seconds of eleven. Sine fit: 49.88403 Hz.
    let settings = MeterSettings { window_s: 4.0, ..MeterSettings::default() };
    let Some(measured) = measured("comtrade/line-275kv-50hz.cfg", "LINE ULA", settings) else { return };
    let (end, frequency, last) = measured.numbers().last().unwrap();
    near(end, 10.95, 0.05);
    assert_eq!(last.cycles, 200);
    near(frequency, 49.884, 0.001);
}

#[test]
fn a_phase_switched_off_and_on_again() {
    let settings = MeterSettings::default();
    let Some(measured) = measured("comtrade/line-275kv-50hz.cfg", "LINE ULC", settings) else { return };
    let mut while_off = 0;
    for (_, frequency, reading) in measured.numbers() {
        assert!((49.0..=51.0).contains(&frequency), "{reading:?}");
        assert_eq!(reading.state, State::Locked);
        // A tenth of the voltage stays coupled in from the other phases: fits 49.88 to 49.90 Hz.
        if (2.0..=5.5).contains(&reading.t_s) {
            near(frequency, 49.89, 0.02);
            while_off += 1;
        }
    }
    assert!(while_off > 20, "only {while_off} readings while the phase was off");
    let (_, frequency, _) = measured.numbers().last().unwrap();
    near(frequency, 49.8841, 0.005);
}

#[test]
fn four_cycles_of_60_hz() {
    let Some(measured) = measured("comtrade/site-60hz-short.cfg", "U1", MeterSettings::default()) else {
        return;
    };
    near(measured.fit_hz(), 59.974, 0.01);
    near(measured.mean_hz(), 59.974, 0.01);
}

#[test]
fn a_current_under_a_code_page_of_its_time() {
    let Some(measured) = measured("comtrade/currents-50hz-1991.cfg", "Ia", MeterSettings::default()) else {
        return;
    };
    near(measured.fit_hz(), 50.0046, 0.001);
    near(measured.mean_hz(), 50.0046, 0.001);
}

#[test]
fn a_supply_that_is_lost() {
    let Some(measured) = measured("comtrade/supply-lost-50hz.cfg", "F5-VA", MeterSettings::default()) else {
        return;
    };
    let mut early = 0;
    for (end, frequency, reading) in measured.numbers() {
        if end < 0.8 {
            near(frequency, 50.038, 0.02);
            early += 1;
        }
        assert!(end < 1.0, "a number from after the supply was gone: {reading:?}");
    }
    assert!(early >= 3, "only {early} readings before the dip");
    let last = measured.readings.last().unwrap();
    assert_eq!((last.state, last.frequency_hz), (State::Lost, None));
}

#[test]
fn seven_minutes_at_eight_samples_a_cycle() {
    for (name, mean, fit) in [
        ("wav/mains-50hz-400sps-a.wav", 50.01254, 50.0184),
        ("wav/mains-50hz-400sps-b.wav", 50.01253, 50.0128),
    ] {
        let Some(measured) = measured(name, "", MeterSettings::default()) else { return };
        near(measured.mean_hz(), mean, 0.0002);
        near(measured.fit_hz(), fit, 0.0002);
        // One-second sine fits of the two files reach from 49.9607 to 50.0407 Hz.
        for (_, frequency, reading) in measured.numbers() {
            assert!((49.955..=50.045).contains(&frequency), "{reading:?}");
        }
    }
}

#[test]
fn half_an_hour_of_second_pulses_through_glitches_and_dropouts() {
    let settings = MeterSettings { nominal: Nominal::Hertz(1.0), ..MeterSettings::default() };
    let Some(measured) = measured("vcd/radio-second-pulses-1800s.vcd", "DATA", settings) else { return };
    let whole = measured.summary.whole.unwrap();
    assert_eq!(whole.cycles, 1798);
    // The capture clock runs fast against the radio's seconds.
    near((1.0 / whole.fit_hz.unwrap() - 1.0) * 1e6, 515.9, 3.0);
    // 30 pulses are left out on purpose, one a minute; a few more drown in noise.
    assert!((28..=45).contains(&whole.missed), "{} missed", whole.missed);
}

#[test]
fn a_fractional_stamp_is_refused_with_its_line() {
    let Some(path) = recording("vcd/illegal-fractional-stamp.vcd") else { return };
    let error = input::open(&path, &InputOptions::default()).err().unwrap().to_string();
    assert!(error.contains("illegal-fractional-stamp.vcd:13: "), "{error}");
}
