mod any_text;
mod disturb;

use std::path::Path;

use super::super::{Disturb, Flicker, FlickerShape, Grid, GridShape};
use super::harmonics::{Preset, Word, distortion};
use super::*;
use crate::settings::EstimatorKind;

fn read(text: &str) -> Scenario {
    Scenario::from_toml(text, Path::new("village/cellar.toml"))
        .unwrap_or_else(|error| panic!("{error}\n{text}"))
}

/// What is said of a file after its name.
fn refusal(text: &str) -> String {
    let error = Scenario::from_toml(text, Path::new("cellar.toml")).expect_err(text).to_string();
    error.strip_prefix("cellar.toml:").expect(&error).to_owned()
}

#[track_caller]
fn refused(text: &str, message: &str) {
    assert_eq!(refusal(text), message, "{text}");
}

#[test]
fn an_empty_file_is_a_minute_of_clean_50_hz() {
    let scenario = read("");
    assert_eq!((scenario.name.as_str(), scenario.seed), ("cellar", 1));
    assert_eq!((scenario.duration_s, scenario.nominal_hz), (60.0, 50.0));
    assert_eq!(scenario.grid, Grid { offset_mhz: 0.0, shape: GridShape::Constant });
    assert!(scenario.voltage.harmonics.is_empty() && scenario.disturb.is_empty());
    assert_eq!(scenario.voltage.flicker.percent, 0.0);
    let front = &scenario.front_end;
    assert_eq!((front.lowpass_hz, front.lowpass_order), (Some(1_000.0), 1));
    assert_eq!(
        (front.noise_percent, front.noise_bandwidth_hz, front.hysteresis_percent),
        (0.1, 20_000.0, 1.0)
    );
    assert_eq!((scenario.timer.tick_hz, scenario.timer.bits), (2_000_000, 16));
    assert_eq!(scenario.timer.capture, CaptureKind::Hardware);
    assert_eq!(scenario.meter, MeterSettings::default());
    assert_eq!(scenario.limits, Limits::default());
}

#[test]
fn the_meter_is_told_of_a_nominal_frequency_it_would_not_find() {
    assert_eq!(read("nominal_hz = 60").meter.nominal, Nominal::Auto);
    let railway = read("nominal_hz = 16.7").meter;
    assert_eq!((railway.nominal, railway.rocof_s), (Nominal::Hertz(16.7), 20.45 / 16.7));
    let told = read("nominal_hz = 16.7\n[meter]\nnominal_hz = 50\nestimator = \"hann\"").meter;
    assert_eq!((told.nominal, told.rocof_s), (Nominal::Hertz(50.0), 0.409));
    assert_eq!(told.estimator, EstimatorKind::Hann);
    // Noise must still be faster than the cycle.
    assert_eq!(read("nominal_hz = 5000\n[timer]\ntick_hz = 2e7").front_end.noise_bandwidth_hz, 50_000.0);
}

#[test]
fn settings_that_come_with_the_program_are_named() {
    let fast = MeterSettings::from_file(Path::new("fast")).unwrap();
    assert_eq!(read("[meter]\nsettings = \"fast\"").meter, fast);
    let railway = read("nominal_hz = 16.7\n[meter]\nsettings = \"fast\"\nwindow_s = 0.3").meter;
    assert_eq!(railway, MeterSettings { nominal: Nominal::Hertz(16.7), window_s: 0.3, ..fast });
    assert!(refusal("[meter]\nsettings = \"fsat\"").starts_with(
        "2: [meter] settings: no settings \"fsat\" come with the program; did you mean fast? There are fast, "
    ));
}

