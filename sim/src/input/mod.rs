//! Readers: a recording on disk becomes edges on one 64-bit tick scale.
//!
//! Captures (CSV, VCD) are edges already; waveforms (WAV, COMTRADE) go through the [`crate::front_end`] first.
//! Every reader streams: memory does not grow with the file.

mod error;

pub use error::InputError;

use std::path::Path;

use humtick::Polarity;

/// An edge on the recording's own scale: ticks since the record began, never wrapping, never running backwards.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TimedEdge {
    /// Ticks since the record began.
    pub ticks: u64,
    /// Which way the signal crossed.
    pub polarity: Polarity,
}

/// What the command line says about how to read a file; everything else is in the file.
#[derive(Clone, Debug)]
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
    /// How a waveform is turned into edges.
    pub front_end: crate::front_end::FrontEnd,
}

/// An opened recording.
pub struct Recording {
    /// Ticks a second of [`TimedEdge::ticks`].
    pub tick_hz: u32,
    /// What was found or assumed, one phrase each, for the header line ("16-bit counter at 2 MHz, wraps tallied").
    pub assumptions: Vec<String>,
    /// The edges in order of time; the first error ends them.
    pub edges: Box<dyn Iterator<Item = Result<TimedEdge, InputError>>>,
}

/// Opens a recording by the ending of its name: `.csv`, `.vcd`, `.wav`, `.cfg`.
pub fn open(path: &Path, options: &InputOptions) -> Result<Recording, InputError> {
    let _ = (path, options);
    unimplemented!()
}
