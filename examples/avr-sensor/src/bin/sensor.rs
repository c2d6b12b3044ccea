#![no_std]
#![no_main]
#![feature(abi_avr_interrupt)]
//! The sensor: hardware capture, queue, meter with least squares over a second, ten lines a second, sleep between.

use avr_sensor::interrupts;
use avr_sensor::{serial, timer};
use humtick::link::{Record, SensorTime, next};
use humtick::source::EdgeQueue;
use humtick::{Config, Edge, Meter, Reading, Settings, Source, Stamp};

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
    let mut report = Report { sequence: 0, time: SensorTime::new(timer::RATE, Stamp::new(0)) };
    serial::start();
    timer::start_capturing();
    interrupts::enable();
    let mut seen = 0;
    loop {
        // The tally first, then the queue: when that is empty, all edges before the overflow have been taken.
        let tally = timer::tally();
        let empty = take_edges(&mut meter, &mut report);
        // Time passes by overflows, 30 a second. Without this a dead line would keep its last reading for ever.
        if empty && tally != seen {
            seen = tally;
            meter.idle(Stamp::new(u32::from(tally) << 16));
            report.send_due(&mut meter);
        }
        interrupts::sleep_unless(|| !QUEUE.is_empty());
    }
}

/// Takes what has come, and says whether that was all: a floating input brings edges as fast as they are taken, and the rest must not wait
/// for an end of it.
fn take_edges(meter: &mut Meter<64>, report: &mut Report) -> bool {
    for _ in 0..ROOM {
        let Ok(edge) = (&QUEUE).next_edge() else { return true };
        take_edge(meter, edge);
        report.send_due(meter);
    }
    false
}

/// What goes with the lines.
struct Report {
    sequence: u16,
    time: SensorTime,
}

impl Report {
    fn send_due(&mut self, meter: &mut Meter<64>) {
        if let Some(reading) = take_reading(meter) {
            let record = Record::new(self.sequence, self.time.at(reading.middle), &reading);
            self.sequence = next(self.sequence);
            write_line(&record);
        }
    }
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
fn write_line(record: &Record) {
    serial::send(record);
}
