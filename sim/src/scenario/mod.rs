//! What a scenario file describes: a grid, its voltage, what disturbs it, a front end, a timer, a meter, and limits.
//!
//! Every field is in the unit that its name says, and has been checked against the range in its description. Percentages of voltage are of the amplitude of the undisturbed fundamental.

pub mod built_in;
mod cases;
mod parse;
mod remarks;
pub mod template;

use std::path::PathBuf;

use crate::input::InputOptions;
use crate::settings::MeterSettings;

pub use cases::{Case, MOST_CASES, cases, choose, with_value};

/// One scenario.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// What it is called in tables.
    pub name: String,
    /// Where all randomness comes from: one seed, one result.
    pub seed: u64,
    /// Length in seconds, 0.1 to 1e9 (thirty years).
    pub duration_s: f64,
    /// Frequency that the mains should have, 0.5 to 10,000 Hz.
    pub nominal_hz: f64,
    /// The true frequency.
    pub grid: Grid,
    /// The voltage it drives.
    pub voltage: Voltage,
    /// What goes wrong with it, in the order of the file.
    pub disturb: Vec<Disturb>,
    /// From the voltage to edges.
    pub front_end: FrontEnd,
    /// From edges to captures.
    pub timer: Timer,
    /// From captures to readings.
    pub meter: MeterSettings,
    /// What the readings are held to.
    pub limits: Limits,
    /// Where the edges come from in place of all that: see [`Scenario::expected`].
    pub recording: Option<Recorded>,
}

/// A recording that takes the place of a simulated board.
#[derive(Clone, Debug, PartialEq)]
pub struct Recorded {
    /// The file.
    pub path: PathBuf,
    /// How it is read; what follows from the meter's settings is set when it is opened.
    pub input: InputOptions,
}

/// Values that take the place of a scenario file's own, as a command line gives them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Instead {
    /// In place of `seed`.
    pub seed: Option<u64>,
    /// In place of `duration_s`, within the same range.
    pub duration_s: Option<f64>,
}

/// The true frequency over time.
#[derive(Clone, Debug, PartialEq)]
pub struct Grid {
    /// Lasting deviation from nominal in millihertz.
    pub offset_mhz: f64,
    /// What it does besides.
    pub shape: GridShape,
}

/// How the frequency moves.
#[derive(Clone, Debug, PartialEq)]
pub enum GridShape {
    /// Not at all.
    Constant,
    /// Changes at `rate_hz_s` from `start_s` to `stop_s`, and stays there.
    Ramp {
        /// Hertz a second.
        rate_hz_s: f64,
        /// Seconds from the start.
        start_s: f64,
        /// Seconds from the start.
        stop_s: f64,
    },
    /// Jumps by `size_mhz` at `at_s`.
    Step {
        /// Seconds from the start.
        at_s: f64,
        /// Millihertz.
        size_mhz: f64,
    },
    /// Swings as a sine of amplitude `size_mhz`.
    Swing {
        /// Millihertz.
        size_mhz: f64,
        /// Seconds, 0.1 and more.
        period_s: f64,
    },
    /// Wanders as an Ornstein-Uhlenbeck process.
    Wander {
        /// Standard deviation in millihertz.
        sd_mhz: f64,
        /// Time after which the correlation has fallen to 1/e, in seconds, 0.1 and more.
        correlation_s: f64,
    },
    /// Follows a recorded series along straight lines between its points.
    Recorded {
        /// Seconds from the start and hertz, in order of time, at least two; held before the first and after the last.
        points: Vec<(f64, f64)>,
    },
}

impl GridShape {
    /// Its name in scenario files.
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Constant => "constant",
            Self::Ramp { .. } => "ramp",
            Self::Step { .. } => "step",
            Self::Swing { .. } => "swing",
            Self::Wander { .. } => "wander",
            Self::Recorded { .. } => "recorded",
        }
    }
}

/// The voltage in undisturbed operation.
#[derive(Clone, Debug, PartialEq)]
pub struct Voltage {
    /// Effective value of the fundamental; it only labels pictures, since everything else is relative.
    pub rms_v: f64,
    /// Harmonics: order 2 to 50, percent, phase in degrees (of a sine of its own order).
    pub harmonics: Vec<(u32, f64, f64)>,
    /// Tones that are no harmonics: ratio to the nominal frequency, percent.
    pub interharmonics: Vec<(f64, f64)>,
    /// Direct voltage in percent.
    pub dc_percent: f64,
    /// Modulation of the amplitude.
    pub flicker: Flicker,
}

