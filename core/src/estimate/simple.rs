//! Estimators that need no sums: two stamps and the cycles between them.

use super::{Estimator, Frame, Residuals, Sealed, Slope};
use crate::arithmetic::Rough;

/// The time between the last two crossings, over the cycles between them.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LastPeriod;

/// The time between the first and the last crossing of the window, over the cycles between them.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct EndToEnd;

impl Sealed for LastPeriod {}

impl Estimator for LastPeriod {
    /// Two stamps of many are hardly in the residuals: the normal factor, 1.96, whatever their number (1.8 would do at six).
    const COVERAGE: (u32, u32) = (0, 0);
    const QUANTUM: u64 = 2;

    /// The last full period of either polarity is the last there is.
    fn both(newer: Slope, _: Slope) -> Option<Slope> {
        Some(newer)
    }

    fn slope<const N: usize>(crossings: &Residuals<N>, _: Frame) -> Option<Slope> {
        let window = crossings.window;
        let newest = window.member(window.len().checked_sub(1)?)?;
        let before = window.member(window.len().checked_sub(2)?)?;
        let k = window.cycles() - u32::from(newest.step);
        let (r0, r1) =
            (crossings.of_stamp(before.stamp, k), crossings.of_stamp(newest.stamp, window.cycles()));
        Some(between(r0, r1, newest.step.into()))
    }
}

impl Sealed for EndToEnd {}

impl Estimator for EndToEnd {
    const COVERAGE: (u32, u32) = (750, 4_700);
    const QUANTUM: u64 = 2;

    fn slope<const N: usize>(crossings: &Residuals<N>, _: Frame) -> Option<Slope> {
        let window = crossings.window;
        let (oldest, newest) = window.ends()?;
        let (r0, r1) = (crossings.of_stamp(oldest, 0), crossings.of_stamp(newest, window.cycles()));
        (window.cycles() > 0).then(|| between(r0, r1, window.cycles()))
    }
}

/// The slope through two residuals `cycles` apart: the difference of two stamps has twice their variance, and quantisation moves it by
/// less than a tick.
fn between(r0: i32, r1: i32, cycles: u32) -> Slope {
    let one = Rough::new(1, 0).over(Rough::new(cycles.into(), 0));
    Slope {
        num: i64::from(r1) - i64::from(r0),
        den: cycles.into(),
        weight: 1,
        variance: one.times(one).times(Rough::new(2, 0)),
        worst: Some(one),
    }
}
