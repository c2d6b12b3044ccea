//! `humtick suite` as its users meet it.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use roxmltree::{Document, ParsingOptions};
use serde_json::Value;

/// A minute of the pump house's outlet, its noise given.
fn pump(noise_percent: f64, limits: &str) -> String {
    format!("duration_s = 60.0\nseed = 3\n[front_end]\nnoise_percent = {noise_percent}\n[limits]\n{limits}\n")
}

fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in files {
        let path = folder.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }
    folder
}

fn humtick(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_humtick")).args(arguments).current_dir(folder).output().unwrap()
}

/// Exit status, standard output, standard error.
fn suite(folder: &Path, arguments: &[&str]) -> (i32, String, String) {
    let output = humtick(folder, &[&["suite"], arguments].concat());
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

/// Words of a command as a shell takes them; these tests have no other quotes.
fn words(command: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for c in command.chars() {
        match (c, words.last_mut()) {
            ('\'', _) => quoted = !quoted,
            (' ', _) if !quoted => words.push(String::new()),
            (c, Some(word)) => word.push(c),
            (_, None) => {}
        }
    }
    words
}

#[test]
fn help_has_a_worked_example() {
    let help = String::from_utf8(humtick(Path::new("."), &["suite", "--help"]).stdout).unwrap();
    assert!(help.contains("humtick suite outlets --settings shorter.toml --baseline before.jsonl"), "{help}");
    for option in ["--format", "--settings", "--baseline", "--save", "--report", "junit"] {
        assert!(help.contains(option), "{option}");
    }
}

#[test]
fn kept_limits_exit_0_and_have_a_line_each() {
    let folder =
        folder(&[("a.toml", &pump(0.1, "lock_s = 1")), ("b/c.toml", &pump(0.2, "max_error_mhz = 5"))]);
    let (status, said, warned) = suite(folder.path(), &["."]);
    assert_eq!((status, warned.as_str()), (0, ""));
    let lines: Vec<_> = said.lines().collect();
    assert!(lines[0].starts_with("scenario ") && lines[0].ends_with("verdict"), "{said}");
    assert!(lines[1].starts_with("a  ") && lines[2].starts_with("b/c  "), "{said}");
    assert!(lines[1].ends_with("  kept") && lines[2].ends_with("  kept"), "{said}");
    assert!(said.ends_with("\n2 scenarios, 0.03 h: 2 kept\n"), "{said}");
}

/// The message alone is enough to see the failure again: limit, figure, time, and a command that gives the same.
#[test]
fn a_broken_limit_exits_1_and_says_how_to_see_it_again() {
    let cases = "[[cases]]\nlabel = [\"calm\", \"it's rough\"]\nfront_end.noise_percent = [0.1, 2.0]\n";
    let file = pump(0.1, "max_error_mhz = 1.0\nrms_error_mhz = 0.3\n") + cases;
    let folder = folder(&[("outlets/pump house.toml", &file), ("half.toml", "window_s = 0.5\n")]);
    let (status, said, _) = suite(folder.path(), &["outlets", "--settings", "half.toml"]);
    assert_eq!(status, 1, "{said}");
    assert!(
        said.starts_with("BROKEN  pump house [it's rough]\n    max_error_mhz = 1: the worst error is "),
        "{said}"
    );
    assert!(said.contains(" mHz, at ") && said.contains("\n    rms_error_mhz = 0.3: it is "), "{said}");
    assert!(said.ends_with("2 scenarios, 0.03 h: 1 kept, 1 broken\n"), "{said}");
    let replay = said.lines().find_map(|line| line.strip_prefix("    replay: ")).unwrap();
    // The shell's own way of a single quote, which `words` does not know.
    let words = words(&replay.replace("'it'\\''s rough'", "'it\u{2019}s rough'"));
    let words: Vec<_> = words.iter().map(|word| word.replace('\u{2019}', "'")).collect();
    let words: Vec<_> = words.iter().map(String::as_str).collect();
    assert_eq!(words[..3], ["humtick", "trial", "outlets/pump house.toml"]);
    let again = humtick(folder.path(), &words[1..]);
    let again_said = String::from_utf8(again.stdout).unwrap();
    assert_eq!(again.status.code(), Some(1), "{again_said}");
    for line in said.lines().filter(|line| line.contains("error_mhz = ")) {
        assert!(again_said.contains(line.trim()), "{line}\n{again_said}");
    }
    assert_eq!(words[words.len() - 1], "pump-house-it-s-rough.html");
    let page = fs::read_to_string(folder.path().join(words[words.len() - 1])).unwrap();
    assert!(page.contains("Limits broken"));
}

#[test]
fn a_meter_that_never_locks_breaks_a_suite_without_limits() {
    let dead = "duration_s = 5\n[front_end]\nnoise_percent = 0\n[[disturb]]\nkind = \"interruption\"\nat_s = 0\nlength_s = 5\n";
    let folder = folder(&[("dead.toml", dead), ("free.toml", "duration_s = 5\n")]);
    let (status, said, _) = suite(folder.path(), &["."]);
    assert!(status == 1 && said.starts_with("BROKEN  dead\n    never locked\n"), "{said}");
    assert!(said.contains("\nfree ") && said.contains("no limits\n"), "{said}");
}

#[test]
fn what_cannot_be_read_is_named_the_rest_runs_and_the_exit_status_is_2() {
    let folder = folder(&[
        ("s/a.toml", &pump(0.1, "lock_s = 0.001")),
        ("s/b.toml", "[grid\n"),
        ("s/c.toml", "\nduration = 3\n"),
        ("s/e.expect.toml", "[grid]\n"),
        ("empty/notes.txt", ""),
    ]);
    fs::write(folder.path().join("s/d.toml"), [0xc3, 0x28]).unwrap();
    let (status, said, _) = suite(folder.path(), &["s"]);
    assert_eq!(status, 2, "{said}");
    assert!(said.contains("BROKEN  a\n    lock_s = 0.001: locked after "), "{said}");
    assert!(said.contains("UNREADABLE  b\n    s/b.toml:1: "), "{said}");
    assert!(
        said.contains("UNREADABLE  c\n    s/c.toml:2: unknown key \"duration\"; did you mean duration_s?"),
        "{said}"
    );
    assert!(said.contains("UNREADABLE  d\n    s/d.toml: "), "{said}");
    assert!(
        said.contains("UNREADABLE  e\n    s/e.expect.toml: there is no e.csv, .vcd, .wav or .cfg beside it"),
        "{said}"
    );
    assert!(said.ends_with("5 scenarios, 0.02 h: 0 kept, 1 broken, 4 unreadable\n"), "{said}");

    let refusal = |arguments: &[&str]| {
        let (status, said, warned) = suite(folder.path(), arguments);
        assert_eq!((status, said.as_str()), (2, ""), "{warned}");
        warned
    };
    assert!(refusal(&["empty"]).contains("empty: no file below it ends in .toml"));
    assert!(refusal(&["none"]).starts_with("humtick: none: "));
    assert!(refusal(&["s", "--settings", "s/c.toml"]).contains("s/c.toml:2: unknown key"));
    assert!(refusal(&["s", "--baseline", "s/b.toml"]).contains("s/b.toml:1: is no outcome"));
    assert!(refusal(&["s", "--save", "no/a.jsonl"]).starts_with("humtick: no/a.jsonl: No such file"));
    assert!(refusal(&["s", "--save", "s/a.toml"]).contains("give another name to --save"));
    assert!(fs::read_to_string(folder.path().join("s/a.toml")).unwrap().starts_with("duration_s"));
}

/// A clock whose tolerance is left out: errors are what they were, and intervals hold them no more.
#[test]
fn a_baseline_sees_intervals_that_are_too_narrow() {
    let told = "[timer]\nclock_ppm = 8\n";
    let folder = folder(&[
        ("outlets/clock.toml", &(pump(0.1, "lock_s = 1") + told)),
        ("none.toml", "clock_tolerance_ppm = 0\n"),
    ]);
    let saved = folder.path().join("before.jsonl");
    let saved = saved.to_str().unwrap();
    assert_eq!(suite(folder.path(), &["outlets", "--save", saved]).0, 0);
    let (status, said, _) =
        suite(folder.path(), &["outlets", "--settings", "none.toml", "--baseline", saved]);
    assert_eq!(status, 0, "{said}");
    assert!(said.contains("worse: coverage 100.0 % -> "), "{said}");
}

#[test]
fn a_baseline_is_quiet_on_the_same_tree_and_sees_five_percent() {
    // Ten minutes each: readings over a second err by the noise alone, and 5 % more noise is 5 % more error.
    let outlets = |noise: f64| {
        let long =
            |hz: f64| format!("nominal_hz = {hz}\n{}", pump(noise, "lock_s = 1")).replace("60.0", "600.0");
        folder(&[("50.toml", &long(50.0)), ("60.toml", &long(60.0)), ("400.toml", &long(400.0))])
    };
    let (now, worse) = (outlets(0.2), outlets(0.21));
    let saved = now.path().join("before.jsonl");
    let saved = saved.to_str().unwrap();
    assert_eq!(suite(now.path(), &[".", "--save", saved]).0, 0);
    let (status, said, _) = suite(now.path(), &[".", "--baseline", saved]);
    assert_eq!(status, 0);
    assert!(
        said.contains(
            "\nsince the baseline: 0 worse, 0 better, 3 same; rms, clock apart, +0.0 % in the median\n"
        ),
        "{said}"
    );
    assert_eq!(said.lines().filter(|line| line.ends_with("  same")).count(), 3, "{said}");

    let (status, said, _) = suite(worse.path(), &[".", "--baseline", saved]);
    assert_eq!(status, 0, "a change alone breaks nothing");
    assert!(said.contains("\nsince the baseline: 3 worse, 0 better, 0 same"), "{said}");
    let change = |line: &str| -> f64 {
        line.split("rms ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap()
    };
    let changes: Vec<_> = said.lines().filter(|line| line.contains("worse: rms ")).map(change).collect();
    assert_eq!(changes.len(), 3, "{said}");
    assert!(changes.iter().all(|percent| (4.0..6.0).contains(percent)), "{said}");

    // And the other way round.
    let other = worse.path().join("worse.jsonl");
    let other = other.to_str().unwrap();
    suite(worse.path(), &[".", "--save", other]);
    fs::remove_file(now.path().join("400.toml")).unwrap();
    let (_, said, _) = suite(now.path(), &[".", "--baseline", other, "--format", "jsonl"]);
    let lines: Vec<Value> = said.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert!(lines.len() == 2 && lines.iter().all(|line| line["since"] == "better"), "{said}");
    let (_, said, _) = suite(now.path(), &[".", "--baseline", other]);
    assert!(said.ends_with("gone since: 400\n"), "{said}");
}

#[test]
fn csv_jsonl_and_junit_say_the_same() {
    let folder = folder(&[
        ("s/a.toml", &pump(0.1, "max_error_mhz = 5")),
        ("s/b/c, <d>.toml", &pump(2.0, "max_error_mhz = 0.5")),
        ("s/e.toml", "x = \"<&\"\n"),
    ]);
    let (status, json, warned) = suite(folder.path(), &["s", "--format", "jsonl"]);
    assert_eq!(status, 2);
    assert!(
        warned.contains("BROKEN  b/c, <d>\n") && warned.contains("replay: humtick trial 's/b/c, <d>.toml'"),
        "{warned}"
    );
    let json: Vec<Value> = json.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let verdicts: Vec<_> = json.iter().map(|line| line["verdict"].as_str().unwrap()).collect();
    assert_eq!(verdicts, ["kept", "broken", "unreadable"]);
    let worst = json[1]["worst_hz"].as_f64().unwrap();
    assert!(worst.abs() > 0.5e-3 && json[1]["worst_at_s"].as_f64().is_some_and(|s| (0.0..60.0).contains(&s)));

    let (_, csv, _) = suite(folder.path(), &["s", "--format", "csv"]);
    let lines: Vec<_> = csv.lines().collect();
    assert!(lines[0].starts_with("name,verdict,worst_hz,") && lines.len() == 4, "{csv}");
    assert!(lines[2].starts_with(&format!("\"b/c, <d>\",broken,{worst},")), "{csv}");
    assert!(lines[3].starts_with("e,unreadable,,,,,,,,,,,,,"), "{csv}");

    let (_, xml, _) = suite(folder.path(), &["s", "--format", "junit"]);
    let document = Document::parse(&xml).unwrap();
    let all = |name: &str| document.descendants().filter(|n| n.has_tag_name(name)).collect::<Vec<_>>();
    let suite = all("testsuite")[0];
    let counts = ["name", "tests", "failures", "errors"].map(|key| suite.attribute(key).unwrap());
    assert_eq!(counts, ["s", "3", "1", "1"]);
    let names: Vec<_> =
        all("testcase").iter().map(|n| (n.attribute("classname"), n.attribute("name"))).collect();
    assert_eq!(names[1], (Some("b"), Some("c, <d>")));
    let failure = all("failure")[0];
    assert!(failure.attribute("message").unwrap().starts_with("max_error_mhz = 0.5: the worst error is"));
    assert!(failure.text().unwrap().contains("\nreplay: humtick trial 's/b/c, <d>.toml' --report"));
    assert!(all("error")[0].attribute("message").unwrap().contains("s/e.toml:1: unknown key \"x\""));
}

fn parse(page: &str) -> Document<'_> {
    Document::parse_with_options(page, ParsingOptions { allow_dtd: true, ..Default::default() }).unwrap()
}

fn text(document: &Document<'_>) -> String {
    document.descendants().filter_map(|n| n.text().filter(|_| n.is_text())).collect()
}

#[test]
fn the_overview_links_to_a_page_of_each() {
    let folder = folder(&[
        ("s/calm.toml", &pump(0.1, "max_error_mhz = 5")),
        ("s/b/rough & ready.toml", &pump(2.0, "max_error_mhz = 0.5")),
        ("s/broken.toml", "x = 1\n"),
    ]);
    assert_eq!(suite(folder.path(), &["s", "--save", "x.jsonl"]).0, 2);
    let (status, _, _) = suite(folder.path(), &["s", "--report", "pages/today", "--baseline", "x.jsonl"]);
    assert_eq!(status, 2);
    let pages = folder.path().join("pages/today");
    let index = fs::read_to_string(pages.join("index.html")).unwrap();
    let document = parse(&index);
    let links: Vec<_> = document.descendants().filter_map(|n| n.attribute("href")).collect();
    assert_eq!(links, ["b-rough-ready.html", "b-rough-ready.html", "calm.html"]);
    for link in links {
        let page = fs::read_to_string(pages.join(link)).unwrap();
        assert!(text(&parse(&page)).contains("Score"));
    }
    let text = text(&document);
    assert!(text.contains("Of 3 scenarios 1 broke a limit, 1 could not be tried."), "{text}");
    assert!(text.contains("humtick trial 's/b/rough & ready.toml' --report b-rough-ready.html"), "{text}");
    assert!(text.contains("3 the same within noise"), "{text}");
    assert!(!index.contains("<script") && !index.contains("http"), "{index}");
}

/// A recording with what is expected of it is an item like any other, and `trial` shows it.
#[test]
fn recordings_are_held_to_what_is_expected_of_them() {
    let folder = folder(&[(
        "generator.toml",
        "duration_s = 20\n[front_end]\nnoise_percent = 0.3\n[timer]\nclock_ppm = 20\n",
    )]);
    let expect = |limits: &str| format!("[grid]\n[meter]\nclock_ppm = 20\n[limits]\nlock_s = 0.2\n{limits}");
    let bench = folder.path().join("bench");
    fs::create_dir(&bench).unwrap();
    let synth = ["synth", "generator.toml", "-o", "bench/generator.csv"];
    assert!(humtick(folder.path(), &synth).status.success());
    fs::write(bench.join("generator.expect.toml"), expect("max_error_mhz = 5")).unwrap();
    let (status, said, _) = suite(folder.path(), &["bench"]);
    assert_eq!(status, 0, "{said}");
    // The same readings as the scenario's own, whose meter is told of the clock.
    let own = "duration_s = 20\n[front_end]\nnoise_percent = 0.3\n[timer]\nclock_ppm = 20\n[meter]\nclock_ppm = 20\n[limits]\nlock_s = 0.2\n";
    fs::write(bench.join("simulated.toml"), own).unwrap();
    let (_, json, _) = suite(folder.path(), &["bench", "--format", "jsonl"]);
    let json: Vec<Value> = json.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let rms = |place: usize| json[place]["rms_hz"].as_f64().unwrap();
    assert!((rms(0) / rms(1) - 1.0).abs() < 0.02, "{} {}", rms(0), rms(1));
    fs::remove_file(bench.join("simulated.toml")).unwrap();
    // Without the clock's error every reading is 1 mHz off.
    fs::write(bench.join("generator.expect.toml"), expect("rms_error_mhz = 0.0001")).unwrap();
    let (status, said, _) = suite(folder.path(), &["bench"]);
    assert!(
        status == 1
            && said.contains("replay: humtick trial bench/generator.expect.toml --report generator.html"),
        "{said}"
    );
    let again =
        humtick(folder.path(), &["trial", "bench/generator.expect.toml", "--report", "generator.html"]);
    assert_eq!(again.status.code(), Some(1));
    let page = fs::read_to_string(folder.path().join("generator.html")).unwrap();
    assert!(page.contains("s of a recording, bench/generator.csv") && !page.contains("A crossing"));
    let seeded = humtick(folder.path(), &["trial", "bench/generator.expect.toml", "--seed", "2"]);
    assert!(String::from_utf8_lossy(&seeded.stderr).contains("speaks of a recording, which has no seed"));
}
