//! The difference of two means: last half of the window against first half.

use super::{Estimator, Frame, Sealed, Slope, Window};
use crate::arithmetic::Scaled;

/// Triangular: the mean stamp of the last half of the crossings less that of the first half, over the mean cycle
/// numbers' difference. With an odd number the middle one is left out. Unbiased whatever crossings are missing, since the real
/// cycle numbers are used.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Triangular {
    first: Half,
    last: Half,
    /// Cycles from the oldest crossing to the last one of the first half.
    first_end: u32,
    /// Cycles from the oldest crossing to the first one of the last half.
    last_start: u32,
}

/// Sums over one half of the window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Half {
    n: u16,
    k: u32,
    r: i64,
}

impl Half {
    const EMPTY: Self = Self { n: 0, k: 0, r: 0 };

    fn take(&mut self, k: u32, r: i32) {
        *self = Self { n: self.n + 1, k: self.k + k, r: self.r + i64::from(r) };
    }

    fn leave(&mut self, k: u32, r: i32) {
        *self = Self { n: self.n - 1, k: self.k - k, r: self.r - i64::from(r) };
    }

    fn rebase(&mut self, level: i32, slope: i32) {
        self.r -= i64::from(level) * i64::from(self.n) + i64::from(slope) * i64::from(self.k);
    }
}

impl Triangular {
    /// The `i`-th crossing joins the first half; it is the next one after those there.
    fn first_takes<const N: usize>(&mut self, window: &Window<N>, i: usize) {
        let Some(member) = window.member(i) else { return };
        self.first_end = if i == 0 { 0 } else { self.first_end + u32::from(member.step) };
        self.first.take(self.first_end, window.residual(member.stamp, self.first_end));
    }

    /// The first crossing of the last half, the `i`-th of the window, leaves it.
    fn last_leaves<const N: usize>(&mut self, window: &Window<N>, i: usize) {
        let Some(member) = window.member(i) else { return };
        self.last.leave(self.last_start, window.residual(member.stamp, self.last_start));
        self.last_start += window.member(i + 1).map_or(0, |next| u32::from(next.step));
    }
}

impl Sealed for Triangular {}

impl Estimator for Triangular {
    const NEW: Self = Self { first: Half::EMPTY, last: Half::EMPTY, first_end: 0, last_start: 0 };
    const FOLLOWS: bool = true;
    const COVERAGE: (u32, u32) = (1_690, 3_300);
    const RAMP_BIAS: u32 = 625;
    const RAMP_ENDS: u32 = 1;

    fn joined<const N: usize>(&mut self, window: &Window<N>) {
        let len = window.len();
        let Some(newest) = window.member(len - 1) else { return };
        if self.last.n == 0 {
            self.last_start = window.cycles();
        }
        self.last.take(window.cycles(), window.residual(newest.stamp, window.cycles()));
        if len.is_multiple_of(2) {
            self.first_takes(window, len / 2 - 1);
        } else {
            self.last_leaves(window, len / 2);
        }
    }

    fn dropped<const N: usize>(&mut self, window: &Window<N>, r0: i32, step: u32) {
        let len = window.len();
        if self.first.n > 0 {
            self.first.leave(0, r0);
        }
        self.first.k -= step * u32::from(self.first.n);
        self.last.k -= step * u32::from(self.last.n);
        self.first_end = self.first_end.saturating_sub(step);
        self.last_start = self.last_start.saturating_sub(step);
        if len.is_multiple_of(2) {
            self.first_takes(window, len / 2 - 1);
        } else {
            self.last_leaves(window, len / 2);
        }
    }

    fn rebased(&mut self, level: i32, slope: i32) {
        self.first.rebase(level, slope);
        self.last.rebase(level, slope);
    }

    fn slope<const N: usize>(&self, _: &Window<N>, _: Frame) -> Option<Slope> {
        let k = u64::from(self.last.k.checked_sub(self.first.k)?);
        let (n, one) = (Scaled::new(self.first.n.into(), 0), Scaled::new(1, 0).over(Scaled::new(k, 0)));
        (k > 0).then(|| Slope {
            num: self.last.r - self.first.r,
            den: k,
            weight: 1,
            // Each half's sum has n times the variance of one stamp, and quantisation moves their difference by less than n ticks.
            variance: n.times(Scaled::new(2, 0)).times(one).times(one),
            worst: Some(n.times(one)),
        })
    }
}