/// Modulation of the amplitude.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flicker {
    /// Greatest deviation from the mean amplitude, 0 to 50 percent.
    pub percent: f64,
    /// Modulation frequency, 0.01 to 40 Hz.
    pub hz: f64,
    /// Form of the modulation.
    pub shape: FlickerShape,
}

/// Form of an amplitude modulation.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum FlickerShape {
    /// A sine.
    #[default]
    Sine,
    /// Two levels in turn.
    Rectangular,
}

/// One disturbance; times in seconds from the start.
#[derive(Clone, Debug, PartialEq)]
pub enum Disturb {
    /// The amplitude falls to `residual_percent` for `length_s`, `times` times, `every_s` apart. An interruption is a dip to zero.
    Dip {
        /// Begin of the first.
        at_s: f64,
        /// Length of each.
        length_s: f64,
        /// 0 to 200 percent (more than 100 is a swell).
        residual_percent: f64,
        /// How often, 1 and more.
        times: u32,
        /// From one begin to the next.
        every_s: f64,
    },
    /// The amplitude changes to `percent` for good.
    AmplitudeStep {
        /// When.
        at_s: f64,
        /// 0 to 200 percent of the original.
        percent: f64,
    },
    /// Rectangular pulses at random instants (a Poisson process), added to the voltage with random sign.
    Impulses {
        /// Mean number a second, up to 100,000.
        rate_hz: f64,
        /// Their size: normally distributed with this standard deviation, in percent.
        size_percent: f64,
        /// Their width: exponentially distributed with this mean, in microseconds.
        width_us: f64,
        /// From when.
        start_s: f64,
        /// Until when.
        stop_s: f64,
    },
    /// Bursts of pulses as IEC 61000-4-4 times them.
    Burst {
        /// Begin of the first burst.
        at_s: f64,
        /// Length of a burst, 15 ms in the standard at 5 kHz.
        length_ms: f64,
        /// Pulses a second within a burst.
        pulse_hz: f64,
        /// From burst to burst, 300 ms in the standard.
        period_ms: f64,
        /// How many bursts.
        times: u32,
        /// Size of a pulse in percent; all have this sign.
        size_percent: f64,
        /// Width of a pulse in microseconds.
        width_us: f64,
    },
    /// Commutation notches: so many times a cycle the voltage falls towards zero.
    Notches {
        /// How many a cycle, evenly spaced: 6 for a six-pulse rectifier.
        per_cycle: u32,
        /// Phase of the first in degrees of the fundamental.
        phase_deg: f64,
        /// Depth in percent of the amplitude, against the voltage's sign there.
        depth_percent: f64,
        /// Width in microseconds at the nominal frequency.
        width_us: f64,
        /// From when.
        start_s: f64,
        /// Until when.
        stop_s: f64,
    },
    /// The phase of the voltage jumps; the frequency's truth knows nothing of it.
    PhaseJump {
        /// When.
        at_s: f64,
        /// Degrees; positive is forward.
        degrees: f64,
    },
    /// A tone on the mains, as ripple control sends: on and off in a pattern.
    Signalling {
        /// Begin of the first pulse.
        at_s: f64,
        /// Frequency of the tone.
        hz: f64,
        /// Its amplitude in percent.
        percent: f64,
        /// Length of a pulse.
        pulse_s: f64,
        /// From the begin of a pulse to the next; longer than a pulse.
        every_s: f64,
        /// How many pulses.
        times: u32,
    },
}

/// From the voltage to edges.
#[derive(Clone, Debug, PartialEq)]
pub struct FrontEnd {
    /// Corner of the low-pass, or `None` without one.
    pub lowpass_hz: Option<f64>,
    /// 1, or 2 (Butterworth).
    pub lowpass_order: u8,
    /// Effective value of the noise at the comparator.
    pub noise_percent: f64,
    /// Its bandwidth: white up to there, nothing beyond.
    pub noise_bandwidth_hz: f64,
    /// Distance of the comparator's thresholds.
    pub hysteresis_percent: f64,
    /// Their middle.
    pub offset_percent: f64,
    /// How their middle drifts, in percent an hour.
    pub offset_drift_percent_h: f64,
    /// Time that a slow output needs to rise to the next stage's threshold, and to fall to it. A pulse shorter than that is not seen.
    pub rise_us: f64,
    /// See `rise_us`.
    pub fall_us: f64,
    /// Glitches at the output a second.
    pub glitch_rate_hz: f64,
    /// Their width: exponentially distributed with this mean.
    pub glitch_width_us: f64,
}

