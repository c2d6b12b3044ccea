//! The slope of the least-squares line through all crossings of the window.

use super::window::Sums;
use super::{Estimator, Frame, Sealed, Slope, Window};
use crate::arithmetic::Scaled;

/// Least squares: slope = (n sum kr - sum k sum r) / (n sum k^2 - (sum k)^2), from the sums the window keeps anyway. Its
/// variance under white jitter, n over that denominator, is the Cramer-Rao bound for Gaussian jitter. On a steady
/// ramp of R Hz/s over T seconds it reads high by R^2 T^2/(20 f) against the frequency in the middle.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LeastSquares;

impl Sealed for LeastSquares {}

impl Estimator for LeastSquares {
    const NEW: Self = Self;
    const IS_LINE: bool = true;
    const RAMP_BIAS: u32 = 500;
    const RAMP_ENDS: u32 = 1;

    fn slope<const N: usize>(&self, window: &Window<N>, _: Frame) -> Option<Slope> {
        of(window.sums())
    }
}

/// The least-squares slope; `None` with fewer than two crossings, or without [`Sums::slope`].
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(super) fn of(sums: &Sums) -> Option<Slope> {
    let (tilt, spread) = sums.slope()?;
    Some(Slope {
        num: tilt,
        den: spread,
        weight: sums.n.into(),
        variance: Scaled::new(sums.n.into(), 0).over(Scaled::new(spread, 0)),
        worst: None,
    })
}