#[test]
fn each_shape_of_the_grid() {
    let shape = |text: &str| read(&format!("[grid]\noffset_mhz = 10\n{text}")).grid.shape;
    assert_eq!(
        shape("shape = \"ramp\"\nrate_hz_s = -0.5\nstart_s = 3\nstop_s = 7.5"),
        GridShape::Ramp { rate_hz_s: -0.5, start_s: 3.0, stop_s: 7.5 }
    );
    assert_eq!(
        shape("shape = \"step\"\nat_s = 4\nsize_mhz = -20"),
        GridShape::Step { at_s: 4.0, size_mhz: -20.0 }
    );
    assert_eq!(
        shape("shape = \"swing\"\nsize_mhz = 7\nperiod_s = 2.5"),
        GridShape::Swing { size_mhz: 7.0, period_s: 2.5 }
    );
    assert_eq!(
        shape("shape = \"wander\"\nsd_mhz = 7\ncorrelation_s = 2.5"),
        GridShape::Wander { sd_mhz: 7.0, correlation_s: 2.5 }
    );
}

#[test]
fn presets_are_scaled_to_the_total_that_is_allowed() {
    let harmonics = |text: &str| read(&format!("[voltage]\nharmonics = {text}")).voltage.harmonics;
    let en50160 = harmonics("\"en50160\"");
    assert!((distortion(&en50160) - 8.0).abs() < 1e-12);
    // 11.32 % without the scale: 0.7064.
    let fifth = en50160.iter().find(|(order, ..)| *order == 5).unwrap();
    assert!((fifth.1 - 6.0 * 0.7064).abs() < 1e-3, "{fifth:?}");
    assert_eq!(en50160.len(), 4 + 8 + 12);
    let levels = harmonics("\"iec61000-2-2\"");
    assert!((distortion(&levels) - 8.0).abs() < 1e-12);
    // Table 1 gives 1.41 % at 23 and 1.27 % at 25: their ratio survives the scale, and so does that to the fifth.
    let of = |order| levels.iter().find(|(o, ..)| *o == order).unwrap().1;
    assert!((of(23) / of(5) - 1.41 / 6.0).abs() < 0.001 && (of(25) / of(5) - 1.27 / 6.0).abs() < 0.001);
    assert!((of(39) / of(5) - 0.2 / 6.0).abs() < 1e-12 && (of(50) / of(5) - 0.3 / 6.0).abs() < 1e-12);
    let total: f64 = 8.0 * 6.0 / of(5);
    assert!((total - 11.56).abs() < 0.005, "what the template says: {total}");
    assert!((distortion(&harmonics("\"en50160\"\nthd_percent = 2.5")) - 2.5).abs() < 1e-12);
    assert_eq!(harmonics("[[3, 4, 90], [2, 3, -90.0]]\nthd_percent = 10"), [(3, 8.0, 90.0), (2, 6.0, -90.0)]);
}

#[test]
fn a_testing_state_brings_its_interharmonic_and_flicker_unless_they_are_given() {
    let state = read("[voltage]\nharmonics = \"state-3\"").voltage;
    assert_eq!(state.harmonics, [(7, 10.0, 180.0), (13, 5.0, 0.0), (25, 5.0, 0.0)]);
    assert_eq!(state.interharmonics, [(3.5, 1.0)]);
    // 110 changes a minute are 55 periods, at a change of 4 times 0.722 %.
    assert_eq!(state.flicker.shape, FlickerShape::Rectangular);
    assert!((state.flicker.hz - 55.0 / 60.0).abs() < 1e-12 && (state.flicker.percent - 1.444).abs() < 1e-12);
    assert_eq!(
        Preset::of(Word::State2).harmonics.iter().map(|(order, ..)| *order).collect::<Vec<_>>(),
        [3, 5, 29]
    );
    let bare =
        read("[voltage]\nharmonics = \"state-2\"\ninterharmonics = []\nflicker = { percent = 1 }").voltage;
    assert!(bare.interharmonics.is_empty());
    assert_eq!(bare.flicker, Flicker { percent: 1.0, hz: 8.8, shape: FlickerShape::Sine });
}

#[test]
fn flicker_may_be_told_in_changes_a_minute() {
    let flicker = "[voltage.flicker]\npercent = 2\nshape = \"rectangular\"\nchanges_per_minute = 39";
    assert_eq!(read(flicker).voltage.flicker.hz, 0.325);
    refused(
        "[voltage.flicker]\nchanges_per_minute = 39",
        "2: [voltage.flicker] changes_per_minute belongs to shape = \"rectangular\"; a sine has hz",
    );
    refused(
        &format!("{flicker}\nhz = 1"),
        "4: [voltage.flicker] changes_per_minute and hz say the same: expected one of them",
    );
}

