//! The slope of stamps over cycle numbers: what one period lasts.
//!
//! Four estimators answer different questions (variances under white jitter of sd s, N crossings, all from
//! Rubiola 2005, Rev. Sci. Instrum. 76 054703, and Rubiola et al. 2016, IEEE Trans. UFFC 63(7) 961):
//!
//! | estimator | period | variance | what it is for |
//! |---|---|---|---|
//! | [`LastPeriod`] | last two crossings | 2 s^2 | to see single cycles |
//! | [`EndToEnd`] | (last - first) / cycles | 2 s^2/(N-1)^2 | the mean over the window, exact on a ramp at its centre |
//! | [`Triangular`] | (mean of last half - mean of first half) / cycles between | 16 s^2/N^3 | within 1.25 dB of the best |
//! | [`LeastSquares`] | slope of the straight line | 12 s^2/(N(N^2-1)) | the best there is (Cramer-Rao) for a steady frequency |
//!
//! Each takes O(1) integer work per crossing. The window keeps the sums of the line for all of them, since the scatter of the
//! residuals, and with it the uncertainty, comes from there.

mod fit;
mod least_squares;
pub(crate) mod rocof;
mod simple;
mod taper;
mod triangular;
mod window;

pub use fit::Fit;
pub use least_squares::LeastSquares;
pub use simple::{EndToEnd, LastPeriod};
pub use taper::{Biweight, BiweightShape, Hann, HannShape, Kaiser6, Kaiser6Shape, Shape, Tapered};
pub use triangular::Triangular;
use window::Moved;
pub use window::Window;

use crate::arithmetic::Scaled;
use crate::config::Length;
use crate::limit::LEAST_CYCLES;
use crate::unit::Stamp;

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
///     const NEW: Self = Self;
///
///     fn slope<const N: usize>(
///         &self,
///         _: &humtick::estimate::Window<N>,
///         _: humtick::estimate::Frame,
///     ) -> Option<humtick::estimate::Slope> {
///         None
///     }
/// }
/// ```
pub trait Estimator: Copy + Sealed {
    /// State before any crossing.
    const NEW: Self;

    /// Whether it keeps sums of its own, and so must see each crossing join and leave.
    const FOLLOWS: bool = false;

    /// Whether its slope is the least-squares line's, from which the scatter is taken.
    const IS_LINE: bool = false;

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

    /// The newest crossing of `window` has just been appended.
    fn joined<const N: usize>(&mut self, window: &Window<N>) {
        let _ = window;
    }

    /// The oldest crossing has just been dropped from `window`; it had residual `r0`, and the origin of k moved by `step` cycles.
    fn dropped<const N: usize>(&mut self, window: &Window<N>, r0: i32, step: u32) {
        let _ = (window, r0, step);
    }

    /// The line of residuals was moved: they fell by `level` + `slope` * k.
    fn rebased(&mut self, level: i32, slope: i32) {
        let _ = (level, slope);
    }

    /// The slope over `window`, which lies in `frame`; `None` with fewer than two crossings.
    fn slope<const N: usize>(&self, window: &Window<N>, frame: Frame) -> Option<Slope>;

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

/// A slope relative to the window's line, as an exact fraction, and what jitter and quantisation make of it:
/// period = line's period + num / den.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Slope {
    pub(crate) num: i64,
    pub(crate) den: u64,
    /// What num and den are to be divided by to have the same measure for either polarity.
    pub(crate) weight: u64,
    /// Variance for unit variance of the stamps.
    pub(crate) variance: Scaled,
    /// The most that quantisation to one tick can move it, whatever the phases: the sum of the positive weights of the
    /// stamps. `None`: the least-squares line's own, worked out only where it is needed.
    pub(crate) worst: Option<Scaled>,
}

impl Slope {
    /// The common slope of this and `other`, each counting as much as its den/weight says; `None` where it is beyond 64 bits.
    pub(crate) fn with(&self, other: &Self) -> Option<Self> {
        let share = |s: &Self| Scaled::new(s.den, 0).over(Scaled::new(s.weight, 0));
        let (a, b) = (share(self), share(other));
        let all = a.plus(b);
        let squared = |x: Scaled| x.times(x);
        let moved = |s: Scaled, o: Scaled| a.times(s).plus(b.times(o)).over(all);
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

/// A window together with its estimator: crossings in, fit out.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Estimate<const N: usize, E> {
    window: Window<N>,
    estimator: E,
}

impl<const N: usize, E: Estimator> Estimate<N, E> {
    /// With no crossings.
    pub(crate) const fn new() -> Self {
        Self { window: Window::new(), estimator: E::NEW }
    }

