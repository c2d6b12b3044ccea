//! The part of a sensor's firmware that is the same on the desk: which meter it runs, and how that is set. `main` adds the timer, its interrupt
//! and the line out.

#![no_std]

use humtick::{Config, Hann, Meter, TickRate};

/// A 16-bit timer at 2 MHz.
pub const TICK_HZ: u32 = 2_000_000;

/// A Hann window over both polarities, against the pump house's tones and its direct voltage. 64 crossings hold 0.5 s up to 128 Hz.
pub type OutletMeter = Meter<64, Hann, 2>;

/// What `meter.toml` says, for the core. `None` if the rate or the settings were nonsense, which the tests rule out.
pub fn meter() -> Option<OutletMeter> {
    OutletMeter::new(&config()?).ok()
}

/// The settings themselves.
pub fn config() -> Option<Config> {
    Some(Config {
        window_ms: 500,
        every_ms: 100,
        holdoff_permille: 600,
        coast_cycles: 50,
        clock_tolerance_ppb: 30_000,
        ..Config::mains(TickRate::from_hz(TICK_HZ)?)
    })
}
