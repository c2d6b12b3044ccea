#![no_std]
#![no_main]
#![feature(abi_avr_interrupt)]
//! The least that makes a reading: interrupt, push, print. No sleep, no time but the edges' own, so that a dead line keeps its last reading;
//! `sensor` is what to build on.

use avr_sensor::{interrupts, serial, timer};
use humtick::link::{MAX_NUMBER, number};
use humtick::source::EdgeQueue;
use humtick::{Config, Edge, Meter};

static QUEUE: EdgeQueue<8> = EdgeQueue::new();

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

#[unsafe(no_mangle)]
extern "C" fn main() -> ! {
    serial::start();
    timer::start_capturing();
    interrupts::enable();
    let Ok(mut meter) = Meter::<64>::new(&Config::mains(timer::RATE)) else {
        loop {
            interrupts::sleep_unless(|| false);
        }
    };
    loop {
        if let Ok(reading) = meter.poll(&mut &QUEUE)
            && let Some(frequency) = reading.frequency
        {
            serial::write(number(frequency, 3, &mut [0; MAX_NUMBER]));
        }
    }
}
