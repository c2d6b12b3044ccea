//! `humtick sweep` as its users meet it: figures against single trials, pictures, limits solved for, wrong use.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use roxmltree::{Document, Node, ParsingOptions};
use serde_json::Value;

/// Ten seconds at the cold store, one edge a crossing.
const STORE: &str = "name = \"cold store, <noisy> & 'loud'\"\nseed = 4\nduration_s = 10\n[front_end]\nnoise_bandwidth_hz = 2000\nhysteresis_percent = 8\n";

struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("store.toml"), STORE).unwrap();
        Self(folder)
    }

    fn path(&self, name: &str) -> std::path::PathBuf {
        self.0.path().join(name)
    }

    fn humtick(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_humtick"))
            .args(arguments)
            .current_dir(self.0.path())
            .output()
            .unwrap()
    }

    /// Standard output of a sweep that ends with `status`.
    #[track_caller]
    fn sweep(&self, status: i32, arguments: &[&str]) -> String {
        let output = self.humtick(&[&["sweep", "store.toml"], arguments].concat());
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(status), "{said}");
        String::from_utf8(output.stdout).unwrap()
    }

    /// What is said of wrong use: exit status 2, nothing on standard output.
    #[track_caller]
    fn refusal(&self, arguments: &[&str]) -> String {
        let output = self.humtick(&[&["sweep", "store.toml"], arguments].concat());
        assert_eq!((output.status.code(), output.stdout.len()), (Some(2), 0));
        String::from_utf8(output.stderr).unwrap()
    }
}

fn records(jsonl: &str) -> Vec<Value> {
    jsonl.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn parse(text: &str) -> Document<'_> {
    Document::parse_with_options(text, ParsingOptions { allow_dtd: true, ..Default::default() }).unwrap()
}

fn texts(document: &Document) -> Vec<String> {
    let named = document.descendants().filter(|node| node.has_tag_name("text"));
    named
        .map(|node| {
            node.descendants()
                .filter_map(|n| n.text().filter(|_| n.is_text()))
                .collect::<String>()
                .trim()
                .to_owned()
        })
        .collect()
}

fn count(document: &Document, tag: &str, is: impl Fn(&Node) -> bool) -> usize {
    document.descendants().filter(|node| node.tag_name().name() == tag && is(node)).count()
}

#[test]
fn help_has_a_worked_example() {
    let folder = Folder::new();
    let help = String::from_utf8(folder.humtick(&["sweep", "--help"]).stdout).unwrap();
    assert!(
        help.contains("humtick sweep cellar.toml --vary noise_percent=0.05..2:log --solve max_error_mhz=1"),
        "{help}"
    );
    for option in ["--across", "--repeat", "--measure", "--picture", "--report", "--format", "--readings"] {
        assert!(help.contains(option), "{option}");
    }
}

/// Every place says what `trial` says of a file with those values in it, whole windows and all readings.
#[test]
fn places_are_trials() {
    let folder = Folder::new();
    let vary = [
        "--vary",
        "noise_percent=0.1..0.3:2",
        "--vary",
        "meter.window_s=0.5..1:2",
        "--across",
        "polarity=rising,both",
    ];
    let whole = records(&folder.sweep(0, &[&vary[..], &["--format", "jsonl"]].concat()));
    let all = records(&folder.sweep(0, &[&vary[..], &["--format", "jsonl", "--readings", "all"]].concat()));
    assert_eq!((whole.len(), all.len()), (8, 8));
    let mut seen = BTreeSet::new();
    for (whole, all) in whole.iter().zip(&all) {
        let text = format!(
            "{STORE}noise_percent = {}\n[meter]\nwindow_s = {}\npolarity = {}\n",
            whole["front_end.noise_percent"], whole["meter.window_s"], whole["meter.polarity"]
        );
        fs::write(folder.path("one.toml"), &text).unwrap();
        let output = folder.humtick(&["trial", "one.toml", "--format", "jsonl"]);
        let trial: Value = serde_json::from_slice(&output.stdout).unwrap();
        for (place, key, of_trial, factor) in [
            (whole, "value", "whole_rms_hz", 1e3),
            (whole, "rms_error_mhz", "whole_rms_hz", 1e3),
            (whole, "max_error_mhz", "whole_worst_hz", 1e3),
            (whole, "apart_rms_error_mhz", "whole_apart_rms_hz", 1e3),
            (whole, "bound_mhz", "bound_hz", 1e3),
            (whole, "coverage", "coverage", 1.0),
            (whole, "lock_s", "lock_s", 1.0),
            (whole, "false_readings", "false_readings", 1.0),
            (all, "rms_error_mhz", "rms_hz", 1e3),
            (all, "max_error_mhz", "worst_hz", 1e3),
            (all, "missed_cycles", "missed", 1.0),
        ] {
            let (found, told) =
                (place[key].as_f64().unwrap(), factor * trial[of_trial].as_f64().unwrap().abs());
            assert!((found - told).abs() <= 1e-12 * told, "{key}: {found} for {told}\n{text}");
        }
        seen.insert(whole["value"].to_string());
    }
    assert_eq!(seen.len(), 8, "places that cannot be told apart");
}

