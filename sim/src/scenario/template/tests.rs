use std::path::Path;

use super::*;
use crate::scenario::{Instead, Scenario, ScenarioError, cases};

fn read(text: &str) -> Result<Scenario, ScenarioError> {
    Scenario::from_toml(text, Path::new("cellar.toml"))
}

/// The template with `#` taken from keys of tables that are in use, and each table that is not, alone.
fn parts() -> (String, Vec<String>) {
    let (mut used, mut unused) = (String::new(), vec![]);
    let mut aside = false;
    for line in TEMPLATE.lines() {
        let bare = line.strip_prefix('#').filter(|rest| !rest.starts_with(' ') && !rest.is_empty());
        match bare {
            Some(header) if header.starts_with('[') => {
                aside = true;
                unused.push(format!("{header}\n"));
            }
            Some(key) if aside => *unused.last_mut().unwrap() += &format!("{key}\n"),
            Some(key) => used += &format!("{key}\n"),
            None => {
                aside = aside && !line.is_empty();
                used += &format!("{line}\n");
            }
        }
    }
    (used, unused)
}

#[test]
fn what_is_in_use_is_what_an_empty_file_says() {
    assert_eq!(read(TEMPLATE).unwrap(), read("").unwrap());
}

#[test]
fn what_is_commented_out_is_right_too() {
    let (used, unused) = parts();
    let all = read(&used).unwrap();
    assert_eq!((all.name.as_str(), all.meter.nominal.range_hz()), ("saw start", (40.0, 62.5)));
    assert!(all.limits.coverage.is_some() && all.limits.false_readings.is_some());
    assert_eq!(unused.len(), 5 + 3 + 10 + 2, "{unused:?}");
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("day.csv"), "t_s,frequency_hz\n0,50\n1,50.1\n").unwrap();
    for table in &unused {
        let read = cases(table, &folder.path().join("cellar.toml"), Instead::default());
        let scenario = read.unwrap_or_else(|error| panic!("{error}\n{table}")).remove(0).scenario;
        // What it shows of a shape of the grid is what that shape is by itself; a recorded one is nothing without its file.
        let shape =
            table.lines().nth(1).filter(|line| table.starts_with("[grid]") && !line.contains("recorded"));
        if let Some(shape) = shape {
            assert_eq!(self::read(&format!("[grid]\n{shape}")).unwrap().grid, scenario.grid);
        }
    }
}

/// The list of known keys that the message about an unknown one in `table` ends with.
fn known(table: &str) -> Vec<String> {
    let message = read(&format!("{table}\nzzz = 1\n")).unwrap_err().to_string();
    let list = message.split("Known: ").nth(1).unwrap_or_else(|| panic!("{message}"));
    list.split(", ").map(str::to_owned).collect()
}

#[test]
fn every_known_key_stands_in_its_table() {
    let (used, unused) = parts();
    let holds = |text: &str, key: &str| {
        text.lines().any(|line| line.split('=').next().is_some_and(|k| k.trim() == key) && line.contains('='))
    };
    for key in known("") {
        assert!(holds(&used, &key) || TEMPLATE.contains(&format!("[{key}]")), "{key}");
    }
    for table in ["voltage", "front_end", "timer", "meter", "limits"] {
        let begin = used.find(&format!("\n[{table}]")).unwrap();
        let end = used[begin + 1..].find("\n[").map_or(used.len(), |at| begin + 1 + at);
        let own = unused.iter().filter(|part| part.starts_with(&format!("[{table}]"))).cloned();
        let text = std::iter::once(used[begin..end].to_owned()).chain(own).collect::<String>();
        for key in known(&format!("[{table}]")) {
            assert!(holds(&text, &key), "[{table}] {key}");
        }
    }
    for key in known("[voltage.flicker]") {
        let flicker = unused.iter().find(|part| part.starts_with("[voltage.flicker]")).unwrap();
        assert!(holds(flicker, &key) || flicker.contains(&format!("{key} = ")), "flicker {key}");
    }
    for (header, key) in [("[grid]", "shape"), ("[[disturb]]", "kind")] {
        for word in words(header, key).into_iter().filter(|word| word != "constant") {
            let line = format!("{key} = \"{word}\"");
            let shown = |part: &&String| part.starts_with(header) && part.contains(&line);
            let parts: String = unused.iter().filter(shown).cloned().collect();
            for known in known(&format!("{header}\n{line}")) {
                // The one is shown with every shape, the other with a dip.
                let elsewhere = known == "offset_mhz" || (word == "interruption" && known == "cycles");
                assert!(holds(&parts, &known) || elsewhere, "{header} {line}: {known}");
            }
        }
    }
}

/// The words that the message about a wrong one ends with.
fn words(table: &str, key: &str) -> Vec<String> {
    let message = read(&format!("{table}\n{key} = \"zzz\"\n")).unwrap_err().to_string();
    let list = message.split("Expected ").nth(1).unwrap_or_else(|| panic!("{message}"));
    list.split(", ").map(str::to_owned).collect()
}

#[test]
fn every_word_stands_behind_its_key() {
    for (table, key) in [
        ("[grid]", "shape"),
        ("[voltage]", "harmonics"),
        ("[voltage.flicker]", "shape"),
        ("[front_end]", "lowpass_hz"),
        ("[timer]", "capture"),
        ("[timer]", "overrun"),
        ("[meter]", "estimator"),
        ("[meter]", "polarity"),
        ("[meter]", "burst"),
        ("[[disturb]]", "kind"),
        ("[[disturb]]\nkind = \"dip\"", "preset"),
    ] {
        for word in words(table, key) {
            let said = |line: &str| {
                line.trim_start_matches('#').starts_with(&format!("{key} = ")) && line.contains(&word)
            };
            assert!(TEMPLATE.lines().any(said), "{table} {key}: {word}");
        }
    }
}
