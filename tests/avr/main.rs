//! The sensor as machine code: `examples/avr-sensor` on an emulated ATmega328P, fed by the simulator, judged by what it sends.

mod board;
mod budget;
mod capture;
#[path = "../common/budget.rs"]
mod costs;
mod pin;
mod pulses;
mod readings;
mod stress;
mod twin;
