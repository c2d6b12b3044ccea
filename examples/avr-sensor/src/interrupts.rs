//! Interrupts on and off, and what the main loop shares with them.

use core::arch::asm;
use core::cell::UnsafeCell;

use crate::register::{SMCR, SREG};

/// Lets interrupts in, from the instruction after next on.
#[inline(always)]
pub fn enable() {
    // SAFETY: what interrupts and the main loop share is behind `Shared`.
    unsafe { asm!("sei") }
}

/// Does `f` with interrupts held off, and leaves them as they were.
#[inline(always)]
pub fn held_off<R>(f: impl FnOnce() -> R) -> R {
    let before = SREG.read();
    // SAFETY: holding interrupts off breaks nothing.
    unsafe { asm!("cli") };
    let result = f();
    SREG.write(before);
    result
}

/// Sleeps until an interrupt has been served, unless `busy` says, with interrupts held off, that there is something to do. The
/// processor stops, timer and serial port run on (idle mode).
#[inline(always)]
pub fn sleep_unless(busy: impl FnOnce() -> bool) {
    // SAFETY: see `enable`. The instruction after `sei` is carried out before any interrupt, so none can slip in between.
    unsafe { asm!("cli") };
    if busy() {
        unsafe { asm!("sei") };
        return;
    }
    SMCR.write(1);
    unsafe { asm!("sei", "sleep") };
    SMCR.write(0);
}

/// What one interrupt handler and the main loop share.
pub struct Shared<T>(UnsafeCell<T>);

// SAFETY: there is one processor, and `lock` and `in_handler` see to it that one user at a time has the value.
unsafe impl<T> Sync for Shared<T> {}

impl<T> Shared<T> {
    /// Holds `value`.
    pub const fn new(value: T) -> Self {
        Self(UnsafeCell::new(value))
    }

    /// Lends it to the main loop, interrupts held off. `f` must not ask for it again.
    #[inline(always)]
    pub fn lock<R>(&self, f: impl FnOnce(&mut T) -> R) -> R {
        // SAFETY: no handler runs meanwhile.
        held_off(|| f(unsafe { &mut *self.0.get() }))
    }

    /// Lends it to an interrupt handler.
    ///
    /// # Safety
    /// Only in a handler, which nothing interrupts since handlers here never let interrupts in; `f` must not ask for it again.
    #[inline(always)]
    pub unsafe fn in_handler<R>(&self, f: impl FnOnce(&mut T) -> R) -> R {
        // SAFETY: see above; the main loop stands still, outside of `lock`.
        f(unsafe { &mut *self.0.get() })
    }
}
