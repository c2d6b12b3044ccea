//! Logged frequency as a series that deviations can be computed from: evenly spaced, without gaps, as fractions.
//!
//! A gap is never filled: filling it would invent stability. The longest stretch without one is used, and the rest is told
//! in [`Series::notes`].

mod rows;

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::ops::Range;
use std::path::Path;

use crate::input::InputError;
use crate::stability;
use rows::Rows;

/// Steps, over the usual one, at which readings still count as evenly spaced. A reading falls due by the clock but ends with
/// a cycle, so its place wanders by up to a cycle: by half when there are only two to a step. A missing reading is a step of 2.
const EVEN: Range<f64> = 0.6..1.6;

/// Least spacing in seconds and least frequency in hertz: what is smaller has another unit.
const LEAST: f64 = 1e-9;

/// What the values are divided by.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Scale {
    /// Hertz, by their own mean.
    #[default]
    Mean,
    /// Hertz, by this frequency in hertz.
    Nominal(f64),
    /// Nothing: they are fractions of the nominal frequency, or fractional deviations from it, already.
    PerUnit,
}

/// What the command line says about how to read a series.
#[derive(Clone, Debug, Default)]
pub struct SeriesOptions {
    /// Column of a CSV with the frequency; `frequency_hz` where not said.
    pub column: Option<String>,
    /// Column of a CSV with the time in seconds; `t_s`, `time_s`, `second` or `seconds` where not said.
    pub time_column: Option<String>,
    /// Spacing in seconds, overruling all times.
    pub interval_s: Option<f64>,
    /// What the values are divided by.
    pub scale: Scale,
}

/// An unbroken, evenly spaced series of at least three values.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Frequency over the nominal one, or fractional deviation from it.
    pub fractions: Vec<f64>,
    /// Mean spacing in seconds.
    pub interval_s: f64,
    /// What was found in the file or assumed, one phrase each, for the header line.
    pub notes: Vec<String>,
}

/// Reads JSON Lines or CSV as `humtick measure` writes them, or any CSV with a header. Which of the two it is shows in the first
/// byte: objects begin with a brace.
pub fn open(path: &Path, options: &SeriesOptions) -> Result<Series, InputError> {
    let source = File::open(path).map_err(|e| InputError::io(path, e))?;
    read(path, BufReader::new(source), options)
}

/// The same from any source; `path` names it in messages.
pub fn read(path: &Path, source: impl BufRead, options: &SeriesOptions) -> Result<Series, InputError> {
    for (name, value) in [("--interval", options.interval_s), ("--nominal", options.nominal())] {
        if let Some(value) = value.filter(|v| !(LEAST..=1e12).contains(v)) {
            return Err(InputError::Option {
                what: format!("{name} is {value}, expected a number from 1e-9 to 1e12"),
            });
        }
    }
    let rows = Rows::read(path, source, options)?;
    settle(&rows, options).map_err(|what| InputError::file(path, what))
}

/// Frequencies and their times as recorded, in seconds: uneven as they are, and rows without a frequency left out.
///
/// # Errors
/// With file and line: what [`open`] refuses in a row, a frequency outside `range_hz`, and fewer than two frequencies.
pub fn points(
    path: &Path,
    options: &SeriesOptions,
    (low, high): (f64, f64),
) -> Result<Vec<(f64, f64)>, InputError> {
    let source = File::open(path).map_err(|e| InputError::io(path, e))?;
    let rows = Rows::read(path, BufReader::new(source), options)?;
    let mut points: Vec<(f64, f64)> = vec![];
    for (place, (value, line)) in rows.values.iter().zip(&rows.lines).enumerate() {
        let Some(hz) = *value else { continue };
        if !(low..=high).contains(&hz) {
            return Err(InputError::line(path, *line, format!("{hz} Hz is outside {low} to {high} Hz")));
        }
        // No times where the spacing was given.
        let even = place as f64 * options.interval_s.unwrap_or_default();
        points.push((rows.times.get(place).copied().unwrap_or(even), hz));
    }
    if points.len() < 2 {
        return Err(InputError::file(path, format!("{} frequencies; two are the least", points.len())));
    }
    Ok(points)
}

impl SeriesOptions {
    fn nominal(&self) -> Option<f64> {
        match self.scale {
            Scale::Nominal(hz) => Some(hz),
            Scale::Mean | Scale::PerUnit => None,
        }
    }
}

