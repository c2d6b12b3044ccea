//! Pretend sensors: scenarios through simulator and core in real time, out as link lines or frames, with faults on the way.
//!
//! ```text
//! scenario -> [board](crate::board) -> [sensor] (the core's meter, records) -> lines -> [fault] -> [out] -> wire
//! ```
//!
//! One thread serves them all; nothing waits for a far end. A sensor keeps nothing: what cannot be sent at once is lost, as on a serial port.

mod fault;
mod out;
mod sensor;

pub use fault::{Chances, Done};
pub use sensor::{Said, Sensor};

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::io;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use humtick::link::{MAX_FRAME, MAX_LINE, frame, line};

use crate::random::{Random, Use};
use crate::scenario::Scenario;
use crate::settings::SettingsError;
use crate::wire::address::Address;
use crate::wire::greeting::Name;
use crate::wire::handles;
use fault::Faults;
use out::{Out, Retry};

/// Besides one a sensor, or two where each has a terminal.
const OTHER_HANDLES: u64 = 100;

/// What is to be pretended.
#[derive(Clone, Debug)]
pub struct Plan {
    /// What the sensors are on. Each has its own seed, counted up from the scenario's.
    pub scenario: Scenario,
    /// Where lines go. Each sensor has a connection, a socket or a pseudo-terminal of its own.
    pub to: Address,
    /// How many; more than one only where each can have its own way.
    pub sensors: u32,
    /// Seconds of scenario in a second.
    pub speed: f64,
    /// Whether readings are sent as compact frames instead of lines.
    pub frames: bool,
    /// The last sensor to start does so this many seconds after the first; the others at random in between.
    pub late_s: f64,
    /// The clocks of the sensors are off by up to so much more than the scenario's, in ppm, either way.
    pub clock_spread_ppm: f64,
    /// What they are called on a TCP connection: with a number behind it if there is more than one. Without it no name is sent.
    pub name: Option<Name>,
    /// What goes wrong with lines.
    pub chances: Chances,
}

/// What has been done, all sensors together.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Readings made.
    pub readings: u64,
    /// Lines handed to the system, doubled ones twice.
    pub sent: u64,
    /// Lines that could not be: nobody was there, or did not read fast enough.
    pub unsent: u64,
    /// Faults done.
    pub done: Done,
}

/// Why nothing can be pretended.
#[derive(Debug, thiserror::Error)]
pub enum StandinError {
    /// The meter of the scenario cannot be built.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// The wire cannot be opened.
    #[error("{0}: {1}")]
    Wire(String, io::Error),
    /// The far end of standard output, or of a serial port, is gone for good.
    #[error("cannot write: {0}")]
    Write(io::Error),
}

struct Line {
    sensor: Sensor,
    /// The next, and when it is due, in nanoseconds of scenario after the first sensor's start.
    next: Option<Said>,
    start_s: f64,
    faults: Faults,
    out: Out,
}

impl Line {
    fn due(&self) -> Option<u64> {
        let said = self.next.as_ref()?;
        Some(((self.start_s + said.at.seconds()) * 1e9) as u64)
    }
}

/// Runs until the scenario's end, or until `stop`. `tell` is handed what a user should know: names of pseudo-terminals, connections lost
/// and found.
///
/// # Errors
/// See [`StandinError`]; a TCP far end that is away is none.
pub fn run(plan: &Plan, stop: &AtomicBool, mut tell: impl FnMut(&str)) -> Result<Tally, StandinError> {
    // Where there are fewer, opening says so.
    handles::ask_for(u64::from(plan.sensors) * 2 + OTHER_HANDLES);
    let mut tally = Tally::default();
    let mut retry = Retry::default();
    let mut lines = Vec::new();
    for index in 0..plan.sensors {
        lines.push(open(plan, index, &mut tell)?);
    }
    let began = Instant::now();
    let mut turns: BinaryHeap<_> =
        lines.iter().enumerate().filter_map(|(index, line)| Some(Reverse((line.due()?, index)))).collect();
    while let Some(Reverse((due, index))) = turns.pop() {
        if !wait(began + Duration::from_secs_f64(due as f64 * 1e-9 / plan.speed), stop) {
            break;
        }
        let Line { sensor, next, faults, out, .. } = &mut lines[index];
        if let Some(said) = next.take() {
            tally.readings += 1;
            let (mut text, mut binary) = ([0; MAX_LINE], [0; MAX_FRAME]);
            let written =
                if plan.frames { frame(&said.record, &mut binary) } else { line(&said.record, &mut text) };
            faults.pass(written, |bytes| out.send(bytes, &mut retry, &mut tally, &mut tell))?;
        }
        *next = sensor.next();
        match lines[index].due() {
            Some(due) => turns.push(Reverse((due, index))),
            None => {
                let Line { faults, out, .. } = &mut lines[index];
                faults.end(|bytes| out.send(bytes, &mut retry, &mut tally, &mut tell))?;
            }
        }
    }
    lines.iter_mut().for_each(|line| line.out.end());
    let until = Instant::now() + Duration::from_secs(2);
    for line in &mut lines {
        line.out.wait_for_far_end(until);
        tally.done.add(line.faults.done());
    }
    Ok(tally)
}

fn open(plan: &Plan, index: u32, tell: &mut impl FnMut(&str)) -> Result<Line, StandinError> {
    let mut scenario = plan.scenario.clone();
    // The first is the scenario's own sensor.
    scenario.seed = plan.scenario.seed.wrapping_add(index.into());
    let mut random = Random::new(plan.scenario.seed, Use::Line, index.into());
    let spread = plan.clock_spread_ppm * (2.0 * random.unit() - 1.0);
    let start = plan.late_s * random.unit();
    if plan.sensors > 1 {
        scenario.timer.clock_ppm += spread;
    }
    let start_s = match index {
        0 if plan.sensors > 1 => 0.0,
        _ if index + 1 == plan.sensors => plan.late_s,
        _ => start,
    };
    let several = plan.sensors > 1;
    let to = match &plan.to {
        Address::Pty { link: Some(link) } if several => {
            let mut name = link.clone().into_os_string();
            name.push(format!("-{}", index + 1));
            Address::Pty { link: Some(PathBuf::from(name)) }
        }
        other => other.clone(),
    };
    let name = plan.name.as_ref().map(|name| match several {
        true => Name::like(&format!("{name}-{}", index + 1)),
        false => name.clone(),
    });
    let mut sensor = Sensor::new(&scenario)?;
    let next = sensor.next();
    let greeting = name.map_or_else(Vec::new, |name| match plan.frames {
        true => name.frame(),
        false => name.line().into_bytes(),
    });
    let out = Out::new(to, greeting, tell)?;
    Ok(Line { sensor, next, start_s, faults: Faults::new(plan.chances, random), out })
}

/// Waits until `moment`; `false` when it is to stop before.
fn wait(moment: Instant, stop: &AtomicBool) -> bool {
    loop {
        if stop.load(Ordering::Relaxed) {
            return false;
        }
        let left = moment.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return true;
        }
        std::thread::sleep(left.min(Duration::from_millis(100)));
    }
}
