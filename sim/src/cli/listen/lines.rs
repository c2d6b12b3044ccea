//! In a pipe: a line a reading, and lines for what happens.

use std::io::{self, Write, stderr};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use humtick_sim::entry::state_name;
use humtick_sim::listen::{Desk, Listener, Watcher, headline};
use humtick_sim::log::row::{COLUMNS, Row};
use humtick_sim::log::utc;
use humtick_sim::station::{News, Sensor};
use serde::Serialize;

use super::super::format::{Format, figures, plain};
use super::{Show, event};

/// Bytes that wait for whoever reads the output.
const MOST_WAITING: usize = 4 << 20;

/// A reader that has stopped for so long is waited for no more: readings come in and are kept all the same.
const PATIENCE: Duration = Duration::from_secs(1);

/// Notes in one stretch of ten seconds; what more there are is counted.
const MOST_NOTES: u32 = 20;
const STRETCH: Duration = Duration::from_secs(10);

/// Lines on standard output, notes on standard error.
pub struct Lines {
    format: Format,
    pipe: Arc<Pipe>,
    batch: Vec<u8>,
    notes: Notes,
    /// Lines since somebody took some.
    left_out: usize,
}

#[derive(Default)]
struct Pipe {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Default)]
struct State {
    waiting: Vec<u8>,
    is_busy: bool,
    is_broken: bool,
    is_given_up: bool,
}

impl Lines {
    /// Says where it listens, and begins.
    pub fn open(format: Format, listener: &Listener) -> Self {
        let mut notes = Notes::new();
        for place in listener.places() {
            notes.say(&format!("listening at {place}"));
        }
        let pipe = Arc::new(Pipe::default());
        let out = Arc::clone(&pipe);
        thread::spawn(move || out.write(io::stdout()));
        let batch = match format {
            Format::Csv => format!("sensor,{COLUMNS}\n").into_bytes(),
            Format::Table | Format::Jsonl => Vec::new(),
        };
        Self { format, pipe, batch, notes, left_out: 0 }
    }
}

impl Pipe {
    fn write(&self, mut out: impl Write) {
        loop {
            let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
            while state.waiting.is_empty() {
                state.is_busy = false;
                self.changed.notify_all();
                state = self.changed.wait(state).unwrap_or_else(PoisonError::into_inner);
            }
            let batch = std::mem::take(&mut state.waiting);
            (state.is_busy, state.is_given_up) = (true, false);
            self.changed.notify_all();
            drop(state);
            if out.write_all(&batch).and_then(|()| out.flush()).is_err() {
                self.state.lock().unwrap_or_else(PoisonError::into_inner).is_broken = true;
                self.changed.notify_all();
                return;
            }
        }
    }

    /// Hands a batch over, and waits for room; whether it was taken, or `None` where nobody reads any more.
    fn hand(&self, batch: &mut Vec<u8>) -> Option<bool> {
        let state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let is_full =
            |state: &mut State| state.waiting.len() > MOST_WAITING && !state.is_broken && !state.is_given_up;
        let (mut state, waited) =
            self.changed.wait_timeout_while(state, PATIENCE, is_full).unwrap_or_else(PoisonError::into_inner);
        if state.is_broken {
            return None;
        }
        state.is_given_up |= waited.timed_out();
        let has_room = state.waiting.len() <= MOST_WAITING;
        if has_room {
            state.waiting.append(batch);
            self.changed.notify_all();
        }
        batch.clear();
        Some(has_room)
    }

    /// Waits until everything is written, but not for ever.
    fn drain(&self) {
        let state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let is_left = |state: &mut State| (state.is_busy || !state.waiting.is_empty()) && !state.is_broken;
        let _ = self.changed.wait_timeout_while(state, 5 * PATIENCE, is_left);
    }
}

#[derive(Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
enum Record<'a> {
    Reading {
        sensor: &'a str,
        utc: String,
        t_s: f64,
        sequence: u16,
        state: &'static str,
        frequency_hz: Option<f64>,
        u95_hz: Option<f64>,
        rocof_hz_s: Option<f64>,
        missed: u16,
        rejected: u16,
    },
    Event {
        sensor: &'a str,
        utc: String,
        event: &'static str,
        #[serde(skip_serializing_if = "Option::is_none")]
        missing: Option<u16>,
        #[serde(skip_serializing_if = "Option::is_none")]
        band: Option<&'a str>,
        #[serde(skip_serializing_if = "Option::is_none")]
        extreme: Option<f64>,
    },
}