/// The longest stretch, scaled.
fn settle(rows: &Rows, options: &SeriesOptions) -> Result<Series, String> {
    let usual = median(rows.times.windows(2).map(|pair| pair[1] - pair[0]).collect());
    let (stretch, breaks) = longest(rows, usual);
    let (count, all) = (stretch.len(), rows.values.len());
    let missing = rows.values.iter().filter(|value| value.is_none()).count();
    let spacing = match usual {
        Some(usual) => format!("evenly spaced (usual step {} s)", short(usual)),
        None => "without a gap".to_owned(),
    };
    if count < 3 {
        return Err(format!(
            "the longest stretch {spacing} has {count} of {all} values, {missing} of them missing; three are the least"
        ));
    }
    let times = rows.times.get(stretch.clone()).filter(|times| !times.is_empty());
    let interval_s = match times {
        Some(times) => (times[count - 1] - times[0]) / (count - 1) as f64,
        // Either there are times or the spacing was given.
        None => options.interval_s.ok_or("no times and no --interval")?,
    };

    if interval_s < LEAST {
        return Err(format!(
            "the spacing is {} s, expected at least 1e-9 s: are the times in seconds?",
            short(interval_s)
        ));
    }

    let mut notes = vec![format!("{}, spacing {} s", rows.what, short(interval_s))];
    if let Some(times) = times {
        let steps = || times.windows(2).map(|pair| pair[1] - pair[0]);
        let (least, most) = (steps().fold(f64::INFINITY, f64::min), steps().fold(0.0, f64::max));
        if most - least > 0.02 * interval_s {
            notes.push(format!("steps of {} to {} s taken as even", short(least), short(most)));
        }
    }
    let from = match times {
        Some(times) => format!("from {} s", short(times[0])),
        None => format!("from value {}", stretch.start + 1),
    };
    notes.push(if breaks == 0 && count == all {
        format!("all {count} values, no gap")
    } else {
        format!("longest unbroken stretch: {count} of {all} values, {from} on (gaps: {breaks}, values missing: {missing})")
    });
    if let Some(span) = median(rows.spans.clone()) {
        if span > 1.05 * interval_s {
            notes.push(format!(
                "windows of {} s overlap: deviations at shorter averaging times read low",
                short(span)
            ));
        } else if span < 0.95 * interval_s {
            notes.push(format!(
                "windows of {} s leave dead time between them, not corrected for",
                short(span)
            ));
        }
    }

    let mut fractions: Vec<f64> = rows.values[stretch].iter().copied().flatten().collect();
    let over = match options.scale {
        Scale::PerUnit => {
            notes.push("per unit".into());
            1.0
        }
        Scale::Nominal(hz) => {
            notes.push(format!("fractions of {hz} Hz"));
            hz
        }
        Scale::Mean => {
            let mean = stability::mean(&fractions);
            notes.push(format!("fractions of {mean:.6} Hz, their mean"));
            if (mean - 1.0).abs() < 0.1 {
                notes.push("if the values are fractions already, say --per-unit".into());
            }
            mean
        }
    };
    fractions.iter_mut().for_each(|value| *value /= over);
    Ok(Series { fractions, interval_s, notes })
}

/// The longest run of values without a missing one or an uneven step, the first of equals; and the number of gaps between runs.
fn longest(rows: &Rows, usual: Option<f64>) -> (Range<usize>, usize) {
    let (mut best, mut run, mut runs) = (0..0, 0..0, 0usize);
    for (place, value) in rows.values.iter().enumerate() {
        if value.is_none() {
            continue;
        }
        let joins = run.end == place
            && place > 0
            && match (usual, rows.times.get(place - 1..=place)) {
                (Some(usual), Some(&[before, now])) => EVEN.contains(&((now - before) / usual)),
                _ => true,
            };
        if joins {
            run.end += 1;
        } else {
            run = place..place + 1;
            runs += 1;
        }
        if run.len() > best.len() {
            best = run.clone();
        }
    }
    (best, runs.saturating_sub(1))
}

/// The middle value, the upper of two.
fn median(mut values: Vec<f64>) -> Option<f64> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// Six significant figures without trailing zeros.
fn short(value: f64) -> String {
    format!("{value:.5e}").parse().unwrap_or(value).to_string()
}

#[cfg(test)]
mod tests;
