//! Band-limited interpolation between samples.

use std::sync::LazyLock;

/// Samples on each side that an interpolated value is made of.
pub(super) const HALF: usize = 16;

/// Samples that an interpolated value is made of.
const TAPS: usize = 2 * HALF;

/// Shape of the Kaiser window. With 32 taps the pass band reaches 0.40 of the sampling rate at 100 dB (width of
/// transition (A - 8)/(2.285·32) rad: Oppenheim and Schafer, Discrete-Time Signal Processing, section 7.6), so that the
/// third harmonic of 50 Hz passes at 8 samples a cycle.
const BETA: f64 = 10.0;

/// Steps a sample in the table of the window. Straight lines between them are wrong by at most
/// (1/512)²/8·(β/16²) = 1.9e-8 of full scale, below 0.1 ns at 50 Hz.
const TABLE_STEPS: usize = 512;

/// The window's right half, [`TABLE_STEPS`] a sample, from its middle to its end.
static WINDOW: LazyLock<Vec<f64>> = LazyLock::new(|| {
    let last = HALF * TABLE_STEPS;
    (0..=last)
        .map(|i| {
            let x = i as f64 / last as f64;
            bessel_i0(BETA * (1.0 - x * x).sqrt()) / bessel_i0(BETA)
        })
        .collect()
});

/// Interpolates by a sinc under a Kaiser window, the weights normalised so that a constant stays one.
///
/// What is left of the images of a tone is 100 dB below it, and moves a crossing of 50 Hz by at most
/// 1e-5/(2π·50 Hz) = 32 ns. Tones above 0.40 of the sampling rate are not reproduced faithfully.
#[derive(Clone, Debug)]
pub(super) struct Interpolator {
    /// The weights for 1/n, 2/n .. (n-1)/n of a sample; empty when n is 1.
    phases: Vec<[f64; TAPS]>,
}

impl Interpolator {
    /// An interpolator that has the weights for `factor` points a sample at hand.
    pub(super) fn new(factor: u32) -> Self {
        Self { phases: (1..factor).map(|p| weights(f64::from(p) / f64::from(factor))).collect() }
    }

    /// Values at `index`, `index` + 1/n .. `index` + (n-1)/n with their positions; needs [`HALF`] - 1 samples before
    /// `index` and [`HALF`] behind it.
    pub(super) fn points<'a>(
        &'a self,
        values: &'a [f64],
        index: usize,
    ) -> impl Iterator<Item = (f64, f64)> + 'a {
        let span = &values[index + 1 - HALF..=index + HALF];
        let factor = (self.phases.len() + 1) as f64;
        let between = self
            .phases
            .iter()
            .enumerate()
            .map(move |(p, weights)| (index as f64 + (p + 1) as f64 / factor, dot(weights, span)));
        std::iter::once((index as f64, values[index])).chain(between)
    }

    /// Where between `low` and `high`, points (position, value) on either side of `level`, the interpolated signal
    /// crosses it; right to 1e-9 of a sample. Regula falsi in the Illinois form (M. Dowell, P. Jarratt, 1971).
    pub(super) fn crossing(&self, values: &[f64], level: f64, low: (f64, f64), high: (f64, f64)) -> f64 {
        let ((mut a, mut fa), (mut b, mut fb)) = ((low.0, low.1 - level), (high.0, high.1 - level));
        // Converges with order 1.44: 5 rounds are usual, 40 allow for any bend that noise can give the signal.
        for _ in 0..40 {
            let x = (a * fb - b * fa) / (fb - fa);
            // Division by a vanishing difference; nothing is left to refine.
            if !(a.min(b)..=a.max(b)).contains(&x) {
                break;
            }
            let step = (x - b).abs();
            let fx = at(values, x) - level;
            if (fx > 0.0) == (fb > 0.0) {
                fa /= 2.0;
            } else {
                (a, fa) = (b, fb);
            }
            (b, fb) = (x, fx);
            if step < 1e-9 || fx == 0.0 {
                break;
            }
        }
        b
    }
}

/// Value at `position`, counted in samples; needs the same neighbours as [`Interpolator::points`].
fn at(values: &[f64], position: f64) -> f64 {
    let index = position as usize;
    let fraction = position - index as f64;
    dot(&weights(fraction), &values[index + 1 - HALF..=index + HALF])
}

/// The weights at `fraction` of a sample, 0 to 1, behind the sample at tap [`HALF`] - 1.
fn weights(fraction: f64) -> [f64; TAPS] {
    if fraction == 0.0 {
        return std::array::from_fn(|tap| if tap == HALF - 1 { 1.0 } else { 0.0 });
    }
    // sin(π·(tap - fraction)) only changes its sign from tap to tap, and a common factor goes with the norm.
    let mut weights: [f64; TAPS] = std::array::from_fn(|tap| {
        let distance = tap as f64 - (HALF - 1) as f64 - fraction;
        let sign = if tap % 2 == 0 { 1.0 } else { -1.0 };
        sign * window(distance.abs()) / distance
    });
    let sum: f64 = weights.iter().sum();
    weights.iter_mut().for_each(|weight| *weight /= sum);
    weights
}

/// The window at `distance` samples from its middle, 0 to [`HALF`].
fn window(distance: f64) -> f64 {
    let x = distance * TABLE_STEPS as f64;
    let i = (x as usize).min(WINDOW.len() - 2);
    WINDOW[i] + (x - i as f64) * (WINDOW[i + 1] - WINDOW[i])
}
/// Scalar product over four sums, which the compiler can keep side by side in one register.
fn dot(weights: &[f64; TAPS], values: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    for (w, v) in weights.chunks_exact(4).zip(values.chunks_exact(4)) {
        for lane in 0..4 {
            sums[lane] += w[lane] * v[lane];
        }
    }
    sums.iter().sum()
}

/// The modified Bessel function of the first kind, order 0, by its power series; 30 terms are exact for x up to
/// 10.
fn bessel_i0(x: f64) -> f64 {
    let mut term = 1.0;
    (1..30).fold(1.0, |sum, k| {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum + term
    })
}
