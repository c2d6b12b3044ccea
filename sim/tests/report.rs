//! The report of a trial: one well-formed page that says what the score says.

use std::fs;
use std::path::Path;
use std::process::Command;

use roxmltree::{Document, Node, ParsingOptions};
use serde_json::Value;

const NOISY: &str = "name = \"pump house, <noisy> & 'loud'\"\nseed = 4\nduration_s = 60.0\n[grid]\nshape = \"wander\"\nsd_mhz = 20\n\
    [front_end]\nnoise_percent = 2.0\nhysteresis_percent = 0.5\n[[disturb]]\nkind = \"interruption\"\nat_s = 30\nlength_s = 8\n\
    [timer]\nclock_ppm = 30\n[limits]\nmax_error_mhz = 0.001\nlock_s = 2\n";

/// The page, and the score as JSON.
fn trial(folder: &Path, scenario: &str, duration: &str) -> (String, Value) {
    fs::write(folder.join("pump.toml"), scenario).unwrap();
    let arguments =
        ["trial", "pump.toml", "--report", "pump.html", "--format", "jsonl", "--duration", duration];
    let output =
        Command::new(env!("CARGO_BIN_EXE_humtick")).args(arguments).current_dir(folder).output().unwrap();
    assert!(matches!(output.status.code(), Some(0 | 1)), "{}", String::from_utf8_lossy(&output.stderr));
    (fs::read_to_string(folder.join("pump.html")).unwrap(), serde_json::from_slice(&output.stdout).unwrap())
}

fn parse(page: &str) -> Document<'_> {
    Document::parse_with_options(page, ParsingOptions { allow_dtd: true, ..Default::default() }).unwrap()
}

fn text(node: Node) -> String {
    node.descendants().filter_map(|n| n.text().filter(|_| n.is_text())).collect()
}

const PICTURES: [&str; 6] = [
    "A crossing",
    "A cycle",
    "True and measured frequency",
    "Error",
    "Errors in units of their uncertainty",
    "Allan deviation",
];

#[test]
fn the_page_says_what_the_score_says() {
    let folder = tempfile::tempdir().unwrap();
    let (page, score) = trial(folder.path(), NOISY, "60");
    let document = parse(&page);
    let named = |name: &str| document.descendants().filter(|n| n.has_tag_name(name)).collect::<Vec<_>>();
    assert_eq!(text(named("h1")[0]), "pump house, <noisy> & 'loud'");
    assert_eq!(text(named("pre")[0]), NOISY);
    let rows: Vec<Vec<String>> =
        named("tr").iter().map(|row| row.children().filter(Node::is_element).map(text).collect()).collect();
    let row = |label: &str| rows.iter().find(|row| row[0] == label).unwrap();
    let number = |label: &str| row(label)[1].split(' ').next().unwrap().parse::<f64>().unwrap();
    for (label, key, factor) in [
        ("Error, mean", "bias_hz", 1e3),
        ("Error, rms", "rms_hz", 1e3),
        ("Error, worst", "worst_hz", 1e3),
        ("Against the middle, rms", "instant_rms_hz", 1e3),
        ("Noise permits, rms", "bound_hz", 1e3),
        ("Clock's part", "clock_hz", 1e3),
        ("95 % interval holds the truth", "coverage", 100.0),
        ("First lock", "lock_s", 1.0),
        ("Settling", "settling_mean_s", 1.0),
        ("Readings", "readings", 1.0),
        ("False readings", "false_readings", 1.0),
        ("Edges", "edges", 1.0),
        ("Crossings taken", "crossings", 1.0),
        ("Captures overrun", "overruns", 1.0),
    ] {
        let asked = score[key].as_f64().unwrap() * factor;
        assert!((number(label) - asked).abs() < 0.006, "{label}: {:?} for {asked}", row(label));
    }
    // One limit is kept and one is not.
    assert_eq!(named("li").len(), score["broken"].as_array().unwrap().len());
    assert!(text(named("li")[0]).starts_with("max_error_mhz = 0.001"));
}

#[test]
fn the_page_has_every_picture_and_needs_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let (page, _) = trial(folder.path(), NOISY, "60");
    let document = parse(&page);
    let pictures: Vec<_> =
        document.descendants().filter(|n| n.has_tag_name(("http://www.w3.org/2000/svg", "svg"))).collect();
    let labels: Vec<_> = pictures.iter().filter_map(|p| p.attribute("aria-label")).collect();
    assert_eq!(labels, PICTURES);
    for picture in &pictures {
        let words: Vec<_> =
            picture.descendants().filter(|n| n.tag_name().name() == "text").map(text).collect();
        let count = |name: &str| picture.descendants().filter(|n| n.tag_name().name() == name).count();
        assert!(count("polyline") + count("polygon") >= 3, "{words:?}");
        // Axes with titles, units and ticks.
        assert!(words.iter().any(|w| w.contains(", ") || w.contains("standard uncertainty")), "{words:?}");
        let ticks =
            words.iter().filter(|w| w.trim().starts_with(|c: char| c.is_ascii_digit() || c == '\u{2212}'));
        assert!((6..40).contains(&ticks.count()), "{words:?}");
    }
    let addresses = page.matches("http").count();
    assert_eq!(addresses, page.matches("xmlns=\"http://www.w3.org/2000/svg\"").count());
    for what in ["<script", "<img", "<link", "@import", "url(", "NaN", "inf"] {
        assert!(!page.contains(what), "{what}");
    }
    // The interruption: the readings' envelope and their band in two pieces each.
    let frequency = pictures[2].descendants().filter(|n| n.tag_name().name() == "polygon").count();
    assert_eq!(frequency, 4);
}

/// Ten times as long a trial has no larger pictures; and a second time the page is the same.
#[test]
fn a_long_trial_is_no_larger() {
    let folder = tempfile::tempdir().unwrap();
    let (short, _) = trial(folder.path(), NOISY, "60");
    let (again, _) = trial(folder.path(), NOISY, "60");
    assert!(short == again);
    let (long, _) = trial(folder.path(), NOISY, "1200");
    assert!(long.len() < short.len() * 13 / 10 && long.len() < 250_000, "{} {}", short.len(), long.len());
}

/// Where there is nothing to be seen, the page says so.
#[test]
fn a_dead_outlet_has_a_page_too() {
    let folder = tempfile::tempdir().unwrap();
    let dead = "duration_s = 5\n[front_end]\nnoise_percent = 0\nlowpass_hz = \"none\"\n[[disturb]]\nkind = \"interruption\"\nat_s = 0\nlength_s = 5\n";
    let (page, score) = trial(folder.path(), dead, "5");
    let document = parse(&page);
    assert_eq!(score["readings"], 0);
    let without = document
        .descendants()
        .filter(|n| n.is_text() && n.text().is_some_and(|t| t.starts_with("No picture: ")))
        .count();
    assert_eq!(without, PICTURES.len());
    assert!(!page.contains("NaN"));
}

#[test]
fn a_page_is_called_html() {
    let folder = tempfile::tempdir().unwrap();
    let arguments = ["trial", "saw-start", "--report", "saw.pdf"];
    let output = Command::new(env!("CARGO_BIN_EXE_humtick"))
        .args(arguments)
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(
        String::from_utf8_lossy(&output.stderr),
        "humtick: saw.pdf: expected a page's name ending in .html\n"
    );
}