#[test]
fn an_error_names_line_key_what_was_found_and_what_was_expected() {
    for (text, message) in [
        ("duration_s = 0", "1: duration_s = 0 is outside 0.1 to 1000000000"),
        ("duration_s = \"long\"", "1: duration_s = \"long\" is not a number; expected 0.1 to 1000000000"),
        ("\nseed = -1", "2: seed = -1 is outside 0 to 18446744073709551615"),
        ("\n\nseed = 1.5", "3: seed = 1.5 is not a whole number; expected 0 to 18446744073709551615"),
        ("name = \"\"", "1: name = \"\" is not text; expected a line of 1 to 200 characters in quotes"),
        ("grid = 3", "1: grid = 3 is not a table; begin one with [grid]"),
        ("disturb = [1]", "1: disturb = [1] is not a list of tables; begin each with [[disturb]]"),
        ("[timer]\nbits = 7", "2: [timer] bits = 7 is outside 8 to 32"),
        ("[timer]\ntick_hz = 2e9", "2: [timer] tick_hz = 2e9 is outside 1000 to 1000000000"),
        ("[timer]\nbits = 8\nstart = 256", "3: [timer] start = 256 is outside 0 to 255"),
        (
            "[timer]\nlatency_us = [9, 2]",
            "2: [timer] latency_us = [9, 2]: expected the shortest first, then the longest",
        ),
        (
            "[timer]\nlatency_us = 9",
            "2: [timer] latency_us = 9 is not a row [shortest 0 to 1000000, longest 0 to 1000000]",
        ),
        ("[timer]\nlatency_us = [1,\n-2]", "3: [timer] latency_us, longest = -2 is outside 0 to 1000000"),
        (
            "[timer]\ncapture = \"hardwear\"",
            "2: [timer] capture = \"hardwear\" is not one of the words it may be; did you mean hardware? Expected hardware, interrupt",
        ),
        ("[front_end]\nlowpass_hz = 0", "2: [front_end] lowpass_hz = 0 is outside 0.1 to 10000000"),
        (
            "[front_end]\nlowpass_hz = \"off\"",
            "2: [front_end] lowpass_hz = \"off\" is not one of the words it may be; did you mean none? Expected none",
        ),
        (
            "[front_end]\nhysteresis_percent = -1",
            "2: [front_end] hysteresis_percent = -1 is outside 0 to 190",
        ),
        (
            "[front_end]\nnoise_bandwidth_hz = 400",
            "2: [front_end] noise_bandwidth_hz = 400 is outside 500 to 10000000",
        ),
        (
            "[front_end]\noffset_percent = 60\nhysteresis_percent = 90",
            "3: [front_end] offset, its drift and half of hysteresis_percent put a threshold at 105.0 % of the \
             amplitude, expected less than 100: no edge would come",
        ),
        (
            "[front_end]\nrise_us = 9000\nfall_us = 1000",
            "2: [front_end] rise_us and fall_us are 10000 together, expected less than half a cycle, 10000.0",
        ),
        ("[meter]\nholdoff = 1.5", "2: [meter] holdoff = 1.5 is outside 0 to 0.9"),
        (
            "\n[meter]\nwindow_s = 0.01",
            "2: [meter] the window must be at least one period and shorter than 2^31 ticks (at 2000000 ticks a second); \
             nominal found by itself, 40 to 70 Hz",
        ),
        (
            "[limits]\ncoverage = [0.9]",
            "2: [limits] coverage = [0.9] is not a row [least 0 to 1, most 0 to 1]",
        ),
        (
            "[limits]\ncoverage = [0.99, 0.9]",
            "2: [limits] coverage = [0.99, 0.9]: expected the least share first, then the most",
        ),
        (
            "[limits]\nmax_error_mhz = 1\nrms_error_mhz = 2",
            "3: [limits] rms_error_mhz = 2 is above max_error_mhz = 1, which no set of errors can be",
        ),
        ("[limits]\nfalse_readings = -1", "2: [limits] false_readings = -1 is outside 0 to 4294967295"),
        ("[meter]\nintervals = \"yes\"", "2: [meter] intervals = \"yes\" is neither true nor false"),
    ] {
        refused(text, message);
    }
    assert!(refusal("duration_s = 1\nduration_s = 2").starts_with("2: duplicate key"));
    assert!(refusal("[grid\n").starts_with("1: "));
    assert!(refusal("\nseed = 1979-05-27").starts_with("2: seed = 1979-05-27 is not a whole number"));
}

