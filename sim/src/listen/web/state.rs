//! What the page is told, as JSON in a server-sent event.

use std::time::Instant;

use serde::Serialize;

use crate::entry::state_name;
use crate::listen::desk::{Desk, Headline};
use crate::log::utc;
use crate::station::Sensor;
use crate::station::trend::SECONDS;

/// Sensors on the page; a browser has trouble enough with so many.
const SHOWN: usize = 1_000;

#[derive(Serialize)]
struct State<'a> {
    utc: String,
    /// How many points a trend has.
    seconds: usize,
    sensors: Vec<Shown<'a>>,
    more: usize,
    outside: usize,
    is_logged: bool,
    is_failing: bool,
    headlines: Vec<Line<'a>>,
}

#[derive(Serialize)]
struct Shown<'a> {
    name: &'a str,
    state: &'static str,
    hz: Option<f64>,
    u95: Option<f64>,
    rocof: Option<f64>,
    heard_s: f64,
    nominal: Option<f64>,
    readings: u64,
    lost: u64,
    doubled: u64,
    restarts: u64,
    refused: u64,
    ahead_s: Option<f64>,
    since_s: Option<f64>,
    outside: bool,
    silent: bool,
    /// Millihertz off nominal, a point a second: all that is kept in the first event, then the last whole second's.
    trend: Vec<Option<f64>>,
}

#[derive(Serialize)]
struct Line<'a> {
    utc: String,
    name: &'a str,
    text: &'a str,
    alarm: bool,
}

/// An event: everything in the `first`, later what is new.
pub fn event(desk: &Desk, now: Instant, first: bool) -> Vec<u8> {
    let station = desk.station();
    let state = State {
        utc: utc::text(utc::now_ms()),
        seconds: SECONDS,
        sensors: station.sensors().take(SHOWN).map(|(_, sensor)| shown(sensor, now, first)).collect(),
        more: station.sensors().len().saturating_sub(SHOWN),
        outside: station.outside(),
        is_logged: desk.folder().is_some(),
        is_failing: desk.folder().is_some_and(|folder| folder.is_failing()),
        headlines: desk.headlines().take(20).map(line).collect(),
    };
    let mut event = Vec::from(if first { "event: all\ndata: ".as_bytes() } else { b"event: now\ndata: " });
    // Numbers, text and lists cannot fail, and JSON has no line ends of its own.
    if serde_json::to_writer(&mut event, &state).is_err() {
        return Vec::new();
    }
    event.extend_from_slice(b"\n\n");
    event
}

fn shown(sensor: &Sensor, now: Instant, all: bool) -> Shown<'_> {
    // A hundredth of a millihertz is finer than a pixel.
    let point = |hz: f32| (f64::from(hz) * 1e5).round() / 1e2;
    let tally = sensor.tally;
    let trend = if all {
        let whole = sensor.trend.points().len().saturating_sub(1);
        sensor.trend.points().take(whole).map(|p| p.map(point)).collect()
    } else {
        vec![sensor.trend.last_whole().map(point)]
    };
    Shown {
        name: sensor.name.as_str(),
        state: state_name(sensor.last.state),
        hz: sensor.hertz(),
        u95: sensor.u95(),
        rocof: sensor.last.rocof.map(|r| r as f64 / 1e9),
        heard_s: (now.saturating_duration_since(sensor.heard).as_secs_f64() * 10.0).round() / 10.0,
        nominal: sensor.nominal_hz,
        readings: tally.readings,
        lost: tally.lost,
        doubled: tally.doubled,
        restarts: tally.restarts,
        refused: tally.refused,
        ahead_s: sensor.grid().map(|grid| grid.ahead_s),
        since_s: sensor.grid().map(|grid| grid.since_s),
        outside: sensor.is_outside(),
        silent: sensor.is_silent(),
        trend,
    }
}

fn line(headline: &Headline) -> Line<'_> {
    let Headline { utc_ms, name, text, is_alarm, .. } = headline;
    Line { utc: utc::text(*utc_ms), name: name.as_str(), text, alarm: *is_alarm }
}
