//! The serial port: 115,200 baud, 8 data bits, no parity, one stop bit, a line at a time sent by its interrupt.

use humtick::link::{Outgoing, Record};

use crate::interrupts::Shared;
use crate::register::*;

/// Interrupt when the data register is empty, transmitter on.
const UDRIE: u8 = 1 << 5;
const TXEN: u8 = 1 << 3;

static LINE: Shared<Outgoing> = Shared::new(Outgoing::new());

/// Starts the port. At 16 MHz, double speed and a divider of 17 give 117,647 baud, 2.1 % fast: inside what receivers stand.
pub fn start() {
    UCSR0A.write(1 << 1);
    UCSR0C.write(0b110);
    UBRR0H.write(0);
    UBRR0L.write(16);
    UCSR0B.write(TXEN);
}

/// Sends the line of `record`; nothing, and false, if the last line is not out yet: ten a second take a twentieth of the time, and a late one
/// would say what no longer is.
pub fn send(record: &Record) -> bool {
    if UCSR0B.read() & UDRIE != 0 {
        return false;
    }
    // SAFETY: the handler that uses the line too is switched off, and is the only one.
    let taken = unsafe { LINE.in_handler(|line| line.load(record)) };
    if taken.is_ok() {
        UCSR0B.write(TXEN | UDRIE);
    }
    taken.is_ok()
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
            if let Some(byte) = line.next_byte() {
                UDR0.write(byte);
            }
            if line.is_done() {
                UCSR0B.write(TXEN);
            }
        });
    }
}

/// Sends `bytes` and waits until the last of them is on its way: for what is not made of lines.
pub fn write(bytes: &[u8]) {
    for byte in bytes {
        while UCSR0A.read() & 1 << 5 == 0 {}
        UDR0.write(*byte);
    }
}
