//! WAV: PCM of 8 to 32 bits and 32-bit float, any number of channels.

use std::io::BufReader;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavReader};

use super::waveform::{finite, open_file, recording};
use super::{InputError, InputOptions, Recording};
use crate::front_end::Sample;

/// Opens a WAV file. The channel is a number from 1, or `left` or `right` of two; without one the file must have
/// only one.
pub(super) fn open(path: &Path, options: &InputOptions) -> Result<Recording, InputError> {
    let reader = WavReader::new(BufReader::new(open_file(path)?)).map_err(|error| header(path, error))?;
    let spec = reader.spec();
    if spec.sample_rate == 0 {
        return Err(InputError::file(path, "the sampling rate is 0; the header is damaged"));
    }
    let frames = reader.duration();
    if frames == 0 {
        return Err(InputError::file(path, "holds no samples"));
    }
    let channel = channel(path, spec.channels, options.channel.as_deref())?;
    let kind = match spec.sample_format {
        SampleFormat::Int => "integer",
        SampleFormat::Float => "float",
    };
    let found = format!(
        "channel {} of {}, {} samples/s, {frames} samples, {}-bit {kind}",
        channel + 1,
        spec.channels,
        spec.sample_rate,
        spec.bits_per_sample
    );
    let rate = f64::from(spec.sample_rate);
    let stride = usize::from(spec.channels);
    let skip = usize::from(channel);
    let path = path.to_path_buf();
    match spec.sample_format {
        SampleFormat::Int => {
            let values = reader.into_samples::<i32>().map(|value| value.map(f64::from));
            recording(samples(path, values.skip(skip).step_by(stride), rate), found, options)
        }
        SampleFormat::Float => {
            let values = reader.into_samples::<f32>().map(|value| value.map(f64::from));
            recording(samples(path, values.skip(skip).step_by(stride), rate), found, options)
        }
    }
}

/// The values of one channel with their times; errors name the sample, counted from 1.
fn samples<I>(path: PathBuf, values: I, rate: f64) -> impl Iterator<Item = Result<Sample, InputError>>
where
    I: Iterator<Item = hound::Result<f64>>,
{
    values.enumerate().map(move |(index, value)| {
        let number = index + 1;
        let value = value.map_err(|error| match error {
            hound::Error::IoError(error) if ended(&error) => {
                let what = format!("ends within sample {number}, before its header says; copy it again");
                InputError::file(&path, what)
            }
            hound::Error::IoError(error) => InputError::io(&path, error),
            other => InputError::file(&path, format!("sample {number}: {other}")),
        })?;
        let value = finite(value).ok_or_else(|| {
            InputError::file(&path, format!("sample {number} is {value}, not a finite number"))
        })?;
        Ok(Sample { t_s: index as f64 / rate, value })
    })
}

/// Whether the file ended too early. Hound's own error for that is of kind `Other`; only the system's have a code.
fn ended(error: &std::io::Error) -> bool {
    error.raw_os_error().is_none()
}

/// What is wrong before the first sample.
fn header(path: &Path, error: hound::Error) -> InputError {
    match error {
        hound::Error::IoError(error) if ended(&error) => {
            InputError::file(path, "ends before its samples begin; not a whole WAV file")
        }
        hound::Error::IoError(error) => InputError::io(path, error),
        hound::Error::Unsupported => InputError::file(
            path,
            "coded in a way that is not read here; convert it to PCM of 8, 16, 24 or 32 bits or to 32-bit float",
        ),
        other => InputError::file(path, format!("not a readable WAV file: {other}")),
    }
}

/// Index of the channel that `wanted` names.
fn channel(path: &Path, channels: u16, wanted: Option<&str>) -> Result<u16, InputError> {
    let index = match wanted.map(|name| name.trim().to_lowercase()).as_deref() {
        None => (channels == 1).then_some(0),
        Some("left") if channels == 2 => Some(0),
        Some("right") if channels == 2 => Some(1),
        Some(number) => number.parse::<u16>().ok().and_then(|n| n.checked_sub(1)).filter(|&i| i < channels),
    };
    index.ok_or_else(|| {
        let choice = match channels {
            1 => "its only channel is 1".to_owned(),
            2 => "choose --channel left (1) or right (2)".to_owned(),
            n => format!("choose --channel 1 to {n}"),
        };
        let what = match wanted {
            None => format!("has {channels} channels; {choice}"),
            Some(name) => format!("has no channel `{name}`; {choice}"),
        };
        InputError::file(path, what)
    })
}
