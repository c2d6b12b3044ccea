//! The slope of the least-squares line through all crossings of the window.

use super::{Estimator, Frame, Residuals, Sealed, Slope};
use crate::arithmetic::Rough;

/// Least squares: slope = (n sum kr - sum k sum r) / (n sum k^2 - (sum k)^2), from the sums that are made for the scatter anyway. Its
/// variance under white jitter, n over that denominator, is the Cramer-Rao bound for Gaussian jitter. On a steady
/// ramp of R Hz/s over T seconds it reads high by R^2 T^2/(20 f) against the frequency in the middle.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LeastSquares;

impl Sealed for LeastSquares {}

impl Estimator for LeastSquares {
    const RAMP_BIAS: u32 = 500;
    const RAMP_ENDS: u32 = 1;

    fn slope<const N: usize>(crossings: &Residuals<N>, _: Frame) -> Option<Slope> {
        Some(of(crossings))
    }
}

/// The least-squares slope.
#[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
pub(super) fn of<const N: usize>(crossings: &Residuals<N>) -> Slope {
    let n = u64::from(crossings.crossings());
    Slope {
        num: crossings.tilt,
        den: crossings.spread,
        weight: n,
        variance: Rough::new(n, 0).over(Rough::new(crossings.spread, 0)),
        worst: None,
    }
}
