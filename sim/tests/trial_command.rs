//! `humtick trial` as its users meet it.

use std::io::Write;
use std::process::{Command, Output};

fn trial(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_humtick")).arg("trial").args(arguments).output().unwrap()
}

fn file(content: &str) -> tempfile::TempPath {
    let mut file = tempfile::Builder::new().suffix(".toml").tempfile().unwrap();
    file.write_all(content.as_bytes()).unwrap();
    file.into_temp_path()
}

/// What is said of wrong use: exit status 2, nothing on standard output.
#[track_caller]
fn refusal(arguments: &[&str]) -> String {
    let output = trial(arguments);
    assert_eq!((output.status.code(), output.stdout.len()), (Some(2), 0));
    String::from_utf8(output.stderr).unwrap()
}

#[test]
fn help_has_a_worked_example() {
    let help = String::from_utf8(trial(&["--help"]).stdout).unwrap();
    assert!(help.contains("humtick trial saw.toml"), "{help}");
    for option in ["--format", "--duration", "--seed", "--settings"] {
        assert!(help.contains(option), "{option}");
    }
}

#[test]
fn wrong_use_exits_2_and_says_what_is_wrong() {
    assert!(refusal(&["no-such.toml"]).starts_with("humtick: no-such.toml: "));
    let scenario = file("durations = 10.0\n");
    let path = scenario.to_str().unwrap();
    let message = refusal(&[path]);
    assert!(message.contains(":1: ") && message.contains("duration_s"), "{message}");
    let scenario = file("duration_s = 10.0\n");
    let path = scenario.to_str().unwrap();
    assert!(refusal(&[path, "--duration", "0.01"]).contains("expected seconds from 0.1 to 1e9"));
    // Years of work, were it begun.
    let message = refusal(&[path, "--duration", "1e9", "--report", "no-such-folder/page.html"]);
    assert!(message.contains("no-such-folder/page.html: "), "{message}");
    let settings = file("\nwindow = 1.0\n");
    assert!(refusal(&[path, "--settings", settings.to_str().unwrap()]).contains(":2: "));
}

#[test]
fn a_meter_that_never_locks_fails() {
    let dead = file(
        "duration_s = 5\n[front_end]\nnoise_percent = 0\n[[disturb]]\nkind = \"interruption\"\nat_s = 0\nlength_s = 5\n",
    );
    let output = trial(&[dead.to_str().unwrap()]);
    let (said, warned) =
        (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap());
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("first lock, s                          -  never\n"), "{said}");
    assert!(said.lines().all(|line| line.trim_end() == line), "{said}");
    assert!(!said.contains("of the clock") && warned.ends_with(": never locked\n"), "{said}{warned}");
}

#[test]
fn one_case_is_run_and_named_and_without_a_choice_they_are_listed() {
    let file = file("name = \"pump\"\nduration_s = 5\n[[cases]]\ngrid.offset_mhz = [-500, 500]\n");
    let path = file.to_str().unwrap();
    let table = String::from_utf8(trial(&[path, "--case", "offset_mhz=500"]).stdout).unwrap();
    assert!(table.starts_with("pump [offset_mhz=500]: 5 s at 50 Hz"), "{table}");
    let listed = refusal(&[path]);
    assert!(
        listed.ends_with(": has 2 cases: choose one with --case: offset_mhz=-500; offset_mhz=500\n"),
        "{listed}"
    );
    assert!(refusal(&[path, "--case", "offset_mhz=600"]).contains("did you mean offset_mhz=500?"));
    assert!(refusal(&["saw-start", "--case", "a"]).ends_with("saw-start: has no cases: leave --case out\n"));
}

/// Errors of pulses once a second are some 0.0001 mHz, which four decimals would hide.
#[test]
fn small_errors_are_in_a_small_unit() {
    let table = String::from_utf8(trial(&["poor-receiver", "--duration", "200"]).stdout).unwrap();
    let apart = table.lines().find(|line| line.starts_with("clock apart")).unwrap();
    let rms: f64 = apart.split_whitespace().nth(3).unwrap().parse().unwrap();
    assert!(table.contains("\nerror, uHz ") && rms > 0.01, "{table}");
}

/// Eight days of pulses once a second take no more memory than four, report and all; a year is more of the same work.
#[cfg(target_os = "linux")]
#[test]
fn memory_does_not_grow_with_duration() {
    let scenario = file(
        "nominal_hz = 1\n[grid]\nshape = \"wander\"\nsd_mhz = 1.0\n[timer]\nclock_wander_ppb = 50\nageing_ppb_day = 10\n[meter]\nwindow_s = 30\nevery_s = 3\n",
    );
    let folder = tempfile::tempdir().unwrap();
    let most_kb = |duration: &str| {
        let mut child = Command::new(env!("CARGO_BIN_EXE_humtick"))
            .args(["trial", scenario.to_str().unwrap(), "--duration", duration, "--report"])
            .arg(folder.path().join("days.html"))
            .stdout(std::process::Stdio::null())
            .spawn()
            .unwrap();
        let status = format!("/proc/{}/status", child.id());
        let mut most = 0u64;
        while child.try_wait().unwrap().is_none() {
            let text = std::fs::read_to_string(&status).unwrap_or_default();
            let peak = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
            let peak = peak.and_then(|peak| peak.trim().strip_suffix(" kB")).and_then(|kb| kb.parse().ok());
            most = peak.unwrap_or(most);
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        assert!(child.wait().unwrap().success());
        most
    };
    // What is kept for the Allan deviation, 100,000 readings, has come after three and a half days.
    let (four, eight) = (most_kb("3.5e5"), most_kb("7e5"));
    assert!(eight < 40_000 && eight < four + 4_000, "{four} kB, {eight} kB");
}
