//! `humtick view` from outside: what a log says, in the terminal and on the page.

use std::fmt::Write;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use humtick_sim::log::utc;
use roxmltree::{Document, ParsingOptions};

const START: i64 = 1_774_742_400_000;

/// A day's log: `hertz` gives a reading's frequency by its number, ten a second; `None` is one that never came.
fn log(folder: &Path, name: &str, count: u32, hertz: impl Fn(u32) -> Option<f64>) {
    let mut text = format!(
        "# humtick log 1, sensor {name}\nutc,t_s,sequence,state,frequency_hz,u95_hz,rocof_hz_s,missed,rejected\n"
    );
    for k in 0..count {
        let Some(hz) = hertz(k) else { continue };
        let at = utc::text(START + i64::from(k) * 100 + 40);
        writeln!(text, "{at},{}.{}00,{k},locked,{hz:.6},0.000400,0.0010,0,0", k / 10, k % 10).unwrap();
    }
    fs::write(folder.join(format!("{name}-2026-03-29.csv")), text).unwrap();
}

fn view(folder: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_humtick"));
    command.arg("view").args(arguments).current_dir(folder).output().unwrap()
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

#[test]
fn the_page_and_the_table_say_what_is_in_the_log() {
    let folder = tempfile::tempdir().unwrap();
    // A slow swing of 30 mHz with a lost stretch of 5 s; an island that is 0.7 Hz off a tenth of the time.
    log(folder.path(), "pump-house", 20_000, |k| {
        (!(7_000..7_050).contains(&k)).then(|| 50.0 + 0.03 * (f64::from(k) / 500.0).sin())
    });
    log(folder.path(), "workshop", 20_000, |k| {
        Some(if k % 5_000 < 500 { 49.3 } else { 50.0 + 1e-4 * f64::from(k % 7) })
    });
    fs::write(folder.path().join("notes.csv"), "day,who\n1,2\n").unwrap();
    let output = view(folder.path(), &[".", "-o", "mains.html"]);
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    let text = out(&output);
    let row = |name: &str| -> Vec<String> {
        text.lines().find(|line| line.starts_with(name)).unwrap().split_whitespace().map(Into::into).collect()
    };
    assert_eq!(row("pump-house")[1..4], ["19950", "50", "1"]);
    assert!(
        text.lines().any(|l| l.starts_with("pump-house") && l.contains("49.5..50.5 Hz kept: 100 % within")),
        "{text}"
    );
    assert!(
        text.lines().any(|l| l.starts_with("workshop") && l.contains("49.5..50.5 Hz broken: 90 % within")),
        "{text}"
    );
    let page = fs::read_to_string(folder.path().join("mains.html")).unwrap();
    let document =
        Document::parse_with_options(&page, ParsingOptions { allow_dtd: true, ..Default::default() })
            .unwrap();
    assert_eq!(document.descendants().filter(|n| n.has_tag_name("svg")).count(), 6);
    for outside in ["http-equiv", "<script", "src=", "href=", "url("] {
        assert!(!page.contains(outside), "{outside}");
    }
    for part in [
        "50 readings lost on the way",
        "1 gap",
        "2026-03-29 00:11:3",
        "broken, 90.000 % of what is in the log within",
    ] {
        assert!(page.contains(part), "{part}");
    }
    // Four times off in 20,000 readings.
    let text = out(&view(folder.path(), &[".", "--limits", "49.5..50.5"]));
    let left = |name: &str| {
        let row = text.lines().find(|line| line.starts_with(name)).unwrap();
        row.split_whitespace().nth(8).unwrap().to_string()
    };
    assert_eq!(["pump-house", "workshop"].map(left), ["0", "4"], "{text}");
    // The island's own limits: 2 % for 95 % of a week.
    assert_eq!(view(folder.path(), &[".", "--supply", "island"]).status.code(), Some(0));
}

#[test]
fn torn_and_damaged_lines_are_left_out_and_counted() {
    let folder = tempfile::tempdir().unwrap();
    log(folder.path(), "saw", 1_000, |_| Some(50.0));
    let path = folder.path().join("saw-2026-03-29.csv");
    let text = fs::read_to_string(&path).unwrap();
    // Torn in the last row; one row in the middle made nonsense of.
    let torn = text[..text.len() - 3].replacen(",50.000000,", ",5O.000000,", 1);
    fs::write(&path, torn).unwrap();
    let output = view(folder.path(), &["saw-2026-03-29.csv", "-o", "saw.html"]);
    assert!(
        out(&output).lines().any(|line| line.split_whitespace().nth(1) == Some("998")),
        "{}",
        out(&output)
    );
    let page = fs::read_to_string(folder.path().join("saw.html")).unwrap();
    assert!(page.contains("Lines that are none</th><td class=\"figure\">2</td>"));
}

/// The first ten minutes come at once, over midnight: both days' files say when they were taken.
#[test]
fn a_backlog_at_the_start_counts_where_it_was_taken() {
    let folder = tempfile::tempdir().unwrap();
    log(folder.path(), "saw", 12_000, |k| Some(50.0 + 1e-4 * f64::from(k % 7)));
    let path = folder.path().join("saw-2026-03-29.csv");
    let text = fs::read_to_string(&path).unwrap();
    let lines: Vec<_> = text.lines().collect();
    let late = |line: &&str| format!("{}{}\n", utc::text(START + 600_000), &line[utc::LEN..]);
    let head = format!("{}\n{}\n", lines[0], lines[1]);
    let backlog: String = lines[2..6_002].iter().map(late).collect();
    fs::write(folder.path().join("saw-2026-03-28.csv"), format!("{head}{backlog}")).unwrap();
    fs::write(&path, format!("{head}{}\n", lines[6_002..].join("\n"))).unwrap();
    let output = view(folder.path(), &[".", "-o", "saw.html"]);
    let row = out(&output).lines().nth(1).unwrap().to_string();
    let row: Vec<_> = row.split_whitespace().collect();
    assert_eq!((row[1], row[3], row[7]), ("12000", "0", "120"));
    assert!(fs::read_to_string(folder.path().join("saw.html")).unwrap().contains("2026-03-29 00:00:00"));
}

#[test]
fn a_log_is_read_by_stability_as_well() {
    let folder = tempfile::tempdir().unwrap();
    log(folder.path(), "saw", 1_000, |k| Some(50.0 + 1e-4 * f64::from(k % 7)));
    let mut command = Command::new(env!("CARGO_BIN_EXE_humtick"));
    let output =
        command.args(["stability", "saw-2026-03-29.csv"]).current_dir(folder.path()).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn what_is_no_log_is_told() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("notes.csv"), "day,who\n1,2\n").unwrap();
    for (arguments, word) in [
        (&["notes.csv"][..], "is no log of `humtick listen`"),
        (&["."], "there is no log in this folder"),
        (&["nowhere"], "nowhere"),
        (&["notes.csv", "-o", "notes.pdf"], ".html"),
    ] {
        let output = view(folder.path(), arguments);
        assert_eq!(output.status.code(), Some(2));
        let error = String::from_utf8(output.stderr).unwrap();
        assert!(error.contains(word), "{error}");
    }
}
