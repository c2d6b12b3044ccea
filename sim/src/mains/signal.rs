//! The voltage at the comparator without its noise: stretches of time in which it is one formula.
//!
//! Between two changes the mains is steady, and the low-pass gives its steady answer; right after a change the difference to what was before dies
//! away as the low-pass's own motion, so that nothing jumps behind a low-pass. The low-pass's delay of the fundamental is that at the
//! present frequency, so a moving grid is read late; its gain, and the harmonics' delays among themselves, are those at the nominal frequency.

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::sync::Arc;

use crate::course::{Course, Leg};
use crate::mains::disturb::{Change, Changes};
use crate::mains::grid;
use crate::mains::waveform::{Lowpass, Notches, Table};
use crate::moment::Moment;
use crate::scenario::{Disturb, FlickerShape, Scenario};

/// A tone beside the mains: amplitude, hertz, and its phase in turns at the start of a span.
#[derive(Clone, Copy, Debug)]
struct Tone {
    amplitude: f64,
    hz: f64,
    turns: f64,
}

/// What dies away behind the low-pass after a change: e^(-decay x) (c cos(turn x) + s sin(turn x)).
#[derive(Clone, Copy, Debug)]
struct Transient {
    since: Moment,
    decay: f64,
    turn: f64,
    c: f64,
    s: f64,
}

/// e^-25 is 1.4e-11.
const DEAD: f64 = 25.0;

impl Transient {
    fn at(&self, x: f64) -> (f64, f64) {
        let fall = libm::exp(-self.decay * x);
        let (sine, cosine) = libm::sincos(self.turn * x);
        let value = fall * (self.c * cosine + self.s * sine);
        (value, fall * self.turn * (self.s * cosine - self.c * sine) - self.decay * value)
    }

    fn end(&self) -> Moment {
        self.since.later(DEAD / self.decay)
    }
}

/// A stretch of time in which the voltage is one formula.
#[derive(Clone, Debug)]
pub struct Span {
    /// Where it begins.
    pub from: Moment,
    /// Its length in seconds.
    pub length: f64,
    /// Whether something changed at its begin.
    pub is_changed: bool,
    /// Phase in turns at its begin, 0 to 1.
    turns: f64,
    /// Turns a second there.
    rate: f64,
    /// Turns a second squared.
    slope: f64,
    /// Amplitude of the fundamental.
    pub amplitude: f64,
    /// Depth of a sine flicker, its hertz, and its phase in turns at the begin.
    flicker: (f64, f64, f64),
    /// Direct voltage, pulses included.
    pub level: f64,
    /// One cycle.
    pub table: Arc<Table>,
    tones: Vec<Tone>,
    /// What is dying away, and seconds since it began.
    transient: Option<(Transient, f64)>,
}

impl Span {
    /// Voltage `x` seconds after the begin, in amplitudes of the undisturbed fundamental, and its slope per second.
    #[inline]
    pub fn at(&self, x: f64) -> (f64, f64) {
        let (value, slope) = self.table.at(self.turns_at(x));
        let slope = slope * (self.rate + self.slope * x);
        let plain = (self.amplitude * value + self.level, self.amplitude * slope);
        if self.flicker.0 == 0.0 && self.tones.is_empty() && self.transient.is_none() {
            return plain;
        }
        self.with_rest(x, (value, slope), plain)
    }

    /// `plain` with flicker, tones and what dies away. Apart, so that the usual case is small enough to be inlined.
    #[inline(never)]
    fn with_rest(&self, x: f64, (value, slope): (f64, f64), (mut u, mut du): (f64, f64)) -> (f64, f64) {
        let (depth, hz, turns) = self.flicker;
        if depth > 0.0 {
            let (s, c) = libm::sincos(TAU * (turns + hz * x));
            du += depth * self.amplitude * (s * slope + TAU * hz * c * value);
            u += depth * self.amplitude * s * value;
        }
        for tone in &self.tones {
            let (s, c) = libm::sincos(TAU * (tone.turns + tone.hz * x));
            u += tone.amplitude * s;
            du += TAU * tone.hz * tone.amplitude * c;
        }
        if let Some((transient, age)) = &self.transient {
            let (value, slope) = transient.at(age + x);
            u += value;
            du += slope;
        }
        (u, du)
    }

    /// Phase of the voltage in turns, counted from the whole turn before the begin.
    #[inline]
    pub fn turns_at(&self, x: f64) -> f64 {
        self.turns + (self.rate + 0.5 * self.slope * x) * x
    }

    /// Seconds after the begin at which the phase is `turns`.
    pub fn when(&self, turns: f64) -> f64 {
        let gain = turns - self.turns;
        2.0 * gain / (self.rate + (self.rate * self.rate + 2.0 * self.slope * gain).max(0.0).sqrt())
    }

    /// Turns a second at its begin.
    pub const fn rate(&self) -> f64 {
        self.rate
    }

    /// Whether the voltage only repeats itself, tones and flicker aside.
    pub fn is_settled(&self) -> bool {
        self.transient.is_none()
    }

