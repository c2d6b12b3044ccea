//! The desk side of humtick: recordings in, through a front end and the core, readings out.
//!
//! ```text
//! recording -> [input] -> edges (waveforms by way of the [front_end]) -> [measure] -> readings, events, summary
//!                                                         [settings] ^       [whole] the record in one figure
//!
//! readings -> [series] -> evenly spaced fractions of the nominal frequency -> [stability] -> Allan deviations -> [picture]
//! ```

pub mod edge;
pub mod engine;
pub mod entry;
pub mod front_end;
pub mod input;
pub mod measure;
pub mod picture;
pub mod series;
pub mod settings;
pub mod spacing;
pub mod stability;
pub mod whole;
