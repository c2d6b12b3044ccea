//! A meter with uncertainty and its lines between two registers, nothing else: what it takes at least. Never run.
#![no_std]
#![no_main]

use core::sync::atomic::{AtomicU8, AtomicU32, Ordering::Relaxed};

use cortex_m_rt::entry;
use humtick::link::{MAX_LINE, Record, SensorTime, line, next};
use humtick::{Config, Edge, Meter, Settings, Stamp, TickRate};

const RATE: TickRate = TickRate::from_hz(2_000_000).expect("within its range");

const SETTINGS: Settings = match Config::mains(RATE).check() {
    Ok(settings) => settings,
    Err(_) => panic!("mains settings fit this rate"),
};

/// In place of a capture unit and of a serial port.
static CAPTURED: AtomicU32 = AtomicU32::new(0);
static PORT: AtomicU8 = AtomicU8::new(0);

#[entry]
fn main() -> ! {
    let mut meter: Meter<64> = Meter::with(SETTINGS);
    let (mut time, mut sequence) = (SensorTime::new(RATE, Stamp::new(0)), 0);
    loop {
        meter.push(Edge::rising(Stamp::new(CAPTURED.load(Relaxed))));
        meter.idle(Stamp::new(CAPTURED.load(Relaxed)));
        if let Some(reading) = meter.take_reading() {
            let record = Record::new(sequence, time.at(reading.middle), &reading);
            sequence = next(sequence);
            for byte in line(&record, &mut [0; MAX_LINE]) {
                PORT.store(*byte, Relaxed);
            }
        }
    }
}

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {
        cortex_m::asm::wfi();
    }
}
