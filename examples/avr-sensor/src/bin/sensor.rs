#![no_std]
#![no_main]
#![feature(abi_avr_interrupt)]
//! The sensor: the timer's capture unit stamps each rising edge on ICP1 (PB0, pin 14).

use avr_sensor::sensor::{Queue, run};
use avr_sensor::{interrupts, serial, timer};
use humtick::Edge;

static QUEUE: Queue = Queue::new();

#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_10() {
    // SAFETY: this is a handler.
    QUEUE.send(Edge::rising(unsafe { timer::captured() }));
}

#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_13() {
    // SAFETY: this is the overflow's handler.
    unsafe { timer::overflowed() }
}

#[cfg(feature = "busy")]
#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_16() {
    avr_sensor::busy::handle();
}

#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_19() {
    // SAFETY: this is the data register's handler.
    unsafe { serial::send_next() }
}

#[unsafe(no_mangle)]
extern "C" fn main() -> ! {
    serial::start();
    timer::start_capturing();
    #[cfg(feature = "busy")]
    avr_sensor::busy::start();
    interrupts::enable();
    run(&QUEUE)
}