#[test]
fn the_meter_must_go_with_the_timer() {
    let slow = "nominal_hz = 0.5\n[timer]\ntick_hz = 50e6\n[meter]\nwindow_s = 5\ncoast_cycles = 4\nburst_span = 0.4\n";
    read(slow);
    let message = refusal(&format!("{slow}burst = \"mean\""));
    assert!(
        message.contains("[meter] burst_span = 0.4 is 32000000.0 ticks, outside 1 to 16777215"),
        "{message}"
    );
    let fast = "[timer]\ntick_hz = 1e9\n[meter]\n";
    read(fast);
    let message = refusal(&format!("{fast}intervals = true"));
    assert!(
        message.starts_with("3: [meter] ") && message.ends_with("; nominal found by itself, 40 to 70 Hz"),
        "{message}"
    );
    assert!(refusal("nominal_hz = 5000\n[timer]\ntick_hz = 10000").contains("choose another tick rate"));
}

#[test]
fn a_mistyped_key_names_the_nearest_in_its_table() {
    for (text, table, near) in [
        ("duratoin_s = 3", "1: unknown key \"duratoin_s\"; did you mean duration_s? Known: name, seed", ""),
        ("[gird]\nshape = \"rmap\"", "1: unknown key \"gird\"; did you mean grid?", ""),
        ("[grid]\noffset = 3", "2: [grid] constant: unknown key \"offset\"; did you mean offset_mhz?", ""),
        ("[grid]\nshape = \"ramp\"\nrate = 3", "3: [grid] ramp: unknown key", "did you mean rate_hz_s?"),
        ("[voltage]\nflickr = 3", "2: [voltage] unknown key", "did you mean flicker?"),
        (
            "[voltage.flicker]\nper_cent = 3",
            "2: [voltage.flicker] unknown key",
            "did you mean percent? Known: percent, shape, hz",
        ),
        ("[front_end]\nlow_pass_hz = 3", "2: [front_end] unknown key", "did you mean lowpass_hz?"),
        ("[timer]\nlatency = [1, 2]", "2: [timer] unknown key", "did you mean latency_us?"),
        ("[meter]\nholdof = 3", "2: [meter] unknown key", "did you mean holdoff?"),
        ("[limits]\nmax_eror_mhz = 3", "2: [limits] unknown key", "did you mean max_error_mhz?"),
        // The mistyped key explains what is missing.
        (
            "[[disturb]]\nkind = \"phase-jump\"\nat_s = 3\ndegree = 2",
            "4: [[disturb]] phase-jump: unknown key",
            "did you mean degrees?",
        ),
    ] {
        let message = refusal(text);
        assert!(message.starts_with(table) && message.contains(near), "{text}\n{message}");
    }
}

#[test]
fn the_frequency_stays_within_half_of_nominal() {
    for (text, key, hz) in [
        ("[grid]\nshape = \"step\"\noffset_mhz = -10000\nsize_mhz = -15001", "size_mhz", "24.999"),
        ("[grid]\nshape = \"swing\"\noffset_mhz = 10000\nsize_mhz = -15001", "size_mhz", "75.001"),
        ("[grid]\nshape = \"wander\"\nsd_mhz = 3126", "sd_mhz", "24.992"),
        ("[grid]\nshape = \"ramp\"\nrate_hz_s = 1\nstart_s = 1\nstop_s = 27", "rate_hz_s", "76.000"),
    ] {
        let message = refusal(text);
        let expected = format!(
            "{key} takes the frequency to {hz} Hz, expected 25 to 75 Hz: half of nominal_hz either way"
        );
        assert!(message.ends_with(&expected), "{message}");
        let line = text.lines().position(|line| line.starts_with(key)).unwrap() + 1;
        assert!(message.starts_with(&format!("{line}: [grid] ")), "{message}");
    }
    // The scenario ends before the ramp has gone so far.
    read("duration_s = 20\n[grid]\nshape = \"ramp\"\nrate_hz_s = 1\nstart_s = 1\nstop_s = 27");
    assert!(refusal("[grid]\nshape = \"ramp\"\nstart_s = 30").contains("stop_s = 20 is before start_s = 30"));
    assert!(
        refusal("[grid]\noffset_mhz = -25001").contains("offset_mhz = -25001 is outside -25000 to 25000")
    );
}