#[test]
fn the_same_as_table_csv_and_json() {
    let folder = Folder::new();
    let sweep =
        ["--vary", "noise_percent=0.1..1:3:log", "--repeat", "2", "--across", "estimator=hann,last-period"];
    let table = folder.sweep(0, &sweep);
    let csv = folder.sweep(0, &[&sweep[..], &["--format", "csv"]].concat());
    let json = records(&folder.sweep(0, &[&sweep[..], &["--format", "jsonl"]].concat()));
    assert!(table.starts_with("cold store, <noisy> & 'loud': 10 s at 50 Hz, seeds 4 to 5; front_end.noise_percent from 0.1 to 1 in 3 values, evenly by ratio; meter.estimator hann, last-period\n"), "{table}");
    let lines: Vec<_> = csv.lines().collect();
    assert_eq!((lines.len(), json.len()), (7, 6));
    let heads: Vec<_> = lines[0].split(',').collect();
    let column = |name: &str| heads.iter().position(|head| *head == name).unwrap();
    for (line, record) in lines[1..].iter().zip(&json) {
        let cells: Vec<_> = line.split(',').collect();
        assert_eq!(cells.len(), heads.len());
        assert_eq!(cells[column("value")].parse::<f64>().unwrap(), record["value"].as_f64().unwrap());
        assert_eq!(
            (cells[column("meter.estimator")], cells[column("settling_s")]),
            (record["meter.estimator"].as_str().unwrap(), "")
        );
        let (least, value, most) = (&record["least"], &record["value"], &record["most"]);
        assert!(least.as_f64() < value.as_f64() && value.as_f64() < most.as_f64(), "{record}");
    }
    let row = table.lines().find(|line| line.trim_start().starts_with("0.3162 ")).unwrap();
    let shown: Vec<f64> = row.split_whitespace().map(|cell| cell.parse().unwrap()).collect();
    for (shown, record) in shown[1..3].iter().zip([&json[1], &json[4]]) {
        assert!((shown / record["value"].as_f64().unwrap() - 1.0).abs() < 1e-3, "{row}");
    }
}

#[test]
fn lines_hold_what_was_measured_and_what_the_noise_permits() {
    let folder = Folder::new();
    let sweep =
        ["--vary", "noise_percent=0.1..1:7:log", "--across", "estimator=least-squares,hann,end-to-end"];
    folder.sweep(0, &[&sweep[..], &["--picture", "lines.svg", "--report", "lines.html"]].concat());
    let svg = fs::read_to_string(folder.path("lines.svg")).unwrap();
    let document = parse(&svg);
    let texts = texts(&document);
    for part in [
        "cold store, <noisy> & 'loud': rms error over whole windows, mHz",
        "front_end.noise_percent",
        "rms error, mHz",
        "least-squares",
        "hann",
        "end-to-end",
        "noise permits, rms",
        "0.1",
        "1",
    ] {
        assert!(texts.iter().any(|text| text == part), "{part}: {texts:?}");
    }
    // A mark for each place and one in the legend: dots and triangles of two series, squares of the third.
    assert_eq!(count(&document, "circle", |node| node.attribute("fill") == Some("#0072B2")), 8);
    assert_eq!(count(&document, "polygon", |node| node.attribute("fill") == Some("#D55E00")), 8);
    assert_eq!(count(&document, "rect", |node| node.attribute("fill") == Some("#009E73")), 8);
    // The bound is dashed: more short strokes than the curve has points.
    assert!(count(&document, "polyline", |node| node.attribute("stroke") == Some("#000000")) > 40, "{svg}");
    assert!(svg.contains("prefers-color-scheme: dark"));
    self_contained(&svg);

    let page = fs::read_to_string(folder.path("lines.html")).unwrap();
    let document = parse(&page);
    assert_eq!((count(&document, "svg", |_| true), count(&document, "tr", |_| true)), (1, 8));
    assert!(page.contains("prefers-color-scheme: dark") && page.contains("Cramer-Rao"));
    self_contained(&page);
}

