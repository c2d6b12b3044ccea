//! The difference of two means: last half of the window against first half.

use super::{Estimator, Frame, Residuals, Sealed, Slope};
use crate::arithmetic::Rough;

/// Triangular: the mean stamp of the last half of the crossings less that of the first half, over the mean cycle
/// numbers' difference. With an odd number the middle one is left out. Unbiased whatever crossings are missing, since the real
/// cycle numbers are used.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Triangular;

impl Sealed for Triangular {}

impl Estimator for Triangular {
    const COVERAGE: (u32, u32) = (1_690, 3_300);
    const RAMP_BIAS: u32 = 625;
    const RAMP_ENDS: u32 = 1;

    fn slope<const N: usize>(crossings: &Residuals<N>, _: Frame) -> Option<Slope> {
        let (len, half) = (crossings.window.len(), crossings.window.len() / 2);
        let sum = |half: &mut dyn Iterator<Item = (u32, i32)>| {
            half.fold((0u32, 0i64), |(ks, rs), (k, r)| (ks + k, rs + i64::from(r)))
        };
        let (first_k, first_r) = sum(&mut crossings.iter().take(half));
        let (last_k, last_r) = sum(&mut crossings.iter().skip(len - half));
        let k = u64::from(last_k.checked_sub(first_k)?);
        let n = Rough::new(u64::try_from(half).ok()?, 0);
        let one = Rough::new(1, 0).over(Rough::new(k, 0));
        (k > 0).then(|| Slope {
            num: last_r - first_r,
            den: k,
            weight: 1,
            // Each half's sum has n times the variance of one stamp, and quantisation moves their difference by less than n ticks.
            variance: n.times(Rough::new(2, 0)).times(one).times(one),
            worst: Some(n.times(one)),
        })
    }
}
