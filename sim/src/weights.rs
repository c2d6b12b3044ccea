//! What each estimator makes of the stamps of a window without gaps: the weight of every stamp in the period.

use humtick::estimate::{BiweightShape, HannShape, Kaiser6Shape, Shape};
use humtick::limit::{MAX_CROSSINGS, MAX_TAPERED};
use humtick::{Biweight, EndToEnd, Estimator, Hann, Kaiser6, LastPeriod, LeastSquares, Triangular};

use crate::settings::EstimatorKind;

/// An estimator as a sum of stamps.
pub(crate) struct Kind {
    /// Its name on the command line and in files.
    pub name: &'static str,
    /// Most crossings the core holds for it.
    pub most: usize,
    /// Relative weights of one polarity's stamps; they add up to zero.
    moments: fn(&Places) -> Vec<f64>,
    /// See [`Estimator::COVERAGE`].
    coverage: (u32, u32),
}

/// Where the crossings of one polarity lie.
struct Places {
    /// In cycles from the middle of the window of all polarities.
    at: Vec<f64>,
    /// From that middle to where the first crossing outside would come.
    outside: f64,
    /// Whether the newest crossing of all is of this polarity.
    newest: bool,
}

/// All estimators of the core, the simplest first, in the order of [`EstimatorKind`].
pub(crate) const KINDS: [Kind; 7] = [
    Kind { name: "last-period", most: MAX_CROSSINGS, moments: last_period, coverage: LastPeriod::COVERAGE },
    Kind { name: "end-to-end", most: MAX_CROSSINGS, moments: end_to_end, coverage: EndToEnd::COVERAGE },
    Kind { name: "triangular", most: MAX_CROSSINGS, moments: triangular, coverage: Triangular::COVERAGE },
    Kind { name: "least-squares", most: MAX_CROSSINGS, moments: line, coverage: LeastSquares::COVERAGE },
    Kind {
        name: "biweight",
        most: MAX_TAPERED,
        moments: taper::<BiweightShape>,
        coverage: Biweight::COVERAGE,
    },
    Kind { name: "hann", most: MAX_TAPERED, moments: taper::<HannShape>, coverage: Hann::COVERAGE },
    Kind { name: "kaiser-6", most: MAX_TAPERED, moments: taper::<Kaiser6Shape>, coverage: Kaiser6::COVERAGE },
];

/// The ten-second reading's estimator.
pub(crate) const END_TO_END: &Kind = Kind::of(EstimatorKind::EndToEnd);

/// What becomes of errors of the stamps on their way into the period.
#[derive(Clone, Copy)]
pub(crate) struct Gain {
    /// Root of the sum of squared weights: what white noise of the stamps is multiplied by.
    pub noise: f64,
    /// Sum of the positive weights: what errors within one tick can add up to, in ticks.
    pub worst: f64,
    /// 10 log10 of the noise variance over the Cramer-Rao bound 12/(N(N^2-1)).
    pub loss_db: f64,
}

