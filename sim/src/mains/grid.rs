//! The true frequency of a scenario: its phase in cycles is the integral of a [`Course`].

use crate::course::{Course, Part, Wander};
use crate::random::{Random, Use};
use crate::scenario::{GridShape, Scenario};

/// The grid's frequency in hertz over time.
pub fn course(scenario: &Scenario) -> Course {
    let grid = &scenario.grid;
    let constant = Part::Constant(scenario.nominal_hz + grid.offset_mhz * 1e-3);
    let parts = match &grid.shape {
        GridShape::Constant => vec![constant],
        GridShape::Ramp { rate_hz_s, start_s, stop_s } => {
            vec![constant, Part::Ramp { slope: *rate_hz_s, start: *start_s, stop: *stop_s }]
        }
        GridShape::Step { at_s, size_mhz } => {
            vec![constant, Part::Step { at: *at_s, size: size_mhz * 1e-3 }]
        }
        GridShape::Swing { size_mhz, period_s } => {
            vec![constant, Part::Swing { size: size_mhz * 1e-3, squared: 0.0, period: *period_s }]
        }
        GridShape::Wander { sd_mhz, correlation_s } => {
            let random = Random::new(scenario.seed, Use::Grid, 0);
            vec![constant, Part::Wander(Wander::new(sd_mhz * 1e-3, *correlation_s, random))]
        }
        GridShape::Recorded { points } => {
            vec![Part::Constant(grid.offset_mhz * 1e-3), Part::Recorded(points.clone())]
        }
    };
    Course::new(parts)
}
