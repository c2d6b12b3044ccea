//! What firmware takes, held against `budget.toml` beside its source, and the table of it in the `README.md` there. `HUMTICK_BLESS=1`
//! writes both anew.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

/// By firmware, then by what is measured.
pub type Table = BTreeMap<String, BTreeMap<String, f64>>;

/// A budget leaves this much room, in percent, and is stale when more than 5 % of it are not used.
const ROOM: f64 = 1.0;

pub fn blessed() -> bool {
    std::env::var_os("HUMTICK_BLESS").is_some()
}

/// Prints the table, and fails where something takes more than its budget or so little that the budget says nothing any more. `head` is a
/// comment for a file that is written anew in `folder`.
#[track_caller]
pub fn hold(folder: &Path, head: &str, measured: &Table) {
    let path = &folder.join("budget.toml");
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
    show(&folder.join("README.md"), &budget);
}

/// Lines in Markdown between which the table stands.
const BEGIN: &str = "<!-- from budget.toml -->\n";
const END: &str = "<!-- as far as here -->\n";

/// The table in the page is the budget's.
#[track_caller]
fn show(page: &Path, budget: &toml::Table) {
    let mut table = format!("| at most | {} |\n", budget.keys().cloned().collect::<Vec<_>>().join(" | "));
    writeln!(table, "|---|{}", "---|".repeat(budget.len())).unwrap();
    let firmwares: Vec<_> = budget.values().map(|costs| costs.as_table().unwrap()).collect();
    let mut what: Vec<_> = firmwares.iter().flat_map(|costs| costs.keys()).collect();
    what.sort();
    what.dedup();
    for key in what {
        let cell =
            |costs: &&toml::Table| costs.get(key).map_or(String::new(), |most| grouped(&most.to_string()));
        let cells: Vec<_> = firmwares.iter().map(cell).collect();
        writeln!(table, "| {} | {} |", key.replace('_', " "), cells.join(" | ")).unwrap();
    }
    let text = std::fs::read_to_string(page).unwrap();
    let (before, rest) = text.split_once(BEGIN).expect("the page says where the table begins");
    let (shown, after) = rest.split_once(END).expect("the page says where the table ends");
    if blessed() {
        std::fs::write(page, format!("{before}{BEGIN}{table}{END}{after}")).unwrap();
    } else {
        assert_eq!(shown, table, "{}: bless, and look at the difference", page.display());
    }
}

/// A number in groups of three figures.
fn grouped(figures: &str) -> String {
    let mut text = String::new();
    for (i, figure) in figures.chars().enumerate() {
        if i > 0 && (figures.len() - i).is_multiple_of(3) {
            text.push(',');
        }
        text.push(figure);
    }
    text
}
