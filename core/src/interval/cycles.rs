//! What came inside one interval: first and last crossing, and how evenly the ones between.

use crate::arithmetic::Rough;
use crate::reading::THOUSANDTH;

/// First and last crossing, as places on the long scale, with the numbers of the cycles that they began.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Ends {
    pub first: i64,
    first_cycle: u32,
    pub last: i64,
    last_cycle: u32,
}

/// The cycles inside an interval.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Cycles {
    pub ends: Option<Ends>,
    pub crossings: u32,
    broken: bool,
    pub jitter: Jitter,
}

impl Cycles {
    pub const NONE: Self = Self { ends: None, crossings: 0, broken: false, jitter: Jitter::NONE };

    pub fn add(&mut self, at: i64, cycle: u32, broken: bool) {
        self.crossings = self.crossings.saturating_add(1);
        match &mut self.ends {
            None => self.ends = Some(Ends { first: at, first_cycle: cycle, last: at, last_cycle: cycle }),
            Some(ends) => {
                self.broken |= broken;
                let period = u32::try_from(at - ends.last).ok();
                self.jitter.add(period.filter(|_| cycle.wrapping_sub(ends.last_cycle) == 1));
                (ends.last, ends.last_cycle) = (at, cycle);
            }
        }
    }

    /// First and last crossing and the whole cycles between them, if there are any and their number is known.
    pub fn whole(&self) -> Option<(Ends, u32)> {
        let ends = self.ends.filter(|_| !self.broken)?;
        let cycles = ends.last_cycle.wrapping_sub(ends.first_cycle);
        (cycles > 0 && ends.last > ends.first).then_some((ends, cycles))
    }
}

/// How neighbouring periods differ: second differences of the stamps, in which neither the frequency nor a slow drift shows.
/// Under white jitter of variance s^2 theirs is (1 + 4 + 1) s^2. A drift of 1 Hz/s at 50 Hz adds 8 us to each, and so is taken for
/// 3.3 us of jitter.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Jitter {
    /// The latest period, if no crossing was missed in it.
    period: Option<u32>,
    differences: u32,
    /// Sum of their squares; at 2^64 - 1 it is not known.
    squares: u64,
}

impl Jitter {
    const NONE: Self = Self { period: None, differences: 0, squares: 0 };

    /// Takes the time from one crossing to the next; `None` if that is not one period.
    const fn add(&mut self, period: Option<u32>) {
        if let (Some(before), Some(period)) = (self.period, period) {
            // Of crossings that a meter accepted, the sum of squares is below interval times longest period, 2^58.
            let difference = period.abs_diff(before) as u64;
            self.squares = self.squares.saturating_add(difference * difference);
            self.differences = self.differences.saturating_add(1);
        }
        self.period = period;
    }

    /// Twice the variance of a stamp in ticks^2, and the coverage factor for 95 %; `None` with fewer than three differences.
    ///
    /// The differences are correlated by -2/3 and 1/6 with the next and the next but one, so n of them have the degrees of
    /// freedom of n / (1 + 2 (4/9 + 1/36)) = 18 n / 35 independent ones.
    pub fn judge(&self) -> Option<(Rough, Rough)> {
        let n = u64::from(self.differences);
        if n < 3 || self.squares == u64::MAX {
            return None;
        }
        let twice_variance = Rough::new(self.squares, 0).over(Rough::new(3 * n, 0));
        // 2.41 / (18 n / 35 - 1.05) is 337.4 / (72 n - 147).
        let factor = Rough::new(1_960 + 337_400 / (72 * n - 147), 0).times(THOUSANDTH);
        Some((twice_variance, factor))
    }
}
