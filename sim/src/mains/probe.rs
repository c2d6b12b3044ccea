//! A probe on the comparator's input: the voltage behind the low-pass, noise included, at instants in order of time.

use crate::mains::comparator::Comparator;
use crate::mains::signal::{Signal, Span};
use crate::moment::Moment;
use crate::scenario::Scenario;

/// The voltage that the comparator of a scenario sees, in amplitudes of the undisturbed fundamental. Between the points of
/// the noise's own grid it runs along the same cubic as for the comparator, so its edges lie where the probe crosses a threshold.
#[derive(Clone, Debug)]
pub struct Probe {
    signal: Signal,
    comparator: Comparator,
    span: Span,
}

impl Probe {
    /// At the start of `scenario`.
    pub fn new(scenario: &Scenario) -> Self {
        let mut signal = Signal::new(scenario);
        let span = signal.next_span();
        Self { signal, comparator: Comparator::new(scenario), span }
    }

    /// The voltage at `m`, which is not before the last one asked for. At a jump it is the value after it.
    pub fn at(&mut self, m: Moment) -> f64 {
        while m.since(self.span.from) >= self.span.length {
            self.span = self.signal.next_span();
        }
        self.comparator.input(&self.span, m.since(self.span.from))
    }

    /// The voltage `sample_hz` times a second from the start, without end. Nothing is taken off before sampling: what lies above
    /// half of `sample_hz`, noise among it, folds down and keeps its power.
    pub fn samples(mut self, sample_hz: u32) -> impl Iterator<Item = f64> {
        let hz = u64::from(sample_hz);
        (0u64..)
            .map(move |k| self.at(Moment { second: k / hz, part: (k % hz) as f64 / f64::from(sample_hz) }))
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use humtick::Polarity;

    use super::*;
    use crate::mains::Mains;

    /// Edges and probe know the same voltage: it stands on the threshold at each edge, and on its far side just after.
    #[test]
    fn edges_lie_where_the_probe_crosses_a_threshold() {
        let text = "name = \"pump house\"\nduration_s = 20.0\n[front_end]\nnoise_percent = 2.0\nhysteresis_percent = 0.5\n\
                    [[disturb]]\nkind = \"dip\"\nat_s = 8.0\nlength_s = 0.3\nresidual_percent = 40.0\n";
        let scenario = Scenario::from_toml(text, Path::new("pump.toml")).unwrap();
        let mut probe = Probe::new(&scenario);
        let edges: Vec<_> = Mains::new(&scenario, 0).collect();
        assert!(edges.len() > 2_500, "{}", edges.len());
        for edge in edges {
            let (threshold, up) = match edge.polarity {
                Polarity::Rising => (0.0025, 1.0),
                Polarity::Falling => (-0.0025, -1.0),
            };
            // The comparator's cubic over voltage and noise together is 2.3e-5 off at most.
            let off = probe.at(edge.at) - threshold;
            assert!(off.abs() < 3e-5, "{off} at {:?}", edge.at);
            // The steepest that noise of 2 % in 20 kHz is, is some 10^4 a second; a nanosecond is 1e-5.
            let moved = (probe.at(edge.at.later(2e-9)) - threshold - off) * up;
            assert!(moved > -1e-6, "{moved} at {:?}", edge.at);
        }
    }
}
