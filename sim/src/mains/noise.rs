//! Band-limited Gaussian noise as a function of time: the same wherever and in whatever order it is looked at.
//!
//! White up to its bandwidth B and next to nothing beyond (a brick wall, but for a rounded edge), made as a moving average of compact pulses: a Kaiser-windowed sinc 9.6/B
//! long, one normal draw for each 0.4/B; it falls from half to a hundredth within 0.17 B. Noise further apart than 9.6/B is independent. The sinc's cut-off is chosen so that
//! the slope has the standard deviation 2 pi B sigma / sqrt 3 of the brick wall, which is what decides how often a noisy comparator chatters
//! (Rice, Bell Syst. Tech. J. 24, 1945). Between the points of an even grid runs a cubic by value and slope.

use std::f64::consts::TAU;

use crate::random::{Normals, Use};

/// Draws that a point is a sum of.
const TAPS: usize = 24;
/// Draws a second, in B: pulses are 9.6/B long.
const RATE: f64 = 2.5;
/// From draw to draw there are so many cells that are made ready at once.
const CELLS: i64 = 3;
/// The Kaiser window's parameter.
const BETA: f64 = 4.0;
/// Sums run in so many lanes, in a fixed order whatever the processor.
const LANES: usize = 4;

/// The noise of one scenario. Its sums are in single precision, 1e-7 of its standard deviation.
#[derive(Clone, Debug)]
pub struct Noise {
    normals: Normals,
    /// From one draw to the next there are 2^shift grid points.
    shift: u32,
    /// For each place between two draws the weights of the value, and of the slope per grid point.
    weights: Vec<[[f32; TAPS]; 2]>,
    /// Number of the first draw held.
    first: i64,
    draws: Vec<f32>,
}

impl Noise {
    /// The least grid for noise of this bandwidth that has `least_hz` points a second or more.
    pub fn grid_hz(bandwidth_hz: f64, least_hz: f64) -> f64 {
        let mut grid_hz = 2.0 * RATE * bandwidth_hz;
        while grid_hz < least_hz {
            grid_hz *= 2.0;
        }
        grid_hz.ceil()
    }

    /// Noise of standard deviation `sigma` on a grid of `grid_hz` points a second, which [`Noise::grid_hz`] gave.
    pub fn new(seed: u64, sigma: f64, bandwidth_hz: f64, grid_hz: f64) -> Self {
        let shift = ((grid_hz / (RATE * bandwidth_hz)).round() as u32).ilog2();
        let spacing = 1 << shift;
        // Radians a point at B; its slope's standard deviation is a brick wall's.
        let angle = TAU * bandwidth_hz / grid_hz;
        let slope = angle / 3f64.sqrt();
        // The slope grows nearly in proportion to the cut-off.
        let mut cut = angle;
        for _ in 0..20 {
            let (value, steep) = Self::power(cut, spacing);
            cut *= slope / (steep / value).sqrt();
        }
        let scale = sigma / (Self::power(cut, spacing).0 / f64::from(spacing)).sqrt();
        let weight = |place: u32| {
            let pulses = pulses(place, spacing, cut);
            [pulses.map(|(value, _)| (scale * value) as f32), pulses.map(|(_, slope)| (scale * slope) as f32)]
        };
        let weights = (0..spacing).map(weight).collect();
        Self { normals: Normals::new(seed, Use::Noise), shift, weights, first: 0, draws: Vec::new() }
    }

    /// Sums of the squares of all pulses' values and slopes.
    fn power(cut: f64, spacing: u32) -> (f64, f64) {
        let all = (0..spacing).flat_map(|place| pulses(place, spacing, cut));
        all.fold((0.0, 0.0), |(values, slopes), (v, s)| (values + v * v, slopes + s * s))
    }

    /// Makes the noise at grid point `from` and a few more ready; the first that is not. The number of draws is always the same, which
    /// processors foresee.
    pub fn prepare(&mut self, from: i64) -> i64 {
        let cell = from >> self.shift;
        let first = cell - (TAPS as i64 / 2 - 1);
        let end = first + (TAPS as i64 + CELLS - 1);
        let mut held = self.first + self.draws.len() as i64;
        if first < self.first || first >= held {
            self.draws.clear();
            (self.first, held) = (first, first);
        } else if first - self.first >= 4096 {
            self.draws.drain(..(first - self.first) as usize);
            self.first = first;
        }
        let normals = self.normals;
        self.draws.extend((held..end).map(|k| normals.draw(k) as f32));
        (cell + CELLS) << self.shift
    }

