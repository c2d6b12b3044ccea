//! The tables `[[disturb]]`.

use clap::ValueEnum;

use super::super::Disturb;
use super::{Frame, TIME_S};
use crate::keys::{Bounds, Fault, Keys, listed};

#[derive(Clone, Copy, ValueEnum)]
enum Kind {
    Dip,
    Interruption,
    AmplitudeStep,
    Impulses,
    Burst,
    Notches,
    PhaseJump,
    Signalling,
}

/// Classes of electromagnetic environment in IEC 61000-4-11:2020, tables 1 and 2.
#[derive(Clone, Copy, ValueEnum)]
enum Class {
    #[value(name = "class-2")]
    Two,
    #[value(name = "class-3")]
    Three,
}

impl Class {
    /// Residual percent, and cycles at 50 and 60 Hz.
    const fn dips(self) -> &'static [(f64, f64, f64)] {
        match self {
            Self::Two => &[(0.0, 0.5, 0.5), (0.0, 1.0, 1.0), (70.0, 25.0, 30.0), (0.0, 250.0, 300.0)],
            Self::Three => &[
                (0.0, 0.5, 0.5),
                (0.0, 1.0, 1.0),
                (40.0, 10.0, 12.0),
                (70.0, 25.0, 30.0),
                (80.0, 250.0, 300.0),
                (0.0, 250.0, 300.0),
            ],
        }
    }
}

const TIMES: (u64, u64) = (1, 1_000_000_000);
/// Lengths, in seconds: a tenth of a millisecond and more.
const LENGTH_S: Bounds = (1e-4, TIME_S.1);
/// Of the amplitude; up to twice it is a swell.
const LEVEL: Bounds = (0.0, 200.0);
const SIZE: Bounds = (-1_000.0, 1_000.0);
const WIDTH_US: Bounds = (0.001, 10_000.0);

pub(super) fn read(tables: Vec<Keys<'_>>, frame: &Frame<'_>) -> Result<Vec<Disturb>, Fault> {
    let mut all = vec![];
    for keys in tables {
        let notches = all.iter().filter(|disturb| matches!(disturb, Disturb::Notches { .. })).count();
        all.extend(one(keys, frame, notches)?);
    }
    Ok(all)
}

/// Tables of notches, each of which shapes the whole cycle anew when it begins and when it ends.
const NOTCHES: usize = 16;

fn one(mut keys: Keys<'_>, frame: &Frame<'_>, notches_before: usize) -> Result<Vec<Disturb>, Fault> {
    if !keys.has("kind") {
        keys.need("kind", &format!("one of {}", listed::<Kind>()));
    }
    let Some(kind) = keys.given_word::<Kind>("kind") else { return Err(keys.give_up()) };
    keys.of_kind(kind);
    keys.check(!matches!(kind, Kind::Notches) || notches_before < NOTCHES, "kind", || {
        format!("there are {NOTCHES} tables of notches already, and no more are allowed")
    });
    let all = match kind {
        Kind::Dip if keys.has("preset") => dips_of_a_class(&mut keys, frame),
        Kind::Dip => {
            let residual_percent = keys.required("residual_percent", LEVEL);
            let dip = dip(&mut keys, frame, residual_percent);
            // Known, for the list in a message.
            keys.given_word::<Class>("preset");
            vec![dip]
        }
        Kind::Interruption => vec![dip(&mut keys, frame, 0.0)],
        Kind::AmplitudeStep => vec![Disturb::AmplitudeStep {
            at_s: keys.required("at_s", TIME_S),
            percent: keys.required("percent", LEVEL),
        }],
        Kind::Impulses => {
            let rate_hz = keys.required("rate_hz", (0.0, 100_000.0));
            let size_percent = keys.required("size_percent", (0.0, SIZE.1));
            let width_us = keys.required("width_us", WIDTH_US);
            let (start_s, stop_s) = span(&mut keys, frame);
            vec![Disturb::Impulses { rate_hz, size_percent, width_us, start_s, stop_s }]
        }
        Kind::Burst => vec![burst(&mut keys)],
        Kind::Notches => vec![notches(&mut keys, frame)],
        Kind::PhaseJump => vec![Disturb::PhaseJump {
            at_s: keys.required("at_s", TIME_S),
            degrees: keys.required("degrees", (-180.0, 180.0)),
        }],
        Kind::Signalling => {
            let at_s = keys.required("at_s", TIME_S);
            let hz = keys.required("hz", (1.0, 150_000.0));
            let percent = keys.required("percent", (0.0, 100.0));
            let pulse_s = keys.required("pulse_s", LENGTH_S);
            let times = keys.whole("times", 1, TIMES);
            let every_s = keys.number("every_s", 2.0 * pulse_s, LENGTH_S);
            keys.check(every_s > pulse_s, "every_s", || {
                format!(
                    "every_s = {every_s} is no longer than pulse_s = {pulse_s}: the pulses would run together"
                )
            });
            vec![Disturb::Signalling { at_s, hz, percent, pulse_s, every_s, times }]
        }
    };
    keys.finish()?;
    Ok(all)
}

/// From when until when; all the time where nothing is said.
fn span(keys: &mut Keys<'_>, frame: &Frame<'_>) -> (f64, f64) {
    let start_s = keys.number("start_s", 0.0, TIME_S);
    let stop_s = keys.number("stop_s", frame.duration_s.max(start_s), TIME_S);
    keys.check(start_s <= stop_s, "stop_s", || format!("stop_s = {stop_s} is before start_s = {start_s}"));
    (start_s, stop_s)
}

