#![no_std]
#![no_main]
#![feature(abi_avr_interrupt)]
//! The sensor: hardware capture, queue, meter with least squares over a second, ten lines a second, sleep between.

use avr_sensor::interrupts;
use avr_sensor::{serial, timer};
use humtick::source::EdgeQueue;
use humtick::{Config, Edge, Meter, Reading, Settings, Source};

/// Edges the queue has room for, and one more: 160 ms of them at 50 Hz.
const ROOM: usize = 8;

static QUEUE: EdgeQueue<ROOM> = EdgeQueue::new();

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
extern "avr-interrupt" fn __vector_19() {
    // SAFETY: this is the data register's handler.
    unsafe { serial::send_next() }
}

/// Checked by the compiler: the firmware carries no check and none of its divisions.
const SETTINGS: Settings = match Config::mains(timer::RATE).check() {
    Ok(settings) => settings,
    Err(_) => panic!("mains settings fit the timer"),
};

#[unsafe(no_mangle)]
extern "C" fn main() -> ! {
    let mut meter = Meter::with(SETTINGS);
    serial::start();
    timer::start_capturing();
    interrupts::enable();
    loop {
        let now = timer::now();
        if take_edges(&mut meter) {
            meter.idle(now);
        }
        if let Some(reading) = take_reading(&mut meter) {
            serial::send(|line| write_line(line, &reading));
        }
        interrupts::sleep_unless(|| !QUEUE.is_empty());
    }
}

/// Takes what has come, and says whether that was all: a floating input brings edges as fast as they are taken, and readings must not
/// wait for an end of it.
fn take_edges(meter: &mut Meter<64>) -> bool {
    for _ in 0..ROOM {
        let Ok(edge) = (&QUEUE).next_edge() else { return true };
        take_edge(meter, edge);
    }
    false
}

/// Out of line, and with a name, for the harness to count its cycles; so are the next two.
#[inline(never)]
#[unsafe(no_mangle)]
fn take_edge(meter: &mut Meter<64>, edge: Edge) {
    meter.push(edge);
}

#[inline(never)]
#[unsafe(no_mangle)]
fn take_reading(meter: &mut Meter<64>) -> Option<Reading> {
    meter.take_reading()
}

#[inline(never)]
#[unsafe(no_mangle)]
fn write_line(line: &mut [u8; serial::LONGEST], reading: &Reading) -> u8 {
    let words = [reading.frequency.map_or(0, |f| f.nanohertz()), reading.expanded_uncertainty.map_or(0, |f| f.nanohertz())];
    let mut n = 0;
    for w in words {
        for b in w.to_le_bytes() {
            if let Some(s) = line.get_mut(usize::from(n)) { *s = b; }
            n += 1;
        }
    }
    n
}
