#![no_std]
// Tests may do what shipped code may not; the lints see the shipped code in the build without tests.
#![cfg_attr(
    test,
    allow(
        clippy::cast_possible_truncation,
        clippy::cast_possible_wrap,
        clippy::cast_sign_loss,
        clippy::expect_used,
        clippy::float_arithmetic,
        clippy::indexing_slicing,
        clippy::panic,
        clippy::unwrap_used
    )
)]
//! Mains frequency from timer captures, with stated uncertainty.
//!
//! # Pipeline
//!
//! ```text
//! registers -> Capture -> [timeline] -> Edge -> [qualify] -> Crossing -> [estimate] -> Fit -> [reading] -> Reading
//!                                    [source] ^                                    all in one: [meter]
//! Crossing -> [interval] -> ten-second readings    Crossing -> [grid_time]    Reading -> [watch] -> Event
//! Reading -> [link] -> bytes
//! ```
//!
//! # Units
//!
//! | quantity | type | unit |
//! |---|---|---|
//! | point in time | [`Stamp`] | tick, modulo 2^32 |
//! | length of time | [`Ticks`] | tick |
//! | counter rate | [`TickRate`] | hertz, integer |
//! | frequency and its uncertainty | [`Frequency`] | nanohertz in 64 bits |
//! | clock error | [`Config::clock_ppb`] | parts per billion |
//!
//! # What this does not do
//!
//! It owns no timer, no pin, no allocator. It does not measure voltage or phase. It cannot know how far a clock is off
//! unless told. Two calls must be less than 2^31 ticks (17.9 min at 2 MHz) apart.
//!
//! **Mains can kill.** Take extra-low voltage from a certified safety transformer or a ready-made isolated front end, never from a
//! circuit of your own on the mains; the README's safety section says more.
//!
//! # How to use it
//!
//! An interrupt turns a [`Capture`] into an [`Edge`] and sends it through a [`source::EdgeQueue`]; the main loop pushes edges into a
//! [`Meter`], tells it the time with [`Meter::idle`], without which a dead line would keep its last reading, and takes readings. Boards
//! without a capture unit use [`source::WatchedPin`] and [`Meter::poll`].
//!
//! # Example
//!
//! ```
//! use humtick::{Config, Edge, Meter, Stamp, TickRate};
//!
//! let rate = TickRate::from_hz(2_000_000).unwrap();
//! let mut meter: Meter<64> = Meter::new(&Config::mains(rate)).unwrap();
//! let mut last = None;
//! for cycle in 0..100 {
//!     meter.push(Edge::rising(Stamp::new(cycle * 40_000)));
//!     last = meter.take_reading().or(last);
//! }
//! let reading = last.unwrap();
//! assert_eq!(reading.frequency.unwrap().nanohertz(), 50_000_000_000);
//! ```

// In the order of the signal; `limit` and `arithmetic` serve them all.
pub mod limit;
mod arithmetic;
pub mod unit;
pub mod clock;
mod scale;
pub mod config;
pub mod timeline;
pub mod source;
pub mod burst;
pub mod qualify;
pub mod estimate;
mod chain;
pub mod reading;
pub mod meter;
pub mod discipline;
pub mod interval;
pub mod grid_time;
pub mod watch;
pub mod link;

pub use burst::{Bursts, Pick};
pub use clock::Clock;
pub use config::{Config, ConfigError, Settings};
pub use discipline::Discipline;
pub use estimate::{Biweight, EndToEnd, Estimator, Fit, Hann, Kaiser6, LastPeriod, LeastSquares, Triangular};
pub use grid_time::{GridTime, GridTimeReading};
pub use interval::{IntervalReading, Intervals};
pub use meter::Meter;
pub use qualify::{Continuity, Crossing, Lock, Reject, State, Verdict};
pub use reading::Reading;
pub use source::Source;
pub use timeline::Capture;
pub use unit::{Edge, Frequency, Polarity, Stamp, TickRate, Ticks};
pub use watch::{Band, Event, Watch};

/// The README's code is compiled and run as a test.
#[cfg(doctest)]
#[doc = include_str!("../../README.md")]
struct Readme;

#[cfg(test)]
extern crate std;