/// Nothing is loaded and nothing runs.
#[track_caller]
fn self_contained(text: &str) {
    assert!(
        !text.contains("<script")
            && !text.contains("url(")
            && !text.contains("href")
            && !text.contains("@import")
    );
    assert_eq!(text.matches("http").count(), text.matches("http://www.w3.org/2000/svg").count());
}

/// A cell for each place, in the colour of its figure, beside a scale with numbers and unit.
#[test]
fn a_heat_map_has_a_cell_for_each_place_and_a_labelled_scale() {
    let folder = Folder::new();
    let vary = ["--vary", "noise_percent=0.1..60:6:log", "--vary", "window_s=0.2..1:5", "--format", "jsonl"];
    let places =
        records(&folder.sweep(0, &[&vary[..], &["--picture", "heat.svg", "--report", "heat.html"]].concat()));
    let svg = fs::read_to_string(folder.path("heat.svg")).unwrap();
    let document = parse(&svg);
    let unknown = places.iter().filter(|place| place["value"].is_null()).count();
    let bounded = places.iter().filter(|place| !place["bound_mhz"].is_null()).count();
    assert!(unknown >= 5 && (5..25).contains(&bounded), "{unknown} unknown, {bounded} with a bound");
    let filled =
        |node: &Node| node.attribute("stroke") == Some("none") && node.attribute("fill") != Some("#FFFFFF");
    let cells: Vec<_> =
        document.descendants().filter(|node| node.has_tag_name("rect") && filled(node)).collect();
    assert_eq!(cells.len(), 30 - unknown + bounded + 64, "cells, those of the bound, and the scale's");
    // A cross is two strokes.
    assert_eq!(count(&document, "line", |node| node.attribute("stroke") == Some("#808080")), 2 * unknown);
    let texts = texts(&document);
    for part in [
        "measured",
        "noise permits, rms",
        "front_end.noise_percent",
        "meter.window_s",
        "rms error, mHz",
        "0.1",
        "1",
        "10",
    ] {
        assert!(texts.iter().any(|text| text == part), "{part}: {texts:?}");
    }
    // The largest error is the lightest cell, the smallest the darkest.
    let fill = |place: usize| cells[place].attribute("fill").unwrap();
    let known: Vec<f64> = places.iter().filter_map(|place| place["value"].as_f64()).collect();
    let most = known.iter().copied().fold(0.0, f64::max);
    assert_eq!(fill(known.iter().position(|value| *value == most).unwrap()), "#FDE725");
    assert_ne!(fill(0), fill(4));
    self_contained(&svg);
    let page = fs::read_to_string(folder.path("heat.html")).unwrap();
    // Head and rows of the figures.
    assert_eq!(count(&parse(&page), "tr", |_| true), 7);
    self_contained(&page);
}

