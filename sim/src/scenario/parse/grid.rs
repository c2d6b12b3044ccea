//! The table `[grid]`.

use std::path::Path;

use clap::ValueEnum;

use super::super::{Grid, GridShape};
use super::{Frame, TIME_S};
use crate::keys::{Bounds, Fault, Keys};
use crate::series::{self, SeriesOptions};

#[derive(Clone, Copy, ValueEnum)]
enum Shape {
    Constant,
    Ramp,
    Step,
    Swing,
    Wander,
    Recorded,
}

/// A process of Ornstein and Uhlenbeck has no bounds; beyond so many standard deviations it comes once in 10^15 correlation times.
const SIGMAS: f64 = 8.0;

pub(super) fn read(mut keys: Keys<'_>, frame: &Frame<'_>) -> Result<Grid, Fault> {
    // Half of nominal either way: the frequency stays positive, and far beyond what any meter of this nominal frequency follows.
    let range_hz = (0.5 * frame.nominal_hz, 1.5 * frame.nominal_hz);
    let room_mhz: Bounds = (-500.0 * frame.nominal_hz, 500.0 * frame.nominal_hz);
    const PERIOD_S: Bounds = (0.1, TIME_S.1);
    let shape = keys.word("shape", Shape::Constant);
    keys.of_kind(shape);
    let offset_mhz = keys.number("offset_mhz", 0.0, room_mhz);
    let mut extremes = (0.0, 0.0);
    let (shape, decisive) = match shape {
        Shape::Constant => (GridShape::Constant, "offset_mhz"),
        Shape::Ramp => {
            let rate_hz_s = keys.number("rate_hz_s", 0.1, (-1_000.0, 1_000.0));
            let start_s = keys.number("start_s", 10.0, TIME_S);
            let stop_s = keys.number("stop_s", 20.0, TIME_S);
            keys.check(start_s <= stop_s, "stop_s", || {
                format!("stop_s = {stop_s} is before start_s = {start_s}")
            });
            let length_s = (stop_s.min(frame.duration_s) - start_s).max(0.0);
            extremes = (0.0, 1e3 * rate_hz_s * length_s);
            (GridShape::Ramp { rate_hz_s, start_s, stop_s }, "rate_hz_s")
        }
        Shape::Step => {
            let at_s = keys.number("at_s", 10.0, TIME_S);
            let size_mhz = keys.number("size_mhz", 100.0, room_mhz);
            extremes = (0.0, size_mhz);
            (GridShape::Step { at_s, size_mhz }, "size_mhz")
        }
        Shape::Swing => {
            let size_mhz = keys.number("size_mhz", 100.0, room_mhz);
            let period_s = keys.number("period_s", 10.0, PERIOD_S);
            extremes = (-size_mhz, size_mhz);
            (GridShape::Swing { size_mhz, period_s }, "size_mhz")
        }
        Shape::Wander => {
            let sd_mhz = keys.number("sd_mhz", 20.0, (0.0, room_mhz.1));
            let correlation_s = keys.number("correlation_s", 60.0, PERIOD_S);
            extremes = (-SIGMAS * sd_mhz, SIGMAS * sd_mhz);
            (GridShape::Wander { sd_mhz, correlation_s }, "sd_mhz")
        }
        Shape::Recorded => (recorded(&mut keys, frame, offset_mhz, range_hz), "file"),
    };
    for extreme in [extremes.0, extremes.1] {
        let hz = frame.nominal_hz + (offset_mhz + extreme) / 1e3;
        keys.check((range_hz.0..=range_hz.1).contains(&hz), decisive, || {
            format!(
                "{decisive} takes the frequency to {hz:.3} Hz, expected {} to {} Hz: half of nominal_hz either way",
                range_hz.0, range_hz.1
            )
        });
    }
    keys.finish()?;
    Ok(Grid { offset_mhz, shape })
}

fn recorded(keys: &mut Keys<'_>, frame: &Frame<'_>, offset_mhz: f64, (low, high): Bounds) -> GridShape {
    let file = keys.line("file");
    let options = SeriesOptions {
        column: keys.line("column"),
        time_column: keys.line("time_column"),
        interval_s: keys.given("interval_s", (0.001, 1e6)),
        ..SeriesOptions::default()
    };
    let Some(file) = file else {
        keys.need("file", "the name of a CSV, or of readings from `measure`, beside the scenario's");
        return GridShape::Constant;
    };
    let path = frame.path.parent().unwrap_or(Path::new("")).join(file);
    let offset_hz = offset_mhz / 1e3;
    match series::points(&path, &options, (low - offset_hz, high - offset_hz)) {
        Ok(mut points) => {
            // Times of day have their zero anywhere; those of a recording's readings have its own.
            let start = points.first().filter(|_| !frame.recorded).map_or(0.0, |(time, _)| *time);
            points.iter_mut().for_each(|(time, _)| *time -= start);
            GridShape::Recorded { points }
        }
        Err(error) => {
            // What options say on the command line, keys say here.
            let what =
                error.to_string().replace("--time-column", "time_column").replace("--column", "column");
            keys.check(false, "file", || what.replace("--interval SECONDS", "interval_s"));
            GridShape::Constant
        }
    }
}
