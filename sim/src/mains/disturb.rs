//! What changes in the voltage and when: each disturbance as a series of changes, all of them in order of time.

use std::cmp::{Ordering, Reverse};
use std::collections::BinaryHeap;

use crate::moment::Moment;
use crate::random::{Random, Use};
use crate::scenario::{Disturb, FlickerShape, Scenario};

/// One change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// The amplitude is multiplied by `factor` as far as this source is concerned.
    Amplitude {
        /// Place of the disturbance in the file.
        source: usize,
        /// 1 when it is over.
        factor: f64,
    },
    /// The voltage's phase jumps forward by so many turns.
    Jump(f64),
    /// A pulse of this size begins; it has a number.
    PulseOn(u64, f64),
    /// The pulse of this number ends.
    PulseOff(u64),
    /// Notches of this source are there or not.
    Notches(usize, bool),
    /// The tone of this source is there or not.
    Tone(usize, bool),
}

/// A change to come.
#[derive(Clone, Copy, Debug)]
struct Pending {
    at: Moment,
    /// In what order it was planned, for changes of one moment.
    order: u64,
    source: usize,
    event: Event,
}

#[derive(Clone, Copy, Debug)]
enum Event {
    /// Number so many of a source begins.
    Begin(u64),
    End,
    PulseEnd(u64),
}

impl PartialEq for Pending {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Pending {}

impl PartialOrd for Pending {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Pending {
    fn cmp(&self, other: &Self) -> Ordering {
        let place = |p: &Self| (p.at.second, p.at.part.to_bits(), p.order);
        place(self).cmp(&place(other))
    }
}

/// All changes of a scenario in order of time.
#[derive(Clone, Debug)]
pub struct Changes {
    disturb: Vec<Disturb>,
    /// Half a period of rectangular flicker in seconds, and its depth.
    flicker: Option<(f64, f64)>,
    random: Vec<Random>,
    planned: u64,
    pulses: u64,
    heap: BinaryHeap<Reverse<Pending>>,
}

impl Changes {
    /// The changes of `scenario`.
    pub fn new(scenario: &Scenario) -> Self {
        let flicker = scenario.voltage.flicker;
        let rectangular = flicker.shape == FlickerShape::Rectangular && flicker.percent > 0.0;
        let count = scenario.disturb.len();
        let mut changes = Self {
            disturb: scenario.disturb.clone(),
            flicker: rectangular.then_some((0.5 / flicker.hz, flicker.percent / 100.0)),
            random: (0..count).map(|i| Random::new(scenario.seed, Use::Disturb, i as u64)).collect(),
            planned: 0,
            pulses: 0,
            heap: BinaryHeap::new(),
        };
        for source in 0..count {
            let begin = match changes.disturb[source] {
                Disturb::Dip { at_s, .. }
                | Disturb::AmplitudeStep { at_s, .. }
                | Disturb::Burst { at_s, .. }
                | Disturb::PhaseJump { at_s, .. }
                | Disturb::Signalling { at_s, .. } => Some(at_s),
                Disturb::Notches { start_s, .. } => Some(start_s),
                Disturb::Impulses { rate_hz, start_s, stop_s, .. } => {
                    let first = start_s + changes.random[source].exponential() / rate_hz;
                    (first < stop_s).then_some(first)
                }
            };
            if let Some(begin) = begin {
                changes.plan(Moment::from_s(begin), source, Event::Begin(0));
            }
        }
        if changes.flicker.is_some() {
            changes.plan(Moment::default(), count, Event::Begin(0));
        }
        changes
    }

    fn plan(&mut self, at: Moment, source: usize, event: Event) {
        self.heap.push(Reverse(Pending { at, order: self.planned, source, event }));
        self.planned += 1;
    }

    /// When the next change comes.
    pub fn next_at(&self) -> Option<Moment> {
        self.heap.peek().map(|Reverse(pending)| pending.at)
    }

    fn pulse(&mut self, at: Moment, source: usize, size: f64, width_s: f64) -> Change {
        let number = self.pulses;
        self.pulses += 1;
        self.plan(at.later(width_s), source, Event::PulseEnd(number));
        Change::PulseOn(number, size)
    }
}

impl Iterator for Changes {
    type Item = (Moment, Change);

    fn next(&mut self) -> Option<Self::Item> {
        let Reverse(Pending { at, source, event, .. }) = self.heap.pop()?;
        if let Event::PulseEnd(number) = event {
            return Some((at, Change::PulseOff(number)));
        }
        let Some(disturb) = self.disturb.get(source).cloned() else {
            let (half, depth) = self.flicker?;
            let Event::Begin(k) = event else { return None };
            self.plan(at.later(half), source, Event::Begin(k + 1));
            let factor = if k % 2 == 0 { 1.0 + depth } else { 1.0 - depth };
            return Some((at, Change::Amplitude { source, factor }));
        };
        let change = match (disturb, event) {
            (Disturb::Dip { at_s, length_s, residual_percent, times, every_s }, Event::Begin(k)) => {
                self.plan(at.later(length_s), source, Event::End);
                if k + 1 < times.into() {
                    self.plan(Moment::from_s(at_s + (k + 1) as f64 * every_s), source, Event::Begin(k + 1));
                }
                Change::Amplitude { source, factor: residual_percent / 100.0 }
            }
            (Disturb::Dip { .. }, _) => Change::Amplitude { source, factor: 1.0 },
            (Disturb::AmplitudeStep { percent, .. }, _) => {
                Change::Amplitude { source, factor: percent / 100.0 }
            }
            (Disturb::Impulses { rate_hz, size_percent, width_us, stop_s, .. }, _) => {
                let random = &mut self.random[source];
                let size = random.normal() * size_percent / 100.0;
                let width = random.exponential() * width_us * 1e-6;
                let next = at.later(random.exponential() / rate_hz);
                if next.since(Moment::from_s(stop_s)) < 0.0 {
                    self.plan(next, source, Event::Begin(0));
                }
                self.pulse(at, source, size, width)
            }
            (
                Disturb::Burst { at_s, length_ms, pulse_hz, period_ms, times, size_percent, width_us },
                Event::Begin(k),
            ) => {
                // 15 ms at 5 kHz are 75 pulses (IEC 61000-4-4).
                let in_burst = ((length_ms * 1e-3 * pulse_hz).round() as u64).max(1);
                let next = k + 1;
                if next < in_burst * u64::from(times) {
                    let burst = (next / in_burst) as f64 * period_ms * 1e-3;
                    let begin = at_s + burst + (next % in_burst) as f64 / pulse_hz;
                    self.plan(Moment::from_s(begin), source, Event::Begin(next));
                }
                self.pulse(at, source, size_percent / 100.0, width_us * 1e-6)
            }
            (Disturb::Notches { stop_s, .. }, Event::Begin(_)) => {
                self.plan(Moment::from_s(stop_s), source, Event::End);
                Change::Notches(source, true)
            }
            (Disturb::Notches { .. }, _) => Change::Notches(source, false),
            (Disturb::PhaseJump { degrees, .. }, _) => Change::Jump(degrees / 360.0),
            (Disturb::Signalling { at_s, pulse_s, every_s, times, .. }, Event::Begin(k)) => {
                self.plan(at.later(pulse_s), source, Event::End);
                if k + 1 < times.into() {
                    self.plan(Moment::from_s(at_s + (k + 1) as f64 * every_s), source, Event::Begin(k + 1));
                }
                Change::Tone(source, true)
            }
            (Disturb::Signalling { .. }, _) => Change::Tone(source, false),
            (Disturb::Burst { .. }, _) => return None,
        };
        Some((at, change))
    }
}
