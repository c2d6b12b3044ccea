//! What else a board may have to do, for tests of latency: a handler that takes 60 of every 128 us.

use core::arch::asm;

use crate::register::{TCCR0B, TIMSK0};

/// Starts timer 0, whose overflows come 128 us apart.
pub fn start() {
    TCCR0B.write(0b10);
    TIMSK0.write(1);
}

/// The handler of its overflow.
#[inline(always)]
pub fn handle() {
    for _ in 0..240u8 {
        // SAFETY: it does nothing, and keeps the loop.
        unsafe { asm!("nop") }
    }
}
