//! The desk side of humtick: recordings and scenarios in, through a front end and the core, readings out.
//!
//! ```text
//! recording -> [input] -> edges (waveforms by way of the [front_end]) -> [measure] -> readings, events, summary
//!                                                         [settings] ^       [whole] the record in one figure
//!
//! readings -> [series] -> evenly spaced fractions of the nominal frequency -> [stability] -> Allan deviations -> [picture]
//!
//! [scenario] -> [mains] (grid, waveform, disturbances, comparator) -> [output] stage -> [timer] -> captures ([board])
//!     captures, the voltage, the true frequency -> [write] -> files, whole or not at all
//!     captures -> [timeline] -> [trial] -> readings, each with its [truth] -> [score] -> limits kept or broken, a page ([report])
//!     folder of scenarios and of recordings with what is expected of them -> [suite] -> which limits hold, what has changed
//!     scenario's text + values of its keys, seeds -> trials -> [sweep] -> table, lines, heat map, the farthest value that keeps a limit
//!
//! scenario -> [standin] (pretend sensors) -> link lines -> [wire] -> [relay] -> [wire]
//! bytes of many sensors ([wire]) -> [listen] -> readings, losses, limits ([station]) -> [log] -> [view], a page
//!
//! board -> [budget] -> reach of its counter, uncertainty term by term
//! ```

// What both sides stand on.
pub mod edge;
mod keys;
pub mod settings;
pub mod engine;
mod bench;
mod weights;

// Recordings.
pub mod front_end;
pub mod input;
pub mod entry;
pub mod spacing;
pub mod whole;
pub mod measure;

// Logged readings, and boards not yet built.
pub mod series;
pub mod stability;
pub mod picture;
pub mod budget;

// Simulation, in signal order.
pub mod moment;
pub mod random;
pub mod course;
pub mod scenario;
pub mod mains;
pub mod output;
pub mod timer;
pub mod timeline;
pub mod board;
pub mod write;
pub mod truth;
pub mod score;
pub mod trial;
pub mod report;
pub mod suite;
pub mod sweep;

// Readings on their way, and kept.
pub mod wire;
pub mod standin;
pub mod relay;
pub mod log;
pub mod station;
pub mod listen;
pub mod view;
