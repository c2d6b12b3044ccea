//! The project's own suite: every scenario of `sim/scenarios` against its limits, and a table of how accurate each was.
//!
//! The limits are derived from physics in the files, and no command moves them. The table is what the tree gave when it was last blessed,
//! to three figures; after a change that is meant to change it, `HUMTICK_BLESS=1 cargo test -p humtick-sim --test suite` writes
//! it anew; look at the difference before it is committed.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use humtick_sim::board;
use humtick_sim::mains::grid;
use humtick_sim::scenario::{Case, Disturb, Instead, Scenario, cases};
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
        } else {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// All cases, each called after its file and its label.
fn all() -> Vec<(String, Scenario)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios");
    let mut all = vec![];
    for path in files(&folder) {
        let text = std::fs::read_to_string(&path).unwrap();
        let name = path.strip_prefix(&folder).unwrap().with_extension("");
        let name = name.to_str().unwrap().replace('\\', "/");
        for Case { label, scenario } in cases(&text, &path, Instead::default()).unwrap() {
            let name = if label.is_empty() { name.clone() } else { format!("{name} [{label}]") };
            all.push((name, scenario));
        }
    }
    all
}

fn score(scenario: &Scenario) -> Score {
    let extend = extender(scenario.timer.bits).unwrap();
    let handed = board::captures(scenario, 1).map(|handed| Handed::new(&handed, extend));
    trial::run(scenario, grid::course(scenario), handed, |_| {}).unwrap()
}

/// The score of each, in their order.
fn scores(all: &[(String, Scenario)]) -> Vec<Score> {
    let (next, done) = (AtomicUsize::new(0), Mutex::new(vec![]));
    std::thread::scope(|scope| {
        for _ in 0..board::threads() {
            scope.spawn(|| {
                while let Some((_, scenario)) = all.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let score = score(scenario);
                    done.lock().unwrap().push((std::ptr::from_ref(scenario), score));
                }
            });
        }
    });
    let mut done: Vec<_> = done.into_inner().unwrap().into_iter().map(|(at, score)| (at as usize, score)).collect();
    done.sort_by_key(|(at, _)| *at);
    done.into_iter().map(|(_, score)| score).collect()
}

/// Three figures, whatever the size.
fn figures(value: Option<f64>) -> String {
    value.map_or("-".into(), |value| format!("{value:.2e}"))
}

fn row(name: &str, score: &Score) -> String {
    let worst = |errors: &Errors, per: f64| figures(errors.worst.map(|(error, _)| error.abs() * per));
    let share = score.coverage.share().map_or("-".into(), |share| format!("{share:.3}"));
    format!(
        "{name:<64} {:>9} {:>9} {:>9} {:>9} {:>9} {:>6} {share:>6} {:>6} {:>4}",
        worst(&score.window, 1e3),
        figures(score.window.rms().map(|rms| rms * 1e3)),
        worst(&score.instant, 1e3),
        worst(&score.rocof, 1.0),
        worst(&score.intervals, 1e3),
        score.over_bound().map_or("-".into(), |ratio| format!("{ratio:.2}")),
        score.lock_s.map_or("-".into(), |lock| format!("{lock:.2}")),
        score.false_readings,
    )
}

#[test]
fn every_scenario_keeps_its_limits() {
    let all = all();
    let scores = scores(&all);
    let mut table = format!(
        "{:<64} {:>9} {:>9} {:>9} {:>9} {:>9} {:>6} {:>6} {:>6} {:>4}\n",
        "errors in mHz, of rates of change in Hz/s", "worst", "rms", "middle", "rocof", "10 s", "bound", "cover", "lock", "not"
    );
    let mut broken = String::new();
    for ((name, scenario), score) in all.iter().zip(&scores) {
        writeln!(table, "{}", row(name, score)).unwrap();
        for limit in score.broken(&scenario.limits) {
            writeln!(broken, "{name}: {limit}").unwrap();
        }
    }
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/accuracy.txt");
    if std::env::var_os("HUMTICK_BLESS").is_some() {
        std::fs::write(&path, &table).unwrap();
    }
    assert!(broken.is_empty(), "limits broken:\n{broken}");
    let blessed = std::fs::read_to_string(&path).unwrap();
    for (line, before) in table.lines().zip(blessed.lines()) {
        assert_eq!(line, before, "more or less accurate than when the table was blessed");
    }
    assert_eq!(table.lines().count(), blessed.lines().count());
}