    /// Sum of the tones' amplitudes, and the depth of the flicker.
    pub fn unrest(&self) -> (f64, f64) {
        (self.tones.iter().map(|t| t.amplitude).sum(), self.flicker.0)
    }
}

/// What is steady between two changes.
#[derive(Clone, Debug)]
struct Steady {
    factors: Vec<f64>,
    /// Turns that the voltage is ahead of the grid.
    jump: f64,
    pulses: Vec<(u64, f64)>,
    /// Sources of notches that are on, as bits.
    notches: u64,
    tones: Vec<bool>,
    table: Arc<Table>,
}

/// The spans of a scenario, in order, without end.
#[derive(Clone, Debug)]
pub struct Signal {
    course: Course,
    leg: Leg,
    /// How much later the low-pass lets the fundamental through than at nominal: turns at the leg's begin, and how many more a second.
    late: (f64, f64),
    at: Moment,
    changes: Changes,
    lowpass: Lowpass,
    steady: Steady,
    transient: Option<Transient>,
    is_changed: bool,
    nominal_hz: f64,
    dc: f64,
    flicker: (f64, f64),
    harmonics: Vec<(u32, f64, f64)>,
    notches: Vec<(usize, Notches)>,
    /// By the bits of the notches that are on.
    tables: BTreeMap<u64, Arc<Table>>,
    /// Interharmonics, always on, then signalling, one for each disturbance.
    tones: Vec<(f64, f64, f64)>,
    interharmonics: usize,
}

impl Signal {
    /// The voltage of `scenario`. It begins at a phase of zero, rising.
    pub fn new(scenario: &Scenario) -> Self {
        let nominal_hz = scenario.nominal_hz;
        let front = &scenario.front_end;
        let lowpass = Lowpass::new(front.lowpass_hz, front.lowpass_order, nominal_hz);
        let voltage = &scenario.voltage;
        let harmonics: Vec<_> = voltage
            .harmonics
            .iter()
            .map(|(order, percent, degrees)| (*order, percent / 100.0, degrees / 360.0))
            .collect();
        let notches: Vec<_> = scenario
            .disturb
            .iter()
            .enumerate()
            .filter_map(|(source, d)| match d {
                Disturb::Notches { per_cycle, phase_deg, depth_percent, width_us, .. } => Some((
                    source,
                    Notches {
                        per_cycle: *per_cycle,
                        phase: phase_deg / 360.0,
                        depth: depth_percent / 100.0,
                        width: width_us * 1e-6 * nominal_hz,
                    },
                )),
                _ => None,
            })
            .collect();
        // Spread over the turn, so that many of them do not all begin at zero: k times the golden section.
        let phase = |k: usize| (k as f64 * 0.618_033_988_749_895).fract();
        let tone = |k: usize, percent: f64, hz: f64| {
            (percent / 100.0 * lowpass.gain_at(hz), hz, phase(k) + lowpass.turns_at(hz))
        };
        let mut tones: Vec<_> = voltage
            .interharmonics
            .iter()
            .enumerate()
            .map(|(k, (ratio, percent))| tone(k + 1, *percent, ratio * nominal_hz))
            .collect();
        let interharmonics = tones.len();
        tones.extend(scenario.disturb.iter().enumerate().map(|(k, d)| match d {
            Disturb::Signalling { hz, percent, .. } => tone(k, *percent, *hz),
            _ => (0.0, 0.0, 0.0),
        }));
        let table = Arc::new(Table::new(&harmonics, &[], &lowpass, nominal_hz));
        let flicker = match voltage.flicker.shape {
            FlickerShape::Sine => (voltage.flicker.percent / 100.0, voltage.flicker.hz),
            FlickerShape::Rectangular => (0.0, 0.0),
        };
        let mut course = grid::course(scenario);
        let leg = course.next_leg();
        Self {
            course,
            leg,
            late: lateness(&lowpass, nominal_hz, &leg),
            at: Moment::default(),
            changes: Changes::new(scenario),
            lowpass,
            steady: Steady {
                factors: vec![1.0; scenario.disturb.len() + 1],
                jump: 0.0,
                pulses: Vec::new(),
                notches: 0,
                tones: (0..tones.len()).map(|k| k < interharmonics).collect(),
                table: Arc::clone(&table),
            },
            transient: None,
            is_changed: true,
            nominal_hz,
            dc: voltage.dc_percent / 100.0,
            flicker,
            harmonics,
            notches,
            tables: BTreeMap::from([(0, table)]),
            tones,
            interharmonics,
        }
    }

    /// The next span.
    pub fn next_span(&mut self) -> Span {
        while self.changes.next_at().is_some_and(|next| next.since(self.at) <= 0.0) {
            self.change();
        }
        if self.transient.is_some_and(|t| t.end().since(self.at) <= 0.0) {
            self.transient = None;
        }
        let mut end = self.leg.end();
        for earlier in [self.changes.next_at(), self.transient.map(|t| t.end())].into_iter().flatten() {
            if earlier.since(end) < 0.0 {
                end = earlier;
            }
        }
        let span = Span { length: end.since(self.at), ..self.span_here() };
        self.is_changed = false;
        self.at = end;
        if end == self.leg.end() {
            self.next_leg();
        }
        span
    }

