//! A scenario's edges as the levels of a pin.

use humtick_sim::edge::Transition;
use humtick_sim::mains::Mains;
use humtick_sim::moment::Moment;
use humtick_sim::output::output;
use humtick_sim::scenario::Scenario;

use super::board::{CLOCK_HZ, Change};

/// Seconds before the firmware has set up its timer.
const BOOT_S: f64 = 0.001;

/// The scenario's edges as they reach the pin, and the cycle each falls into.
pub fn transitions(scenario: &Scenario) -> Vec<(Transition, u64)> {
    let end = Moment::from_s(scenario.duration_s);
    let rate = CLOCK_HZ * (1.0 + scenario.timer.clock_ppm * 1e-6);
    let mut lost = humtick_sim::random::Random::new(scenario.seed, humtick_sim::random::Use::Timer, 0);
    output(Mains::new(scenario, 1), &scenario.front_end, scenario.seed, end)
        .take_while(|edge| edge.at.since(end) < 0.0)
        .filter(|edge| edge.at.seconds() > BOOT_S)
        .filter(|_| lost.unit() >= scenario.timer.lost_percent * 1e-2)
        .map(|edge| (edge, edge.at.second * rate as u64 + (edge.at.part * rate) as u64))
        .collect()
}

/// The same as levels of the pin.
pub fn changes(edges: &[(Transition, u64)]) -> Vec<Change> {
    let high = |edge: &Transition| edge.polarity == humtick::Polarity::Rising;
    edges.iter().map(|(edge, cycle)| Change { cycle: *cycle, high: high(edge) }).collect()
}
