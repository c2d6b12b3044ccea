//! Settings of a file over those that a meter has already.

use std::path::{Path, PathBuf};

use super::{MeterSettings, SettingsError, named};
use crate::keys::{Fault, Keys};

/// What a settings file names. A filter constant that is changed is changed in every scenario; what else a scenario's meter is told, it keeps.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Changes {
    text: String,
    path: PathBuf,
}

impl Changes {
    /// Those in a TOML file; or, where no file is called so, those that come with the program under its name ([`named`]).
    ///
    /// # Errors
    /// With file and line: not TOML, an unknown key (the nearest known one is named), a value of the wrong type or outside its
    /// range.
    pub fn from_file(path: &Path) -> Result<Self, SettingsError> {
        if let Some(name) = path.to_str()
            && !path.exists()
            && !name.contains(['/', '\\', '.'])
        {
            return Self::from_toml(named::find(name)?, path);
        }
        let text = std::fs::read_to_string(path)
            .map_err(|source| SettingsError::Io { path: path.into(), source })?;
        Self::from_toml(&text, path)
    }

    /// As [`Changes::from_file`], from `text`; `path` is for the messages.
    ///
    /// # Errors
    /// As there.
    pub fn from_toml(text: &str, path: &Path) -> Result<Self, SettingsError> {
        let line = |fault: Fault| SettingsError::Line {
            path: path.into(),
            line: fault.line(text),
            what: fault.what,
        };
        let mut keys = Keys::parse(text).map_err(line)?;
        if keys.has_table("meter") {
            return Err(SettingsError::Value(format!(
                "{}: has a table [meter]; a settings file has that table's keys alone: leave its heading out",
                path.display()
            )));
        }
        MeterSettings::from_keys(&mut keys, MeterSettings::default());
        keys.finish().map_err(line)?;
        Ok(Self { text: text.into(), path: path.into() })
    }

    /// `own` with what the file names in its place.
    #[must_use]
    pub fn over(&self, own: MeterSettings) -> MeterSettings {
        // It was read without a fault before.
        Keys::parse(&self.text).map_or(own, |mut keys| MeterSettings::from_keys(&mut keys, own))
    }

    /// The file, as it was given.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_named_stays() {
        let own = MeterSettings { window_s: 2.0, holdoff: 0.3, clock_ppm: 7.0, ..MeterSettings::default() };
        let changes = Changes::from_toml("holdoff = 0.1\n", Path::new("a.toml")).unwrap();
        assert_eq!(changes.over(own), MeterSettings { holdoff: 0.1, ..own });
        assert_eq!(
            changes.over(MeterSettings::default()),
            MeterSettings::from_toml("holdoff = 0.1", Path::new("")).unwrap()
        );
    }

    #[test]
    fn a_heading_is_told_to_be_too_much() {
        let told =
            Changes::from_toml("[meter]\nwindow_s = 2\n", Path::new("a.toml")).unwrap_err().to_string();
        assert!(told.starts_with("a.toml: has a table [meter];"), "{told}");
    }
}
