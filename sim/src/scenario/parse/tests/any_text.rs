//! No text, and no change to a file that is right, makes the parser panic or lose the line.

use std::path::Path;

use proptest::prelude::*;

use crate::scenario::template::TEMPLATE;
use crate::scenario::{Instead, Scenario, ScenarioError, built_in};

fn scenarios() -> Vec<String> {
    built_in::ALL.iter().map(|(_, text)| (*text).to_owned()).chain([TEMPLATE.to_owned()]).collect()
}

/// What is expected of a recording.
const EXPECTED: &str = "name = \"generator\"\nnominal_hz = 50.0\n[grid]\nshape = \"step\"\nat_s = 0.03\nsize_mhz = 100.0\n[recording]\ntick_hz = 1000\n\
    bits = 16\nsignal = \"x\"\nchannel = \"1\"\nthreshold = \"zero\"\nlowpass_hz = 100.0\nhysteresis_percent = 2.0\n[meter]\nclock_ppm = 12.5\n\
    window_s = 1.0\n[limits]\nmax_error_mhz = 5.0\nlock_s = 0.1\n";

/// A line of one of `files`, which are right, changed.
fn mutated(files: Vec<String>) -> impl Strategy<Value = String> {
    let value = prop_oneof![
        Just("-1".to_owned()),
        Just("1e308".to_owned()),
        Just("nan".to_owned()),
        Just("99999999999999999999999999999999999999999999".to_owned()),
        Just("[[1, 2], 3]".to_owned()),
        Just("{ kind = \"dip\" }".to_owned()),
        Just("\"\"".to_owned()),
        Just("1979-05-27T07:32:00Z".to_owned()),
        any::<f64>().prop_map(|value| format!("{value:e}")),
        any::<i64>().prop_map(|value| value.to_string()),
    ];
    let change = (any::<prop::sample::Index>(), 0..4, value);
    (prop::sample::select(files), prop::collection::vec(change, 1..5)).prop_map(|(file, changes)| {
        let mut lines: Vec<String> = file.lines().map(str::to_owned).collect();
        for (place, what, value) in changes {
            let place = place.index(lines.len());
            let key = lines[place].split('=').next().unwrap_or_default().to_owned();
            match what {
                0 => drop(lines.remove(place)),
                1 => lines[place] = format!("{key} = {value}"),
                2 => lines.insert(place, format!("{key} = {value}")),
                _ => {
                    let cut = lines[place].char_indices().map(|(at, _)| at).nth(value.len()).unwrap_or(0);
                    lines[place].truncate(cut);
                }
            }
        }
        lines.join("\n")
    })
}

/// Either a scenario or an error at a line of the file.
fn total(text: &str) -> Result<(), TestCaseError> {
    match Scenario::from_toml(text, Path::new("x.toml")) {
        Err(ScenarioError::Line { line, what, .. }) => {
            prop_assert!((1..=text.lines().count().max(1) + 1).contains(&line), "{line}: {what}");
            prop_assert!(!what.is_empty() && !what.contains('\n'), "{what}");
        }
        Err(other) => prop_assert!(false, "{other}"),
        Ok(scenario) => prop_assert!(scenario.meter.config(scenario.timer.tick_hz).is_ok()),
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(2_000) })]

    #[test]
    fn any_text_is_read_or_refused(text in "(?s).{0,200}") {
        total(&text)?;
    }

    #[test]
    fn what_looks_like_toml_is_read_or_refused(
        text in prop::collection::vec("(\\[{1,2}(grid|disturb|voltage|timer|meter)\\]{1,2}|(kind|shape|harmonics|bits|at_s|file|seed|flicker) ?= ?(\"dip\"|\"ramp\"|\"state-2\"|[0-9e.-]{1,6}|\\[\\]|\\{\\}|true))", 0..12)
    ) {
        total(&text.join("\n"))?;
    }

    #[test]
    fn a_changed_file_is_read_or_refused(text in mutated(scenarios())) {
        total(&text)?;
    }

    #[test]
    fn changed_expectations_are_read_or_refused(text in mutated(vec![EXPECTED.into()])) {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("x.csv"), "# tick_hz = 1000\nticks\n20\n40\n60\n").unwrap();
        match Scenario::expected(&text, &folder.path().join("x.expect.toml"), Instead::default()) {
            Err(error) => prop_assert!(!error.to_string().is_empty()),
            Ok(scenario) => prop_assert!(scenario.recording.is_some() && scenario.duration_s > 0.0),
        }
    }
}
