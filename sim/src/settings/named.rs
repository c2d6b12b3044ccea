//! Settings that come with the program: the files of `sim/settings`.

use super::SettingsError;
use crate::keys::nearest;

/// Name of the file without its ending, and its text; the shortest window first.
pub const ALL: [(&str, &str); 3] = [
    ("fast", include_str!("../../settings/fast.toml")),
    ("selective", include_str!("../../settings/selective.toml")),
    ("ten-a-second", include_str!("../../settings/ten-a-second.toml")),
];

/// The text of the settings of that name.
///
/// # Errors
/// If there are none: which name is most like it, and which there are.
pub fn find(name: &str) -> Result<&'static str, SettingsError> {
    let names = || ALL.iter().map(|(name, _)| *name);
    match ALL.iter().find(|(known, _)| *known == name) {
        Some((_, text)) => Ok(text),
        None => Err(SettingsError::Value(format!(
            "no settings {name:?} come with the program;{} There are {}",
            nearest(names(), name),
            names().collect::<Vec<_>>().join(", ")
        ))),
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;
    use std::path::Path;

    use super::*;
    use crate::settings::MeterSettings;

    #[test]
    fn every_file_of_the_folder_is_here_and_right() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("settings");
        let files: BTreeSet<_> =
            std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        let named: BTreeSet<_> = ALL.iter().map(|(name, _)| format!("{name}.toml").into()).collect();
        assert_eq!(files, named);
        for (name, text) in ALL {
            let settings = MeterSettings::from_file(Path::new(name)).unwrap();
            assert_eq!(settings, MeterSettings::from_file(&folder.join(format!("{name}.toml"))).unwrap());
            assert!(text.starts_with("# ") && settings.config(2_000_000).is_ok());
        }
    }

    #[test]
    fn a_misspelt_name_is_answered_with_the_nearest() {
        let said = |name: &str| MeterSettings::from_file(Path::new(name)).unwrap_err().to_string();
        assert_eq!(
            said("fsat"),
            "no settings \"fsat\" come with the program; did you mean fast? There are fast, selective, ten-a-second"
        );
        assert!(said("fsat.toml").starts_with("fsat.toml: "));
    }
}
