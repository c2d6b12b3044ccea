//! `humtick scenario` as its users meet it.

use std::process::{Command, Output};

fn scenario(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_humtick")).arg("scenario").args(arguments).output().unwrap()
}

/// What it prints when all is well.
#[track_caller]
fn printed(arguments: &[&str]) -> String {
    let output = scenario(arguments);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// What it says when all is not: exit status 2, nothing on standard output.
#[track_caller]
fn refused(arguments: &[&str]) -> String {
    let output = scenario(arguments);
    assert_eq!((output.status.code(), output.stdout.len()), (Some(2), 0));
    String::from_utf8(output.stderr).unwrap()
}

#[test]
fn the_template_is_right_by_its_own_check() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("cellar.toml");
    std::fs::write(&file, printed(&[])).unwrap();
    let path = file.to_str().unwrap();
    let said = printed(&["--check", path]);
    assert_eq!(said.lines().count(), 1);
    assert!(
        said.starts_with(&format!("{path}: can be used: cellar, 60 s at 50 Hz, constant, harmonics: 0")),
        "{said}"
    );
}

#[test]
fn a_wrong_scenario_exits_with_2_and_says_where() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("cellar.toml");
    let path = file.to_str().unwrap();
    std::fs::write(&file, "[timer]\nbits = 64\n").unwrap();
    assert_eq!(
        refused(&["--check", path]),
        format!("humtick: {path}:2: [timer] bits = 64 is outside 8 to 32\n")
    );
    std::fs::write(&file, b"\xFF\xFE").unwrap();
    assert!(refused(&["--check", path]).contains("UTF-8"));
    std::fs::remove_file(&file).unwrap();
    assert!(refused(&["--check", path]).starts_with(&format!("humtick: {path}: ")));
    assert!(refused(&["--list", "--check", path]).contains("cannot be used with"));
}

#[test]
fn what_is_probably_not_meant_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("cellar.toml");
    std::fs::write(&file, "[[disturb]]\nkind = \"phase-jump\"\nat_s = 90\ndegrees = 3\n").unwrap();
    let said = printed(&["--check", file.to_str().unwrap()]);
    assert!(
        said.ends_with("  but disturbance 1 (phase-jump) begins at 90 s, after the end at 60 s\n"),
        "{said}"
    );
}

#[test]
fn every_case_is_checked() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("cellar.toml");
    let path = file.to_str().unwrap();
    std::fs::write(&file, "[[cases]]\nnominal_hz = [50, 60]\n").unwrap();
    let said = printed(&["--check", path]);
    assert_eq!(said.lines().count(), 2);
    assert!(
        said.contains("\n")
            && said.contains("cellar.toml [nominal_hz=60]: can be used: cellar, 60 s at 60 Hz"),
        "{said}"
    );
    std::fs::write(&file, "[[cases]]\nnominal_hz = [50,\n0]\n").unwrap();
    assert_eq!(
        refused(&["--check", path]),
        format!("humtick: {path}:3: nominal_hz = 0 is outside 0.5 to 10000\n")
    );
}

#[test]
fn a_misspelt_name_is_answered_with_the_nearest() {
    assert_eq!(printed(&["--check", "saw-start"]).lines().count(), 1);
    for arguments in [["--show", "saw-strat"], ["--check", "saw-strat"]] {
        let said = refused(&arguments);
        assert!(
            said.contains("no scenario \"saw-strat\" comes with the program; did you mean saw-start?"),
            "{said}"
        );
    }
    assert!(refused(&["--check", "saw-strat.toml"]).contains("saw-strat.toml: No such file"));
}

#[test]
fn what_is_listed_can_be_shown() {
    let list = printed(&["--list"]);
    let folder = tempfile::tempdir().unwrap();
    assert!(list.lines().count() >= 11);
    for line in list.lines() {
        let name = line.split_whitespace().next().unwrap();
        let text = printed(&["--show", name]);
        let lesson = text.lines().next().unwrap().trim_start_matches("# ");
        assert_eq!(line, format!("{name:<22} {lesson}"));
        let file = folder.path().join(format!("{name}.toml"));
        std::fs::write(&file, text).unwrap();
        printed(&["--check", file.to_str().unwrap()]);
    }
    let unknown = refused(&["--show", "saw"]);
    assert!(unknown.contains("\"saw\"") && unknown.contains("saw-start"), "{unknown}");
}
