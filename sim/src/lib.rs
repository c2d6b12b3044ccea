//! The desk side of humtick: recordings in, through a front end and the core, readings out.
//!
//! ```text
//! recording -> [input] -> edges (waveforms by way of the [front_end]) -> [measure] -> readings, events, summary
//!                                                         [settings] ^       [whole] the record in one figure
//!
//! readings -> [series] -> evenly spaced fractions of the nominal frequency -> [stability] -> Allan deviations -> [picture]
//!
//! scenario -> edges as a timer hands them over -> [trial] -> readings, each with its [truth] -> [score] -> limits kept or broken
//!
//! board -> [budget] -> reach of its counter, uncertainty term by term
//! ```

mod bench;
pub mod budget;
pub mod course;
pub mod edge;
pub mod engine;
pub mod front_end;
pub mod input;
mod keys;
pub mod measure;
pub mod moment;
pub mod picture;
pub mod random;
pub mod scenario;
pub mod score;
pub mod series;
pub mod settings;
pub mod stability;
pub mod trial;
pub mod truth;
mod weights;
pub mod whole;