#[test]
fn harmonics_are_told_from_what_is_none() {
    let voltage = |text: &str| refusal(&format!("[voltage]\n{text}"));
    assert_eq!(voltage("harmonics = [[51, 1, 0]]"), "2: [voltage] harmonics, order = 51 is outside 2 to 50");
    assert_eq!(
        voltage("harmonics = [[3, 1, 0], [5, 1]]"),
        "2: [voltage] harmonics = [5, 1] is not a row [order 2 to 50, percent 0 to 100, phase_deg -360 to 360]"
    );
    assert!(voltage("harmonics = [[2.5, 1, 0]]").contains("harmonics of order 2.5 are none"));
    assert!(voltage("harmonics = [[3, 1, 0], [3, 1, 0]]").contains("name order 3 twice"));
    assert!(
        voltage("harmonics = 3")
            .contains("harmonics = 3 is not a list of up to 49 rows [[order, percent, phase_deg], ...]")
    );
    assert!(voltage("harmonics = \"en50610\"").contains("did you mean en50160?"));
    assert!(
        voltage("thd_percent = 3")
            .starts_with("2: [voltage] thd_percent scales harmonics, and there are none")
    );
    assert!(
        voltage("interharmonics = [[3.0, 1]]").contains("interharmonics at 3 times nominal are harmonics")
    );
    assert!(
        voltage("interharmonics = [[3.5, 101]]")
            .contains("interharmonics, percent = 101 is outside 0 to 100")
    );
}

#[test]
fn a_recorded_grid_lies_beside_its_scenario() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("night.toml");
    let csv = folder.path().join("night.csv");
    let load = |csv_text: &str, more: &str| {
        std::fs::write(&csv, csv_text).unwrap();
        let text = format!("[grid]\nshape = \"recorded\"\nfile = \"night.csv\"\n{more}");
        Scenario::from_toml(&text, &path)
            .map(|scenario| scenario.grid.shape)
            .map_err(|error| error.to_string())
    };
    // From the first row on, uneven, a missing value left out.
    let points = vec![(0.0, 50.0), (2.5, 50.3), (4.0, 49.7)];
    let rows = "# night\nt_s,frequency_hz\n100,50\n102.5,50.3\n103,\n104,49.7\n";
    assert_eq!(load(rows, "").unwrap(), GridShape::Recorded { points });
    let named = load("when,f,x\n1,50,0\n2,51,0\n", "column = \"f\"\ntime_column = \"when\"");
    assert_eq!(named.unwrap(), GridShape::Recorded { points: vec![(0.0, 50.0), (1.0, 51.0)] });
    let even = load("f\n50\n51\n", "column = \"f\"\ninterval_s = 0.5");
    assert_eq!(even.unwrap(), GridShape::Recorded { points: vec![(0.0, 50.0), (0.5, 51.0)] });
    for (csv_text, more, wrong) in [
        ("t_s,frequency_hz\n0,50\n1,fifty\n", "", "night.csv:3: column frequency_hz: fifty is not a number"),
        ("t_s,frequency_hz\n1,50\n0,50\n", "", "night.csv:3: time 0 s does not come after 1 s"),
        ("t_s,frequency_hz\n0,50\n1,76\n", "", "night.csv:3: 76 Hz is outside 25 to 75 Hz"),
        ("t_s,frequency_hz\n0,50\n1,66\n", "offset_mhz = 10000", "night.csv:3: 66 Hz is outside 15 to 65 Hz"),
        ("t_s,frequency_hz\n0,50\n", "", "night.csv: 1 frequencies; two are the least"),
        ("t_s,hz\n0,50\n1,50\n", "", "name the frequency's with column NAME; found t_s, hz"),
        ("when,frequency_hz\n0,50\n", "", "give interval_s or time_column NAME; found when"),
    ] {
        let message = load(csv_text, more).unwrap_err();
        assert!(message.contains("night.toml:3: [grid] recorded: ") && message.contains(wrong), "{message}");
    }
    std::fs::remove_file(&csv).unwrap();
    let gone = Scenario::from_toml("[grid]\nshape = \"recorded\"\nfile = \"night.csv\"", &path)
        .unwrap_err()
        .to_string();
    assert!(gone.contains("night.toml:3: ") && gone.contains("night.csv: "), "{gone}");
    refused(
        "[grid]\nshape = \"recorded\"",
        "1: [grid] recorded: file is missing: expected the name of a CSV, or of readings from `measure`, beside the scenario's",
    );
}

