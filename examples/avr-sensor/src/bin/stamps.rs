#![no_std]
#![no_main]
#![feature(abi_avr_interrupt)]
//! Proof of the capture path: each captured edge goes through the queue and out as its stamp, four bytes, lowest first.
//!
//! With the feature `long-handler` another interrupt's handler holds all others off around each overflow of the timer, from 64 ticks before
//! to 64 after.

use avr_sensor::interrupts;
use avr_sensor::{serial, timer};
use humtick::source::EdgeQueue;
use humtick::{Edge, Source};

static QUEUE: EdgeQueue<8> = EdgeQueue::new();

#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_10() {
    // SAFETY: this is a handler.
    QUEUE.send(Edge::rising(unsafe { timer::captured() }));
}

#[cfg(feature = "long-handler")]
#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_12() {
    // SAFETY: this is a handler.
    while (unsafe { timer::counted() }.raw() as u16).wrapping_add(64) < 128 {}
}

#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_13() {
    // SAFETY: this is the overflow's handler.
    unsafe { timer::overflowed() }
}

#[unsafe(no_mangle)]
extern "C" fn main() -> ! {
    serial::start();
    timer::start_capturing();
    interrupts::enable();
    loop {
        while let Ok(edge) = (&QUEUE).next_edge() {
            serial::write(&edge.stamp.raw().to_le_bytes());
        }
        interrupts::sleep_unless(|| !QUEUE.is_empty());
    }
}