    /// The crossings.
    pub const fn window(&self) -> &Window<N> {
        &self.window
    }

    /// Forgets all crossings.
    pub(crate) fn clear(&mut self) {
        self.window.clear();
        self.estimator = E::NEW;
    }

    /// Takes the next cycle's crossing the short way if that is all there is to it; see [`Window::slide`]. False, with
    /// nothing changed, if it is not.
    #[inline]
    pub(crate) fn slide(&mut self, stamp: Stamp) -> bool {
        !E::FOLLOWS && self.window.slide(stamp)
    }

    /// Takes a crossing `step` cycles after the last, with `refused` edges between them; lets go of those that
    /// leave the window of `length` ticks. `period`: ticks a cycle, roughly, for the first line.
    pub(crate) fn push(&mut self, stamp: Stamp, step: u8, refused: u8, length: Length, period: u32) {
        self.take(stamp, step, refused, length, period);
        if !E::FOLLOWS {
            self.window.plan(length);
        }
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn take(&mut self, stamp: Stamp, step: u8, refused: u8, length: Length, period: u32) {
        while self.window.is_full(stamp, step, length) {
            match self.window.drop_oldest() {
                Some((r0, moved)) => self.estimator.dropped(&self.window, r0, moved),
                None => self.estimator = E::NEW,
            }
        }
        if self.window.is_empty() {
            self.start(stamp, period);
            return;
        }
        let k = self.window.cycles() + u32::from(step);
        let mut r = self.window.residual(stamp, k);
        if r.unsigned_abs() > Window::<N>::LARGEST_RESIDUAL {
            let moved = self.window.settle();
            if let Some(Moved { level, slope }) = moved {
                self.estimator.rebased(level, slope);
            }
            r = self.window.residual(stamp, k);
            if moved.is_none() || r.unsigned_abs() > Window::<N>::LARGEST_RESIDUAL {
                self.start(stamp, period);
                return;
            }
        }
        self.window.append(stamp, r, step, refused);
        self.estimator.joined(&self.window);
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn start(&mut self, stamp: Stamp, period: u32) {
        self.window.start(stamp, period);
        self.estimator = E::NEW;
        self.estimator.joined(&self.window);
    }

    /// Whether there is enough for a reading: [`LEAST_CYCLES`] cycles, or as many as fit into `length` ticks.
    pub(crate) fn is_ripe(&self, length: Length) -> bool {
        self.window.cycles() >= LEAST_CYCLES || self.window.is_long(length)
    }

    /// Takes the residuals over to the integer line nearest to the least-squares one, if another is nearer by now. Then the
    /// sums are small, and the fit needs no division to find that line. Crossings too far from any line are forgotten.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub(crate) fn settle(&mut self, length: Length) {
        if self.window.len() < 2 {
            return;
        }
        match self.window.settle() {
            Some(Moved { level: 0, slope: 0 }) => {}
            Some(Moved { level, slope }) => {
                self.estimator.rebased(level, slope);
                self.window.plan(length);
            }
            None => self.clear(),
        }
    }

    /// Lets go of what a crossing of the other polarity at `stamp` leaves outside `length`.
    pub(crate) fn trim(&mut self, stamp: Stamp, length: Length) {
        while self.window.is_behind(stamp, length) {
            match self.window.drop_oldest() {
                Some((r0, moved)) => self.estimator.dropped(&self.window, r0, moved),
                None => self.estimator = E::NEW,
            }
        }
        if !E::FOLLOWS {
            self.window.plan(length);
        }
    }

    /// The fit over this window alone, of stamps in steps of `q` ticks; `None` with fewer than two crossings.
    pub(crate) fn fit(&self, q: Scaled) -> Option<Fit> {
        let slope = self.estimator.slope(&self.window, self.window.frame())?;
        Fit::of::<N, E>(&self.window, &slope, q)
    }

    /// The fit over this window and that of the other polarity; `None` with fewer than two crossings in either.
    pub(crate) fn fit_with(&self, other: &Self, q: Scaled) -> Option<Fit> {
        Fit::of_both::<N, E>((&self.window, &self.estimator), (&other.window, &other.estimator), q)
    }
}
