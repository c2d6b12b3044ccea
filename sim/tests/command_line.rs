//! The program as its users meet it: exit status, what goes where, messages.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

fn humtick(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_humtick")).args(arguments).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// A file with `content` whose name ends in `ending`.
fn file(ending: &str, content: impl AsRef<[u8]>) -> tempfile::TempPath {
    let mut file = tempfile::Builder::new().suffix(ending).tempfile().unwrap();
    file.write_all(content.as_ref()).unwrap();
    file.into_temp_path()
}

/// Ticks of `hz` at 1 MHz for `seconds`, as a CSV.
fn ticks_csv(hz: f64, seconds: f64) -> String {
    let mut csv = String::from("# tick_hz = 1000000\nticks\n");
    for k in 0..(hz * seconds) as u64 {
        csv += &format!("{}\n", (k as f64 * 1e6 / hz).floor());
    }
    csv
}

fn measure(path: &Path, options: &[&str]) -> Output {
    let mut arguments = vec!["measure", path.to_str().unwrap()];
    arguments.extend(options);
    humtick(&arguments)
}

/// What `measure` says of a file it cannot use: exit status 2, nothing on standard output, one line of message.
#[track_caller]
fn refusal(path: &Path, options: &[&str]) -> String {
    let output = measure(path, options);
    assert_eq!(output.status.code(), Some(2), "{}", text(&output.stdout));
    let message = text(&output.stderr);
    assert!(message.starts_with("humtick: "), "{message}");
    message.trim_end().to_owned()
}

#[test]
fn the_example_of_the_readme() {
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/workshop-50hz.csv");
    let output = measure(&example, &[]);
    assert_eq!(output.status.code(), Some(0));
    let table = text(&output.stdout);
    let header = table.lines().next().unwrap();
    for assumed in
        ["16-bit counter at 2 MHz, wraps tallied", "40 to 70 Hz", "least-squares", "1 s window", "50 ppm"]
    {
        assert!(header.contains(assumed), "{header}");
    }
    // The file was made with a mean of 49.9953 Hz from 0 to 60 s; one minute holds 2998 whole cycles.
    assert!(table.contains("2998 cycles in 59.966 s"), "{table}");
    assert!(table.contains("mean frequency   49.9953 +- 0.0024 Hz"), "{table}");
    // And the README shows these very lines.
    let readme = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../README.md")).unwrap();
    let last: Vec<_> = table.lines().rev().take(4).collect();
    assert!(last.iter().all(|line| readme.contains(line)), "README does not show {last:?}");
}

#[test]
fn json_lines_are_what_the_design_says() {
    let path = file(".csv", ticks_csv(50.0, 5.0));
    let output = measure(&path, &["--format", "jsonl"]);
    let lines: Vec<Value> =
        text(&output.stdout).lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let kinds = |kind: &str| lines.iter().filter(|l| l["kind"] == kind).collect::<Vec<_>>();
    assert_eq!(lines[0]["kind"], "header");
    assert_eq!(lines.last().unwrap()["kind"], "summary");
    assert_eq!(kinds("event")[0]["event"], "locked");
    let readings = kinds("reading");
    // Ten a second, from the moment ten cycles are there.
    assert!((45..=50).contains(&readings.len()), "{}", readings.len());
    let last = readings.last().unwrap();
    for (key, value) in
        [("cycles", 50.0), ("span_s", 1.0), ("frequency_hz", 50.0), ("missed", 0.0), ("rejected", 0.0)]
    {
        assert_eq!(last[key].as_f64(), Some(value), "{key}");
    }
    assert_eq!(last["state"], "locked");
    assert_eq!(last["rocof_hz_s"].as_f64(), Some(0.0));
    // A clock within 50 ppm: 50 Hz * 50e-6/sqrt(3) = 1.4434 mHz and 0.95 * 2.5 mHz = 2.375 mHz. Ticks of 1 us without jitter:
    // 1.5 * 51/(51^2 - 1) tick in the period, 0.0736 mHz; over sqrt(3), 0.0425. Together sqrt(1.4434^2 + 0.0425^2) = 1.4440
    // and sqrt(2.375^2 + 0.0736^2 + 0.255 * 2.5 * 0.0736) = 2.3860.
    // Rounded up, to 2^-11 of it.
    let above = |key: &str, want: f64| (0.0..5e-4).contains(&(last[key].as_f64().unwrap() / want - 1.0));
    assert!(above("u_hz", 0.001_443_95) && above("u95_hz", 0.002_385_95), "{last}");
    let summary = &lines.last().unwrap();
    assert_eq!((summary["edges"].as_u64(), summary["cycles"].as_u64()), (Some(250), Some(249)));
    assert_eq!(summary["frequency_hz"].as_f64(), Some(50.0));
    assert_eq!(summary["rejected"]["too_soon"].as_u64(), Some(0));
}

#[test]
fn csv_readings_can_be_read_back_and_other_lines_are_comments() {
    let path = file(".csv", ticks_csv(60.0, 3.0));
    let output = text(&measure(&path, &["--format", "csv"]).stdout);
    let mut rows = output.lines().filter(|line| !line.starts_with('#'));
    let columns: Vec<_> = rows.next().unwrap().split(',').collect();
    assert_eq!(columns[3], "frequency_hz");
    for row in rows {
        let cells: Vec<_> = row.split(',').collect();
        assert_eq!(cells.len(), columns.len());
        assert!((cells[3].parse::<f64>().unwrap() - 60.0).abs() < 0.001, "{row}");
        // A steady frequency has no rate of change; the two columns are the rate and its interval.
        assert!(cells[6].parse::<f64>().unwrap().abs() <= cells[7].parse::<f64>().unwrap(), "{row}");
    }
}

#[test]
fn a_known_clock_error_is_taken_off() {
    // Counted by a clock 100 ppm fast, 50 Hz look like 50/(1 + 100e-6).
    let path = file(".csv", ticks_csv(50.0 / 1.0001, 5.0));
    let output = measure(&path, &["--format", "jsonl", "--clock-ppm", "100", "--clock-tolerance-ppm", "1"]);
    let summary: Value = serde_json::from_str(text(&output.stdout).lines().last().unwrap()).unwrap();
    assert!((summary["frequency_hz"].as_f64().unwrap() - 50.0).abs() < 1e-5, "{summary}");
    assert!(summary["u95_hz"].as_f64().unwrap() < 0.000_06, "{summary}");
}

#[test]
fn every_estimator_and_both_polarities_read_the_same_steady_signal() {
    let mut csv = String::from("# tick_hz = 1000000\nticks,level\n");
    for k in 0..500u64 {
        csv += &format!("{},{}\n", k * 10_000, (k + 1) % 2);
    }
    let path = file(".csv", csv);
    for estimator in
        ["last-period", "end-to-end", "triangular", "least-squares", "biweight", "hann", "kaiser"]
    {
        for polarity in ["rising", "falling", "both"] {
            let options = ["--format", "jsonl", "--estimator", estimator, "--polarity", polarity];
            let output = text(&measure(&path, &options).stdout);
            let readings = output.lines().filter(|line| line.contains("\"reading\""));
            assert!(readings.clone().count() > 40);
            assert!(readings.into_iter().all(|line| line.contains("\"frequency_hz\":50.0,")), "{options:?}");
        }
    }
}

#[test]
fn a_signal_that_is_no_mains_exits_1_and_says_what_to_try() {
    let path = file(".csv", ticks_csv(1.0, 60.0));
    let output = measure(&path, &[]);
    assert_eq!(output.status.code(), Some(1));
    let message = text(&output.stderr);
    assert!(message.contains("never locked between 40 and 70 Hz: 60 edges"), "{message}");
    assert!(message.contains("intervals 1000.0000 to 1000.0000 ms"), "{message}");
    let advice = message.split("try --nominal ").nth(1).unwrap().trim();
    let output = measure(&path, &["--nominal", advice]);
    assert_eq!(output.status.code(), Some(0), "the advice itself did not work: {advice}");

    let one = file(".csv", "# tick_hz = 1000000\nticks\n5\n");
    let output = measure(&one, &[]);
    assert_eq!(output.status.code(), Some(1));
    assert!(
        text(&output.stderr).contains("1 edges of the polarity used, and four are the least"),
        "{}",
        text(&output.stderr)
    );
}

#[test]
fn unreadable_input_exits_2_with_file_and_line() {
    let backwards = file(".csv", "# tick_hz = 1000000\nticks\n20000\n40000\n30000\n");
    assert!(refusal(&backwards, &[]).contains(".csv:5: "));
    let word = file(".csv", "# tick_hz = 1000000\n# bits = 16\nraw,wraps\n1,0\nthree,0\n");
    assert!(refusal(&word, &[]).contains(".csv:5: "));
    let missing = file(".csv", "volts\n1\n");
    assert!(refusal(&missing, &[]).contains("volts"));
    let empty = file(".csv", "# tick_hz = 1000000\nticks\n");
    assert!(refusal(&empty, &[]).contains("no edges"));
    let wav = file(".wav", b"RIFF\x10\0\0\0WAVEfmt ");
    refusal(&wav, &[]);
    assert!(refusal(Path::new("nowhere.csv"), &[]).contains("nowhere.csv"));
    // 16.7 Hz lasts 59.9 ms, more than the 32.768 ms of one wrap.
    let wraps = file(".csv", "# tick_hz = 2000000\n# bits = 16\nraw\n1\n2\n");
    assert!(refusal(&wraps, &["--nominal", "16.7"]).contains("32.768 ms"));
}

#[test]
fn impossible_settings_exit_2_before_the_file_is_opened() {
    for (options, message) in [
        (["--window", "0"], "window_s = 0 is outside 0.001 to 1000"),
        (["--holdoff", "1.5"], "holdoff = 1.5 is outside 0 to 0.9"),
        (["--clock-tolerance-ppm", "-1"], "clock_tolerance_ppm = -1 is outside 0 to 100000"),
        (["--nominal", "fast"], "expected auto, or hertz from 0.1 to 100000"),
        (["--estimator", "best"], "possible values: last-period, end-to-end, triangular, least-squares"),
    ] {
        let output = measure(Path::new("nowhere.csv"), &options);
        assert_eq!(output.status.code(), Some(2));
        assert!(text(&output.stderr).contains(message), "{}", text(&output.stderr));
    }
}

#[test]
fn options_that_say_nothing_about_a_file_are_refused() {
    let path = file(".csv", ticks_csv(50.0, 1.0));
    for option in [["--signal", "D0"], ["--channel", "1"], ["--lowpass", "100"], ["--threshold", "zero"]] {
        assert!(refusal(&path, &option).contains(&format!("{} is for .", option[0])));
    }
    assert!(refusal(Path::new("a.wav"), &["--bits", "16"]).contains("--bits is for .csv files"));
}

#[test]
fn evenly_refused_edges_are_pointed_out() {
    let path = file(".csv", ticks_csv(49.97, 30.0));
    let output = measure(&path, &["--nominal", "16.7"]);
    assert_eq!(output.status.code(), Some(0));
    let note = text(&output.stderr);
    assert!(
        note.contains("edges come 3 to the cycle found, evenly") && note.contains("--nominal 49.970"),
        "{note}"
    );
    assert_eq!(text(&measure(&path, &[]).stderr), "");
}

#[test]
fn names_do_not_steer_the_terminal() {
    let path = file(".cfg", "id,dev,1\x1b[31m99\n");
    let output = measure(&path, &[]);
    assert_eq!(output.status.code(), Some(2));
    assert!(!text(&output.stderr).contains('\x1b'), "{}", text(&output.stderr));
}

#[test]
fn a_line_through_a_moving_frequency_has_no_interval() {
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/workshop-50hz.csv");
    let table = text(&measure(&example, &[]).stdout);
    assert!(
        table.contains(
            "line fit         49.9928 Hz (least squares through all crossings; the frequency moved"
        ),
        "{table}"
    );
    let steady = file(".csv", ticks_csv(50.0, 5.0));
    assert!(text(&measure(&steady, &[]).stdout).contains("line fit         50.0000 +- 0.0024 Hz"));
}

#[test]
fn a_settings_file_is_overruled_by_options() {
    let path = file(".csv", ticks_csv(50.0, 15.0));
    let settings = file(".toml", "window_s = 10.0\nevery_s = 1.0\nestimator = \"end-to-end\"\n");
    let header = |extra: &[&str]| {
        let mut options = vec!["--settings", settings.to_str().unwrap()];
        options.extend(extra);
        text(&measure(&path, &options).stdout).lines().next().unwrap().to_owned()
    };
    assert!(header(&[]).contains("end-to-end, 10 s window, every 1 s"), "{}", header(&[]));
    assert!(header(&["--window", "2"]).contains("end-to-end, 2 s window, every 1 s"));
    let typo = file(".toml", "windows = 1\n");
    assert!(refusal(&path, &["--settings", typo.to_str().unwrap()]).contains(":1: unknown key"));
}

#[test]
fn a_reader_that_stops_is_no_error() {
    let path = file(".csv", ticks_csv(50.0, 2_000.0));
    let mut child = Command::new(env!("CARGO_BIN_EXE_humtick"))
        .args(["measure", path.to_str().unwrap()])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!((output.status.code(), text(&output.stderr)), (Some(0), String::new()));
}

#[test]
fn help_has_a_worked_example_and_the_version_is_the_package_s() {
    let help = text(&humtick(&["measure", "--help"]).stdout);
    assert!(help.contains("humtick measure examples/workshop-50hz.csv"), "{help}");
    assert_eq!(
        text(&humtick(&["--version"]).stdout).trim(),
        format!("humtick {}", env!("CARGO_PKG_VERSION"))
    );
    assert_eq!(humtick(&["measures"]).status.code(), Some(2));
}

#[test]
fn ten_second_intervals_of_whole_cycles() {
    let path = file(".csv", ticks_csv(49.97, 35.0));
    let output = text(&measure(&path, &["--intervals", "--format", "jsonl"]).stdout);
    let intervals: Vec<Value> = output
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .filter(|l: &Value| l["kind"] == "interval")
        .collect();
    assert_eq!(intervals.len(), 3, "{output}");
    for (i, interval) in intervals.iter().enumerate() {
        // 499.7 cycles: 499 whole ones fit.
        assert_eq!(interval["cycles"].as_u64(), Some(499), "{interval}");
        assert!((interval["frequency_hz"].as_f64().unwrap() - 49.97).abs() < 1e-5, "{interval}");
        assert!((interval["t_s"].as_f64().unwrap() - 10.0 * i as f64).abs() < 1e-3, "{interval}");
        assert_eq!(
            (interval["coverage"].as_str(), interval["aligned"].as_bool()),
            (Some("complete"), Some(false))
        );
    }
}

#[test]
fn the_middle_of_a_burst_is_steadier_than_its_first_edge() {
    // Three edges around each crossing; the first comes up to 400 us early, the last as much late.
    let mut csv = String::from("# tick_hz = 1000000\nticks\n");
    for k in 1..500u64 {
        let half = k * 7_919 % 400;
        csv += &format!("{}\n{}\n{}\n", k * 20_000 - half, k * 20_000 + half / 3, k * 20_000 + half);
    }
    let path = file(".csv", csv);
    let u = |burst: &str| {
        let options = ["--burst", burst, "--format", "jsonl", "--clock-tolerance-ppm", "0"];
        let output = text(&measure(&path, &options).stdout);
        let last = output.lines().rfind(|line| line.contains("\"reading\"")).unwrap();
        serde_json::from_str::<Value>(last).unwrap()["u_hz"].as_f64().unwrap()
    };
    assert!(u("middle") < 0.05 * u("first"), "{} {}", u("middle"), u("first"));
    assert!(u("mean") < u("first"));
}

/// A counter of 16 bits at 2 MHz whose overflow was tallied before the capture just before it was read.
#[test]
fn a_row_with_a_mistaken_wrap_does_not_end_the_record() {
    let mut csv = String::from("# tick_hz = 2000000, bits = 16\nraw,wraps,pending,level\n");
    for k in 0..500u64 {
        let ticks = 17 + k * 40_000;
        csv += &format!("{},{},0,1\n", ticks & 0xFFFF, (ticks >> 16) + u64::from(k == 200));
    }
    let output = measure(&file(".csv", csv), &[]);
    let table = text(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{table}");
    assert!(table.contains("rows left out: 1, since time ran backwards by less than a wrap"), "{table}");
    assert!(table.contains("499 cycles in 9.980 s") && table.contains("1 without a crossing"), "{table}");
}

/// Intervals as of a Poisson process: no frequency is to be tried.
#[test]
fn noise_is_called_noise() {
    let mut csv = String::from("# tick_hz = 2000000\nticks,level\n");
    let (mut ticks, mut state) = (0u64, 1u64);
    for _ in 0..5_000 {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let unit = ((state >> 11) as f64 + 0.5) / (1u64 << 53) as f64;
        ticks += (-120.0 * unit.ln()) as u64 + 1;
        csv += &format!("{ticks},1\n");
    }
    let output = measure(&file(".csv", csv), &[]);
    let warned = text(&output.stderr);
    assert_eq!(output.status.code(), Some(1));
    assert!(warned.contains("which looks like noise") && !warned.contains("--nominal"), "{warned}");
}
