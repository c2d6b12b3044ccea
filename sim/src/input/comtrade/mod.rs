//! COMTRADE: IEEE C37.111-1991, -1999, -2013 (IEC 60255-24), a `.cfg` with its `.dat` beside it.

mod config;
mod data;

use std::path::{Path, PathBuf};

use super::waveform::recording;
use super::{InputError, InputOptions, Recording};
use config::{Config, Timing};

/// Opens a record by its `.cfg`. The channel is an analog channel's name, or its number from 1; without one the record
/// must have only one.
pub(super) fn open(path: &Path, options: &InputOptions) -> Result<Recording, InputError> {
    let config = Config::read(path)?;
    let channel = config.channel(path, options.channel.as_deref())?;
    let rate = match &config.timing {
        Timing::Stamps { .. } => "times from the stamps".to_owned(),
        Timing::Rates(rates) => {
            let rates: Vec<_> = rates.iter().map(|rate| rate.hz.to_string()).collect();
            format!("{} samples/s", rates.join(", then "))
        }
    };
    let found = format!(
        "channel {}, {rate}, {} samples, {}",
        config.analogs[channel].name, config.samples, config.layout
    );
    let samples = data::samples(&data_file(path)?, config, channel)?;
    recording(samples, found, options)
}

/// The data file that belongs to `config`.
fn data_file(config: &Path) -> Result<PathBuf, InputError> {
    ["dat", "DAT", "Dat"]
        .iter()
        .map(|ending| config.with_extension(ending))
        .find(|path| path.is_file())
        .ok_or_else(|| {
            let what = format!("has no {} beside it", config.with_extension("dat").display());
            InputError::file(config, what)
        })
}
