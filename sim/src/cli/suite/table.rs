//! A suite as a table to read: what is wrong first, then a line each.

use std::io::{self, Write};

use humtick_sim::suite::Verdict;
use humtick_sim::suite::baseline::{Trend, overall};

use super::Results;
use crate::cli::plain;

/// Writes the whole.
pub fn write(out: &mut impl Write, results: &Results) -> io::Result<()> {
    faults(out, results)?;
    lines(out, results)?;
    summary(out, results)
}

fn faults(out: &mut impl Write, results: &Results) -> io::Result<()> {
    let settings = results.options.settings.as_deref();
    for text in results.outcomes.iter().filter_map(|outcome| outcome.explained(settings)) {
        text.lines().try_for_each(|line| writeln!(out, "{}", plain(line)))?;
        writeln!(out)?;
    }
    Ok(())
}

fn lines(out: &mut impl Write, results: &Results) -> io::Result<()> {
    let names: Vec<_> = results.outcomes.iter().map(|outcome| plain(&outcome.name)).collect();
    let width = names.iter().map(|name| name.chars().count()).max().unwrap_or(0).max("scenario".len());
    let since = if results.changes.is_empty() { "" } else { "     since the baseline" };
    writeln!(
        out,
        "{:<width$}  {:>10}  {:>10}  {:>10}  {:>8}  {:>6}  verdict{since}",
        "scenario", "worst mHz", "rms mHz", "coverage %", "lock s", "false"
    )?;
    for (place, (name, outcome)) in names.iter().zip(&results.outcomes).enumerate() {
        let [worst, rms, coverage, lock, false_readings] = outcome.cells();
        let verdict = outcome.verdict().name();
        write!(
            out,
            "{name:<width$}  {worst:>10}  {rms:>10}  {coverage:>10}  {lock:>8}  {false_readings:>6}  "
        )?;
        match results.changes.get(place) {
            None => writeln!(out, "{verdict}")?,
            Some(change) if change.why.is_empty() => writeln!(out, "{verdict:<10}  {}", change.trend.name())?,
            Some(change) => writeln!(out, "{verdict:<10}  {}: {}", change.trend.name(), plain(&change.why))?,
        }
    }
    writeln!(out)
}

fn summary(out: &mut impl Write, results: &Results) -> io::Result<()> {
    let count = |verdict| results.outcomes.iter().filter(|outcome| outcome.verdict() == verdict).count();
    let figures = results.outcomes.iter().filter_map(|outcome| outcome.figures.as_ref());
    // An empty sum is -0, which would be shown.
    let hours = figures.map(|figures| figures.duration_s).fold(0.0, |a, b| a + b) / 3_600.0;
    let (all, s) = (results.outcomes.len(), if results.outcomes.len() == 1 { "" } else { "s" });
    write!(out, "{all} scenario{s}, {hours:.2} h: {} kept", count(Verdict::Kept))?;
    for (verdict, what) in [
        (Verdict::Broken, "broken"),
        (Verdict::Unlimited, "without limits"),
        (Verdict::Unreadable, "unreadable"),
    ] {
        if count(verdict) > 0 {
            write!(out, ", {} {what}", count(verdict))?;
        }
    }
    writeln!(out)?;
    if results.changes.is_empty() {
        return Ok(());
    }
    let trend = |trend| results.changes.iter().filter(|change| change.trend == trend).count();
    write!(
        out,
        "since the baseline: {} worse, {} better, {} same",
        trend(Trend::Worse),
        trend(Trend::Better),
        trend(Trend::Same)
    )?;
    for (which, what) in [(Trend::Unclear, "unclear"), (Trend::New, "new")] {
        if trend(which) > 0 {
            write!(out, ", {} {what}", trend(which))?;
        }
    }
    if let Some(middle) = overall(&results.changes) {
        write!(out, "; rms, clock apart, {:+.1} % in the median", 100.0 * middle)?;
    }
    writeln!(out)?;
    if !results.gone.is_empty() {
        writeln!(out, "gone since: {}", plain(&results.gone.join(", ")))?;
    }
    Ok(())
}
