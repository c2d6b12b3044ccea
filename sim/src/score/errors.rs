//! Errors of readings, and how often an interval holds the truth.

use crate::moment::Moment;

/// Errors in hertz, added up.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Errors {
    /// How many.
    pub count: u64,
    sum: f64,
    squares: f64,
    /// The largest, with its sign and the middle of its window.
    pub worst: Option<(f64, Moment)>,
}

impl Errors {
    pub(super) fn take(&mut self, error: f64, at: Moment) {
        self.count += 1;
        self.sum += error;
        self.squares += error * error;
        if self.worst.is_none_or(|(worst, _)| error.abs() > worst.abs()) {
            self.worst = Some((error, at));
        }
    }

    /// Mean error in hertz; `None` without any.
    pub fn bias(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / self.count as f64)
    }

    /// Root of the mean square in hertz; `None` without any.
    pub fn rms(&self) -> Option<f64> {
        (self.count > 0).then(|| (self.squares / self.count as f64).sqrt())
    }
}

/// How often a 95 % interval held the truth.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Coverage {
    /// Intervals judged.
    pub judged: u64,
    /// Of these, those that held it.
    pub held: u64,
    /// Windows that would have followed one another without overlap in the same time; never more than `judged`.
    pub independent: f64,
}

impl Coverage {
    /// Takes an interval that is worth `share` of a window that overlaps with none.
    pub(super) fn take(&mut self, holds: bool, share: f64) {
        self.judged += 1;
        self.held += u64::from(holds);
        self.independent += share;
    }

    /// Share that held the truth, 0 to 1; `None` where none was judged.
    pub fn share(&self) -> Option<f64> {
        (self.judged > 0).then(|| self.held as f64 / self.judged as f64)
    }

    /// Between which shares it falls in 95 of 100 trials if each interval holds the truth with 95 %: 0.95 -+ 1.96 sqrt(0.95 x 0.05/n), the
    /// binomial distribution's normal limit, n being the windows without overlap; 0 to 1. Windows that overlap err together and count for
    /// less than one each, so the number of readings would promise too much.
    pub fn expected(&self) -> (f64, f64) {
        let half = 1.96 * (0.95 * 0.05 / self.independent.max(1.0)).sqrt();
        ((0.95 - half).max(0.0), (0.95 + half).min(1.0))
    }
}

/// Bins on either side of zero.
const HALF: usize = 20;

/// Errors over their standard uncertainty, in bins of a quarter from -5 to 5.
#[derive(Clone, Debug, PartialEq)]
pub struct Histogram {
    /// From -5 upwards.
    pub bins: [u64; 2 * HALF],
    /// Below -5, and 5 or more.
    pub outside: (u64, u64),
}

impl Default for Histogram {
    fn default() -> Self {
        Self { bins: [0; 2 * HALF], outside: (0, 0) }
    }
}

impl Histogram {
    /// Width of a bin.
    pub const WIDTH: f64 = 0.25;

    pub(super) fn take(&mut self, residual: f64) {
        let place = (residual / Self::WIDTH).floor() + HALF as f64;
        if place < 0.0 {
            self.outside.0 += 1;
        } else if let Some(bin) = self.bins.get_mut(place as usize) {
            *bin += 1;
        } else {
            self.outside.1 += 1;
        }
    }

    /// Lower end of bin number `i`.
    pub fn start(i: usize) -> f64 {
        (i as f64 - HALF as f64) * Self::WIDTH
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn errors_of_three_readings() {
        let mut errors = Errors::default();
        assert_eq!((errors.bias(), errors.rms(), errors.worst), (None, None, None));
        for (error, at) in [(1.0, 1), (-3.0, 2), (3.0, 3)] {
            errors.take(error, Moment::second(at));
        }
        assert_eq!(errors.bias(), Some(1.0 / 3.0));
        assert_eq!(errors.rms(), Some((19f64 / 3.0).sqrt()));
        assert_eq!(errors.worst, Some((-3.0, Moment::second(2))));
    }

    /// 3600 readings ten to the window: 360 windows, 0.95 -+ 0.0225; ten windows could all hold it.
    #[test]
    fn overlapping_windows_count_for_less() {
        let mut coverage = Coverage::default();
        assert_eq!(coverage.share(), None);
        for i in 0..3_600 {
            coverage.take(i % 20 != 0, 0.1);
        }
        assert_eq!(coverage.share(), Some(0.95));
        let (low, high) = coverage.expected();
        assert!((low - 0.92749).abs() < 1e-4 && (high - 0.97251).abs() < 1e-4, "{low} {high}");
        assert_eq!(Coverage { independent: 10.0, ..coverage }.expected().1, 1.0);
    }

    #[test]
    fn bins_hold_their_lower_end() {
        let mut histogram = Histogram::default();
        for residual in [-5.0, -5.01, 0.0, -0.01, 4.99, 5.0, f64::MAX] {
            histogram.take(residual);
        }
        assert_eq!(
            (histogram.bins[0], histogram.bins[19], histogram.bins[20], histogram.bins[39]),
            (1, 1, 1, 1)
        );
        assert_eq!(histogram.outside, (1, 2));
        assert_eq!((Histogram::start(0), Histogram::start(20)), (-5.0, 0.0));
    }
}