#[test]
fn a_limit_is_solved_for() {
    let folder = Folder::new();
    let sweep = ["--vary", "noise_percent=0.05..2:5:log", "--solve", "rms_error_mhz=0.3", "--repeat", "8"];
    let table = folder.sweep(0, &sweep);
    let answer = table
        .lines()
        .find(|line| line.starts_with("rms_error_mhz <= 0.3 holds up to front_end.noise_percent = "))
        .unwrap();
    assert!(
        answer.ends_with("in 8 of 8 seeds (63.1 to 100.0 % of all seeds, with 95 % confidence)"),
        "{answer}"
    );
    assert!(table.contains("\n  each seed is taken to hold up to a value of its own and not beyond it; no trial contradicts that\n"), "{table}");
    let json = records(&folder.sweep(0, &[&sweep[..], &["--format", "jsonl"]].concat()));
    let solution = json.last().unwrap();
    assert_eq!((solution["kind"].as_str(), solution["outcome"].as_str()), (Some("solution"), Some("found")));
    // What is told is so: a sweep that ends there holds, and one that ends at the next value does not.
    let (value, next) = (&solution["value"], &solution["next_value"]);
    for (end, outcome) in [(value, "all"), (next, "found")] {
        let vary = format!("noise_percent=0.05..{end}:5:log");
        let arguments =
            ["--vary", &vary, "--solve", "rms_error_mhz=0.3", "--repeat", "8", "--format", "jsonl"];
        assert_eq!(records(&folder.sweep(0, &arguments)).last().unwrap()["outcome"], outcome, "{end}");
    }
    let csv = folder.sweep(0, &[&sweep[..], &["--format", "csv"]].concat());
    assert!(csv.lines().last().unwrap().starts_with("# rms_error_mhz <= 0.3 holds up to "), "{csv}");
    // Nothing holds: said, and the status is that of a broken limit.
    let none = folder
        .sweep(1, &["--vary", "noise_percent=1..2:2", "--solve", "rms_error_mhz=0.01", "--repeat", "2"]);
    assert!(
        none.contains(
            "fails already at the first value, front_end.noise_percent = 1: 0 of 2 seeds hold there"
        ),
        "{none}"
    );
}

#[test]
fn wrong_use_exits_2_and_says_what_is_wrong() {
    let folder = Folder::new();
    for (arguments, why) in [
        (
            &["--vary", "front_end.noise_pct=0..1"][..],
            "--vary front_end.noise_pct: unknown key; did you mean front_end.noise_percent?",
        ),
        (
            &["--vary", "noise_percent=0..120"],
            "with front_end.noise_percent = 120: [front_end] noise_percent = 120 is outside 0 to 100",
        ),
        (&["--vary", "noise_percent=0..1:log"], "a logarithmic range lies above zero"),
        (&["--vary", "name=0..1"], "with name = 0: name = 0 is not text"),
        (
            &["--vary", "noise_percent=0..1", "--across", "estimator=least-square"],
            "did you mean least-squares?",
        ),
        (
            &["--vary", "noise_percent=0..1", "--solve", "max_err=1"],
            "--solve max_err=1: unknown measure; did you mean max_error_mhz?",
        ),
        (
            &["--vary", "noise_percent=0..1", "--vary", "window_s=1..2", "--solve", "lock_s=1"],
            "exactly one --vary",
        ),
        (
            &["--vary", "noise_percent=0..1", "--picture", "noise.png"],
            "expected a picture's name ending in .svg",
        ),
        (
            &["--vary", "noise_percent=0..1", "--report", "noise.htm"],
            "expected a page's name ending in .html",
        ),
        // Years of work, were it begun.
        (
            &["--vary", "noise_percent=0..1", "--duration", "1e9", "--picture", "none/noise.svg"],
            "none/noise.svg: No such file or directory",
        ),
        (
            &["--vary", "noise_percent=0..1", "--duration", "1e9", "--report", "none/noise.html"],
            "none/noise.html: No such file or directory",
        ),
        (&["--vary", "noise_percent=0..1", "--measure", "rms"], "invalid value 'rms'"),
        (&["--vary", "noise_percent=0..1", "--repeat", "0"], "0 is not in 1..=10000"),
        (&[], "--vary"),
    ] {
        let message = folder.refusal(arguments);
        assert!(message.contains(why), "{message}");
    }
    assert_eq!(fs::read_dir(folder.0.path()).unwrap().count(), 1, "nothing was written");
    let output = Command::new(env!("CARGO_BIN_EXE_humtick"))
        .args(["sweep", "saw-strt", "--vary", "noise_percent=0..1"])
        .output()
        .unwrap();
    assert!(String::from_utf8_lossy(&output.stderr).contains("did you mean saw-start?"));
    assert!(!Path::new("saw-strt").exists());
}
