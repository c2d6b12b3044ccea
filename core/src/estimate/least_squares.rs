//! The slope of the least-squares line through all crossings of the window.

use super::{Estimator, Slope, Window};

/// Least squares: slope = (n sum kr - sum k sum r) / (n sum k^2 - (sum k)^2), from the sums the window keeps anyway. Its
/// variance under white jitter, n over that denominator, is the Cramer-Rao bound for Gaussian jitter. On a steady
/// ramp of R Hz/s over T seconds it reads high by R^2 T^2/(20 f) against the frequency in the middle.
#[derive(Clone, Copy, Debug)]
pub struct LeastSquares;

impl Estimator for LeastSquares {
    const NEW: Self = Self;

    fn slope<const N: usize>(&self, window: &Window<N>) -> Option<Slope> {
        let sums = window.sums();
        let spread = sums.spread();
        (spread > 0).then(|| Slope {
            num: sums.tilt(),
            den: spread,
            var_num: sums.n.into(),
            var_den: spread,
            from_scatter: true,
        })
    }
}
