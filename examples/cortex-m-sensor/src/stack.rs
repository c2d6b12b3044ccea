//! The most that the stack ever held.

use semihosting::fs::File;
use semihosting::io;

use crate::write;

/// What the start-up code leaves in memory that nobody has used.
const PAINT: u32 = 0xCCCC_CCCC;

unsafe extern "C" {
    static _stack_start: u32;
    static _stack_end: u32;
}

/// Bytes between the stack's start and the deepest word that is painted no more.
fn high_water() -> u32 {
    let (top, bottom) = (&raw const _stack_start as u32, &raw const _stack_end as u32);
    let mut at = bottom;
    // SAFETY: all of [bottom, top) is memory, aligned, and this reads words that nothing else writes while it runs.
    while at < top && unsafe { (at as *const u32).read_volatile() } == PAINT {
        at += 4;
    }
    top - at
}

/// Writes it to the file `stack.bin`, four bytes, little-endian.
pub fn report() -> io::Result<()> {
    write(&mut File::create(c"stack.bin")?, &high_water().to_le_bytes())
}
