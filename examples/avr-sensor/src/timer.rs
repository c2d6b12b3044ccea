//! Timer 1: free-running at 2 MHz, its overflows tallied, its captures and its present count on the 32-bit scale.

use humtick::{Capture, Polarity, Stamp, TickRate};

use crate::interrupts::Shared;
use crate::register::*;

/// Ticks a second: 16 MHz by 8.
pub const RATE: TickRate = TickRate::from_hz(2_000_000).expect("within 1 kHz to 1 GHz");

/// Overflows so far. Above 16 bits of counter there is room for 16 on the scale.
static TALLY: Shared<u16> = Shared::new(0);

/// Flag of a pending overflow in TIFR1; interrupt masks have the same places.
const TOV: u8 = 1 << 0;
const ICF: u8 = 1 << 5;
const OCF: u8 = 1 << 2;

/// Starts the timer, capturing rising edges on ICP1 (PB0, pin 14). The comparator's output drives the pin, so it has no pull-up.
pub fn start_capturing() {
    start(1 << 6, ICF);
}

/// Starts the timer without its capture unit.
pub fn start_counting() {
    start(0, 0);
}

fn start(edge: u8, capture: u8) {
    TCCR1A.write(0);
    // Prescaler 8.
    TCCR1B.write(edge | 1 << 1);
    // For the long handler, 64 ticks before each overflow.
    OCR1B.write(0xFFC0);
    TIMSK1.write(capture | TOV | if cfg!(feature = "long-handler") { OCF } else { 0 });
}

/// For the overflow handler.
///
/// # Safety
/// Only there.
#[inline(always)]
pub unsafe fn overflowed() {
    // SAFETY: in a handler.
    unsafe { TALLY.in_handler(|tally| *tally = tally.wrapping_add(1)) }
}

/// For the capture handler: what the unit captured.
///
/// # Safety
/// Only in a handler.
#[inline(always)]
pub unsafe fn captured() -> Stamp {
    // SAFETY: in a handler.
    unsafe { together(ICR1) }
}

/// For a pin's handler: the count right now.
///
/// # Safety
/// Only in a handler.
#[inline(always)]
pub unsafe fn counted() -> Stamp {
    // SAFETY: in a handler.
    unsafe { together(TCNT1) }
}

/// For the main loop: the overflows tallied so far.
pub fn tally() -> u16 {
    TALLY.lock(|tally| *tally)
}

/// A count, the tally and the overflow flag, in this order: a counter that wraps after it was read is then known not to have been in
/// its lower half.
#[inline(always)]
unsafe fn together(register: Wide) -> Stamp {
    let raw = register.read();
    let pending = !cfg!(feature = "without-pending-rule") && TIFR1.read() & TOV != 0;
    // SAFETY: interrupts are held off.
    let tally = unsafe { TALLY.in_handler(|tally| *tally) };
    let capture = Capture { raw: raw.into(), tally: tally.into(), pending, polarity: Polarity::Rising };
    capture.edge::<16>().stamp
}
