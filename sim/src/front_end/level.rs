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

#[cfg(test)]
mod tests {
    use super::*;

    /// A wave of straight pieces, four samples long, of mean 1 over each cycle. It crosses zero upwards at an eighth of a sample, exactly.
    const WAVE: [f64; 4] = [-1.0, 7.0, 0.0, -2.0];

    /// Passes `cycles` cycles of the wave on top of `direct` volts, with upward crossings of zero volts.
    fn follow(level: &mut Level, direct: f64, cycles: usize) {
        let at = |i: usize| (i as f64, direct + WAVE[i % 4]);
        for i in 0..4 * cycles {
            let (a, b) = (at(i), at(i + 1));
            level.pass(a, b);
            if a.1 < 0.0 && b.1 >= 0.0 {
                level.crossed(a.0 - a.1 / (b.1 - a.1), a, b);
            }
        }
        level.forget(4.0 * cycles as f64);
    }

    fn is(level: &Level, at: f64) {
        assert!((level.at - at).abs() < 1e-12, "stands at {}, not {at}", level.at);
    }

    #[test]
    fn a_cycle_gives_its_exact_mean_whatever_the_wave() {
        for direct in [-1.3, 0.0, 0.7] {
            let mut level = Level::new(100.0, 3.0..5.0);
            follow(&mut level, direct, 1);
            is(&level, 100.0);
            follow(&mut level, direct, 1);
            is(&level, 1.0 + direct);
        }
    }

    #[test]
    fn cycles_of_a_length_that_is_not_believed_move_nothing() {
        for cycle in [4.1..8.0, 2.0..3.9, 2.0..4.0] {
            let mut level = Level::new(100.0, cycle);
            follow(&mut level, 0.0, 5);
            is(&level, 100.0);
        }
        // The first length of the range is in it.
        let mut level = Level::new(100.0, 4.0..5.0);
        follow(&mut level, 0.0, 2);
        is(&level, 1.0);
    }

    #[test]
    fn a_settled_level_goes_half_way_with_each_cycle() {
        let mut level = Level::new(9.0, 3.0..5.0).settled();
        let stood = [1, 1, 1, 1].map(|cycles| {
            follow(&mut level, 0.0, cycles);
            level.at
        });
        assert_eq!(stood, [9.0, 5.0, 3.0, 2.0]);
        // What had begun before it settled is not taken for a part of what comes.
        let mut level = level.settled();
        follow(&mut level, 0.0, 1);
        is(&level, 2.0);
    }
}
