#![no_std]
#![feature(asm_experimental_arch)]
//! The board under the firmwares of this package: an ATmega328P at 16 MHz, its timer 1 and its serial port.
//!
//! Registers are touched here and nowhere else. Each firmware is a file in `src/bin`.

pub mod busy;
pub mod interrupts;
pub mod register;
pub mod sensor;
pub mod serial;
pub mod timer;

use core::panic::PanicInfo;

/// Nothing panics: the test of the linked firmware finds no symbol of a panic. The compiler asks for a handler all the same.
#[panic_handler]
fn panic(_: &PanicInfo) -> ! {
    loop {}
}
