//! The desk side of humtick: recordings in, through a front end and the core, readings out; and the mains simulated.
//!
//! ```text
//! recording -> [input] -> edges (waveforms by way of the [front_end]) -> [measure] -> readings, events, summary
//!                                                         [settings] ^       [whole] the record in one figure
//!
//! readings -> [series] -> evenly spaced fractions of the nominal frequency -> [stability] -> Allan deviations -> [picture]
//!
//! scenario -> [signal] -> [comparator] -> transitions ([mains]) -> [output] stage -> [timer] -> captures ([board])
//!    captures, the voltage ([probe]), the true frequency -> [write] -> files, whole or not at all
//!    captures -> [trial] -> readings, each with its [truth] -> [score] -> limits kept or broken, a page ([report])
//!
//! board -> [budget] -> reach of its counter, uncertainty term by term
//! ```

pub mod bands;
mod bench;
pub mod bezier;
pub mod board;
pub mod budget;
pub mod comparator;
pub mod course;
pub mod disturb;
pub mod edge;
pub mod engine;
pub mod entry;
pub mod front_end;
pub mod grid;
pub mod input;
mod keys;
pub mod mains;
pub mod measure;
pub mod moment;
pub mod noise;
pub mod output;
pub mod picture;
pub mod probe;
pub mod random;
pub mod report;
pub mod scenario;
pub mod score;
pub mod series;
pub mod settings;
pub mod signal;
pub mod spacing;
pub mod stability;
pub mod timeline;
pub mod timer;
pub mod trial;
pub mod truth;
pub mod waveform;
mod weights;
pub mod whole;
pub mod write;
