//! What firmware takes, held against a file beside its source. `HUMTICK_BLESS=1` writes the file anew.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

/// By firmware, then by what is measured.
pub type Table = BTreeMap<String, BTreeMap<String, f64>>;

/// A budget leaves this much room, in percent, and is stale when more than 5 % of it are not used.
const ROOM: f64 = 2.0;

pub fn blessed() -> bool {
    std::env::var_os("HUMTICK_BLESS").is_some()
}

/// Prints the table, and fails where something takes more than its budget or so little that the budget says nothing any more. `head` is a
/// comment for a file that is written anew.
#[track_caller]
pub fn hold(path: &Path, head: &str, measured: &Table) {
    if blessed() {
        let mut text = head.to_owned();
        for (firmware, costs) in measured {
            writeln!(text, "\n[{firmware}]").unwrap();
            for (key, value) in costs {
                writeln!(text, "{key} = {}", (value * (1.0 + ROOM / 100.0)).ceil()).unwrap();
            }
        }
        std::fs::write(path, text).unwrap();
    }
    let budget: toml::Table = std::fs::read_to_string(path).unwrap().parse().unwrap();
    let mut broken = Vec::new();
    println!("{:18} {:28} {:>8} {:>8}", "firmware", "what", "measured", "budget");
    for (firmware, costs) in measured {
        let budget = budget[firmware].as_table().unwrap();
        assert!(budget.keys().eq(costs.keys()), "{firmware}: what is measured has changed: bless");
        for (key, value) in costs {
            let most = budget[key].as_float().or(budget[key].as_integer().map(|n| n as f64)).unwrap();
            println!("{firmware:18} {key:28} {value:8.0} {most:8.0}");
            // A few bytes or cycles are less than the steps that budgets come in.
            if *value > most || value + 3.0 < most * 0.95 {
                broken.push(format!("{firmware}: {key} is {value:.1}, its budget {most}"));
            }
        }
    }
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}
