//! The level that the comparator's thresholds stand around.

use std::ops::Range;

/// Follows the mean of the signal over whole cycles, from one upward crossing to the next, half way to each new one.
///
/// A steady direct voltage is taken off exactly, whatever the waveform, with no transient where a record begins. One that decays
/// with time constant τ is followed two cycles late, so of its effect on the edges, ḋ/(2πfA) on the frequency, the share
/// 2T/τ is left: a twentieth at 50 Hz and 0.8 s.
#[derive(Clone, Debug)]
pub(super) struct Level {
    /// Where the thresholds stand.
    pub(super) at: f64,
    /// Lengths of a cycle, in samples, that are believed.
    cycle: Range<f64>,
    /// Share of the way to a new mean that is gone.
    gain: f64,
    /// Position of the last upward crossing, and the integral since then; `None` before the first.
    open: Option<(f64, f64)>,
}

impl Level {
    /// Stands at `at`, roughly the mean, until a cycle of a length in `cycle` has passed, and then at that cycle's mean. Lengths are
    /// in samples.
    pub(super) fn new(at: f64, cycle: Range<f64>) -> Self {
        Self { at, cycle, gain: 1.0, open: None }
    }

    /// Stands where it got to, and from there on follows half way.
    pub(super) fn settled(self) -> Self {
        Self { gain: 0.5, open: None, ..self }
    }

    /// The signal went from `a` to `b`, each a position and a value.
    pub(super) fn pass(&mut self, a: (f64, f64), b: (f64, f64)) {
        if let Some((_, integral)) = &mut self.open {
            *integral += (b.0 - a.0) * (a.1 + b.1) / 2.0;
        }
    }

    /// It crossed upwards at position `x`, on its way from `a` to `b`, which has passed already.
    pub(super) fn crossed(&mut self, x: f64, a: (f64, f64), b: (f64, f64)) {
        let value = a.1 + (b.1 - a.1) * (x - a.0) / (b.0 - a.0);
        let beyond = (b.0 - x) * (value + b.1) / 2.0;
        let Some((start, integral)) = self.open.replace((x, beyond)) else { return };
        let length = x - start;
        if self.cycle.contains(&length) {
            self.at += ((integral - beyond) / length - self.at) * self.gain;
        }
    }

    /// Positions count from `samples` later on.
    pub(super) fn forget(&mut self, samples: f64) {
        if let Some((start, _)) = &mut self.open {
            *start -= samples;
        }
    }
}
