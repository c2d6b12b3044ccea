//! The serial port: 115,200 baud, 8 data bits, no parity, one stop bit, a line at a time sent by its interrupt.

use crate::interrupts::Shared;
use crate::register::*;

/// Longest line.
pub const LONGEST: usize = 96;

const UDRE_INTERRUPT: u8 = 1 << 5;

struct Line {
    bytes: [u8; LONGEST],
    len: u8,
    next: u8,
}

static LINE: Shared<Line> = Shared::new(Line { bytes: [0; LONGEST], len: 0, next: 0 });

/// Starts the port. At 16 MHz, double speed and a divider of 17 give 117,647 baud, 2.1 % fast: inside what receivers stand.
pub fn start() {
    UCSR0A.write(1 << 1);
    UCSR0C.write(0b110);
    UBRR0H.write(0);
    UBRR0L.write(16);
    UCSR0B.write(1 << 3);
}

/// Whether the last line is on its way in full.
pub fn is_idle() -> bool {
    UCSR0B.read() & UDRE_INTERRUPT == 0
}

/// Lends the buffer to `f`, which says how many bytes of it are to be sent. Does nothing if the last line is not out yet: a late line would
/// say what no longer is.
#[inline(always)]
pub fn send(f: impl FnOnce(&mut [u8; LONGEST]) -> u8) {
    if !is_idle() {
        return;
    }
    // SAFETY: the handler that uses the line too is switched off, and is the only one.
    unsafe {
        LINE.in_handler(|line| {
            line.len = f(&mut line.bytes);
            line.next = 0;
        });
    }
    UCSR0B.set(UDRE_INTERRUPT);
}

/// For the handler of the empty data register.
///
/// # Safety
/// Only there.
#[inline(always)]
pub unsafe fn send_next() {
    // SAFETY: in a handler.
    unsafe {
        LINE.in_handler(|line| {
            if let Some(byte) = line.bytes.get(usize::from(line.next)) {
                UDR0.write(*byte);
            }
            line.next += 1;
            if line.next >= line.len {
                UCSR0B.clear(UDRE_INTERRUPT);
            }
        });
    }
}
