//! Whether the suite can fail: faults put into a copy of the core one by one, and which scenarios break a limit for each.
//!
//! It builds the copy anew for each, which takes a quarter of an hour on two cores, and so runs only when asked:
//! `cargo test -p humtick-sim --test faults -- --ignored --nocapture` prints the table that DEVELOPERS.md holds; with `HUMTICK_FAULT=hold-off` only
//! the faults called so.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

struct Fault {
    what: &'static str,
    file: &'static str,
    /// Stands there once; and what takes its place.
    right: &'static str,
    wrong: &'static str,
}

const fn fault(what: &'static str, file: &'static str, right: &'static str, wrong: &'static str) -> Fault {
    Fault { what, file, right, wrong }
}

const FAULTS: &[Fault] = &[
    fault(
        "hold-off off",
        "core/src/config.rs",
        "holdoff: fraction(shortest, self.holdoff_permille as u32, 1_000),",
        "holdoff: 0,",
    ),
    fault(
        "gate four times as wide",
        "core/src/qualify/track.rs",
        "let gate = scatter.max(settings.gate_floor).saturating_add(self.drift(settings));",
        "let gate = 4 * scatter.max(settings.gate_floor).saturating_add(self.drift(settings));",
    ),
    fault(
        "gate as narrow as its floor",
        "core/src/qualify/track.rs",
        "let gate = scatter.max(settings.gate_floor).saturating_add(self.drift(settings));",
        "let gate = scatter.min(settings.gate_floor).saturating_add(self.drift(settings));",
    ),
    fault(
        "tally of overflows ignored",
        "core/src/timeline.rs",
        "let above = if BITS == 32 { 0 } else { wraps << (BITS % 32) };",
        "let above = if BITS == 32 { 0 } else { (wraps & 0) << (BITS % 32) };",
    ),
    fault(
        "pending overflow ignored",
        "core/src/timeline.rs",
        "pending && raw >> (bits - 1) == 0",
        "pending && raw >> (bits - 1) == 2",
    ),
    fault(
        "a missed cycle not counted",
        "core/src/qualify/track.rs",
        "self.advance(0);\n",
        "self.advance(0);\n        self.cycle = self.cycle.wrapping_sub(1);\n",
    ),
    fault(
        "count survives any silence",
        "core/src/qualify/track.rs",
        "self.coasted <= settings.coast_cycles && self.drift(settings) <= self.period() / 4",
        "self.coasted <= 250 || self.drift(settings) <= self.period() / 4 || settings.coast_cycles == 0",
    ),
    fault(
        "window kept over a step",
        "core/src/chain.rs",
        "if lock.continuity != Continuity::Smooth {",
        "if lock.continuity == Continuity::Broken {",
    ),
    fault(
        "step believed after 30 cycles",
        "core/src/qualify/mod.rs",
        "const PATIENCE: u8 = 3;",
        "const PATIENCE: u8 = 30;",
    ),
    fault(
        "window one short",
        "core/src/estimate/window.rs",
        "length.ticks + (period >> length.share)",
        "length.ticks - (period >> length.share)",
    ),
    fault(
        "middle of the window a tenth of it early",
        "core/src/estimate/fit.rs",
        "self.first + Ticks::new(self.span.count() / 2)",
        "self.first + Ticks::new(self.span.count() / 5 * 2)",
    ),
    fault(
        "bound of quantisation removed",
        "core/src/estimate/fit.rs",
        "worst: if settled { None } else { Some(slope.worst(n, window.missed() == 0).times(q)) },",
        "worst: if settled { None } else { Some(slope.worst(n, window.missed() == 0).times(Rough::ZERO)) },",
    ),
    fault(
        "Student's factor replaced by 2",
        "core/src/reading.rs",
        "let factor = if n < 4 { 12_707 } else { 1_960 + above * 1_000 / excess };",
        "let factor = if n < 4 { 12_707 } else { 2_000 + 0 * above * excess };",
    ),
    fault(
        "residuals with one degree of freedom too many",
        "core/src/estimate/fit.rs",
        "let freedom = n.saturating_sub(2);",
        "let freedom = n.saturating_sub(1);",
    ),
    fault(
        "scatter about the window's line doubled",
        "core/src/reading.rs",
        "let jitter = fit.scatter?.plus(quantisation).times(fit.variance).times(per_period);",
        "let jitter = fit.scatter?.plus(fit.scatter?).plus(quantisation).times(fit.variance).times(per_period);",
    ),
    fault(
        "known error of the clock taken the wrong way",
        "core/src/clock.rs",
        "wrapping_add_signed(self.clock.error)",
        "wrapping_add_signed(-self.clock.error)",
    ),
    fault(
        "tolerance of the clock left out",
        "core/src/clock.rs",
        "if self.clock.tolerance != 0 {",
        "if self.clock.tolerance == u32::MAX {",
    ),
    fault(
        "Hann's weights all alike",
        "core/src/estimate/taper.rs",
        "between(&HANN, u)",
        "between(&HANN, u >> 5)",
    ),
    fault(
        "Kaiser's weights read one place off",
        "core/src/estimate/taper.rs",
        "between(&KAISER, u)",
        "between(&KAISER, (u + 8_192).min(0xFFFF))",
    ),
    fault(
        "triangular's first half one cycle off",
        "core/src/estimate/triangular.rs",
        "let k = u64::from(last_k.checked_sub(first_k)?);",
        "let k = u64::from(last_k.checked_sub(first_k + 1)?);",
    ),
    fault(
        "phases of the two polarities taken for one",
        "core/src/estimate/fit.rs",
        "let start = 4 * b_first.offset(a_first).div_euclid(period) + 2;",
        "let start = 4 * b_first.offset(a_first).div_euclid(period);",
    ),
    fault(
        "rate of change half as large",
        "core/src/reading.rs",
        "times(Scaled::new(32, 0)).times(Scaled::BILLIONTH)",
        "times(Scaled::new(16, 0)).times(Scaled::BILLIONTH)",
    ),
    fault(
        "ten seconds with a cycle too many",
        "core/src/interval/mod.rs",
        "reading.frequency = self.frequency(cycles, duration);",
        "reading.frequency = self.frequency(cycles + 1, duration);",
    ),
];

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name();
        if name == "target" || name == ".git" {
            continue;
        }
        let (from, to) = (entry.path(), to.join(&name));
        if from.is_dir() {
            copy(&from, &to);
        } else if std::fs::read(&to).ok() != std::fs::read(&from).ok() {
            std::fs::copy(&from, &to).unwrap();
        }
    }
}

