//! Scenarios that come with the program: the files of `sim/scenarios`.

use crate::keys::nearest;

/// Name of the file without its ending, and its text; the simplest first.
pub const ALL: [(&str, &str); 11] = [
    ("hydro-by-day", include_str!("../../scenarios/hydro-by-day.toml")),
    ("saw-start", include_str!("../../scenarios/saw-start.toml")),
    ("cold-store-compressor", include_str!("../../scenarios/cold-store-compressor.toml")),
    ("plant-islands", include_str!("../../scenarios/plant-islands.toml")),
    ("welding-neighbour", include_str!("../../scenarios/welding-neighbour.toml")),
    ("bad-capacitor", include_str!("../../scenarios/bad-capacitor.toml")),
    ("dying-battery-clock", include_str!("../../scenarios/dying-battery-clock.toml")),
    ("poor-receiver", include_str!("../../scenarios/poor-receiver.toml")),
    ("hydro-60hz", include_str!("../../scenarios/hydro-60hz.toml")),
    ("hydro-16.7hz", include_str!("../../scenarios/hydro-16.7hz.toml")),
    ("hydro-400hz", include_str!("../../scenarios/hydro-400hz.toml")),
];

/// The text of the scenario of that name.
///
/// # Errors
/// If there is none: which name is most like it, and which there are.
pub fn find(name: &str) -> Result<&'static str, String> {
    let names = || ALL.iter().map(|(name, _)| *name);
    ALL.iter().find(|(known, _)| *known == name).map(|(_, text)| *text).ok_or_else(|| {
        format!(
            "no scenario {name:?} comes with the program;{} There are {}",
            nearest(names(), name),
            names().collect::<Vec<_>>().join(", ")
        )
    })
}

/// What the scenario teaches: its first line of comment.
pub fn lesson(text: &str) -> &str {
    text.lines().next().unwrap_or_default().trim_start_matches(['#', ' '])
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;
    use std::path::Path;

    use super::*;
    use crate::scenario::Scenario;

    #[test]
    fn every_file_of_the_folder_is_here_and_right() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios");
        let files: BTreeSet<_> = std::fs::read_dir(&folder)
            .unwrap()
            .map(|entry| entry.unwrap())
            .filter(|entry| entry.path().is_file())
            .map(|entry| entry.file_name())
            .collect();
        let named: BTreeSet<_> = ALL.iter().map(|(name, _)| format!("{name}.toml").into()).collect();
        assert_eq!(files, named);
        for (name, text) in ALL {
            let scenario = Scenario::from_toml(text, &folder.join(format!("{name}.toml")));
            let scenario = scenario.unwrap_or_else(|error| panic!("{error}"));
            assert!((60.0..=600.0).contains(&scenario.duration_s), "{name} lasts {} s", scenario.duration_s);
            let limits = &scenario.limits;
            assert!(limits.max_error_mhz.is_some() && limits.lock_s.is_some(), "{name} is held to nothing");
            assert!(
                text.starts_with("# ") && (20..=130).contains(&lesson(text).len()),
                "{name} teaches nothing"
            );
        }
    }
}
