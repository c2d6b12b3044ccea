//! Where intervals start and end: points between ticks, a fixed length apart, exactly.

use crate::arithmetic::divide_down;
use crate::limit::HORIZON;

/// A length in ticks with 10^-12ths, which milliseconds times a rate corrected in parts per billion need. Kept exactly,
/// or the intervals would drift against the clock.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Length {
    pub whole: u32,
    rest: u64,
}

const PARTS: u64 = 1_000_000_000_000;

impl Length {
    pub fn of(ms: u32, nano_rate: u64) -> Option<Self> {
        let ms = u64::from(ms);
        // Both products fit: a rate is at most 1.1 * 10^18, of which 10^12ths are 1.1 * 10^6, and 10^12 * 2^24 is below 2^64.
        if ms >= 1 << 24 {
            return None;
        }
        let rest = nano_rate % PARTS * ms;
        let whole = u32::try_from(nano_rate / PARTS * ms + rest / PARTS).ok()?;
        (whole < HORIZON).then_some(Self { whole, rest: rest % PARTS })
    }
}

/// A point on the long scale between two ticks: `ticks` + `rest` / 10^12.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Moment {
    pub ticks: i64,
    rest: u64,
}

impl Moment {
    pub const fn new(ticks: i64) -> Self {
        Self { ticks, rest: 0 }
    }

    /// The first whole tick that is not before it.
    pub const fn first_tick(self) -> i64 {
        self.ticks + (self.rest > 0) as i64
    }

    /// `steps` lengths later, -2^20 to 2^20: then 10^12ths fit in 63 bits.
    pub const fn moved(self, length: Length, steps: i64) -> Self {
        let (carry, rest) = divide_down(length.rest.cast_signed() * steps + self.rest.cast_signed(), PARTS);
        Self { ticks: self.ticks + length.whole as i64 * steps + carry, rest }
    }

    /// The first point after `at` that is a whole number of lengths away, and how many (none backwards).
    pub fn next_after(mut self, at: i64, length: Length) -> (Self, u32) {
        let mut count: u32 = 0;
        // By a longer length the quotient falls short rather than beyond, and the rest is soon gone.
        let strides = |ticks: i64| (ticks / (i64::from(length.whole) + 1)).clamp(1, 1 << 20);
        while self.first_tick() > at {
            self = self.moved(length, -strides(self.ticks - at));
        }
        while self.first_tick() <= at {
            let steps = strides(at - self.ticks);
            self = self.moved(length, steps);
            count = count.saturating_add(u32::try_from(steps).unwrap_or(u32::MAX));
        }
        (self, count)
    }
}
