//! The slope of stamps over cycle numbers: what one period lasts.
//!
//! Estimators answer different questions (variances under white jitter of sd s, N crossings, all from
//! Rubiola 2005, Rev. Sci. Instrum. 76 054703, and Rubiola et al. 2016, IEEE Trans. UFFC 63(7) 961):
//!
//! | estimator | period | variance | what it is for |
//! |---|---|---|---|
//! | [`LastPeriod`] | last two crossings | 2 s^2 | to see single cycles |
//! | [`EndToEnd`] | (last - first) / cycles | 2 s^2/(N-1)^2 | the mean over the window, exact on a ramp at its centre |
//! | [`Triangular`] | (mean of last half - mean of first half) / cycles between | 16 s^2/N^3 | within 1.25 dB of the best |
//! | [`LeastSquares`] | slope of the straight line | 12 s^2/(N(N^2-1)) | the best there is (Cramer-Rao) for a steady frequency |
//!
//! A crossing costs O(1) integer work, whatever the window: it is stored. A reading sums what the window holds; the sums of the straight
//! line for all of them, since the scatter of the residuals, and with it the uncertainty, comes from there.

mod window;
mod residuals;
mod fit;
mod least_squares;
pub(crate) mod rocof;
mod simple;
mod taper;
mod triangular;

pub use fit::Fit;
pub use least_squares::LeastSquares;
pub use residuals::Residuals;
pub use simple::{EndToEnd, LastPeriod};
pub use taper::{Biweight, BiweightShape, Hann, HannShape, Kaiser6, Kaiser6Shape, Shape, Tapered};
pub use triangular::Triangular;
pub use window::Window;

use crate::arithmetic::Rough;

mod sealed {
    /// What nobody outside can name, and so implement.
    pub trait Sealed {}
}
use sealed::Sealed;

/// How a period is taken from a window of crossings.
///
/// Sealed, for the constants below are derived for each estimator and the sums are proven for these; no other crate can implement it.
///
/// ```compile_fail,E0277
/// #[derive(Clone, Copy)]
/// struct Own;
///
/// impl humtick::Estimator for Own {
///     fn slope<const N: usize>(
///         _: &humtick::estimate::Residuals<N>,
///         _: humtick::estimate::Frame,
///     ) -> Option<humtick::estimate::Slope> {
///         None
///     }
/// }
/// ```
pub trait Estimator: Copy + Sealed {
    /// The 95 % coverage factor is 1.96 + `.0`/(N - `.1`) for N = degrees of freedom + 2 >= 6, in thousandths. Without an
    /// estimator's own figures it is Student's t, which is right for least squares and on the safe side for all others.
    const COVERAGE: (u32, u32) = (2_410, 3_050);

    /// Variance of the quantisation in each stamp that counts, in twelfths of a squared tick.
    const QUANTUM: u64 = 1;

    /// On a ramp of R Hz/s over T seconds, against the frequency in the middle of the window, it reads high by this many
    /// ten-thousandths of R^2 T^2/f.
    const RAMP_BIAS: u32 = 0;

    /// Over few cycles the ends of the window count for less than in a long one: the ten-thousandths are fewer by this many times
    /// 2 (1250 - [`Estimator::RAMP_BIAS`])/cycles.
    const RAMP_ENDS: u32 = 0;

    /// The slope over the crossings, which lie in `frame`; `None` with fewer than two.
    fn slope<const N: usize>(crossings: &Residuals<N>, frame: Frame) -> Option<Slope>;

    /// The slope over both polarities, from the slopes of each against lines of the same period. The chain whose crossing is the
    /// newest comes first. `None` where it is beyond 64 bits.
    fn both(newer: Slope, older: Slope) -> Option<Slope> {
        newer.with(&older)
    }
}

/// Where a chain's crossings lie in the window that all chains together make, in quarter cycles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Frame {
    /// From the middle of the window to the chain's oldest crossing, negative.
    pub(crate) oldest: i32,
    /// From the middle to the first place outside where a crossing would come.
    pub(crate) reach: u32,
}

/// A slope relative to the line of the residuals, as an exact fraction, and what jitter and quantisation make of it:
/// period = line's period + num / den.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Slope {
    pub(crate) num: i64,
    pub(crate) den: u64,
    /// What num and den are to be divided by to have the same measure for either polarity.
    pub(crate) weight: u64,
    /// Variance for unit variance of the stamps.
    pub(crate) variance: Rough,
    /// The most that quantisation to one tick can move it, whatever the phases: the sum of the positive weights of the
    /// stamps. `None`: the least-squares line's own, worked out only where it is needed.
    pub(crate) worst: Option<Rough>,
}

impl Slope {
    /// The common slope of this and `other`, each counting as much as its den/weight says; `None` where it is beyond 64 bits.
    pub(crate) fn with(&self, other: &Self) -> Option<Self> {
        let share = |s: &Self| Rough::new(s.den, 0).over(Rough::new(s.weight, 0));
        let (a, b) = (share(self), share(other));
        let all = a.plus(b);
        let squared = |x: Rough| x.times(x);
        let moved = |s: Rough, o: Rough| a.times(s).plus(b.times(o)).over(all);
        let num = |s: &Self, weight: u64| s.num.checked_mul(weight.cast_signed());
        Some(Self {
            num: num(self, other.weight)?.checked_add(num(other, self.weight)?)?,
            den: self.den.checked_mul(other.weight)?.checked_add(other.den.checked_mul(self.weight)?)?,
            weight: self.weight * other.weight,
            variance: (self.variance.times(squared(a)).plus(other.variance.times(squared(b))))
                .over(squared(all)),
            worst: self.worst.zip(other.worst).map(|(s, o)| moved(s, o)),
        })
    }
}
