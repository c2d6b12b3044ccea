//! Readers: a recording on disk becomes edges on one 64-bit tick scale.
//!
//! Captures (CSV, VCD) are edges already; waveforms (WAV, COMTRADE) go through the [`crate::front_end`] first.
//! Every reader streams: memory does not grow with the file.

mod comtrade;
pub(crate) mod csv;
mod decimal;
mod error;
pub(crate) mod lines;
mod resolution;
mod vcd;
mod wav;
mod waveform;

pub use error::InputError;

use std::cell::Cell;
use std::ffi::OsStr;
use std::fs::File;
use std::io::BufReader;
use std::iter;
use std::path::{Path, PathBuf};
use std::rc::Rc;

use crate::edge::TimedEdge;
use crate::settings::MeterSettings;

/// What the command line says about how to read a file; everything else is in the file.
#[derive(Clone, Debug, PartialEq)]
pub struct InputOptions {
    /// Counter rate of a raw or tick CSV in hertz (`--tick-hz`), overruling the file's comment line.
    pub tick_hz: Option<u32>,
    /// Counter width of a raw CSV in bits, 8 to 32 (`--bits`), overruling the file's comment line.
    pub bits: Option<u32>,
    /// Which signal of a VCD (`--signal`).
    pub signal: Option<String>,
    /// Which channel of a waveform (`--channel`): its name, or its number counted from 1.
    pub channel: Option<String>,
    /// Longest period in seconds that the search for a nominal frequency covers (0.025 for mains).
    pub longest_period_s: f64,
    /// Shortest period in seconds that the search for a nominal frequency covers (1/70 for mains).
    pub shortest_period_s: f64,
    /// Longest time in seconds that has to fit twice into the core's horizon of 2^31 ticks: the meter's window or the time between readings.
    pub window_s: f64,
    /// How a waveform is turned into edges.
    pub front_end: crate::front_end::FrontEnd,
}

impl Default for InputOptions {
    /// Mains of 40 to 70 Hz, a window of one second, everything else as the file says.
    fn default() -> Self {
        Self {
            tick_hz: None,
            bits: None,
            signal: None,
            channel: None,
            longest_period_s: 1.0 / 40.0,
            shortest_period_s: 1.0 / 70.0,
            window_s: 1.0,
            front_end: crate::front_end::FrontEnd::default(),
        }
    }
}

impl InputOptions {
    /// These, with the periods and the window of a meter with `settings`.
    pub fn for_meter(self, settings: &MeterSettings) -> Self {
        let (lowest, highest) = settings.nominal.range_hz();
        let intervals_s = if settings.intervals { 20.0 } else { 0.0 };
        Self {
            longest_period_s: 1.0 / lowest,
            shortest_period_s: 1.0 / highest,
            window_s: settings.window_s.max(settings.every_s).max(settings.rocof_s).max(intervals_s),
            ..self
        }
    }

    /// Tick rate in hertz for a recording whose times are not counts of a known counter: the highest power of ten, from
    /// 1 kHz to 100 MHz, at which the longest period is at most 2^25 ticks and the window at most 31 times that.
    ///
    /// A tracker may coast over dozens of periods; 63 of them stay inside the core's horizon of 2^31 ticks. Mains gets
    /// 100 MHz. At 1 kHz the limit is passed rather than the rate lowered, because the core takes no slower counter.
    fn scale_hz(&self) -> u32 {
        let longest = self.longest_period_s.max(self.window_s / 31.0);
        let mut hz = 100_000_000;
        while hz > humtick::limit::MIN_TICK_HZ && longest * f64::from(hz) > f64::from(1 << 25) {
            hz /= 10;
        }
        hz
    }
}

/// An opened recording.
pub struct Recording {
    /// Ticks a second of [`TimedEdge::ticks`].
    pub tick_hz: u32,
    /// Steps in ticks that the first stamps come in, at most an eighth of the shortest period; 1 if there is no coarser pattern.
    pub resolution: u32,
    /// What was found or assumed, one phrase each, for the header line ("16-bit counter at 2 MHz, wraps tallied").
    pub assumptions: Vec<String>,
    /// The edges in order of time; the first error ends them.
    pub edges: Box<dyn Iterator<Item = Result<TimedEdge, InputError>>>,
    /// What is known of the record once all edges have been taken.
    pub end: End,
}

