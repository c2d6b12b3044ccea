//! Registers of the ATmega328P, at their addresses in data space (data sheet, "Register Summary").

/// A register of one byte.
#[derive(Clone, Copy)]
pub struct Register(usize);

impl Register {
    /// What it holds.
    #[inline(always)]
    pub fn read(self) -> u8 {
        // SAFETY: the addresses below are those of registers, which any code may read at any time.
        unsafe { (self.0 as *const u8).read_volatile() }
    }

    /// Makes it hold `value`.
    #[inline(always)]
    pub fn write(self, value: u8) {
        // SAFETY: as for reading; no register below moves the stack or writes to memory.
        unsafe { (self.0 as *mut u8).write_volatile(value) }
    }

    /// Sets the bits of `mask`.
    #[inline(always)]
    pub fn set(self, mask: u8) {
        self.write(self.read() | mask);
    }

    /// Clears the bits of `mask`.
    #[inline(always)]
    pub fn clear(self, mask: u8) {
        self.write(self.read() & !mask);
    }
}

/// A register of two bytes.
#[derive(Clone, Copy)]
pub struct Wide(usize);

impl Wide {
    /// What it holds. The compiler reads the low byte first, as the timer asks: that latches the high one.
    #[inline(always)]
    pub fn read(self) -> u16 {
        // SAFETY: as for one byte.
        unsafe { (self.0 as *const u16).read_volatile() }
    }

    /// Makes it hold `value`. The compiler writes the high byte first, as the timer asks.
    #[inline(always)]
    pub fn write(self, value: u16) {
        // SAFETY: as for one byte.
        unsafe { (self.0 as *mut u16).write_volatile(value) }
    }
}

/// Counter of timer 1.
pub const TCNT1: Wide = Wide(0x84);
/// The count that timer 1 captured.
pub const ICR1: Wide = Wide(0x86);
/// Compare value B of timer 1.
pub const OCR1B: Wide = Wide(0x8A);

macro_rules! registers {
    ($($(#[$doc:meta])* $name:ident = $address:literal;)*) => {
        $($(#[$doc])* pub const $name: Register = Register($address);)*
    };
}

registers! {
    /// Data of port B.
    PORTB = 0x25;
    /// Flags of timer 1.
    TIFR1 = 0x36;
    /// Masks of the interrupts INT0 and INT1.
    EIMSK = 0x3D;
    /// Control of timer 0: its prescaler.
    TCCR0B = 0x45;
    /// Sleep mode.
    SMCR = 0x53;
    /// Status: the interrupt flag is its top bit.
    SREG = 0x5F;
    /// Which edges raise INT0 and INT1.
    EICRA = 0x69;
    /// Masks of timer 0's interrupts.
    TIMSK0 = 0x6E;
    /// Masks of timer 1's interrupts.
    TIMSK1 = 0x6F;
    /// Control of timer 1: its mode.
    TCCR1A = 0x80;
    /// Control of timer 1: capture edge and prescaler.
    TCCR1B = 0x81;
    /// Status of the serial port.
    UCSR0A = 0xC0;
    /// Control of the serial port: which parts run, and their interrupts.
    UCSR0B = 0xC1;
    /// Control of the serial port: the frame.
    UCSR0C = 0xC2;
    /// Divider of the serial port, low byte.
    UBRR0L = 0xC4;
    /// Divider of the serial port, high byte.
    UBRR0H = 0xC5;
    /// Data of the serial port.
    UDR0 = 0xC6;
}
