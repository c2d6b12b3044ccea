//! A voltage as WAV: 32-bit float, one channel.

use std::io::{self, ErrorKind, Seek, Write};

use hound::{SampleFormat, WavSpec, WavWriter};

/// What an amplitude of 1 is written as, full scale being 1: 12 dB below it, so that a swell to 200 % with flicker and direct voltage on it
/// stays within. Larger impulses go beyond full scale, which floats allow: nothing is ever clipped.
pub const AMPLITUDE: f64 = 0.25;

/// Samples that a file holds at most: its sizes are 32-bit counts of bytes, headers included.
pub const MOST: u64 = (u32::MAX as u64 - 128) / 4;

/// Writes `samples`, in amplitudes of the undisturbed fundamental, at [`AMPLITUDE`] and `sample_hz` samples a second. Returns their number.
///
/// A value is rounded to the nearest 32-bit float: to 6e-8 of itself.
///
/// # Errors
/// Those of `to`; more than [`MOST`] samples are [`ErrorKind::InvalidInput`].
pub fn samples(
    to: impl Write + Seek,
    sample_hz: u32,
    samples: impl IntoIterator<Item = f64>,
) -> io::Result<u64> {
    let spec = WavSpec {
        channels: 1,
        sample_rate: sample_hz,
        bits_per_sample: 32,
        sample_format: SampleFormat::Float,
    };
    let mut writer = WavWriter::new(to, spec).map_err(plain)?;
    let mut count = 0;
    for sample in samples {
        if count == MOST {
            let what = format!("a WAV file holds at most {MOST} samples");
            return Err(io::Error::new(ErrorKind::InvalidInput, what));
        }
        writer.write_sample((sample * AMPLITUDE) as f32).map_err(plain)?;
        count += 1;
    }
    writer.finalize().map_err(plain)?;
    Ok(count)
}

fn plain(error: hound::Error) -> io::Error {
    match error {
        hound::Error::IoError(error) => error,
        other => io::Error::other(other),
    }
}