#[test]
fn deep_nesting_and_long_keys_are_refused() {
    assert!(refusal(&"[".repeat(100_000)).starts_with("1: "));
    assert!(refusal(&format!("seed = {}", "[".repeat(100_000))).starts_with("1: "));
    assert!(refusal(&format!("{} = 1", "a".repeat(100_000))).len() < 300);
    assert!(refusal(&format!("seed = \"{}\"", "\u{e4}".repeat(100_000))).len() < 200);
}

/// A ramp that was harmless in the file's minute goes below zero in an hour, and says so; impulses go on to the new end.
#[test]
fn a_length_given_instead_is_checked_with_the_rest() {
    let with = |text: &str, duration_s| {
        let instead = Instead { seed: Some(9), duration_s: Some(duration_s) };
        Scenario::from_toml_with(text, Path::new("pump.toml"), instead)
    };
    let sparks =
        "duration_s = 30\n[[disturb]]\nkind = \"impulses\"\nrate_hz = 1\nsize_percent = 2\nwidth_us = 3";
    let longer = with(sparks, 3_600.0).unwrap();
    assert_eq!((longer.seed, longer.duration_s), (9, 3_600.0));
    assert!(matches!(longer.disturb[0], Disturb::Impulses { stop_s: 3_600.0, .. }));
    let ramp = "[grid]\nshape = \"ramp\"\nrate_hz_s = -0.02\nstart_s = 0\nstop_s = 1e6";
    assert!(with(ramp, 60.0).is_ok());
    assert!(with(ramp, 3_600.0).unwrap_err().to_string().starts_with("pump.toml:3: [grid] ramp: "));
    for nonsense in [0.0, 1e10, f64::NAN] {
        let error = with("duration_s = 3", nonsense).unwrap_err().to_string();
        assert!(error.contains("(given instead) is outside 0.1 to 1000000000"), "{error}");
    }
}

#[test]
fn what_cannot_be_simulated_is_refused() {
    let notches = |width: f64| {
        format!("[[disturb]]\nkind = \"notches\"\nphase_deg = 5\ndepth_percent = 20\nwidth_us = {width}\n")
    };
    assert_eq!(read(&notches(20.0).repeat(16)).disturb.len(), 16);
    refused(
        &notches(19.9),
        "5: [[disturb]] notches: width_us = 19.9: expected at least a thousandth of a cycle, 20.000 us; use impulses for less",
    );
    refused(
        &notches(20.0).repeat(17),
        "82: [[disturb]] notches: there are 16 tables of notches already, and no more are allowed",
    );
    // 5 ppm a day are half of everything after 274 years; 1000 ppm after 500 days.
    read("duration_s = 1e9\n[timer]\nageing_ppb_day = 5000");
    refused(
        "duration_s = 1e8\n[timer]\nageing_ppb_day = -1e6",
        "3: [timer] clock_ppm, ten times clock_wander_ppb, temperature and ageing_ppb_day over 100000000 s come to 116 %: \
         expected less than 50",
    );
}