/// What a reader knows of a record in the end.
#[derive(Clone, Debug, Default)]
pub struct End(Rc<Ends>);

#[derive(Debug, Default)]
struct Ends {
    ticks: Cell<u64>,
    torn: Cell<u64>,
}

impl End {
    /// How far the record goes, which may be beyond the last edge, in ticks since it began. Zero where it holds nothing but edges.
    pub fn ticks(&self) -> u64 {
        self.0.ticks.get()
    }

    /// Rows that were left out because a wrap of the counter was mistaken.
    pub fn torn(&self) -> u64 {
        self.0.torn.get()
    }

    fn set(&self, ticks: u64) {
        self.0.ticks.set(ticks);
    }

    fn tear(&self) {
        self.0.torn.set(self.0.torn.get() + 1);
    }
}

/// Opens a recording by the ending of its name, in either case: `.csv`, `.vcd`, `.wav`, `.cfg`.
///
/// Reads as far as the header; what is wrong further on comes out of [`Recording::edges`].
pub fn open(path: &Path, options: &InputOptions) -> Result<Recording, InputError> {
    let text = || File::open(path).map(BufReader::new).map_err(|e| InputError::io(path, e));
    let ending = path.extension().and_then(OsStr::to_str).map(str::to_ascii_lowercase);
    match ending.as_deref() {
        Some("csv") => csv::open(path, text()?, options).map(|r| resolution::find(r, options)),
        Some("vcd") => vcd::open(path, text()?, options).map(|r| resolution::find(r, options)),
        Some("wav") => wav::open(path, options),
        Some("cfg") => comtrade::open(path, options),
        _ => Err(InputError::file(path, "expected a name ending in .csv, .vcd, .wav or .cfg")),
    }
}

/// A rate with the unit that leaves no zeros behind: `2 MHz`, `32768 Hz`.
fn rate_text(hz: u32) -> String {
    match hz {
        _ if hz.is_multiple_of(1_000_000) => format!("{} MHz", hz / 1_000_000),
        _ if hz.is_multiple_of(1_000) => format!("{} kHz", hz / 1_000),
        _ => format!("{hz} Hz"),
    }
}

/// The iterator of [`Recording::edges`] over a reader's next-edge function: it stops at the first error, and a file
/// that ends without a single edge is an error that says `no_edges`.
fn stream(
    path: PathBuf,
    no_edges: String,
    mut next: impl FnMut() -> Result<Option<TimedEdge>, InputError> + 'static,
) -> Box<dyn Iterator<Item = Result<TimedEdge, InputError>>> {
    let (mut any, mut done) = (false, false);
    Box::new(iter::from_fn(move || {
        if done {
            return None;
        }
        let step = match next() {
            Ok(None) if !any => Err(InputError::file(&path, no_edges.as_str())),
            step => step,
        };
        any = true;
        done = !matches!(step, Ok(Some(_)));
        step.transpose()
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_keeps_the_longest_period_within_two_to_the_25() {
        let scale = |longest_period_s, window_s| {
            InputOptions { longest_period_s, window_s, ..InputOptions::default() }.scale_hz()
        };
        assert_eq!(scale(0.025, 1.0), 100_000_000);
        assert_eq!(scale(0.33, 1.0), 100_000_000);
        assert_eq!(scale(0.34, 1.0), 10_000_000);
        assert_eq!(scale(2.0, 1.0), 10_000_000);
        assert_eq!(scale(1e9, 1.0), 1_000);
        assert_eq!(scale(0.025, 10.0), 100_000_000);
        assert_eq!(scale(0.025, 60.0), 10_000_000);
    }

    #[test]
    fn rates_lose_no_digit() {
        assert_eq!(rate_text(2_000_000), "2 MHz");
        assert_eq!(rate_text(62_500), "62500 Hz");
        assert_eq!(rate_text(200_000), "200 kHz");
    }
}
