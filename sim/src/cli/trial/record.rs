//! A score as one record: a line of JSON, or a line of CSV under its heads.

use std::io::{self, Write};

use humtick_sim::scenario::Scenario;
use humtick_sim::score::{Errors, Score};
use serde_json::{Value, json};

/// Every figure by its name, in SI units; null where unknown.
fn fields(scenario: &Scenario, score: &Score, broken: &[String]) -> Vec<(&'static str, Value)> {
    let worst = |errors: &Errors| (errors.worst.map(|w| w.0), errors.worst.map(|w| w.1.seconds()));
    let (worst_hz, worst_at_s) = worst(&score.window);
    let (instant_worst_hz, instant_worst_at_s) = worst(&score.instant);
    let (low, high) = score.coverage_apart.expected();
    let settling = &score.settling;
    vec![
        ("kind", json!("trial")),
        ("name", json!(scenario.name)),
        ("seed", json!(scenario.seed)),
        ("duration_s", json!(score.duration_s)),
        ("estimator", json!(scenario.meter.estimator.name())),
        ("window_s", json!(scenario.meter.window_s)),
        ("readings", json!(score.readings)),
        ("unknown", json!(score.unknown)),
        ("false_readings", json!(score.false_readings)),
        ("first_false_s", json!(score.first_false.map(|at| at.seconds()))),
        ("bias_hz", json!(score.window.bias())),
        ("rms_hz", json!(score.window.rms())),
        ("worst_hz", json!(worst_hz)),
        ("worst_at_s", json!(worst_at_s)),
        ("whole_windows", json!(score.whole.count)),
        ("whole_rms_hz", json!(score.whole.rms())),
        ("whole_worst_hz", json!(score.whole.worst.map(|w| w.0))),
        ("whole_apart_rms_hz", json!(score.whole_apart.rms())),
        ("instant_rms_hz", json!(score.instant.rms())),
        ("instant_worst_hz", json!(instant_worst_hz)),
        ("instant_worst_at_s", json!(instant_worst_at_s)),
        ("apart_bias_hz", json!(score.apart.bias())),
        ("apart_rms_hz", json!(score.apart.rms())),
        ("clock_hz", json!(score.clock_hz(scenario.nominal_hz))),
        ("bound_hz", json!(score.bound_hz())),
        ("rms_over_bound", json!(score.over_bound())),
        ("stamp_noise_s", json!(score.bound.noise_s)),
        ("stamp_latency_s", json!(score.bound.latency_s)),
        ("stamp_quantum_s", json!(score.bound.quantum_s)),
        ("coverage", json!(score.coverage.share())),
        ("coverage_apart", json!(score.coverage_apart.share())),
        ("coverage_judged", json!(score.coverage.judged)),
        ("coverage_independent", json!(score.coverage.independent)),
        ("coverage_expected_low", json!(low)),
        ("coverage_expected_high", json!(high)),
        ("lock_s", json!(score.lock_s)),
        ("steps", json!(settling.steps)),
        ("steps_settled", json!(settling.settled)),
        ("steps_unnoticed", json!(settling.unnoticed)),
        ("settling_mean_s", json!(settling.mean_s())),
        ("settling_worst_s", json!(settling.worst.map(|w| w.0))),
        ("settling_worst_after_s", json!(settling.worst.map(|w| w.1.seconds()))),
        ("edges", json!(score.counts.edges)),
        ("edges_per_crossing", json!(score.edges_per_crossing)),
        ("crossings", json!(score.counts.crossings)),
        ("missed", json!(score.missed)),
        ("too_soon", json!(score.counts.too_soon)),
        ("off_expected", json!(score.counts.off_expected)),
        ("ambiguous", json!(score.counts.ambiguous)),
        ("overruns", json!(score.overruns)),
        ("mistaken_wraps", json!(score.mistaken)),
        ("broken", json!(broken)),
    ]
}

pub fn write_json(
    out: &mut impl Write,
    scenario: &Scenario,
    score: &Score,
    broken: &[String],
) -> io::Result<()> {
    write_object(out, &fields(scenario, score, broken))
}

/// A line of JSON with its members in order.
pub fn write_object<S: AsRef<str>>(out: &mut impl Write, members: &[(S, Value)]) -> io::Result<()> {
    let member = |(name, value): &(S, Value)| format!("{}:{value}", json!(name.as_ref()));
    writeln!(out, "{{{}}}", members.iter().map(member).collect::<Vec<_>>().join(","))
}

pub fn write_csv(
    out: &mut impl Write,
    scenario: &Scenario,
    score: &Score,
    broken: &[String],
) -> io::Result<()> {
    let fields = fields(scenario, score, broken);
    // Every line is a trial.
    let fields = &fields[1..];
    let heads: Vec<_> = fields.iter().map(|(name, _)| *name).collect();
    let cells: Vec<_> = fields.iter().map(|(_, value)| cell(value)).collect();
    writeln!(out, "{}\n{}", heads.join(","), cells.join(","))
}

/// Empty for the unknown; text in quotes where it needs them (RFC 4180).
pub fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => quoted(text),
        Value::Array(items) => quoted(&items.iter().filter_map(Value::as_str).collect::<Vec<_>>().join("; ")),
        other => other.to_string(),
    }
}

fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::trial::table::tests::{noisy_minute, scenario};

    #[test]
    fn one_json_object_in_si_units() {
        let (scenario, score) = noisy_minute();
        let mut out = Vec::new();
        write_json(&mut out, &scenario, &score, &score.broken(&scenario.limits)).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert!(text.starts_with("{\"kind\":\"trial\",\"name\":\"saw, \\\"start\\\"\",\"seed\":7,"));
        let value: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(value["readings"], score.readings);
        assert!((value["bias_hz"].as_f64().unwrap() + 6e-4).abs() < 1e-4);
        assert!((value["clock_hz"].as_f64().unwrap() + 6e-4).abs() < 1e-6);
        assert_eq!(value["settling_mean_s"], Value::Null);
        assert_eq!(value["broken"].as_array().unwrap().len(), 1);
    }

    #[test]
    fn one_csv_line_under_its_heads() {
        let (scenario, score) = noisy_minute();
        let mut out = Vec::new();
        write_csv(&mut out, &scenario, &score, &score.broken(&scenario.limits)).unwrap();
        let text = String::from_utf8(out).unwrap();
        let lines: Vec<_> = text.lines().collect();
        assert_eq!(lines.len(), 2);
        assert!(lines[0].starts_with("name,seed,duration_s,"));
        assert!(lines[1].starts_with("\"saw, \"\"start\"\"\",7,60.0,"));
        let plain = lines[1].replace("\"saw, \"\"start\"\"\"", "name");
        assert_eq!(plain.split(',').count(), lines[0].split(',').count());
        assert!(plain.ends_with(",lock_s = 0.01: locked after 0.080 s"), "{plain}");
        assert_eq!((quoted("a; b"), quoted("a, \"b\"")), ("a; b".into(), "\"a, \"\"b\"\"\"".into()));
    }

    #[test]
    fn nothing_read_is_empty_and_no_number() {
        let scenario = scenario();
        let grid = crate::cli::trial::table::tests::steady();
        let score = humtick_sim::trial::run(&scenario, grid, [], |_| {}).unwrap();
        let mut out = Vec::new();
        write_csv(&mut out, &scenario, &score, &[]).unwrap();
        let text = String::from_utf8(out).unwrap();
        assert!(!text.contains("null") && !text.contains("NaN"), "{text}");
        assert!(text.trim_end().ends_with(",0,0,0,0,,0,"), "{text}");
    }
}
