//! What each estimator makes of the stamps of a window without gaps: the weight of every stamp in the period.

use humtick::estimate::{BiweightShape, HannShape, Kaiser6Shape, Shape};
use humtick::limit::{MAX_CROSSINGS, MAX_TAPERED};
use humtick::{Biweight, EndToEnd, Estimator, Hann, Kaiser6, LastPeriod, LeastSquares, Triangular};

/// An estimator as a budget sees it.
pub(super) struct Kind {
    /// Its name on the command line and in files.
    pub name: &'static str,
    /// Most crossings the core holds for it.
    pub most: usize,
    /// Weight of each of so many stamps in the period; they add up to zero, and times the cycle number to one.
    weights: fn(usize) -> Vec<f64>,
    /// See [`Estimator::COVERAGE`].
    coverage: (u32, u32),
}

/// All estimators of the core, the simplest first.
pub(super) const KINDS: [Kind; 7] = [
    Kind { name: "last-period", most: MAX_CROSSINGS, weights: last_period, coverage: LastPeriod::COVERAGE },
    Kind { name: "end-to-end", most: MAX_CROSSINGS, weights: end_to_end, coverage: EndToEnd::COVERAGE },
    Kind { name: "triangular", most: MAX_CROSSINGS, weights: triangular, coverage: Triangular::COVERAGE },
    Kind { name: "least-squares", most: MAX_CROSSINGS, weights: line, coverage: LeastSquares::COVERAGE },
    Kind {
        name: "biweight",
        most: MAX_TAPERED,
        weights: taper::<BiweightShape>,
        coverage: Biweight::COVERAGE,
    },
    Kind { name: "hann", most: MAX_TAPERED, weights: taper::<HannShape>, coverage: Hann::COVERAGE },
    Kind { name: "kaiser-6", most: MAX_TAPERED, weights: taper::<Kaiser6Shape>, coverage: Kaiser6::COVERAGE },
];

/// The ten-second reading's estimator.
pub(super) const END_TO_END: &Kind = &KINDS[1];

/// What becomes of errors of the stamps on their way into the period.
#[derive(Clone, Copy)]
pub(super) struct Gain {
    /// Root of the sum of squared weights: what white noise of the stamps is multiplied by.
    pub noise: f64,
    /// Sum of the positive weights: what errors within one tick can add up to, in ticks.
    pub worst: f64,
    /// 10 log10 of the noise variance over the Cramer-Rao bound 12/(N(N^2-1)).
    pub loss_db: f64,
}

impl Kind {
    /// The gain over `n` crossings, two or more.
    pub fn gain(&self, n: usize) -> Gain {
        let weights = (self.weights)(n);
        let variance: f64 = weights.iter().map(|c| c * c).sum();
        let n = n as f64;
        Gain {
            noise: variance.sqrt(),
            worst: weights.iter().filter(|c| **c > 0.0).sum(),
            // Nothing is below the bound but rounding.
            loss_db: 10.0 * (variance * n * (n * n - 1.0) / 12.0).max(1.0).log10(),
        }
    }

    /// 95 % factor that a reading over `n` crossings, four or more, multiplies its scatter by.
    pub fn coverage(&self, n: usize) -> f64 {
        let (above, less) = if n < 6 { LeastSquares::COVERAGE } else { self.coverage };
        1.96 + f64::from(above) / (1_000.0 * n as f64 - f64::from(less))
    }
}

fn last_period(n: usize) -> Vec<f64> {
    let mut weights = vec![0.0; n];
    (weights[n - 2], weights[n - 1]) = (-1.0, 1.0);
    weights
}

fn end_to_end(n: usize) -> Vec<f64> {
    let mut weights = vec![0.0; n];
    let one = 1.0 / (n - 1) as f64;
    (weights[0], weights[n - 1]) = (-one, one);
    weights
}

fn triangular(n: usize) -> Vec<f64> {
    // With an odd number the middle crossing is left out.
    let half = n / 2;
    let one = 1.0 / (half * (n - half)) as f64;
    let sign = |k: usize| f64::from(u8::from(k >= n - half)) - f64::from(u8::from(k < half));
    (0..n).map(|k| sign(k) * one).collect()
}

fn line(n: usize) -> Vec<f64> {
    weighted(n, |_| 1.0)
}

fn taper<S: Shape>(n: usize) -> Vec<f64> {
    weighted(n, |u| f64::from(S::weight(((u * 65_536.0) as u32).min(65_535))))
}

/// The slope of a line through crossings that weigh `v(u)`, u from the middle of the window, 0, to where the first crossing
/// outside would come, 1.
fn weighted(n: usize, v: impl Fn(f64) -> f64) -> Vec<f64> {
    let at = |k: usize| k as f64 - (n - 1) as f64 / 2.0;
    let outside = (n + 1) as f64 / 2.0;
    let moments: Vec<f64> = (0..n).map(|k| v(at(k).abs() / outside) * at(k)).collect();
    let spread: f64 = moments.iter().enumerate().map(|(k, moment)| moment * at(k)).sum();
    moments.into_iter().map(|moment| moment / spread).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_ignore_the_level_and_give_a_line_its_slope() {
        for kind in &KINDS {
            for n in [4, 5, 50, 51, 600] {
                let weights = (kind.weights)(n);
                let level: f64 = weights.iter().sum();
                let slope: f64 = weights.iter().enumerate().map(|(k, c)| c * k as f64).sum();
                assert!(level.abs() < 1e-12 && (slope - 1.0).abs() < 1e-12, "{} {n}", kind.name);
            }
        }
    }

    /// The closed forms, N = 600 and 601: Rubiola et al. 2016 for the variances; the bounds by adding up the weights by hand.
    #[test]
    fn gains_are_the_published_ones() {
        let gain = |i: usize, n| KINDS[i].gain(n);
        let close = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-12, "{a} for {b}");
        close(gain(0, 600).noise, 2f64.sqrt());
        close(gain(1, 600).noise, 2f64.sqrt() / 599.0);
        close(gain(1, 600).worst, 1.0 / 599.0);
        close(gain(2, 600).noise, 4.0 / 600f64.powf(1.5));
        close(gain(2, 600).worst, 2.0 / 600.0);
        close(gain(3, 600).noise, (12f64 / (600.0 * (600.0 * 600.0 - 1.0))).sqrt());
        close(gain(3, 600).worst, 1.5 * 600.0 / (600.0 * 600.0 - 1.0));
        close(gain(3, 601).worst, 1.5 / 601.0);
        assert!(gain(3, 600).loss_db.abs() < 1e-9);
    }

    /// Losses of the continuous tapers are 1.25 (triangular), 1.55 and 2.16 dB, of Kaiser 6 over 600 periods 2.17 dB.
    #[test]
    fn tapers_lose_what_their_shapes_do() {
        for (i, loss) in [(2, 1.25), (4, 1.55), (5, 2.16), (6, 2.17)] {
            let found = KINDS[i].gain(1_001).loss_db;
            assert!((found - loss).abs() < 0.06, "{}: {found}", KINDS[i].name);
        }
    }

    /// Student's t for N - 2 degrees of freedom is 2.776 at N = 6, 2.002 at 60; end to end 2.049 at N = 12.
    #[test]
    fn coverage_is_the_readings_own() {
        assert!((KINDS[3].coverage(6) - 2.776).abs() < 0.005);
        assert!((KINDS[3].coverage(60) - 2.002).abs() < 0.002);
        assert!((KINDS[1].coverage(12) - 2.049).abs() < 0.02);
        assert!(KINDS[1].coverage(4) > 4.3);
    }
}
