//! The last minutes of a sensor, a point a second.

use std::collections::VecDeque;

/// Seconds that are kept.
pub const SECONDS: usize = 300;

/// Means of deviations from the nominal frequency, one a second, the last for the second at hand.
#[derive(Clone, Debug, Default)]
pub struct Trend {
    /// Hertz; NaN where nothing was known. Eight figures do for a deviation.
    means: VecDeque<f32>,
    second: u64,
    sum: f64,
    count: u32,
}

impl Trend {
    /// Takes a deviation in hertz in this second; of an earlier one, in the latest.
    pub fn take(&mut self, second: u64, deviation: Option<f64>) {
        self.advance(second);
        let Some(deviation) = deviation else { return };
        self.sum += deviation;
        self.count += 1;
        if let Some(last) = self.means.back_mut() {
            *last = (self.sum / f64::from(self.count)) as f32;
        }
    }

    /// Goes on to this second.
    pub fn advance(&mut self, second: u64) {
        let more = if self.means.is_empty() { 1 } else { second.saturating_sub(self.second) };
        if more == 0 {
            return;
        }
        let more = usize::try_from(more).unwrap_or(SECONDS).min(SECONDS);
        self.means.drain(..(self.means.len() + more).saturating_sub(SECONDS));
        self.means.extend(std::iter::repeat_n(f32::NAN, more));
        (self.second, self.sum, self.count) = (second, 0.0, 0);
    }

    /// The points, oldest first.
    pub fn points(&self) -> impl DoubleEndedIterator<Item = Option<f32>> + ExactSizeIterator {
        self.means.iter().map(|mean| (!mean.is_nan()).then_some(*mean))
    }

    /// The point of the latest second.
    pub fn latest(&self) -> Option<f32> {
        self.points().next_back().flatten()
    }

    /// The last whole second's point.
    pub fn last_whole(&self) -> Option<f32> {
        self.points().rev().nth(1).flatten()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seconds_have_means_and_silence_has_none() {
        let mut trend = Trend::default();
        for (second, deviation) in
            [(7, Some(0.5)), (7, Some(1.5)), (8, None), (10, Some(2.0)), (9, Some(4.0))]
        {
            trend.take(second, deviation);
        }
        assert_eq!(trend.points().collect::<Vec<_>>(), [Some(1.0), None, None, Some(3.0)]);
        assert_eq!((trend.latest(), trend.last_whole()), (Some(3.0), None));
        trend.advance(10_000);
        assert_eq!((trend.points().len(), trend.latest()), (SECONDS, None));
        trend.take(10_001, Some(1.0));
        assert_eq!((trend.points().len(), trend.latest()), (SECONDS, Some(1.0)));
    }
}
