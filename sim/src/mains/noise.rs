//! Band-limited Gaussian noise as a function of time: the same wherever and in whatever order it is looked at.
//!
//! White up to its bandwidth B and nothing beyond (brick wall), made as a moving average of compact pulses: a Kaiser-windowed sinc 9.6/B
//! long, one normal draw for each at most 0.4/B; its power density falls from half at 0.995 B to a hundredth at 1.124 B (computed from the pulse). Noise further apart than 9.6/B is independent. The sinc's cut-off is chosen so that
//! the slope has the standard deviation 2 pi B sigma / sqrt 3 of the brick wall, which is what decides how often a noisy comparator chatters
//! (Rice, Bell Syst. Tech. J. 24, 1945). Between the points of an even grid runs a cubic by value and slope.

use std::f64::consts::TAU;

use crate::random::{Numbered, Use};

/// Length of a pulse in 1/B.
const LENGTH: f64 = 9.6;
/// Its Kaiser window's parameter.
const BETA: f64 = 4.0;
/// Sums run in so many lanes, in a fixed order whatever the processor.
const LANES: usize = 4;

/// The noise of one scenario.
#[derive(Clone, Debug)]
pub struct Noise {
    numbered: Numbered,
    /// Grid points from one draw to the next.
    spacing: i64,
    /// Draws that a point is a sum of; a multiple of [`LANES`].
    taps: usize,
    /// For each place between two draws the weights of the value, then of the slope per grid point.
    weights: Vec<f64>,
    /// Number of the first draw held.
    first: i64,
    draws: Vec<f64>,
}

impl Noise {
    /// Least grid points a second for noise of this bandwidth.
    pub fn grid_hz(bandwidth_hz: f64) -> f64 {
        5.0 * bandwidth_hz
    }

    /// Noise of standard deviation `sigma` on a grid of `grid_hz` points a second, which is [`Noise::grid_hz`] or more.
    pub fn new(seed: u64, sigma: f64, bandwidth_hz: f64, grid_hz: f64) -> Self {
        // Points in 1/B.
        let unit = grid_hz / bandwidth_hz;
        let spacing = (0.4 * unit + 1e-9).floor().max(1.0);
        let taps = ((LENGTH * unit / spacing).ceil() as usize).next_multiple_of(LANES);
        let (value, slope) = (slope_ratio(1.0, unit, spacing, taps), TAU / 3f64.sqrt() / unit);
        // The slope grows nearly in proportion to the cut-off.
        let mut cut = slope / value;
        for _ in 0..20 {
            cut *= slope / slope_ratio(cut, unit, spacing, taps);
        }
        let mut weights = Vec::new();
        let mut power = 0.0;
        for place in 0..spacing as usize {
            let (values, slopes) = pulse_at(place as f64, cut, unit, spacing, taps);
            power += values.iter().map(|v| v * v).sum::<f64>() / spacing;
            weights.extend(values);
            weights.extend(slopes);
        }
        for weight in &mut weights {
            *weight *= sigma / power.sqrt();
        }
        Self {
            numbered: Numbered::new(seed, Use::Noise),
            spacing: spacing as i64,
            taps,
            weights,
            first: 0,
            draws: Vec::new(),
        }
    }

    /// Makes the draws for grid points `from` to `to` ready.
    pub fn prepare(&mut self, from: i64, to: i64) {
        let half = self.taps as i64 / 2;
        let (origin, draws) = (self.first * self.spacing, self.draws.len() as i64);
        // The first point whose draws are held, and the first beyond.
        let (begin, end) = (origin + (half - 1) * self.spacing, origin + (draws - half) * self.spacing);
        if from < begin || from >= end {
            self.first = from.div_euclid(self.spacing) - half + 1;
            self.draws.clear();
        } else if to < end {
            return;
        } else if from - begin >= 4096 * self.spacing {
            let past = (from - begin).div_euclid(self.spacing);
            self.draws.drain(..past as usize);
            self.first += past;
        }
        let held = self.first + self.draws.len() as i64;
        let last = to.div_euclid(self.spacing) + half;
        self.draws.extend((held..=last).map(|j| self.numbered.normal(j)));
    }

    /// Value, and slope per grid point, at a grid point that has been prepared.
    #[inline]
    pub fn at(&self, point: i64) -> (f64, f64) {
        // Few enough to divide in 32 bits, which is several times faster.
        let (k, spacing) = ((point - self.first * self.spacing) as u32, self.spacing as u32);
        let (draw, place) = ((k / spacing) as usize, (k % spacing) as usize);
        let begin = draw + 1 - self.taps / 2;
        let draws = &self.draws[begin..begin + self.taps];
        let weights = &self.weights[2 * place * self.taps..2 * (place + 1) * self.taps];
        let (values, slopes) = weights.split_at(self.taps);
        let (mut v, mut s) = ([0.0; LANES], [0.0; LANES]);
        for ((d, a), b) in
            draws.chunks_exact(LANES).zip(values.chunks_exact(LANES)).zip(slopes.chunks_exact(LANES))
        {
            for lane in 0..LANES {
                v[lane] += d[lane] * a[lane];
                s[lane] += d[lane] * b[lane];
            }
        }
        ((v[0] + v[1]) + (v[2] + v[3]), (s[0] + s[1]) + (s[2] + s[3]))
    }
}

/// Weights of value and slope of `taps` draws about a point `place` after the draw in their middle.
fn pulse_at(place: f64, cut: f64, unit: f64, spacing: f64, taps: usize) -> (Vec<f64>, Vec<f64>) {
    (0..taps)
        .map(|k| pulse((place + spacing * (taps as f64 / 2.0 - 1.0 - k as f64)) / unit, cut))
        .map(|(v, s)| (v, s / unit))
        .unzip()
}

