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
