//! The pictures of a report, each an SVG.

use std::f64::consts::TAU;

use plotters::prelude::BLACK;

use super::chart::{Axis, SKY, svg};
use super::crossing::Trace;
use super::over_time::{OverTime, Range};
use crate::score::{Histogram, Score};
use crate::stability::plot::{BLUE, VERMILLION};

/// A unit: its name and how many there are in the base unit.
type Unit = (&'static str, f64);

/// The unit in which `largest`, in hertz, has one to four digits before the point.
fn of_hertz(largest: f64) -> Unit {
    match largest {
        hz if hz >= 2.0 => ("Hz", 1.0),
        hz if hz >= 2e-3 => ("mHz", 1e3),
        _ => ("\u{b5}Hz", 1e6),
    }
}

/// The same for seconds of a picture's whole width.
fn of_seconds(width: f64) -> Unit {
    match width {
        s if s < 2e-3 => ("\u{b5}s", 1e6),
        s if s < 1.0 => ("ms", 1e3),
        s if s <= 600.0 => ("s", 1.0),
        s if s <= 3.0 * 3_600.0 => ("min", 1.0 / 60.0),
        s if s <= 4.0 * 86_400.0 => ("h", 1.0 / 3_600.0),
        _ => ("days", 1.0 / 86_400.0),
    }
}

/// A picture, and what of its curves lies beyond it.
pub struct Clipped {
    /// SVG.
    pub svg: String,
    /// Columns of which some lies beyond the picture, of how many, and how far the farthest goes, in hertz.
    pub beyond: Option<(usize, usize, f64)>,
}

impl Clipped {
    /// A sentence about it, after a space.
    pub fn note(&self) -> String {
        self.beyond.map_or(String::new(), |(columns, of, farthest)| {
            let unit = of_hertz(farthest.abs());
            format!(
                " {columns} of {of} places reach beyond the picture, the farthest to {:+.3} {}.",
                farthest * unit.1,
                unit.0
            )
        })
    }
}

/// Room that holds nearly all ranges: if a few of a hundred are far out of the others' way, it is the others'.
fn room(ranges: &[Range]) -> Option<Range> {
    let all = ranges.iter().copied().reduce(Range::and)?;
    let mut sorted = [Vec::new(), Vec::new()];
    for range in ranges {
        sorted[0].push(range.low);
        sorted[1].push(range.high);
    }
    sorted.iter_mut().for_each(|values| values.sort_by(f64::total_cmp));
    let cut = ranges.len() / 25;
    let inner = Range { low: sorted[0][cut], high: sorted[1][ranges.len() - 1 - cut] };
    let width = inner.high - inner.low;
    let far = |out: f64| out > 2.0 * width;
    Some(Range {
        low: if far(inner.low - all.low) { inner.low - 0.3 * width } else { all.low },
        high: if far(all.high - inner.high) { inner.high + 0.3 * width } else { all.high },
    })
}

fn beyond(ranges: &[Range], axis: Range) -> Option<(usize, usize, f64)> {
    let out = |range: &&Range| range.low < axis.low || range.high > axis.high;
    let farthest = |range: &Range| if range.low.abs() > range.high.abs() { range.low } else { range.high };
    let most =
        ranges.iter().filter(out).map(farthest).reduce(|a, b| if a.abs() > b.abs() { a } else { b })?;
    Some((ranges.iter().filter(out).count(), ranges.len(), most))
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or_default()
}

/// An axis in hertz around `range`, with room for labels, no shorter than `least`.
fn hertz_axis(range: Range, least: f64, what: &str) -> (Axis, Unit) {
    let middle = (range.low + range.high) / 2.0;
    let half = ((range.high - range.low) / 2.0).max(least / 2.0) * 1.08;
    let unit = of_hertz((middle.abs() + half).min(4.0 * half));
    let range = (middle - half) * unit.1..(middle + half) * unit.1;
    (Axis { range, title: format!("{what}, {}", unit.0) }, unit)
}

fn time_axis(seconds: f64) -> (Axis, Unit) {
    let unit = of_seconds(seconds);
    (Axis { range: 0.0..seconds * unit.1, title: format!("time, {}", unit.0) }, unit)
}

/// True and measured frequency with the 95 % band.
pub fn frequency(over_time: &OverTime, duration_s: f64, nominal_hz: f64) -> Option<Clipped> {
    let (bands, measured) = (over_time.curves(|k| Some(k.band)), over_time.curves(|k| Some(k.measured)));
    let truth: Vec<_> = over_time.columns().map(|c| (c.t_s, c.truth)).collect();
    let half = median(over_time.columns().filter_map(|c| c.known?.half_width).collect());
    let of_readings: Vec<_> = measured.iter().flatten().map(|(_, range)| *range).collect();
    let of_truth = truth.iter().map(|(_, range)| *range).reduce(Range::and)?;
    let seen = room(&of_readings)
        .map_or(of_truth, |seen| of_truth.and(Range { low: seen.low - half, high: seen.high + half }));
    let (y, unit) = hertz_axis(seen, 1e-6, &format!("frequency less {nominal_hz} Hz"));
    let (x, time) = time_axis(duration_s);
    let scaled = |columns: &[(f64, Range)]| -> Vec<(f64, Range)> {
        let scale = |range: &Range| Range { low: range.low * unit.1, high: range.high * unit.1 };
        columns.iter().map(|(t, range)| (t * time.1, scale(range))).collect()
    };
    let axis = Range { low: y.range.start / unit.1, high: y.range.end / unit.1 };
    let svg = svg(x, y, |chart| {
        for curve in &bands {
            chart.envelope(&scaled(curve), SKY, 0.35, 0)?;
        }
        for curve in &measured {
            chart.envelope(&scaled(curve), BLUE, 0.6, 2)?;
        }
        chart.envelope(&scaled(&truth), BLACK, 0.6, 1)
    })?;
    Some(Clipped { svg, beyond: beyond(&of_readings, axis) })
}

/// Errors over time with the 95 % band around zero.
pub fn error(over_time: &OverTime, duration_s: f64) -> Option<Clipped> {
    let errors = over_time.curves(|known| known.error);
    let bands = over_time.curves(|k| k.half_width.map(|half| Range { low: -half, high: half }));
    let ranges: Vec<_> = errors.iter().flatten().map(|(_, range)| *range).collect();
    let half = median(bands.iter().flatten().map(|(_, range)| range.high).collect());
    let seen = room(&ranges)?.and(Range { low: -half, high: half });
    let (y, unit) = hertz_axis(seen, 1e-9, "error");
    let (x, time) = time_axis(duration_s);
    let scaled = |columns: &[(f64, Range)]| -> Vec<(f64, Range)> {
        let scale = |range: &Range| Range { low: range.low * unit.1, high: range.high * unit.1 };
        columns.iter().map(|(t, range)| (t * time.1, scale(range))).collect()
    };
    let axis = Range { low: y.range.start / unit.1, high: y.range.end / unit.1 };
    let svg = svg(x, y, |chart| {
        for curve in &bands {
            chart.envelope(&scaled(curve), SKY, 0.35, 0)?;
        }
        chart.level(0.0, BLACK, 1)?;
        errors.iter().try_for_each(|curve| chart.envelope(&scaled(curve), VERMILLION, 0.6, 2))
    })?;
    Some(Clipped { svg, beyond: beyond(&ranges, axis) })
}

/// A stretch of the comparator's input with its thresholds and edges.
pub fn trace(trace: &Trace) -> Option<String> {
    let (first, last) = (trace.curve.first()?.0, trace.curve.last()?.0);
    let time = of_seconds((last - first) / 2.0);
    let percent = |u: f64| 100.0 * u;
    let range = trace.curve.iter().map(|(_, u)| Range { low: *u, high: *u }).reduce(Range::and)?;
    let range = range.and(Range { low: trace.thresholds.0, high: trace.thresholds.1 });
    let spare = 0.05 * (range.high - range.low).max(1e-6);
    let x = Axis {
        range: first * time.1..last * time.1,
        title: format!("time from the middle of the crossing, {}", time.0),
    };
    let y = Axis {
        range: percent(range.low - spare)..percent(range.high + spare),
        title: "voltage, % of amplitude".into(),
    };
    svg(x, y, |chart| {
        chart.level(percent(trace.thresholds.0), VERMILLION, 1)?;
        chart.level(percent(trace.thresholds.1), VERMILLION, 1)?;
        chart.curve(trace.curve.iter().map(|(t, u)| (t * time.1, percent(*u))), BLUE, 2)?;
        trace.edges.iter().try_for_each(|(t, u, rises)| {
            let at = (t * time.1, percent(*u));
            if *rises { chart.triangle(at, BLACK) } else { chart.dot(at, VERMILLION) }
        })
    })
}

/// Errors over their standard uncertainty: the clock apart as bars, as stated as a stepped line, and the normal curve.
pub fn histogram(score: &Score) -> Option<String> {
    let shares = |histogram: &Histogram| -> Vec<f64> {
        let all = histogram.bins.iter().sum::<u64>() + histogram.outside.0 + histogram.outside.1;
        histogram.bins.iter().map(|count| 100.0 * *count as f64 / all.max(1) as f64).collect()
    };
    let (apart, stated) = (shares(&score.histogram_apart), shares(&score.histogram));
    if score.histogram.bins.iter().all(|count| *count == 0) {
        return None;
    }
    let normal = |x: f64| 100.0 * Histogram::WIDTH * libm::exp(-x * x / 2.0) / TAU.sqrt();
    // A clock far better than its tolerance puts all of the stated ones into the bins about zero.
    let top = apart.iter().copied().fold(normal(0.0), f64::max);
    let top = if top > normal(0.0) { top } else { stated.iter().copied().fold(top, f64::max).min(3.0 * top) };
    let x = Axis { range: -5.0..5.0, title: "error over its standard uncertainty".into() };
    let y = Axis { range: 0.0..top * 1.08, title: "readings in a bin, %".into() };
    svg(x, y, |chart| {
        for (i, share) in apart.iter().enumerate() {
            let start = Histogram::start(i);
            chart.bar(start..start + Histogram::WIDTH, *share, SKY)?;
        }
        let steps = stated.iter().enumerate().flat_map(|(i, share)| {
            let start = Histogram::start(i);
            [(start, *share), (start + Histogram::WIDTH, *share)]
        });
        chart.curve(steps, BLUE, 2)?;
        chart.curve((-100..=100).map(|k| f64::from(k) / 20.0).map(|x| (x, normal(x))), BLACK, 2)
    })
}
