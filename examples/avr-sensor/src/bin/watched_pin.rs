#![no_std]
#![no_main]
#![feature(abi_avr_interrupt)]
//! The sensor without a capture unit: an interrupt at each rising edge of INT0 (PD2, pin 4), whose handler reads the timer. Its stamp is late
//! by what held the handler off: the instruction under way, another handler, a moment with interrupts off.

use avr_sensor::register::{EICRA, EIMSK};
use avr_sensor::sensor::{Queue, run};
use avr_sensor::{interrupts, serial, timer};
use humtick::Edge;

static QUEUE: Queue = Queue::new();

#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_1() {
    // SAFETY: this is a handler.
    QUEUE.send(Edge::rising(unsafe { timer::counted() }));
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
    timer::start_counting();
    // Rising edges of INT0.
    EICRA.write(0b11);
    EIMSK.write(1);
    #[cfg(feature = "busy")]
    avr_sensor::busy::start();
    interrupts::enable();
    run(&QUEUE)
}
