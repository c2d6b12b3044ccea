//! A suite as records: a line of JSON or of CSV each.

use std::io::{self, Write};

use humtick_sim::suite::Outcome;
use humtick_sim::suite::baseline::Change;
use serde::Serialize;
use serde_json::{Value, json};

use crate::cli::trial::record::cell;

/// An outcome with what it comes to.
#[derive(Serialize)]
struct Line<'a> {
    verdict: String,
    #[serde(flatten)]
    outcome: &'a Outcome,
    #[serde(flatten)]
    change: Option<Since>,
}

/// What has become of it.
#[derive(Serialize)]
struct Since {
    since: &'static str,
    since_rms: Option<f64>,
    since_rms_noise: Option<f64>,
    since_why: String,
}

impl Since {
    fn new(change: &Change) -> Self {
        Self {
            since: change.trend.name(),
            since_rms: change.rms,
            since_rms_noise: change.noise,
            since_why: change.why.clone(),
        }
    }
}

/// What `--baseline` reads.
pub fn save(out: &mut impl Write, outcomes: &[Outcome]) -> io::Result<()> {
    outcomes.iter().try_for_each(|outcome| {
        serde_json::to_writer(&mut *out, outcome)?;
        writeln!(out)
    })
}

pub fn json(out: &mut impl Write, outcomes: &[Outcome], changes: &[Change]) -> io::Result<()> {
    outcomes.iter().enumerate().try_for_each(|(place, outcome)| {
        let verdict = outcome.verdict().name().to_lowercase();
        serde_json::to_writer(
            &mut *out,
            &Line { verdict, outcome, change: changes.get(place).map(Since::new) },
        )?;
        writeln!(out)
    })
}

pub fn csv(out: &mut impl Write, outcomes: &[Outcome], changes: &[Change]) -> io::Result<()> {
    for (place, outcome) in outcomes.iter().enumerate() {
        let fields = fields(outcome, changes.get(place));
        if place == 0 {
            writeln!(out, "{}", fields.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(","))?;
        }
        writeln!(out, "{}", fields.iter().map(|(_, value)| cell(value)).collect::<Vec<_>>().join(","))?;
    }
    Ok(())
}

fn fields(outcome: &Outcome, change: Option<&Change>) -> Vec<(&'static str, Value)> {
    let figures = outcome.figures.as_ref();
    let mut fields = vec![
        ("name", json!(outcome.name)),
        ("verdict", json!(outcome.verdict().name().to_lowercase())),
        ("worst_hz", json!(figures.and_then(|f| f.worst_hz))),
        ("worst_at_s", json!(figures.and_then(|f| f.worst_at_s))),
        ("rms_hz", json!(figures.and_then(|f| f.rms_hz))),
        ("apart_rms_hz", json!(figures.and_then(|f| f.apart_rms_hz))),
        ("coverage", json!(figures.and_then(|f| f.coverage))),
        ("lock_s", json!(figures.and_then(|f| f.lock_s))),
        ("readings", json!(figures.map(|f| f.readings))),
        ("unknown", json!(figures.map(|f| f.unknown))),
        ("false_readings", json!(figures.map(|f| f.false_readings))),
        ("seed", json!(figures.map(|f| f.seed))),
        ("duration_s", json!(figures.map(|f| f.duration_s))),
        ("broken", json!(outcome.broken)),
        ("unreadable", json!(outcome.unreadable)),
    ];
    if let Some(change) = change {
        fields.extend([
            ("since", json!(change.trend.name())),
            ("since_rms", json!(change.rms)),
            ("since_rms_noise", json!(change.noise)),
            ("since_why", json!(change.why)),
        ]);
    }
    fields
}