/// How often, and seconds from one to the next; 10 s as in IEC 61000-4-11 (value from memory) where nothing is said.
fn repeats(keys: &mut Keys<'_>, longest_s: f64) -> (u32, f64) {
    let times = keys.whole("times", 1, TIMES);
    let every_s = keys.number("every_s", 10.0, LENGTH_S);
    keys.check(times == 1 || every_s > longest_s, "every_s", || {
        format!("every_s = {every_s} is no longer than a dip of {longest_s} s: the dips would overlap")
    });
    (times, every_s)
}

fn dip(keys: &mut Keys<'_>, frame: &Frame<'_>, residual_percent: f64) -> Disturb {
    let at_s = keys.required("at_s", TIME_S);
    let length_s = keys.given("length_s", LENGTH_S);
    let cycles = keys.given("cycles", (0.01, 1e9));
    if length_s.is_none() && cycles.is_none() {
        keys.need("length_s", "seconds, or cycles in its place");
    }
    keys.check(length_s.is_none() || cycles.is_none(), "cycles", || {
        "cycles and length_s say the same: expected one of them".into()
    });
    let length_s = length_s.or(cycles.map(|n| n / frame.nominal_hz)).unwrap_or(LENGTH_S.0);
    let (times, every_s) = repeats(keys, length_s);
    Disturb::Dip { at_s, length_s, residual_percent, times, every_s }
}

/// Each dip of the class `times` times before the next, all `every_s` apart; the short interruption last.
fn dips_of_a_class(keys: &mut Keys<'_>, frame: &Frame<'_>) -> Vec<Disturb> {
    let class = keys.word("preset", Class::Two);
    let at_s = keys.required("at_s", TIME_S);
    let cycles_of = |(_, at_50, at_60): (f64, f64, f64)| if frame.nominal_hz == 60.0 { at_60 } else { at_50 };
    keys.check([50.0, 60.0].contains(&frame.nominal_hz), "preset", || {
        format!("the classes are of 50 and 60 Hz, and nominal_hz is {}", frame.nominal_hz)
    });
    // 250 cycles of 50 Hz, 300 of 60 Hz.
    let (times, every_s) = repeats(keys, 5.0);
    keys.check(every_s > 5.0, "every_s", || {
        format!("every_s = {every_s}: expected more than the 5 s of the longest dip")
    });
    let dip = |(place, entry): (usize, &(f64, f64, f64))| Disturb::Dip {
        at_s: at_s + place as f64 * f64::from(times) * every_s,
        length_s: cycles_of(*entry) / frame.nominal_hz,
        residual_percent: entry.0,
        times,
        every_s,
    };
    class.dips().iter().enumerate().map(dip).collect()
}

/// Where nothing else is said: 75 pulses every 300 ms, which is 15 ms at 5 kHz and 0.75 ms at 100 kHz, each 50 ns wide, as in
/// IEC 61000-4-4:2012.
fn burst(keys: &mut Keys<'_>) -> Disturb {
    let at_s = keys.required("at_s", TIME_S);
    let size_percent = keys.required("size_percent", SIZE);
    let pulse_hz = keys.number("pulse_hz", 5_000.0, (1.0, 1e6));
    let length_ms = keys.number("length_ms", 75e3 / pulse_hz, (0.001, 1e6));
    let period_ms = keys.number("period_ms", 300.0, (0.001, 1e6));
    let times = keys.whole("times", 1, TIMES);
    let width_us = keys.number("width_us", 0.05, WIDTH_US);
    let pulse_us = 1e6 / pulse_hz;
    keys.check(width_us < pulse_us, "width_us", || {
        format!("width_us = {width_us}: expected less than the {pulse_us} us from pulse to pulse")
    });
    keys.check(times == 1 || length_ms <= period_ms, "length_ms", || {
        format!("length_ms = {length_ms} is longer than period_ms = {period_ms}: the bursts would overlap")
    });
    Disturb::Burst { at_s, length_ms, pulse_hz, period_ms, times, size_percent, width_us }
}

fn notches(keys: &mut Keys<'_>, frame: &Frame<'_>) -> Disturb {
    let per_cycle = keys.whole("per_cycle", 6, (1, 100));
    let phase_deg = keys.required("phase_deg", (-360.0, 360.0));
    let depth_percent = keys.required("depth_percent", LEVEL);
    let width_us = keys.required("width_us", (0.001, 1e6));
    // Its flanks take that long (`waveform`).
    let least_us = 1e3 / frame.nominal_hz;
    keys.check(width_us >= least_us, "width_us", || {
        format!("width_us = {width_us}: expected at least a thousandth of a cycle, {least_us:.3} us; use impulses for less")
    });
    let spacing_us = 1e6 / frame.nominal_hz / f64::from(per_cycle);
    keys.check(width_us < spacing_us, "width_us", || {
        format!("width_us = {width_us}: expected less than the {spacing_us:.1} us from notch to notch")
    });
    let (start_s, stop_s) = span(keys, frame);
    Disturb::Notches { per_cycle, phase_deg, depth_percent, width_us, start_s, stop_s }
}
