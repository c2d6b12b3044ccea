//! A sensor with everything on: mains crossings through the meter with its rate of change, ten-second readings, grid time and limits,
//! and the board's clock held against one pulse per second.
//!
//! The firmware for Cortex-M and RISC-V runs this very code, and the host runs it beside them: whatever they are given, what they
//! say is the same to the last digit.
#![no_std]

pub mod record;

use humtick::discipline::{Pulses, Standing};
use humtick::link::{Record, SensorTime, next};
use humtick::{
    Band, Config, Discipline, Edge, Event, Frequency, GridTime, GridTimeReading, IntervalReading, Intervals,
    Meter, Stamp, State, TickRate, Verdict, Watch,
};

/// What a board hands to its main loop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    /// An edge of the mains.
    Mains(Edge),
    /// An edge of the pulse per second.
    Pulse(Edge),
    /// Nothing, but time has come this far.
    Time(Stamp),
}

/// What the sensor has to say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "log", derive(defmt::Format))]
pub enum News {
    /// Ten times a second, for the link.
    Reading(Record),
    /// Every ten seconds.
    Interval(IntervalReading),
    /// A limit was broken, or the signal went.
    Event(Event),
    /// The clock rests on something else now.
    Clock(Standing),
}

/// The village's mains.
const NOMINAL: Frequency = Frequency::from_millihertz(50_000);

/// What the pump house can live with: half a hertz, and a hertz a second for no longer than half a second.
const BANDS: [Band; 2] =
    [Band::millihertz(49_500, 50_500, 20), Band::rocof_millihertz(1_000, 100).for_at_least(500)];

/// The sensor.
#[derive(Debug)]
pub struct Sensor {
    meter: Meter<64>,
    discipline: Discipline<64>,
    intervals: Intervals,
    grid_time: GridTime,
    watch: Watch<2>,
    standing: Standing,
    time: SensorTime,
    sequence: u16,
}

impl Sensor {
    /// A counter of this rate stamps both inputs. `None` if it is too fast or too slow for any part of the sensor: 100 kHz to 100 MHz
    /// are not.
    pub fn new(rate: TickRate) -> Option<Self> {
        // As on the ATmega, whose readings are the same over the same stamps.
        let config = Config::mains(rate);
        Some(Self {
            meter: Meter::new(&config).ok()?,
            discipline: Discipline::new(&Pulses::rising(rate)).ok()?,
            intervals: Intervals::new(&config, 10_000).ok()?,
            grid_time: GridTime::new(&config, NOMINAL).ok()?,
            watch: Watch::new(&config, NOMINAL, BANDS).ok()?,
            standing: Standing::Acquiring,
            time: SensorTime::new(rate, Stamp::new(0)),
            sequence: 0,
        })
    }

    /// How far a clock driven by the mains has gone ahead.
    pub fn grid_time(&self) -> Option<GridTimeReading> {
        self.grid_time.reading()
    }

    /// Takes an input and tells what it made known. Inputs come in order of time.
    pub fn take(&mut self, input: Input, mut tell: impl FnMut(News)) {
        match input {
            Input::Mains(edge) => {
                let verdict = self.meter.push(edge);
                self.count(&verdict, &mut tell);
            }
            Input::Pulse(edge) => {
                self.discipline.push(edge);
                self.trim(&mut tell);
            }
            Input::Time(now) => {
                self.meter.idle(now);
                self.discipline.idle(now);
                self.trim(&mut tell);
                if let Some(interval) = self.intervals.idle(now) {
                    tell(News::Interval(interval));
                }
            }
        }
        if let Some(reading) = self.meter.take_full_reading() {
            if reading.state == State::Lost {
                self.intervals.broken();
                self.grid_time.broken();
            }
            let record = Record::new(self.sequence, self.time.at(reading.middle), &reading);
            self.sequence = next(self.sequence);
            tell(News::Reading(record));
            self.watch.push(&reading, |event| tell(News::Event(event)));
        }
    }

    /// Crossings go into the interval and into grid time.
    fn count(&mut self, verdict: &Verdict, tell: &mut impl FnMut(News)) {
        self.grid_time.take(verdict);
        if let Some(interval) = self.intervals.take(verdict) {
            tell(News::Interval(interval));
        }
    }

    /// What is known of the clock goes to all that tell time by it.
    fn trim(&mut self, tell: &mut impl FnMut(News)) {
        let clock = self.discipline.clock();
        self.meter.set_clock(&clock);
        self.grid_time.set_clock(&clock);
        // The rate was accepted, and no clock is as far off as to make ten seconds too long for it.
        let _ = self.intervals.set_clock(&clock);
        let standing = self.discipline.standing();
        if standing != self.standing {
            self.standing = standing;
            tell(News::Clock(standing));
        }
    }
}