/// From edges to captures.
#[derive(Clone, Debug, PartialEq)]
pub struct Timer {
    /// Rated tick rate.
    pub tick_hz: u32,
    /// Width of the counter, 8 to 32.
    pub bits: u32,
    /// Where the counter stands at the start.
    pub start: u32,
    /// Lasting error of the clock; +100 counts 100 ppm too many.
    pub clock_ppm: f64,
    /// Standard deviation of its wander (an Ornstein-Uhlenbeck process), in parts per billion.
    pub clock_wander_ppb: f64,
    /// Correlation time of the wander in seconds.
    pub clock_wander_s: f64,
    /// Swing of the temperature about 25 C, in kelvin, and its period in seconds; a tuning-fork quartz runs at -0.034 ppm times its square.
    pub temperature_swing_k: f64,
    /// See `temperature_swing_k`.
    pub temperature_period_s: f64,
    /// Ageing in parts per billion a day.
    pub ageing_ppb_day: f64,
    /// How an edge is stamped.
    pub capture: CaptureKind,
    /// Shortest and longest time from an edge to the service of its interrupt, in microseconds, evenly distributed. Hardware stamps
    /// the edge itself, and is read then; the interrupt kind stamps when it is served.
    pub latency_us: (f64, f64),
    /// Shortest and longest time from the counter's overflow to the handler that tallies it, in microseconds.
    pub overflow_latency_us: (f64, f64),
    /// What a capture that comes before the last one was read does.
    pub overrun: Overrun,
    /// Edges lost at random, in percent.
    pub lost_percent: f64,
}

/// How an edge is stamped.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum CaptureKind {
    /// By a capture unit, at the edge.
    Hardware,
    /// By the interrupt handler, when it is served.
    Interrupt,
}

/// What a capture that comes before the last one was read does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Overrun {
    /// It is lost.
    Drop,
    /// It replaces the last one.
    Overwrite,
}

/// At least and at most. What is far below the size that physics gives it is wrong too.
pub type Within = (f64, f64);

/// What the readings are held to; what is `None` is not judged.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Limits {
    /// Readings whose window begins before that many seconds are not judged, nor are steps.
    pub from_s: f64,
    /// Largest error of a reading against the truth over its window.
    pub max_error_mhz: Option<Within>,
    /// Root mean square of the errors.
    pub rms_error_mhz: Option<Within>,
    /// Largest error of a reading against the truth in the middle of its window.
    pub max_instant_error_mhz: Option<Within>,
    /// Largest error of a reading's rate of change against that of the grid in the middle of its window.
    pub max_rocof_error_hz_s: Option<Within>,
    /// Largest error of a complete ten-second interval against the grid's mean over it.
    pub max_interval_error_mhz: Option<Within>,
    /// Root mean square of the errors, clock apart, over what the noise permits ([`Score::over_bound`](crate::score::Score::over_bound)).
    pub rms_over_bound: Option<Within>,
    /// Share of readings whose 95 % interval must hold the truth.
    pub coverage: Option<Within>,
    /// For how long, at most, readings may be off by more than so many millihertz in the middle of their windows: millihertz, seconds.
    pub response: Option<(f64, f64)>,
    /// The same of rates of change: hertz a second, seconds.
    pub rocof_response: Option<(f64, f64)>,
    /// Time from the start to the first lock.
    pub lock_s: Option<f64>,
    /// Readings far outside their own interval.
    pub false_readings: Option<u64>,
    /// Readings without a number: a meter that says nothing makes no error, and one that goes on in a blackout is wrong.
    pub unknown_readings: Option<Within>,
}

/// Where a scenario that cannot be used is wrong.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// The file cannot be read.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A line is wrong.
    #[error("{}:{line}: {what}", path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// Line counted from 1.
        line: usize,
        /// Key, what was found, what was expected.
        what: String,
    },
    /// The recording that a file speaks of cannot be read.
    #[error(transparent)]
    Recording(#[from] crate::input::InputError),
}