impl Kind {
    /// The estimator that settings name.
    pub const fn of(estimator: EstimatorKind) -> &'static Self {
        &KINDS[estimator as usize]
    }

    /// Weight of each of `n` stamps in the period, oldest first; they add up to zero, and times the cycle number to one. Two stamps
    /// at least.
    pub fn weights(&self, n: usize) -> Vec<f64> {
        self.even(n, 1)
    }

    /// The same where rising and falling crossings take turns, each polarity weighted about a middle of its own. Four stamps at
    /// least, or three.
    pub fn weights_of_both(&self, n: usize) -> Vec<f64> {
        self.even(n, 2)
    }

    /// Over `n` crossings that come `polarities` to the cycle.
    fn even(&self, n: usize, polarities: usize) -> Vec<f64> {
        let steps = n.saturating_sub(1) as f64;
        let at = |j: usize| (j as f64 - steps / 2.0) / polarities as f64;
        let crossings: Vec<_> = (0..n).map(|j| (at(j), j % polarities == 1)).collect();
        self.weigh(&crossings, (steps + 2.0) / 2.0 / polarities as f64)
    }

    /// The same of any crossings, oldest first: how many cycles after the middle of the window each is, and whether it is of the second
    /// polarity; the first one outside would come `outside` cycles from the middle. Not finite where they give no period.
    pub fn weigh(&self, crossings: &[(f64, bool)], outside: f64) -> Vec<f64> {
        let mut weights = vec![0.0; crossings.len()];
        for polarity in [false, true] {
            let of_it = |crossing: &&(f64, bool)| crossing.1 == polarity;
            let at: Vec<f64> = crossings.iter().filter(of_it).map(|(at, _)| *at).collect();
            if at.len() >= 2 {
                let newest = crossings.last().is_some_and(|(_, last)| *last == polarity);
                let moments = (self.moments)(&Places { at, outside, newest });
                let places = weights.iter_mut().zip(crossings).filter(|(_, crossing)| crossing.1 == polarity);
                places.zip(moments).for_each(|((weight, _), moment)| *weight = moment);
            }
        }
        let spread: f64 = weights.iter().zip(crossings).map(|(weight, (at, _))| weight * at).sum();
        weights.iter_mut().for_each(|weight| *weight /= spread);
        weights
    }

    /// The gain over `n` crossings, two or more.
    pub fn gain(&self, n: usize) -> Gain {
        let weights = self.weights(n);
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

/// -1 for the stamp `from`, 1 for `to`, nothing for the others.
fn difference(n: usize, from: usize, to: usize) -> Vec<f64> {
    let mut moments = vec![0.0; n];
    (moments[from], moments[to]) = (-1.0, 1.0);
    moments
}

/// The last full period of either polarity is the last there is.
fn last_period(places: &Places) -> Vec<f64> {
    let n = places.at.len();
    if places.newest { difference(n, n - 2, n - 1) } else { vec![0.0; n] }
}

fn end_to_end(places: &Places) -> Vec<f64> {
    let n = places.at.len();
    difference(n, 0, n - 1)
}

fn triangular(places: &Places) -> Vec<f64> {
    // With an odd number the middle crossing is left out.
    let n = places.at.len();
    let half = n / 2;
    (0..n).map(|k| f64::from(u8::from(k >= n - half)) - f64::from(u8::from(k < half))).collect()
}

fn line(places: &Places) -> Vec<f64> {
    weighted(places, |_| 1.0)
}

fn taper<S: Shape>(places: &Places) -> Vec<f64> {
    weighted(places, |u| f64::from(S::weight(((u * 65_536.0) as u32).min(65_535))))
}

/// The slope of a line through crossings that weigh `v(u)`, u from the middle of the window, 0, to where the first crossing
/// outside would come, 1.
fn weighted(places: &Places, v: impl Fn(f64) -> f64) -> Vec<f64> {
    let weights: Vec<f64> = places.at.iter().map(|at| v(at.abs() / places.outside)).collect();
    let moment: f64 = weights.iter().zip(&places.at).map(|(v, at)| v * at).sum();
    let middle = moment / weights.iter().sum::<f64>();
    weights.iter().zip(&places.at).map(|(v, at)| v * (at - middle)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_ignore_the_level_and_give_a_line_its_slope() {
        for kind in &KINDS {
            for n in [4, 5, 50, 51, 600] {
                let weights = kind.weights(n);
                let level: f64 = weights.iter().sum();
                let slope: f64 = weights.iter().enumerate().map(|(k, c)| c * k as f64).sum();
                assert!(level.abs() < 1e-12 && (slope - 1.0).abs() < 1e-12, "{} {n}", kind.name);
            }
        }
    }

    #[test]
    fn estimators_are_found_by_their_setting() {
        use EstimatorKind::*;
        for estimator in [LastPeriod, EndToEnd, Triangular, LeastSquares, Biweight, Hann, Kaiser] {
            assert!(Kind::of(estimator).name.starts_with(estimator.name()));
        }
    }

    /// Each polarity has a level of its own, which does not matter; white noise has the gains of windows.md's both-chain forms: least
    /// squares 12/(M^3/4) for M half cycles in the limit, end to end the mean of two differences.
    #[test]
    fn both_polarities_ignore_their_levels() {
        for kind in &KINDS {
            for n in [6, 7, 101, 102] {
                let weights = kind.weights_of_both(n);
                let level = |first| weights.iter().skip(first).step_by(2).sum::<f64>();
                let slope: f64 = weights.iter().enumerate().map(|(j, c)| c * j as f64 / 2.0).sum();
                let sums = (level(0).abs(), level(1).abs(), (slope - 1.0).abs());
                assert!(sums.0 < 1e-12 && sums.1 < 1e-12 && sums.2 < 1e-12, "{} {n}: {sums:?}", kind.name);
            }
        }
        let variance = |i: usize, n| KINDS[i].weights_of_both(n).iter().map(|c| c * c).sum::<f64>();
        let limit = 12.0 / (1_001f64.powi(3) / 4.0);
        assert!((variance(3, 1_001) / limit - 1.0).abs() < 0.01);
        // 51 rising crossings and 50 falling ones: 50 and 49 cycles.
        assert!((variance(1, 101) - 4.0 / (99.0 * 99.0)).abs() < 1e-15);
        let last = KINDS[0].weights_of_both(7);
        assert_eq!((last[4], last[5], last[6]), (-1.0, 0.0, 1.0));
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