    /// Value, and slope per grid point, at a grid point that has been prepared.
    #[inline]
    pub fn at(&self, point: i64) -> (f64, f64) {
        let begin = (point >> self.shift) - (TAPS as i64 / 2 - 1) - self.first;
        let draws = self.draws[begin as usize..].first_chunk().expect("the caller prepared the point");
        let place = point as usize & ((1 << self.shift) - 1);
        let [values, slopes] = &self.weights[place];
        (dot(draws, values), dot(draws, slopes))
    }
}

/// Not inlined: two of them side by side are vectorised across one another, at three times the cost.
#[inline(never)]
fn dot(draws: &[f32; TAPS], weights: &[f32; TAPS]) -> f64 {
    let mut sums = [0.0; LANES];
    for (draws, weights) in draws.chunks_exact(LANES).zip(weights.chunks_exact(LANES)) {
        for lane in 0..LANES {
            sums[lane] += draws[lane] * weights[lane];
        }
    }
    f64::from((sums[0] + sums[2]) + (sums[1] + sums[3]))
}

/// The pulses of the draws about a point `place` points after the draw in their middle: values and slopes per point.
fn pulses(place: u32, spacing: u32, cut: f64) -> [(f64, f64); TAPS] {
    let half = f64::from(spacing) * TAPS as f64 / 2.0;
    let from_middle = |k: usize| f64::from(place) + half - f64::from(spacing) * (k + 1) as f64;
    std::array::from_fn(|k| pulse(from_middle(k), half, cut))
}

/// The pulse and its slope `x` points from its middle; it is zero from `half` on, and its sinc's cut-off is `cut` radians a point.
fn pulse(x: f64, half: f64, cut: f64) -> (f64, f64) {
    if x.abs() >= half {
        return (0.0, 0.0);
    }
    let (sinc, sinc_slope) = if x == 0.0 {
        (1.0, 0.0)
    } else {
        let (s, c) = libm::sincos(cut * x);
        (s / (cut * x), c / x - s / (cut * x * x))
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

    #[test]
    fn is_as_large_and_as_steep_everywhere_as_the_brick_wall() {
        for (bandwidth, least) in [(20_000.0, 0.0), (1_000.0, 51_200.0), (13_579.2, 123_457.0)] {
            let grid = Noise::grid_hz(bandwidth, least);
            let slope = TAU * bandwidth * 0.25 / 3f64.sqrt() / grid;
            for weights in Noise::new(1, 0.25, bandwidth, grid).weights {
                let [value, steep] = weights.map(|w| w.map(|x| f64::from(x * x)).iter().sum::<f64>().sqrt());
                assert!((value / 0.25 - 1.0).abs() < 1e-5, "{value} at {bandwidth}");
                assert!((steep / slope - 1.0).abs() < 1e-3, "{steep} at {bandwidth}");
            }
        }
    }

    /// The slope belongs to the value: their table is one function and its derivative.
    #[test]
    fn the_slope_is_the_derivative() {
        let mut noise = Noise::new(3, 1.0, 1_000.0, Noise::grid_hz(1_000.0, 200_000.0));
        for point in -400..400 {
            noise.prepare(point - 1);
            let ((before, _), (_, slope), (after, _)) =
                (noise.at(point - 1), noise.at(point), noise.at(point + 1));
            // A third derivative of (2 pi B)^3 sigma / sqrt 7, over 6 points squared.
            let off = (after - before) / 2.0 - slope;
            assert!(off.abs() < 2e-5, "{off} at {point}");
        }
    }

    #[test]
    fn is_a_function_of_time_alone() {
        let values = |noise: &mut Noise, begin: i64, end: i64| {
            let mut ready = begin;
            let mut at = |p| {
                if p >= ready {
                    ready = noise.prepare(p);
                }
                noise.at(p)
            };
            (begin..end).map(&mut at).collect::<Vec<_>>()
        };
        let mut noise = Noise::new(9, 1.0, 20_000.0, 100_000.0);
        let whole = values(&mut noise, 0, 20_000);
        for begin in [15_000, 3, 17, 4_000, 4_010, 9_999, 0, 19_990] {
            assert_eq!(values(&mut noise, begin, begin + 10), whole[begin as usize..][..10]);
        }
    }

    /// Correlation against sin(2 pi B t)/(2 pi B t), the brick wall's own.
    #[test]
    fn correlates_as_the_brick_wall() {
        let mut noise = Noise::new(2, 1.0, 20_000.0, 100_000.0);
        let n = 2_000_000;
        let mut values = Vec::new();
        for point in 0..n {
            noise.prepare(point);
            values.push(noise.at(point).0);
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
