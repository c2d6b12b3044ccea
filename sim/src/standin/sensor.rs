//! A scenario as a sensor sees it: its board's captures through the core, a record whenever a reading falls due.

use std::collections::VecDeque;

use humtick::link::{Record, next};
use humtick::{Capture, Edge};

use crate::bench::Bench;
use crate::board;
use crate::edge::TimedEdge;
use crate::mains::Mains;
use crate::moment::Moment;
use crate::output::{Glitches, SlowEdges};
use crate::scenario::Scenario;
use crate::settings::SettingsError;
use crate::timeline::extender;
use crate::timer::Captures;

/// What a sensor said, and when.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Said {
    /// True time.
    pub at: Moment,
    /// The record; its own time is the sensor's.
    pub record: Record,
}

/// A sensor on a scenario's mains. As on the desk, and unlike a board's, its time begins with the first edge: where nothing is ever on the
/// line it says nothing. It ends with the scenario.
pub struct Sensor {
    captures: Captures<Glitches<SlowEdges<Mains>>>,
    extend: fn(Capture) -> Edge,
    bench: Bench,
    /// Ticks a second, the clock's lasting error included.
    rate: f64,
    tick_hz: u64,
    /// Where the counter stood at the start.
    start: u64,
    end: Moment,
    /// The latest edge, on an endless tick scale and in true time.
    latest: Option<(u64, Moment)>,
    is_over: bool,
    sequence: Option<u16>,
    said: VecDeque<Said>,
}

impl Sensor {
    /// One that has said nothing.
    ///
    /// # Errors
    /// Settings of the meter that do not fit the timer.
    pub fn new(scenario: &Scenario) -> Result<Self, SettingsError> {
        let timer = &scenario.timer;
        let config = scenario.meter.config(timer.tick_hz)?;
        let extend = extender(timer.bits).ok_or_else(|| {
            SettingsError::Value(format!("a counter of {} bits: expected 8 to 32", timer.bits))
        })?;
        Ok(Self {
            captures: board::captures(scenario, 1),
            extend,
            bench: Bench::new(&scenario.meter, &config)?,
            rate: f64::from(timer.tick_hz) * (1.0 + timer.clock_ppm * 1e-6),
            tick_hz: timer.tick_hz.into(),
            start: timer.start.into(),
            end: Moment::from_s(scenario.duration_s),
            latest: None,
            is_over: false,
            sequence: None,
            said: VecDeque::new(),
        })
    }

    /// Takes the next edge, or the silence up to the end.
    fn advance(&mut self) {
        let Some(handed) = self.captures.next().filter(|handed| handed.edge.at < self.end) else {
            self.is_over = true;
            if let Some((tick, at)) = self.latest {
                self.wait(tick + (self.end.since(at) * self.rate) as u64);
            }
            return;
        };
        let edge = (self.extend)(handed.capture);
        if !self.bench.takes(edge.polarity) {
            return;
        }
        // A torn stamp may lie before the counter's start, and so the scale begins one wrap up.
        let off = edge.stamp.raw().wrapping_sub(handed.ticks as u32).cast_signed();
        let tick = (1 << 32 | handed.ticks).wrapping_add_signed(off.into());
        self.wait(tick);
        self.latest = Some((tick, handed.edge.at));
        self.bench.take(TimedEdge { ticks: tick, polarity: edge.polarity });
        self.read();
    }

    fn wait(&mut self, to: u64) {
        let Some(latest) = self.latest else { return };
        let mut due = Vec::new();
        let Ok(()) = self.bench.wait(to, |bench, _| {
            due.extend(
                bench.take_reading().map(|reading| (bench.now(), bench.place(reading.middle), reading)),
            );
            Ok::<(), std::convert::Infallible>(())
        });
        for (now, middle, reading) in due {
            self.say(latest, now, middle, &reading);
        }
    }

    fn read(&mut self) {
        if let Some(latest) = self.latest
            && let Some(reading) = self.bench.take_reading()
        {
            let (now, middle) = (self.bench.now(), self.bench.place(reading.middle));
            self.say(latest, now, middle, &reading);
        }
    }

    fn say(&mut self, latest: (u64, Moment), now: u64, middle: u64, reading: &humtick::Reading) {
        let sequence = self.sequence.map_or(0, next);
        self.sequence = Some(sequence);
        let ticks = middle.saturating_sub((1 << 32) + self.start);
        // Whole seconds apart, so that the product stays within 64 bits.
        let ms = ticks / self.tick_hz * 1_000 + ticks % self.tick_hz * 1_000 / self.tick_hz;
        let at = latest.1.later((now as f64 - latest.0 as f64) / self.rate);
        // The sensor's time is modulo 2^32 ms.
        self.said.push_back(Said { at, record: Record::new(sequence, ms as u32, reading) });
    }
}

impl Iterator for Sensor {
    type Item = Said;

    fn next(&mut self) -> Option<Said> {
        while self.said.is_empty() && !self.is_over {
            self.advance();
        }
        self.said.pop_front()
    }
}

#[cfg(test)]
mod tests {
    use humtick::State;
    use humtick::link::{Arrival, Sequence};

    use super::*;
    use crate::scenario::{Instead, built_in};

    fn sensor(name: &str, duration_s: f64) -> (Sensor, Scenario) {
        let instead = Instead { seed: None, duration_s: Some(duration_s) };
        let text = built_in::find(name).unwrap();
        let scenario = Scenario::from_toml_with(text, "test.toml".as_ref(), instead).unwrap();
        (Sensor::new(&scenario).unwrap(), scenario)
    }

    /// Ten readings a second, numbered without a gap, each said after its window's middle and about half a window later; and the same that a
    /// trial scores.
    #[test]
    fn it_says_what_a_trial_scores() {
        let (sensor, scenario) = sensor("hydro-by-day", 20.0);
        let said: Vec<Said> = sensor.collect();
        assert!((195..=201).contains(&said.len()), "{}", said.len());
        let mut sequence = Sequence::new();
        assert!(said.iter().all(|s| sequence.take(&s.record) == Arrival::Next));
        assert!(said.iter().is_sorted_by_key(|s| s.at.seconds()));
        for s in said.iter().filter(|s| s.record.frequency.is_some()).skip(10) {
            let behind = s.at.seconds() - f64::from(s.record.time_ms) * 1e-3;
            assert!((0.4..0.7).contains(&behind), "{behind}");
        }
        let extend = extender(scenario.timer.bits).unwrap();
        let handed = board::captures(&scenario, 1).map(|h| crate::trial::Handed::new(&h, extend));
        let mut scored = Vec::new();
        crate::trial::run(&scenario, crate::mains::grid::course(&scenario), handed, |s| {
            scored.push(s.reading.frequency_hz);
        })
        .unwrap();
        let hz = |s: &Said| s.record.frequency.map(|f| f.nanohertz() as f64 / 1e9);
        assert_eq!(said.iter().map(hz).collect::<Vec<_>>(), scored);
    }

    /// A dead line is said to be lost as long as it is dead, to the end.
    #[test]
    fn it_says_that_the_signal_is_lost() {
        let (sensor, _) = sensor("plant-islands", 120.0);
        let said: Vec<Said> = sensor.collect();
        assert!(said.iter().any(|s| s.record.state == State::Locked));
        assert!(said.last().unwrap().at.seconds() > 119.8);
    }
}
