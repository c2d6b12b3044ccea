//! How far edges are apart: the range, and the commonest of all intervals, in constant memory.

/// Intervals between successive edges of the polarity used, in seconds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Spacing {
    /// Shortest and longest; `None` with fewer than two edges.
    pub range_s: Option<(f64, f64)>,
    /// Count and sum in eighths of an octave, from 2^-20 s (about a microsecond) to 2^12 s.
    octaves: Vec<(u64, f64)>,
}

impl Spacing {
    const LOWEST: f64 = -20.0;
    const BINS: usize = 32 * 8;

    pub(crate) fn take(&mut self, seconds: f64) {
        let (low, high) = self.range_s.unwrap_or((seconds, seconds));
        self.range_s = Some((low.min(seconds), high.max(seconds)));
        self.octaves.resize(Self::BINS, (0, 0.0));
        let bin = ((seconds.log2() - Self::LOWEST) * 8.0).round().clamp(0.0, (Self::BINS - 1) as f64);
        let (count, sum) = &mut self.octaves[bin as usize];
        *count += 1;
        *sum += seconds;
    }

    /// Whether no interval is common: the eighth of an octave that holds the most holds less than a quarter of all. Noise through a
    /// comparator, whose intervals are spread over an octave and more, looks like that.
    pub fn is_scattered(&self) -> bool {
        let counts = || self.octaves.iter().map(|(count, _)| count);
        counts().max().is_some_and(|most| 4 * most < counts().sum())
    }

    /// Mean of the intervals in the eighth of an octave that holds the most; `None` with fewer than two edges.
    pub fn commonest_s(&self) -> Option<f64> {
        let (count, sum) = self.octaves.iter().max_by_key(|(count, _)| *count)?;
        Some(sum / *count as f64)
    }
}