/// What the suite of the tree says, a line of JSON a scenario.
fn suite(tree: &Path) -> String {
    let run = |program: &Path, arguments: &[&str]| {
        let mut command = Command::new(program);
        command.args(arguments).current_dir(tree).env("CARGO_TARGET_DIR", "target");
        // Smaller, and nothing is built twice alike.
        command.env("CARGO_PROFILE_DEV_DEBUG", "0").env("CARGO_INCREMENTAL", "0");
        command.output().unwrap()
    };
    let built = run(Path::new(env!("CARGO")), &["build", "-q", "-p", "humtick-sim", "--bin", "humtick"]);
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    let ran = run(&tree.join("target/debug/humtick"), &["suite", "sim/scenarios", "--format", "jsonl"]);
    // A scenario that cannot be read is no fault that was caught.
    assert!(matches!(ran.status.code(), Some(0 | 1)), "{}", String::from_utf8_lossy(&ran.stderr));
    String::from_utf8(ran.stdout).unwrap()
}

/// How many cases of each file break a limit.
fn broken(suite: &str) -> BTreeMap<String, usize> {
    let mut files = BTreeMap::new();
    for line in suite.lines() {
        let case: Value = serde_json::from_str(line).unwrap();
        if case["broken"].as_array().is_some_and(|broken| !broken.is_empty()) {
            let file = case["file"].as_str().unwrap().trim_start_matches("sim/scenarios/");
            *files.entry(file.trim_end_matches(".toml").to_owned()).or_default() += 1;
        }
    }
    files
}

/// What each fault takes the place of stands there, once.
#[test]
fn the_core_is_as_the_faults_know_it() {
    for Fault { what, file, right, wrong } in FAULTS {
        let text =
            std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(file)).unwrap();
        assert_eq!(text.matches(right).count(), 1, "{what}: {file} has changed: write the fault anew");
        assert_ne!(right, wrong);
    }
}

#[test]
#[ignore = "builds the tree anew for each fault: a quarter of an hour"]
fn each_fault_breaks_a_limit() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let tree = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("faults");
    let mut unseen = vec![];
    // What has left the tree since an earlier run would be run too.
    let _ = std::fs::remove_dir_all(tree.join("sim/scenarios"));
    copy(&root, &tree);
    assert!(broken(&suite(&tree)).is_empty(), "the tree breaks limits without a fault");
    println!("| fault | cases | most of them in |\n| --- | --- | --- |");
    let asked = std::env::var("HUMTICK_FAULT").unwrap_or_default();
    for Fault { what, file, right, wrong } in FAULTS.iter().filter(|fault| fault.what.contains(&asked)) {
        copy(&root, &tree);
        let text = std::fs::read_to_string(root.join(file)).unwrap();
        std::fs::write(tree.join(file), text.replace(right, wrong)).unwrap();
        let files = broken(&suite(&tree));
        if files.is_empty() {
            unseen.push(*what);
        }
        let mut most: Vec<_> = files.iter().collect();
        most.sort_by_key(|(_, count)| std::cmp::Reverse(**count));
        let named: Vec<_> = most.iter().take(4).map(|(file, count)| format!("{file} {count}")).collect();
        println!("| {what} | {} | {} |", files.values().sum::<usize>(), named.join(", "));
    }
    assert!(unseen.is_empty(), "no scenario breaks a limit for: {unseen:?}");
}
