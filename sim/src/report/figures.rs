//! The score in figures: a row each, with what it means.

use crate::scenario::Scenario;
use crate::score::{Errors, Score};

/// A figure of the score.
pub struct Row {
    /// What it is.
    pub label: &'static str,
    /// The figure with its unit; a dash where there is none.
    pub figure: String,
    /// What else is to be said.
    pub remark: String,
}

fn row(label: &'static str, figure: String, remark: String) -> Row {
    Row { label, figure, remark }
}

fn mhz(hz: Option<f64>) -> String {
    match hz {
        None => "\u{2013}".into(),
        Some(hz) if hz.abs() < 1e-8 => format!("{:.4} nHz", hz * 1e9),
        Some(hz) if hz.abs() < 1e-5 => format!("{:.4} uHz", hz * 1e6),
        Some(hz) => format!("{:.4} mHz", hz * 1e3),
    }
}

fn seconds(s: Option<f64>) -> String {
    s.map_or("\u{2013}".into(), |s| format!("{s:.3} s"))
}

fn percent(share: Option<f64>) -> String {
    share.map_or("\u{2013}".into(), |share| format!("{:.2} %", 100.0 * share))
}

fn worst(errors: &Errors) -> Option<f64> {
    errors.worst.map(|(error, _)| error)
}

/// All rows.
pub fn rows(scenario: &Scenario, score: &Score) -> Vec<Row> {
    let (window, apart) = (&score.window, &score.coverage_apart);
    let (low, high) = apart.expected();
    let worst_at = window.worst.map_or(String::new(), |(_, at)| format!("at {:.3} s", at.seconds()));
    let bound = match score.over_bound() {
        Some(ratio) => format!(
            "the least scatter that any estimator can reach; the errors, clock apart, have {ratio:.2} times that"
        ),
        None => score.doubt().map_or(String::new(), |doubt| format!("does not hold: {doubt}")),
    };
    let expected = if apart.judged == 0 {
        String::new()
    } else {
        format!(
            "clock apart {}; {:.1} to {:.1} % by chance",
            percent(apart.share()),
            100.0 * low,
            100.0 * high
        )
    };
    let settling = &score.settling;
    let settled = match settling.worst {
        _ if settling.steps == 0 => "no step of frequency or phase, no dip".into(),
        Some((0.0, _)) => "no reading left its interval".into(),
        Some((worst, at)) => format!(
            "mean, after {} of {} steps; the longest {worst:.3} s after that at {:.3} s",
            settling.settled,
            settling.steps,
            at.seconds()
        ),
        None => format!("after none of {} steps", settling.steps),
    };
    let first_false =
        score.first_false.map_or(String::new(), |at| format!("the first at {:.3} s", at.seconds()));
    let counts = &score.counts;
    let rejected = counts.too_soon + counts.off_expected + counts.ambiguous;
    let mut rows = vec![
        row(
            "Error, mean",
            mhz(window.bias()),
            "against the true frequency over each reading's window".into(),
        ),
        row("Error, rms", mhz(window.rms()), format!("clock apart {}", mhz(score.apart.rms()))),
        row("Error, worst", mhz(worst(window)), worst_at),
        row(
            "Whole windows alone, rms",
            mhz(score.whole.rms()),
            format!("without the short windows after a lock; worst {}", mhz(worst(&score.whole))),
        ),
        row(
            "Against the middle, rms",
            mhz(score.instant.rms()),
            format!(
                "against the true frequency in the middle of the window; worst {}",
                mhz(worst(&score.instant))
            ),
        ),
        row("Noise permits, rms", mhz(score.bound_hz()), bound),
        row(
            "Clock's part",
            mhz(Some(score.clock_hz(scenario.nominal_hz)).filter(|_| window.count > 0)),
            "of every error, all the time".into(),
        ),
        row("95 % interval holds the truth", percent(score.coverage.share()), expected),
        row(
            "First lock",
            seconds(score.lock_s),
            if score.lock_s.is_none() { "never".into() } else { "after the start".into() },
        ),
        row("Settling", seconds(settling.mean_s()), settled),
        row("Readings", score.readings.to_string(), format!("{} of them unknown", score.unknown)),
        row("False readings", score.false_readings.to_string(), first_false),
        row("Edges", counts.edges.to_string(), format!("{:.4} a true crossing", score.edges_per_crossing)),
        row("Crossings taken", counts.crossings.to_string(), format!("{} cycles without one", score.missed)),
        row(
            "Edges rejected",
            rejected.to_string(),
            format!(
                "{} too soon, {} off the expected time, {} ambiguous",
                counts.too_soon, counts.off_expected, counts.ambiguous
            ),
        ),
    ];
    rows.extend(score.overruns.map(|overruns| row("Captures overrun", overruns.to_string(), String::new())));
    rows.push(row("Wraps mistaken", score.mistaken.to_string(), String::new()));
    rows
}
