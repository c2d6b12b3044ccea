//! The slopes of the four estimators in exact rationals, and a reading held against them.

use humtick::{Config, Reading};

use super::spread;

/// (cycles, ticks) of each crossing, from the first.
pub type Points = [(i128, i128)];

/// Ticks over cycles, as a fraction.
pub type Slope = fn(&Points) -> (i128, i128);

pub fn sum(points: &Points, of: impl Fn(&(i128, i128)) -> i128) -> i128 {
    points.iter().map(of).sum()
}

pub fn last_period(points: &Points) -> (i128, i128) {
    let [.., (k0, t0), (k1, t1)] = points else { panic!("fewer than two crossings") };
    (t1 - t0, k1 - k0)
}

pub fn end_to_end(points: &Points) -> (i128, i128) {
    let (first, last) = (points[0], points[points.len() - 1]);
    (last.1 - first.1, last.0 - first.0)
}

/// Halves of equal length have equal divisors, so sums stand for means. The middle one of an odd number is in neither.
pub fn triangular(points: &Points) -> (i128, i128) {
    let half = points.len() / 2;
    let (first, last) = (&points[..half], &points[points.len() - half..]);
    (sum(last, |p| p.1) - sum(first, |p| p.1), sum(last, |p| p.0) - sum(first, |p| p.0))
}

pub fn least_squares(points: &Points) -> (i128, i128) {
    let n = points.len() as i128;
    let (k, t) = (sum(points, |p| p.0), sum(points, |p| p.1));
    (n * sum(points, |p| p.0 * p.1) - k * t, spread(points))
}

/// Half a nanohertz of rounding, and on top of it what 48 bits of period leave, 2^-47 of the frequency and a little:
/// 0.0004 nHz at 50 Hz, 0.07 nHz at 10 kHz. So a reading is the nearest nanohertz but for exact values that close to a half.
#[track_caller]
pub fn is_rounded(reading: &Reading, (ticks, cycles): (i128, i128), config: &Config) -> bool {
    let frequency = i128::from(reading.frequency.expect("a fit has a frequency").nanohertz());
    let nano_rate = i128::from(config.rate.hz()) * (1_000_000_000 + i128::from(config.clock_ppb));
    let off = 2 * (frequency * ticks - nano_rate * cycles).abs();
    assert!(
        off <= ticks + ((frequency * ticks) >> 45),
        "{frequency} nHz is {} nHz off for {ticks}/{cycles} ticks at {nano_rate} nHz",
        off / 2 / ticks
    );
    off <= ticks
}
