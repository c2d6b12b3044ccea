#![no_std]
//! humtick core (head to be written)
pub mod limit;
pub mod unit;
pub use unit::{Edge, Frequency, Polarity, Stamp, TickRate, Ticks};
