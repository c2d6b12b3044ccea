//! The pictures of a report, each an SVG.

use std::f64::consts::TAU;

use plotters::prelude::{BLACK, RGBColor};

use super::chart::{Axis, SKY, svg};
use super::crossing::Trace;
use super::over_time::{OverTime, Range};
use crate::scenario::Scenario;
use crate::score::{Histogram, Score};
use crate::stability::Deviations;
use crate::stability::plot::{BLUE, VERMILLION, plain, power, whole_decades};

/// Lines across each axis, about.
const LINES: u32 = 8;
const ROWS: u32 = 6;

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

/// A frequency to a tenth of a millihertz, without zeros at its end.
pub fn short(hz: f64) -> String {
    let text = format!("{hz:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
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
    (Axis::even(range, format!("{what}, {}", unit.0), ROWS), unit)
}

fn time_axis(seconds: f64) -> (Axis, Unit) {
    let unit = of_seconds(seconds);
    (Axis::even(0.0..seconds * unit.1, format!("time, {}", unit.0), LINES), unit)
}

/// True and measured frequency with the 95 % band.
pub fn frequency(over_time: &OverTime, duration_s: f64, nominal_hz: f64) -> Option<Clipped> {
    let (bands, measured) = (over_time.curves(|k| Some(k.band)), over_time.curves(|k| Some(k.measured)));
    let truth: Vec<_> = over_time.columns().map(|c| (c.t_s, c.truth)).collect();
    let half = median(over_time.columns().filter_map(|c| Some(c.known?.half_width?.0)).collect());
    let of_readings: Vec<_> = measured.iter().flatten().map(|(_, range)| *range).collect();
    let of_truth = truth.iter().map(|(_, range)| *range).reduce(Range::and)?;
    let seen = room(&of_readings)
        .map_or(of_truth, |seen| of_truth.and(Range { low: seen.low - half, high: seen.high + half }));
    let (y, unit) = hertz_axis(seen, 1e-6, &format!("frequency less {} Hz", short(nominal_hz)));
    let (x, time) = time_axis(duration_s);
    let scaled = |columns: &[(f64, Range)]| scaled(columns, time, unit);
    let axis = Range { low: y.range.start / unit.1, high: y.range.end / unit.1 };
    let svg = svg(x, y, |chart| {
        bands.iter().try_for_each(|curve| chart.envelope(&scaled(curve), SKY, 0.35, 0))?;
        measured.iter().try_for_each(|curve| chart.envelope(&scaled(curve), BLUE, 0.6, 2))?;
        chart.envelope(&scaled(&truth), BLACK, 0.0, 1)
    })?;
    Some(Clipped { svg, beyond: beyond(&of_readings, axis) })
}

/// Errors over time; 95 % bands about zero as stated, and with the clock apart about what the clock makes.
pub fn error(over_time: &OverTime, scenario: &Scenario, score: &Score) -> Option<Clipped> {
    let (duration_s, nominal_hz) = (scenario.duration_s, scenario.nominal_hz);
    let clock = score.clock_hz(nominal_hz);
    let band = |half: f64| Range { low: -half, high: half };
    let errors = over_time.curves(|known| known.error);
    let stated = over_time.curves(|known| Some(band(known.half_width?.0)));
    let apart = over_time.curves(|known| {
        let (_, half) = known.half_width?;
        Some(Range { low: clock - half, high: clock + half })
    });
    let ranges: Vec<_> = errors.iter().flatten().map(|(_, range)| *range).collect();
    let usual = median(apart.iter().flatten().map(|(_, range)| range.high - clock).collect());
    let seen = room(&ranges)?;
    // A band that is far wider than the errors leaves them visible.
    let usual = usual.min(3.0 * (seen.high - clock).max(clock - seen.low));
    let seen = seen.and(Range { low: clock - usual, high: clock + usual }).and(band(0.0));
    let (y, unit) = hertz_axis(seen, 1e-9, "error");
    let (x, time) = time_axis(duration_s);
    let scaled = |columns: &[(f64, Range)]| scaled(columns, time, unit);
    let axis = Range { low: y.range.start / unit.1, high: y.range.end / unit.1 };
    let svg = svg(x, y, |chart| {
        stated.iter().try_for_each(|curve| chart.envelope(&scaled(curve), SKY, 0.25, 0))?;
        apart.iter().try_for_each(|curve| chart.envelope(&scaled(curve), SKY, 0.6, 0))?;
        chart.level(0.0, BLACK, 1)?;
        errors.iter().try_for_each(|curve| chart.envelope(&scaled(curve), VERMILLION, 0.6, 2))
    })?;
    Some(Clipped { svg, beyond: beyond(&ranges, axis) })
}

/// Columns in the units of both axes.
fn scaled(columns: &[(f64, Range)], time: Unit, unit: Unit) -> Vec<(f64, Range)> {
    let scale = |range: &Range| Range { low: range.low * unit.1, high: range.high * unit.1 };
    columns.iter().map(|(t, range)| (t * time.1, scale(range))).collect()
}

/// A stretch of the comparator's input with its thresholds and edges.
pub fn trace(trace: &Trace) -> Option<String> {
    let (first, last) = (trace.curve.first()?.0, trace.curve.last()?.0);
    let time = of_seconds((last - first) / 2.0);
    let percent = |u: f64| 100.0 * u;
    let range = trace.curve.iter().map(|(_, u)| Range { low: *u, high: *u }).reduce(Range::and)?;
    let range = range.and(Range { low: trace.thresholds.0, high: trace.thresholds.1 });
    let spare = 0.05 * (range.high - range.low).max(1e-6);
    let title = format!("time from the middle of the crossing, {}", time.0);
    let x = Axis::even(first * time.1..last * time.1, title, LINES);
    let range = percent(range.low - spare)..percent(range.high + spare);
    let y = Axis::even(range, "voltage, % of amplitude".into(), ROWS);
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
    let x = Axis::even(-5.0..5.0, "error over its standard uncertainty".into(), LINES);
    let y = Axis::even(0.0..top * 1.08, "readings in a bin, %".into(), ROWS);
    svg(x, y, |chart| {
        for (i, share) in apart.iter().enumerate() {
            let start = Histogram::start(i);
            chart.bar(start..start + Histogram::WIDTH, 0.0..*share, SKY)?;
        }
        let steps = stated.iter().enumerate().flat_map(|(i, share)| {
            let start = Histogram::start(i);
            [(start, *share), (start + Histogram::WIDTH, *share)]
        });
        chart.curve(steps, BLUE, 2)?;
        chart.curve((-100..=100).map(|k| f64::from(k) / 20.0).map(|x| (x, normal(x))), BLACK, 2)
    })
}

/// What a double's rounding makes of a constant frequency is below this.
const ROUNDING: f64 = 1e-13;

/// Overlapping Allan deviation of the readings and of the truth, both axes logarithmic; `None` where no deviation of the readings is
/// above what rounding makes.
pub fn allan(score: &Score) -> Option<String> {
    let curve = |rows: Vec<Deviations>| -> Vec<(f64, f64)> {
        let points = rows.iter().map(|row| (row.tau_s, row.oadev.value));
        points.filter(|(_, value)| *value > ROUNDING).collect()
    };
    let (readings, truth) = (curve(score.stability()), curve(score.true_stability()));
    let all = || readings.iter().chain(&truth);
    let (left, right) = whole_decades(all().map(|point| point.0)).filter(|_| !readings.is_empty())?;
    let (low, high) = whole_decades(all().map(|point| point.1))?;
    let x = Axis::decades(left, right, "averaging time, s", plain);
    let y = Axis::decades(low, high, "deviation, fraction of the frequency", power);
    let logarithms = |curve: &[(f64, f64)]| -> Vec<_> {
        curve.iter().map(|(tau, value)| (tau.log10(), value.log10())).collect()
    };
    svg(x, y, |chart| {
        // Broad, since the readings' often lies on it.
        chart.curve(logarithms(&truth), RGBColor(128, 128, 128), 7)?;
        let readings = logarithms(&readings);
        chart.curve(readings.iter().copied(), BLUE, 2)?;
        readings.iter().try_for_each(|at| chart.dot(*at, BLUE))
    })
}
