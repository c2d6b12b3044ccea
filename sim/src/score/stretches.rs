//! Squared errors by stretch of a trial, so that two trials of the same noise can be held against each other stretch by stretch.

use serde::{Deserialize, Serialize};

use crate::scenario::Scenario;

/// Stretches of a trial: 30 can be put together by twos, threes, fives and sixes where a window is longer than one.
pub(crate) const COUNT: usize = 30;

/// What one stretch holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Stretch {
    /// Readings judged.
    pub judged: u64,
    /// Sum of the squared errors against the truth over the window, Hz^2.
    pub squares: f64,
    /// The same with the clock's lasting error taken off.
    pub apart: f64,
}

/// Equal stretches of a trial.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Stretches {
    length_s: f64,
    all: [Stretch; COUNT],
}

impl Stretches {
    pub fn new(scenario: &Scenario) -> Self {
        Self { length_s: scenario.duration_s / COUNT as f64, all: [Stretch::default(); COUNT] }
    }

    pub fn take(&mut self, at_s: f64, error: f64, apart: f64) {
        let place = ((at_s / self.length_s) as usize).min(COUNT - 1);
        let stretch = &mut self.all[place];
        stretch.judged += 1;
        stretch.squares += error * error;
        stretch.apart += apart * apart;
    }

    pub const fn all(&self) -> &[Stretch] {
        &self.all
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::score::tests::scenario;

    #[test]
    fn errors_fall_into_their_stretch() {
        let mut stretches = Stretches::new(&scenario());
        for (at_s, error) in [(0.0, 1.0), (1.9, 2.0), (2.0, 3.0), (60.0, 4.0)] {
            stretches.take(at_s, error, -error / 2.0);
        }
        let (first, last) = (stretches.all()[0], stretches.all()[29]);
        assert_eq!((first.judged, first.squares, first.apart), (2, 5.0, 1.25));
        assert_eq!((stretches.all()[1].squares, last.squares, last.judged), (9.0, 16.0, 1));
    }
}
