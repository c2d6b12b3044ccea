//! The sensor with everything on between two registers: what is left of it on a board. Never run; its size is the sensor's, and so are the
//! symbols that must not be in it.
#![no_std]
#![no_main]

use core::sync::atomic::{AtomicU8, AtomicU32, Ordering::Relaxed};

use cortex_m_rt::entry;
use full_sensor::{News, Sensor, record};
use humtick::TickRate;
use humtick::link::{MAX_LINE, line};

/// In place of a capture unit and of a serial port.
static CAPTURED: [AtomicU32; 2] = [AtomicU32::new(0), AtomicU32::new(0)];
static PORT: AtomicU8 = AtomicU8::new(0);

#[entry]
fn main() -> ! {
    if let Some(mut sensor) = TickRate::from_hz(2_000_000).and_then(Sensor::new) {
        loop {
            let [a, b] = &CAPTURED;
            let ([s0, s1, s2, s3], [k0, k1, k2, k3]) =
                (a.load(Relaxed).to_le_bytes(), b.load(Relaxed).to_le_bytes());
            let Some(input) = record::decode([s0, s1, s2, s3, k0, k1, k2, k3]) else { continue };
            sensor.take(input, |news| match news {
                News::Reading(record) => {
                    for byte in line(&record, &mut [0; MAX_LINE]) {
                        PORT.store(*byte, Relaxed);
                    }
                }
                // What a board does with it is its own; that it is worked out is not.
                News::Interval(interval) => PORT.store(interval.cycles as u8, Relaxed),
                News::Event(_) => PORT.store(1, Relaxed),
                News::Clock(standing) => PORT.store(standing as u8, Relaxed),
            });
        }
    }
    loop {
        cortex_m::asm::wfi();
    }
}

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {
        cortex_m::asm::wfi();
    }
}
