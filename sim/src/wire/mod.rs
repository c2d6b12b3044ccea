//! Wires that readings travel on: addresses, what is behind them opened, and what goes beside the readings.
//!
//! ```text
//! text -> [address] -> [open] -> bytes in and out (serial lines by way of [terminal])
//!                                  names of sensors ahead of the readings, receipts back: [greeting]
//! bytes -> [intake] -> names, readings, garbage
//! records -> [arrivals] -> what came again, what is missing, what started anew
//! ```

pub mod address;
pub mod terminal;
pub mod open;
pub mod greeting;
pub(crate) mod broker;
pub mod handles;
pub mod intake;
pub mod arrivals;