    /// The grid's next straight line. Where the frequency steps, the low-pass lets it through with another delay from there on, and what it
    /// held dies away.
    fn next_leg(&mut self) {
        let before = self.lowpass.corner.map(|_| self.span_here().at(0.0));
        let ended = self.leg.rate_at(self.leg.length);
        self.leg = self.course.next_leg();
        self.late = lateness(&self.lowpass, self.nominal_hz, &self.leg);
        if let Some(before) = before
            && (self.leg.rate - ended).abs() > 1e-9 * ended
        {
            self.die_away(before);
        }
    }

    /// The formula from here on.
    fn span_here(&self) -> Span {
        let x = self.at.since(self.leg.from);
        let rate = self.leg.rate_at(x);
        let (late, drift) = self.late;
        let turns = self.leg.sum.part + self.leg.gain(x) + self.steady.jump + late + drift * x;
        let place = |hz: f64| turns_of(hz, self.at);
        Span {
            from: self.at,
            length: 0.0,
            is_changed: self.is_changed,
            turns: turns - turns.floor(),
            rate: rate + drift,
            slope: self.leg.slope,
            amplitude: self.steady.factors.iter().product(),
            flicker: (self.flicker.0, self.flicker.1, place(self.flicker.1)),
            level: self.lowpass.gain * (self.dc + self.steady.pulses.iter().map(|p| p.1).sum::<f64>()),
            table: Arc::clone(&self.steady.table),
            tones: self
                .tones
                .iter()
                .zip(&self.steady.tones)
                .filter(|(_, on)| **on)
                .map(|((amplitude, hz, turns), _)| Tone {
                    amplitude: *amplitude,
                    hz: *hz,
                    turns: turns + place(*hz),
                })
                .collect(),
            transient: self.transient.map(|t| (t, self.at.since(t.since))),
        }
    }

    fn change(&mut self) {
        let before = self.span_here().at(0.0);
        let Some((_, change)) = self.changes.next() else { return };
        let steady = &mut self.steady;
        match change {
            Change::Amplitude { source, factor } => steady.factors[source] = factor,
            Change::Jump(turns) => steady.jump = (steady.jump + turns).fract(),
            Change::PulseOn(number, size) => steady.pulses.push((number, size)),
            Change::PulseOff(number) => steady.pulses.retain(|p| p.0 != number),
            Change::Notches(source, on) => {
                let bit = 1 << self.notches.iter().position(|(s, _)| *s == source).unwrap_or_default();
                steady.notches = if on { steady.notches | bit } else { steady.notches & !bit };
                let table = self.tables.entry(steady.notches).or_insert_with(|| {
                    let which = self.notches.iter().enumerate();
                    let on: Vec<_> =
                        which.filter(|(i, _)| steady.notches >> i & 1 == 1).map(|(_, n)| n.1).collect();
                    Arc::new(Table::new(&self.harmonics, &on, &self.lowpass, self.nominal_hz))
                });
                steady.table = Arc::clone(table);
            }
            Change::Tone(source, on) => steady.tones[self.interharmonics + source] = on,
        }
        self.die_away(before);
    }

    /// Something jumped: what the low-pass held `before`, value and slope, becomes what it is from here on.
    fn die_away(&mut self, before: (f64, f64)) {
        self.is_changed = true;
        self.transient = None;
        let Some(corner) = self.lowpass.corner else { return };
        let after = self.span_here().at(0.0);
        let (value, slope) = (before.0 - after.0, before.1 - after.1);
        let (decay, turn) = if self.lowpass.second_order {
            (corner * std::f64::consts::FRAC_1_SQRT_2, corner * std::f64::consts::FRAC_1_SQRT_2)
        } else {
            (corner, 0.0)
        };
        let s = if turn > 0.0 { (slope + decay * value) / turn } else { 0.0 };
        self.transient = Some(Transient { since: self.at, decay, turn, c: value, s });
    }
}

/// Turns that `lowpass` is later at the begin of `leg` than at nominal, and how many more a second. What it passes stays as large as at the
/// nominal frequency: 1 Hz off behind a corner of 50 Hz that is 1 % of the amplitude, and moves no crossing of zero.
fn lateness(lowpass: &Lowpass, nominal_hz: f64, leg: &Leg) -> (f64, f64) {
    if lowpass.corner.is_none() {
        return (0.0, 0.0);
    }
    let late = |hz: f64| lowpass.turns_at(hz) - lowpass.turns_at(nominal_hz);
    let (begin, end) = (late(leg.rate), late(leg.rate_at(leg.length)));
    (begin, (end - begin) / leg.length)
}

/// `hz` times the time since the start, less whole turns, as fine after a year as at the start.
fn turns_of(hz: f64, at: Moment) -> f64 {
    (hz.fract() * at.second as f64).fract() + hz * at.part
}
