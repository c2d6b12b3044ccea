//! A crossing to look at: the one with the most edges of the first few hundred.

use crate::comparator::Comparator;
use crate::edge::Transition;
use crate::mains::Mains;
use crate::moment::Moment;
use crate::probe::Probe;
use crate::scenario::Scenario;

/// Cycles that are looked through.
const CYCLES: f64 = 300.0;

/// Points of a curve.
const POINTS: u32 = 900;

/// A stretch of the comparator's input and what the comparator made of it; times in seconds from [`Trace::middle`], voltages in amplitudes of the
/// undisturbed fundamental.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    /// What times count from: half way from the first edge of the crossing to the last.
    pub middle: Moment,
    /// Times and voltages.
    pub curve: Vec<(f64, f64)>,
    /// Times and voltages of the comparator's edges, and whether they rise.
    pub edges: Vec<(f64, f64, bool)>,
    /// Lower and upper threshold.
    pub thresholds: (f64, f64),
}

/// The crossing and its surroundings.
#[derive(Clone, Debug, PartialEq)]
pub struct Crossing {
    /// Its edges.
    pub edges: usize,
    /// Crossings it was chosen from.
    pub of: usize,
    /// The crossing alone.
    pub close: Trace,
    /// A whole cycle and more around it.
    pub cycle: Trace,
}

impl Crossing {
    /// The crossing of `scenario` with the most edges among its first few hundred; `None` without any edge.
    ///
    /// Edges belong to one crossing as long as they come within a quarter of a period of the first.
    pub fn of(scenario: &Scenario) -> Option<Self> {
        let period = 1.0 / scenario.nominal_hz;
        let looked_at = scenario.duration_s.min(CYCLES * period);
        let shorter = Scenario { duration_s: looked_at, ..scenario.clone() };
        let edges: Vec<_> = Mains::new(&shorter, 0).collect();
        let mut crossings: Vec<&[Transition]> = Vec::new();
        let mut rest = &edges[..];
        while let Some(first) = rest.first() {
            let length = rest.partition_point(|edge| edge.at.since(first.at) < 0.25 * period);
            let (crossing, after) = rest.split_at(length);
            crossings.push(crossing);
            rest = after;
        }
        // Not at an end of the recording, where half of the picture would be empty.
        let room = period..looked_at - period;
        let within = |crossing: &&&[Transition]| room.contains(&crossing[0].at.seconds());
        let most = crossings.iter().rev().filter(within).max_by_key(|crossing| crossing.len());
        let (first, last) = {
            let crossing = most.or(crossings.first())?;
            (crossing.first()?.at, crossing.last()?.at)
        };
        let middle = first.later(last.since(first) / 2.0);
        let front = &scenario.front_end;
        // Four standard deviations of the noise beyond the thresholds, at the slope of the undisturbed voltage.
        let reach = front.hysteresis_percent / 200.0 + 4.0 * front.noise_percent / 100.0 + 2e-3;
        let half = (reach * period / std::f64::consts::TAU).max(0.8 * last.since(first)).min(0.3 * period);
        let within = edges.iter().filter(|edge| (first..=last).contains(&edge.at)).count();
        Some(Self {
            edges: within,
            of: crossings.len(),
            close: Trace::around(scenario, &edges, middle, half),
            cycle: Trace::around(scenario, &edges, middle, 0.75 * period),
        })
    }
}

impl Trace {
    fn around(scenario: &Scenario, edges: &[Transition], middle: Moment, half: f64) -> Self {
        let mut probe = Probe::new(scenario);
        let begin = middle.later(-half);
        let step = 2.0 * half / f64::from(POINTS);
        let curve = (0..=POINTS).map(|k| begin.later(f64::from(k) * step));
        let curve = curve.map(|m| (m.since(middle), probe.at(m))).collect();
        let mut probe = Probe::new(scenario);
        let within = edges.iter().filter(|edge| edge.at.since(middle).abs() <= half);
        let edges = within
            .map(|e| (e.at.since(middle), probe.at(e.at), e.polarity == humtick::Polarity::Rising))
            .collect();
        let thresholds = Comparator::new(scenario).thresholds(middle);
        Self { middle, curve, edges, thresholds: (thresholds.lower, thresholds.upper) }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    fn scenario(text: &str) -> Scenario {
        Scenario::from_toml(text, Path::new("pump.toml")).unwrap()
    }

    /// Against a plain walk over the edges: no quarter of a period of the first 300 cycles holds more.
    #[test]
    fn the_crossing_with_the_most_edges_is_shown() {
        let scenario = scenario("[front_end]\nnoise_percent = 2.0\nhysteresis_percent = 0.5");
        let crossing = Crossing::of(&scenario).unwrap();
        let edges: Vec<_> =
            Mains::new(&Scenario { duration_s: 6.0, ..scenario }, 0).map(|e| e.at.seconds()).collect();
        let most =
            edges.iter().map(|at| edges.iter().filter(|e| (0.0..0.005).contains(&(*e - at))).count()).max();
        assert_eq!(Some(crossing.edges), most);
        assert!(
            crossing.edges >= 5 && crossing.edges % 2 == 1 && (595..=605).contains(&crossing.of),
            "{crossing:?}"
        );
        assert_eq!(crossing.close.edges.len(), crossing.edges);
        for (_, u, rises) in &crossing.close.edges {
            let threshold = if *rises { crossing.close.thresholds.1 } else { crossing.close.thresholds.0 };
            assert!((u - threshold).abs() < 3e-5, "{u}");
        }
        let crest = crossing.cycle.curve.iter().map(|(_, u)| *u).fold(0.0, f64::max);
        assert!((0.98..1.1).contains(&crest), "{crest}");
    }

    #[test]
    fn short_and_dead_mains_are_shown_as_far_as_they_go() {
        let dead = "[front_end]\nnoise_percent = 0\nlowpass_hz = \"none\"\n[[disturb]]\nkind = \"interruption\"\nat_s = 0\nlength_s = 60";
        assert_eq!(Crossing::of(&scenario(dead)), None);
        // A tenth of a second of 10 Hz: one cycle, whose edges all lie at an end.
        let short = "duration_s = 0.1\nnominal_hz = 10\n[meter]\nwindow_s = 2\n";
        let crossing = Crossing::of(&scenario(short)).unwrap();
        assert_eq!((crossing.edges, crossing.of), (1, 2));
        assert!(crossing.close.curve.len() > 800 && crossing.close.edges.len() == 1);
    }
}
