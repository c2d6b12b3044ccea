//! What is said of a recording as it is measured, in SI units.

use humtick::{Reading, State};

/// A reading placed in the recording; SI units, unknown is `None`.
#[derive(Clone, Debug, PartialEq)]
pub struct TimedReading {
    /// Middle of the window, seconds since the record began.
    pub t_s: f64,
    /// Length of the window.
    pub span_s: f64,
    /// Cycles in it.
    pub cycles: u32,
    /// Frequency over it.
    pub frequency_hz: Option<f64>,
    /// Standard uncertainty, clock included.
    pub u_hz: Option<f64>,
    /// Half width of the 95 % interval, clock included.
    pub u95_hz: Option<f64>,
    /// Rate of change of frequency.
    pub rocof_hz_s: Option<f64>,
    /// Half width of its 95 % interval.
    pub rocof_u95_hz_s: Option<f64>,
    /// Cycles whose crossing is missing.
    pub missed: u32,
    /// Edges refused.
    pub rejected: u32,
    /// Whether the mains is being followed.
    pub state: State,
}

impl TimedReading {
    /// `reading`, the middle of its window at `t_s` and `span_s` long.
    pub(crate) fn new(reading: &Reading, t_s: f64, span_s: f64) -> Self {
        Self {
            t_s,
            span_s,
            cycles: reading.cycles,
            frequency_hz: reading.frequency.map(hertz),
            u_hz: reading.standard_uncertainty.map(hertz),
            u95_hz: reading.expanded_uncertainty.map(hertz),
            rocof_hz_s: reading.rocof.map(|r| r as f64 / 1e9),
            rocof_u95_hz_s: reading.rocof_uncertainty.map(|u| u as f64 / 1e9),
            missed: reading.missed,
            rejected: reading.rejected,
            state: reading.state,
        }
    }
}

/// A frequency in hertz.
pub(crate) fn hertz(frequency: humtick::Frequency) -> f64 {
    frequency.nanohertz() as f64 / 1e9
}

/// The frequency over one ten-second interval after IEC 61000-4-30: whole cycles inside it over their duration.
#[derive(Clone, Debug, PartialEq)]
pub struct TimedInterval {
    /// Start of the interval, seconds since the record began.
    pub t_s: f64,
    /// From the start of its first whole cycle to the end of the last.
    pub span_s: f64,
    /// Whole cycles in it.
    pub cycles: u32,
    /// Their frequency.
    pub frequency_hz: Option<f64>,
    /// Standard uncertainty, clock included.
    pub u_hz: Option<f64>,
    /// Half width of the 95 % interval, clock included.
    pub u95_hz: Option<f64>,
    /// Cycles whose crossing is missing.
    pub missed: u32,
    /// Whether signal was missing: complete, partial or unknown.
    pub coverage: &'static str,
    /// Whether it lies on an absolute ten-second mark; a recording has none, so its intervals run free from the first crossing.
    pub aligned: bool,
}

/// Something that happened between readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Happening {
    /// The state changed to this one.
    State(State),
    /// Frequency or phase stepped; the cycle count goes on.
    Stepped,
    /// The phase jumped so far that the cycle count had to begin anew.
    Recounted,
}

impl Happening {
    /// Its name in outputs.
    pub const fn name(self) -> &'static str {
        match self {
            Self::State(state) => state_name(state),
            Self::Stepped => "stepped",
            Self::Recounted => "recounted",
        }
    }
}

/// A state's name in outputs.
pub const fn state_name(state: State) -> &'static str {
    match state {
        State::Seeking => "seeking",
        State::Locked => "locked",
        State::Coasting => "coasting",
        State::Lost => "lost",
    }
}

/// What [`measure`](crate::measure::measure) says, in order of time.
#[derive(Clone, Debug, PartialEq)]
pub enum Entry {
    /// A reading.
    Reading(TimedReading),
    /// A ten-second interval that is over.
    Interval(TimedInterval),
    /// An event at `t_s` seconds.
    Event {
        /// Seconds since the record began.
        t_s: f64,
        /// What happened.
        what: Happening,
    },
}
