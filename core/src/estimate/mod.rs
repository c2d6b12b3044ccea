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
mod simple;
mod triangular;
mod window;

pub use fit::Fit;
pub use least_squares::LeastSquares;
pub use simple::{EndToEnd, LastPeriod};
pub use triangular::Triangular;
pub use window::Window;

use crate::limit::LEAST_CYCLES;
use crate::unit::Stamp;

/// How a period is taken from a window of crossings. Sealed in effect: what the methods hand over is the crate's own.
pub trait Estimator: Copy {
    /// State before any crossing.
    const NEW: Self;

    /// Whether it keeps sums of its own, and so must see each crossing join and leave.
    const FOLLOWS: bool = false;

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

    /// The slope over `window`; `None` with fewer than two crossings.
    fn slope<const N: usize>(&self, window: &Window<N>) -> Option<Slope>;
}

/// A slope relative to the window's line, as exact fractions: period = line's period + num / den, and
/// its variance under white jitter of unit variance = var_num / var_den.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Slope {
    pub(crate) num: i64,
    pub(crate) den: u64,
    pub(crate) var_num: u64,
    pub(crate) var_den: u64,
    /// Whether it is the least-squares line's, so that the scatter about that line gives the uncertainty.
    pub(crate) from_scatter: bool,
}

/// A window together with its estimator: crossings in, fit out.
#[derive(Clone, Copy, Debug)]
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
    pub(crate) fn push(&mut self, stamp: Stamp, step: u8, refused: u8, length: u32, period: u32) {
        self.take(stamp, step, refused, length, period);
        if !E::FOLLOWS {
            self.window.plan(length);
        }
    }

    fn take(&mut self, stamp: Stamp, step: u8, refused: u8, length: u32, period: u32) {
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
            if let Some((level, slope)) = self.window.rebase() {
                self.estimator.rebased(level, slope);
            }
            r = self.window.residual(stamp, k);
            if r.unsigned_abs() > Window::<N>::LARGEST_RESIDUAL {
                self.start(stamp, period);
                return;
            }
        }
        self.window.append(stamp, r, step, refused);
        self.estimator.joined(&self.window);
    }

    fn start(&mut self, stamp: Stamp, period: u32) {
        self.window.start(stamp, period);
        self.estimator = E::NEW;
        self.estimator.joined(&self.window);
    }

    /// Whether there is enough for a reading: [`LEAST_CYCLES`] cycles, or as many as fit into `length` ticks.
    pub(crate) fn is_ripe(&self, length: u32) -> bool {
        self.window.cycles() >= LEAST_CYCLES || self.window.is_long(length)
    }

    /// Takes the residuals over to the integer line nearest to the least-squares one, if another is nearer by now. Then the
    /// sums are small, and the fit needs no division to find that line.
    pub(crate) fn settle(&mut self, length: u32) {
        if let Some((level, slope)) = self.window.settle() {
            self.estimator.rebased(level, slope);
            self.window.plan(length);
        }
    }

    /// The fit over the window; `None` with fewer than two crossings.
    pub fn fit(&self) -> Option<Fit> {
        Fit::of(&self.window, self.estimator.slope(&self.window)?)
    }
}