/// Standard deviation of the slope over that of the value.
fn slope_ratio(cut: f64, unit: f64, spacing: f64, taps: usize) -> f64 {
    let (mut value, mut slope) = (0.0, 0.0);
    for place in 0..spacing as usize {
        let (values, slopes) = pulse_at(place as f64, cut, unit, spacing, taps);
        value += values.iter().map(|v| v * v).sum::<f64>();
        slope += slopes.iter().map(|s| s * s).sum::<f64>();
    }
    (slope / value).sqrt()
}

/// The pulse and its derivative at `x` in 1/B from its middle; `cut` is the cut-off over B.
fn pulse(x: f64, cut: f64) -> (f64, f64) {
    let half = LENGTH / 2.0;
    if x.abs() >= half {
        return (0.0, 0.0);
    }
    let a = TAU * cut;
    let (sinc, sinc_slope) = if x.abs() < 1e-9 {
        (1.0, 0.0)
    } else {
        let (s, c) = libm::sincos(a * x);
        (s / (a * x), c / x - s / (a * x * x))
    };
    let root = (1.0 - (x / half) * (x / half)).sqrt();
    // Less its pedestal, so that a draw enters and leaves without a jump.
    let kaiser = bessel_i0(BETA * root) - 1.0;
    let kaiser_slope = bessel_i1(BETA * root) * BETA * -(x / (half * half)) / root;
    (sinc * kaiser, sinc_slope * kaiser + sinc * kaiser_slope)
}

/// Modified Bessel function of the first kind, order 0, by its series (Abramowitz and Stegun, 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let q = x * x / 4.0;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..40 {
        term *= q / f64::from(k * k);
        sum += term;
    }
    sum
}

/// Of order 1 (Abramowitz and Stegun, 9.6.10).
fn bessel_i1(x: f64) -> f64 {
    let q = x * x / 4.0;
    let (mut term, mut sum) = (x / 2.0, x / 2.0);
    for k in 1..40 {
        term *= q / f64::from(k * (k + 1));
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Variance at every place between draws, by the weights themselves.
    fn variances(noise: &Noise) -> Vec<(f64, f64)> {
        noise
            .weights
            .chunks_exact(2 * noise.taps)
            .map(|w| {
                let (v, s) = w.split_at(noise.taps);
                (v.iter().map(|x| x * x).sum(), s.iter().map(|x| x * x).sum())
            })
            .collect()
    }

    #[test]
    fn is_as_large_and_as_steep_everywhere_as_the_brick_wall() {
        for (bandwidth, grid) in [(20_000.0, 100_000.0), (1_000.0, 51_200.0), (20_000.0, 123_457.0)] {
            let noise = Noise::new(1, 0.25, bandwidth, grid);
            let slope = TAU * bandwidth * 0.25 / 3f64.sqrt() / grid;
            for (value, steep) in variances(&noise) {
                assert!((value.sqrt() / 0.25 - 1.0).abs() < 1e-5, "{value} at {bandwidth}");
                assert!((steep.sqrt() / slope - 1.0).abs() < 1e-3, "{steep} at {bandwidth}");
            }
        }
    }

    /// The slope belongs to the value: their table is one function and its derivative.
    #[test]
    fn the_slope_is_the_derivative() {
        let mut noise = Noise::new(3, 1.0, 1_000.0, 200_000.0);
        noise.prepare(-500, 500);
        for point in -400..400 {
            let (before, _) = noise.at(point - 1);
            let (_, slope) = noise.at(point);
            let (after, _) = noise.at(point + 1);
            // A third derivative of (2 pi B)^3 sigma / sqrt 7, over 6 points squared.
            let off = (after - before) / 2.0 - slope;
            assert!(off.abs() < 2e-5, "{off} at {point}");
        }
    }

    #[test]
    fn is_a_function_of_time_alone() {
        let whole: Vec<_> = {
            let mut noise = Noise::new(9, 1.0, 20_000.0, 100_000.0);
            noise.prepare(0, 20_000);
            (0..20_000).map(|p| noise.at(p)).collect()
        };
        let mut noise = Noise::new(9, 1.0, 20_000.0, 100_000.0);
        for begin in [15_000, 3, 17, 4_000, 4_010, 9_999, 0, 19_990] {
            noise.prepare(begin, begin + 9);
            for point in begin..begin + 10 {
                assert_eq!(noise.at(point), whole[point as usize]);
            }
        }
    }

    /// Correlation against sin(2 pi B t)/(2 pi B t), the brick wall's own.
    #[test]
    fn correlates_as_the_brick_wall() {
        let mut noise = Noise::new(2, 1.0, 20_000.0, 100_000.0);
        let n = 2_000_000;
        let mut values = Vec::new();
        for begin in (0..n).step_by(10_000) {
            noise.prepare(begin, begin + 9_999);
            values.extend((begin..begin + 10_000).map(|p| noise.at(p).0));
        }
        for lag in 0..12usize {
            let sum: f64 = values.iter().zip(&values[lag..]).map(|(a, b)| a * b).sum();
            let x = TAU * 0.2 * lag as f64;
            let truth = if lag == 0 { 1.0 } else { (x).sin() / x };
            // The window rounds the wall: 0.018 at lag 11.
            assert!((sum / n as f64 - truth).abs() < 0.021, "lag {lag}: {} for {truth}", sum / n as f64);
        }
    }
}