impl Watcher for Lines {
    fn news(&mut self, sensor: &Sensor, row: &Row, news: &News) {
        let batch = &mut self.batch;
        // Writing to memory does not fail.
        let _ = match (self.format, headline(news)) {
            (Format::Table, None) => table(batch, sensor, row),
            (Format::Table, Some((text, is_alarm))) => {
                let mark = if is_alarm { "! " } else { "" };
                writeln!(batch, "{}  {:<16}  {mark}{text}", utc::text(row.utc_ms), sensor.name.as_str())
            }
            (Format::Csv, None) => {
                batch.extend_from_slice(format!("{},", sensor.name).as_bytes());
                row.write(batch);
                Ok(())
            }
            (Format::Csv, Some((text, _))) => {
                writeln!(batch, "# {} {}: {text}", utc::text(row.utc_ms), sensor.name.as_str())
            }
            (Format::Jsonl, _) => json(batch, sensor, row, news),
        };
    }

    fn note(&mut self, text: &str) {
        self.notes.say(text);
    }
}

fn table(out: &mut Vec<u8>, sensor: &Sensor, row: &Row) -> io::Result<()> {
    let record = &row.record;
    let hertz = |f: Option<humtick::Frequency>| f.map(|f| f.nanohertz() as f64 / 1e9);
    let (frequency, u95) = figures(hertz(record.frequency), hertz(record.uncertainty));
    let (at, state) = (utc::text(row.utc_ms), state_name(record.state));
    write!(out, "{at}  {:<16}  {frequency:>14}  {u95:>10}  {state}", sensor.name.as_str())?;
    if record.missed > 0 || record.rejected > 0 {
        write!(out, ", {} missed, {} rejected", record.missed, record.rejected)?;
    }
    writeln!(out)
}

fn json(out: &mut Vec<u8>, sensor: &Sensor, row: &Row, news: &News) -> io::Result<()> {
    let (sensor, utc, record) = (sensor.name.as_str(), utc::text(row.utc_ms), &row.record);
    let hertz = |f: Option<humtick::Frequency>| f.map(|f| f.nanohertz() as f64 / 1e9);
    let value = match (event(news), news) {
        (None, _) => Record::Reading {
            sensor,
            utc,
            t_s: f64::from(record.time_ms) / 1e3,
            sequence: record.sequence,
            state: state_name(record.state),
            frequency_hz: hertz(record.frequency),
            u95_hz: hertz(record.uncertainty),
            rocof_hz_s: record.rocof.map(|r| r as f64 / 1e9),
            missed: record.missed,
            rejected: record.rejected,
        },
        (Some(event), news) => {
            let (missing, band, extreme) = match news {
                News::Missing(count) => (Some(*count), None, None),
                News::Limit { band, extreme, .. } => (None, Some(band.as_str()), Some(*extreme)),
                _ => (None, None, None),
            };
            Record::Event { sensor, utc, event, missing, band, extreme }
        }
    };
    serde_json::to_writer(&mut *out, &value)?;
    writeln!(out)
}

impl Show for Lines {
    fn show(&mut self, _: &Desk, _: &Listener, now: Instant) -> bool {
        self.notes.advance(now);
        if self.batch.is_empty() {
            return true;
        }
        self.hand_over().is_some()
    }

    fn end(&mut self, _: &Desk) {
        // Whoever read it has had enough, or has it all.
        let _ = self.hand_over();
        self.say_left_out();
        self.pipe.drain();
    }
}

impl Lines {
    /// `None` where nobody reads any more.
    fn hand_over(&mut self) -> Option<()> {
        let lines = self.batch.iter().filter(|byte| **byte == b'\n').count();
        if self.pipe.hand(&mut self.batch)? {
            self.say_left_out();
        } else {
            if self.left_out == 0 {
                self.notes.say("nobody takes the output: lines are left out until somebody does");
            }
            self.left_out += lines;
        }
        Some(())
    }

    fn say_left_out(&mut self) {
        if let left_out @ 1.. = std::mem::take(&mut self.left_out) {
            self.notes.say(&format!(
                "{left_out} lines of output were left out; the log, if there is one, has them"
            ));
        }
    }
}

/// What is said on standard error, within reason.
struct Notes {
    since: Instant,
    said: u32,
}

impl Notes {
    fn new() -> Self {
        Self { since: Instant::now(), said: 0 }
    }

    fn say(&mut self, text: &str) {
        self.advance(Instant::now());
        self.said += 1;
        if self.said <= MOST_NOTES {
            // Where standard error is gone there is nobody to tell.
            let _ = writeln!(stderr(), "humtick: {}", plain(text));
        }
    }

    fn advance(&mut self, now: Instant) {
        if now.saturating_duration_since(self.since) < STRETCH {
            return;
        }
        if let Some(more @ 1..) = self.said.checked_sub(MOST_NOTES) {
            let _ = writeln!(stderr(), "humtick: and {more} messages more");
        }
        (self.since, self.said) = (now, 0);
    }
}
