//! What sampled recordings have in common: their way through the front end, and limits of a sample.

use std::path::Path;

use super::{End, InputError, InputOptions, Recording};
use crate::front_end::Sample;

/// Largest sample that squares without overflow, in any unit.
const MAX_VALUE: f64 = 1e100;

/// Passes `samples` through the front end; `found` says what they are.
pub(super) fn recording<I>(samples: I, found: String, options: &InputOptions) -> Result<Recording, InputError>
where
    I: Iterator<Item = Result<Sample, InputError>> + 'static,
{
    let tick_hz = options.scale_hz();
    let front_end = options.front_end;
    let end = End::default();
    let last = end.clone();
    let samples = samples.inspect(move |sample| {
        if let Ok(sample) = sample {
            last.set((sample.t_s * f64::from(tick_hz)) as u64);
        }
    });
    let edges = front_end.edges(samples, options.shortest_period_s..options.longest_period_s, tick_hz)?;
    let mut assumptions = vec![found];
    if let Some(corner) = front_end.lowpass_hz {
        assumptions.push(format!("low-pass {corner} Hz (Butterworth, second order)"));
    }
    assumptions.push(format!(
        "comparator around {}, hysteresis {} % of the largest amplitude",
        if front_end.follow_mean { "the mean" } else { "zero" },
        front_end.hysteresis_percent
    ));
    let tick = match 1_000_000_000 / tick_hz {
        ns @ ..1_000 => format!("{ns} ns"),
        ns => format!("{} us", ns / 1_000),
    };
    assumptions.push(format!("instants interpolated band-limited to a {tick} scale"));
    Ok(Recording { tick_hz, resolution: 1, assumptions, edges: Box::new(edges), end })
}

/// `value` if it is a number the front end can work with.
pub(super) fn finite(value: f64) -> Option<f64> {
    // False for NaN too.
    (value.abs() <= MAX_VALUE).then_some(value)
}

/// Opens `path`, which must be a file: reading a folder fails late and less clearly.
pub(super) fn open_file(path: &Path) -> Result<std::fs::File, InputError> {
    let file = std::fs::File::open(path).map_err(|source| InputError::io(path, source))?;
    let meta = file.metadata().map_err(|source| InputError::io(path, source))?;
    if meta.is_dir() {
        return Err(InputError::file(path, "is a folder; a file was expected"));
    }
    Ok(file)
}
