#![no_std]
#![no_main]
#![feature(abi_avr_interrupt)]
//! What an interrupt costs at least: the capture and its extension by hand, into a ring by hand. For the table of costs.

use core::sync::atomic::{AtomicU8, Ordering::Relaxed};

use avr_sensor::interrupts::{self, Shared};
use avr_sensor::register::{ICR1, TIFR1};
use avr_sensor::{serial, timer};

static RING: Shared<[u32; 8]> = Shared::new([0; 8]);
static TALLY: Shared<u16> = Shared::new(0);
static HEAD: AtomicU8 = AtomicU8::new(0);

#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_10() {
    let raw = ICR1.read();
    let pending = TIFR1.read() & 1 != 0 && raw < 0x8000;
    // SAFETY: this is a handler.
    let tally = unsafe { TALLY.in_handler(|tally| *tally) }.wrapping_add(u16::from(pending));
    let head = HEAD.load(Relaxed);
    // SAFETY: this is a handler.
    unsafe {
        RING.in_handler(|ring| ring[usize::from(head & 7)] = u32::from(tally) << 16 | u32::from(raw));
    }
    HEAD.store(head.wrapping_add(1), Relaxed);
}

#[unsafe(no_mangle)]
extern "avr-interrupt" fn __vector_13() {
    // SAFETY: this is a handler.
    unsafe { TALLY.in_handler(|tally| *tally = tally.wrapping_add(1)) }
}

#[unsafe(no_mangle)]
extern "C" fn main() -> ! {
    serial::start();
    timer::start_capturing();
    interrupts::enable();
    let mut tail = 0u8;
    loop {
        while tail != HEAD.load(Relaxed) {
            let stamp = RING.lock(|ring| ring[usize::from(tail & 7)]);
            tail = tail.wrapping_add(1);
            serial::write(&stamp.to_le_bytes());
        }
        interrupts::sleep_unless(|| tail != HEAD.load(Relaxed));
    }
}
