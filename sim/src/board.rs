//! A board on the mains of a scenario: everything between the grid and the captures.
//!
//! ```text
//! scenario -> [mains] (grid, waveform, disturbances, comparator) -> [output] stage -> [timer] -> captures
//! ```

use crate::mains::Mains;
use crate::moment::Moment;
use crate::output::{Glitches, SlowEdges, output};
use crate::scenario::Scenario;
use crate::timer::Captures;

/// The captures of `scenario`, to its end. The mains is simulated by as many threads as the machine has cores; the result is the same
/// whatever their number.
pub fn captures(scenario: &Scenario) -> Captures<Glitches<SlowEdges<Mains>>> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let end = Moment::from_s(scenario.duration_s);
    let edges = output(Mains::new(scenario, threads), &scenario.front_end, scenario.seed, end);
    Captures::new(edges, &scenario.timer, scenario.seed)
}
