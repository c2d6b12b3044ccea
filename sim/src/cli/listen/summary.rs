//! What there was to be heard, in the end.

use std::io::{self, Write, stderr, stdout};
use std::time::Duration;

use humtick_sim::listen::{Desk, Listener};
use serde::Serialize;

use super::super::format::Format;
use super::grid;

#[derive(Serialize)]
struct Record<'a> {
    kind: &'static str,
    sensor: &'a str,
    readings: u64,
    lost: u64,
    doubled: u64,
    late: u64,
    restarts: u64,
    refused: u64,
    grid_ahead_s: Option<f64>,
}

/// Prints it: JSON Lines to the output, everything else to standard error, where it is in nobody's way.
pub fn print(format: Format, desk: &Desk, listener: &Listener, after: Duration) {
    // Whoever read it has gone, or there is nobody to tell.
    let _ = match format {
        Format::Jsonl => records(desk, stdout().lock()),
        Format::Table | Format::Csv => table(desk, listener, after, stderr().lock()),
    };
}

fn records(desk: &Desk, mut out: impl Write) -> io::Result<()> {
    for (_, sensor) in desk.station().sensors() {
        let tally = sensor.tally;
        let record = Record {
            kind: "summary",
            sensor: sensor.name.as_str(),
            readings: tally.readings,
            lost: tally.lost,
            doubled: tally.doubled,
            late: tally.late,
            restarts: tally.restarts,
            refused: tally.refused,
            grid_ahead_s: grid(sensor).map(|(ahead, _)| ahead),
        };
        serde_json::to_writer(&mut out, &record)?;
        writeln!(out)?;
    }
    Ok(())
}

fn table(desk: &Desk, listener: &Listener, after: Duration, mut out: impl Write) -> io::Result<()> {
    let sensors = desk.station().sensors();
    writeln!(
        out,
        "{:<16}  {:>10}  {:>8}  {:>8}  {:>6}  {:>8}  {:>8}  grid time s",
        "sensor", "readings", "lost", "doubled", "late", "restarts", "refused"
    )?;
    for (_, sensor) in desk.station().sensors() {
        let t = sensor.tally;
        let ahead = grid(sensor).map_or(String::new(), |(ahead, since)| format!("{ahead:+.3} in {since:.0}"));
        writeln!(
            out,
            "{:<16}  {:>10}  {:>8}  {:>8}  {:>6}  {:>8}  {:>8}  {ahead}",
            sensor.name.as_str(),
            t.readings,
            t.lost,
            t.doubled,
            t.late,
            t.restarts,
            t.refused
        )?;
    }
    let (count, after) = (sensors.len(), after.as_secs_f64());
    write!(out, "{count} {} in {after:.1} s", if count == 1 { "sensor" } else { "sensors" })?;
    if let Some(folder) = desk.folder() {
        let (rows, lost) = folder.counts();
        write!(out, "; {rows} readings written to the log")?;
        if lost > 0 || folder.is_failing() {
            write!(out, ", {lost} lost, and what could not be written in the end")?;
        }
    }
    let (_, refused) = listener.connections();
    if refused > 0 {
        write!(out, "; {refused} connections turned away")?;
    }
    writeln!(out)
}
