//! The project's own suite: every scenario of `sim/scenarios` against its limits, and a table of how accurate each was.
//!
//! The limits are derived from physics in the files, and no command moves them. The table is what the tree gave when it was last blessed,
//! to three figures; after a change that is meant to change it, `HUMTICK_BLESS=1 cargo test -p humtick-sim --test suite` writes
//! it anew; look at the difference before it is committed.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use clap::ValueEnum;
use humtick_sim::board;
use humtick_sim::mains::grid;
use humtick_sim::scenario::{Disturb, Instead, Scenario, cases};
use humtick_sim::score::{Errors, Score};
use humtick_sim::settings::EstimatorKind;
use humtick_sim::timeline::extender;
use humtick_sim::trial::{self, Handed};

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = vec![];
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(files(&path));
        } else if path.extension().is_some_and(|ending| ending == "toml") {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// A case and the file that it is of.
struct Tried {
    file: String,
    label: String,
    scenario: Scenario,
}

fn all() -> Vec<Tried> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios");
    let mut all = vec![];
    for path in files(&folder) {
        let text = std::fs::read_to_string(&path).unwrap();
        let file = path.strip_prefix(&folder).unwrap().to_str().unwrap().replace('\\', "/");
        let cases = cases(&text, &path, Instead::default()).unwrap_or_else(|error| panic!("{error}"));
        all.extend(cases.into_iter().map(|case| Tried {
            file: file.clone(),
            label: case.label,
            scenario: case.scenario,
        }));
    }
    all
}

fn score(scenario: &Scenario) -> Score {
    let extend = extender(scenario.timer.bits).unwrap();
    let handed = board::captures(scenario, 1).map(|handed| Handed::new(&handed, extend));
    trial::run(scenario, grid::course(scenario), handed, |_| {}).unwrap()
}

/// The score of each, in their order.
fn scores(all: &[Tried]) -> Vec<Score> {
    let (next, done) = (AtomicUsize::new(0), Mutex::new(vec![]));
    std::thread::scope(|scope| {
        for _ in 0..board::threads() {
            scope.spawn(|| {
                loop {
                    let number = next.fetch_add(1, Ordering::Relaxed);
                    let Some(tried) = all.get(number) else { break };
                    let score = score(&tried.scenario);
                    done.lock().unwrap().push((number, score));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap();
    done.sort_by_key(|(number, _)| *number);
    done.into_iter().map(|(_, score)| score).collect()
}

/// The least and the most of a file's cases, to three figures.
#[derive(Default)]
struct Between(Option<(f64, f64)>);

impl Between {
    fn take(&mut self, value: Option<f64>) {
        let Some(value) = value else { return };
        let (least, most) = self.0.unwrap_or((value, value));
        self.0 = Some((least.min(value), most.max(value)));
    }

    fn shown(&self) -> String {
        let figures = |value: f64| if value == 0.0 { "0".into() } else { format!("{value:.2e}") };
        match self.0 {
            None => "-".into(),
            Some((least, most)) if figures(least) == figures(most) => figures(most),
            Some((least, most)) => format!("{} {}", figures(least), figures(most)),
        }
    }
}

const COLUMNS: [&str; 9] = ["worst", "rms", "middle", "rocof", "10 s", "bound", "cover", "lock", "false"];

fn columns(score: &Score) -> [Option<f64>; 9] {
    let worst = |errors: &Errors, per: f64| errors.worst.map(|(error, _)| error.abs() * per);
    [
        worst(&score.window, 1e3),
        score.window.rms().map(|rms| rms * 1e3),
        worst(&score.instant, 1e3),
        worst(&score.rocof, 1.0),
        worst(&score.intervals, 1e3),
        score.over_bound(),
        score.coverage.share(),
        score.lock_s,
        Some(score.false_readings as f64),
    ]
}

/// A line a file: how many cases, and of each column the least and the most among them.
fn table(all: &[Tried], scores: &[Score]) -> String {
    let mut table = format!("{:<54} {:>4}", "errors in mHz, rates of change in Hz/s; lock in s", "");
    COLUMNS.iter().for_each(|column| write!(table, " {column:>19}").unwrap());
    let both: Vec<_> = all.iter().zip(scores).collect();
    for file in both.chunk_by(|a, b| a.0.file == b.0.file) {
        let mut row: [Between; 9] = Default::default();
        for (_, score) in file {
            row.iter_mut().zip(columns(score)).for_each(|(cell, value)| cell.take(value));
        }
        write!(table, "\n{:<54} {:>4}", file[0].0.file, file.len()).unwrap();
        row.iter().for_each(|cell| write!(table, " {:>19}", cell.shown()).unwrap());
    }
    table + "\n"
}

#[test]
fn every_scenario_keeps_its_limits_and_its_accuracy() {
    let all = all();
    let hours = all.iter().map(|tried| tried.scenario.duration_s).sum::<f64>() / 3_600.0;
    assert!(all.len() >= 60 && hours >= 12.0, "{} cases, {hours:.1} hours", all.len());
    let scores = scores(&all);
    let mut broken = String::new();
    for (Tried { file, label, scenario }, score) in all.iter().zip(&scores) {
        assert!(scenario.limits.given() > 0, "{file} [{label}] is held to nothing");
        for limit in score.broken(&scenario.limits) {
            writeln!(broken, "humtick trial sim/scenarios/{file} --case '{label}': {limit}").unwrap();
        }
    }
    assert!(broken.is_empty(), "limits broken:\n{broken}");
    let (table, path) =
        (table(&all, &scores), Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/accuracy.txt"));
    if std::env::var_os("HUMTICK_BLESS").is_some() {
        std::fs::write(&path, &table).unwrap();
    }
    let blessed = std::fs::read_to_string(&path).unwrap();
    for (line, before) in table.lines().zip(blessed.lines()) {
        assert_eq!(line, before, "more or less accurate than when the table was blessed");
    }
    assert_eq!(table.lines().count(), blessed.lines().count());
}

/// Between them the scenarios have every kind of disturbance, every estimator and every shape of the grid.
#[test]
fn nothing_that_can_be_told_is_left_untried() {
    let all = all();
    let kinds: BTreeSet<_> = all
        .iter()
        .flat_map(|tried| &tried.scenario.disturb)
        .map(|disturb| match disturb {
            Disturb::Dip { residual_percent: 0.0, .. } => "interruption",
            Disturb::Dip { .. } => "dip",
            Disturb::AmplitudeStep { .. } => "amplitude-step",
            Disturb::Impulses { .. } => "impulses",
            Disturb::Burst { .. } => "burst",
            Disturb::Notches { .. } => "notches",
            Disturb::PhaseJump { .. } => "phase-jump",
            Disturb::Signalling { .. } => "signalling",
        })
        .collect();
    assert_eq!(kinds.len(), 8, "{kinds:?}");
    let estimators: BTreeSet<_> = all.iter().map(|tried| tried.scenario.meter.estimator.name()).collect();
    assert_eq!(estimators.len(), EstimatorKind::value_variants().len(), "{estimators:?}");
    let shapes: BTreeSet<_> = all.iter().map(|tried| tried.scenario.grid.shape.name()).collect();
    assert_eq!(shapes.len(), 6, "{shapes:?}");
}
