//! Estimators that need no sums: two stamps and the cycles between them.

use super::{Estimator, Slope, Window};

/// The time between the last two crossings, over the cycles between them.
#[derive(Clone, Copy, Debug)]
pub struct LastPeriod;

/// The time between the first and the last crossing of the window, over the cycles between them.
#[derive(Clone, Copy, Debug)]
pub struct EndToEnd;

impl Estimator for LastPeriod {
    const NEW: Self = Self;

    fn slope<const N: usize>(&self, window: &Window<N>) -> Option<Slope> {
        let newest = window.member(window.len().checked_sub(1)?)?;
        let before = window.member(window.len().checked_sub(2)?)?;
        let k = window.cycles() - u32::from(newest.step);
        let (r0, r1) = (window.residual(before.stamp, k), window.residual(newest.stamp, window.cycles()));
        Some(between(r0, r1, newest.step.into()))
    }
}

impl Estimator for EndToEnd {
    const NEW: Self = Self;

    fn slope<const N: usize>(&self, window: &Window<N>) -> Option<Slope> {
        let (oldest, newest) = window.ends()?;
        let (r0, r1) = (window.residual(oldest, 0), window.residual(newest, window.cycles()));
        (window.cycles() > 0).then(|| between(r0, r1, window.cycles()))
    }
}

/// The slope through two residuals `cycles` apart: the difference of two stamps has twice their variance.
fn between(r0: i32, r1: i32, cycles: u32) -> Slope {
    let cycles = u64::from(cycles);
    Slope {
        num: i64::from(r1) - i64::from(r0),
        den: cycles,
        var_num: 2,
        var_den: cycles * cycles,
        from_scatter: false,
    }
}
