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
    let settings = file("\nwindow = 1.0\n");
    assert!(refusal(&[path, "--settings", settings.to_str().unwrap()]).contains(":2: "));
}
