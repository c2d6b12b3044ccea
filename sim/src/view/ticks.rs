//! Axes of time with marks where people expect them.

use crate::log::utc;
use crate::report::chart::Axis;

/// Steps between marks in seconds.
const STEPS: [f64; 20] = [
    1.0,
    2.0,
    5.0,
    10.0,
    30.0,
    60.0,
    120.0,
    300.0,
    600.0,
    1_800.0,
    3_600.0,
    7_200.0,
    10_800.0,
    21_600.0,
    43_200.0,
    86_400.0,
    172_800.0,
    604_800.0,
    2_592_000.0,
    7_776_000.0,
];

/// Marks at most; a label takes a tenth of the picture.
const MARKS: f64 = 8.0;

/// From `start` to `end`, both in seconds since 1970.
pub fn axis(start: f64, end: f64) -> Axis {
    let step = STEPS.into_iter().find(|step| (end - start) / step <= MARKS).unwrap_or((end - start) / MARKS);
    let count = ((end - start) / step).ceil() as i64 + 1;
    let first = (start / step).ceil();
    let marks = (0..count).map(|k| (first + k as f64) * step).filter(|at| *at <= end);
    let label = |at: f64| {
        let text = utc::text((at * 1e3) as i64);
        let part = match step {
            s if s < 60.0 => text.get(11..19),
            s if s < 86_400.0 => text.get(11..16),
            _ => text.get(5..10),
        };
        part.unwrap_or_default().to_string()
    };
    let title = match step {
        s if s < 86_400.0 => {
            let (from, to) = (utc::date_text((start * 1e3) as i64), utc::date_text((end * 1e3) as i64));
            if from == to { format!("{from}, UTC") } else { format!("{from} to {to}, UTC") }
        }
        _ => "month and day, UTC".into(),
    };
    Axis { range: start..end, title, ticks: marks.map(|at| (at, label(at))).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_are_at_whole_hours_and_days() {
        let start = 1_774_749_598.0;
        let labels = |length: f64| -> Vec<String> {
            axis(start, start + length).ticks.into_iter().map(|tick| tick.1).collect()
        };
        assert_eq!(labels(20.0), ["02:00:00", "02:00:05", "02:00:10", "02:00:15"]);
        assert_eq!(labels(86_400.0)[..3], ["03:00", "06:00", "09:00"]);
        assert_eq!(labels(5.0 * 86_400.0), ["03-30", "03-31", "04-01", "04-02", "04-03"]);
        assert!(labels(30.0 * 86_400.0).len() <= 9 && !labels(3e8).is_empty());
    }
}
