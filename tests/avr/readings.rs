//! From the scenario to the serial line: what the firmware says is what the core says on the host of the same captures, and is right.

use std::collections::HashMap;
use std::path::Path;

use humtick::Edge;
use humtick_sim::mains::grid;
use humtick_sim::moment::Moment;
use humtick_sim::scenario::{Scenario, built_in};
use humtick_sim::trial::{self, Handed};

use super::board::{CLOCK_HZ, emulator};
use super::pulses::{changes, transitions};
use super::twin;

/// Noise fast against the slope: r = 2 pi B s/(sqrt(3) S) is 10, and each crossing a burst of eight edges. A hysteresis would thin them out.
const CHATTER: &str = r#"
name = "workshop behind a bare comparator"
seed = 21
duration_s = 30.0
[front_end]
noise_percent = 4.33
noise_bandwidth_hz = 20000.0
hysteresis_percent = 0.0
lowpass_hz = "none"
[limits]
# The first reading rests on ten cycles, and has ten times the scatter of a full window's 2.2 mHz.
max_error_mhz = 70.0
rms_error_mhz = 4.5
lock_s = 1.5
"#;

/// The pump house's long cable: one edge in ten does not arrive, and pulses that are no edges do.
const MISSING: &str = r#"
name = "pump house, long cable"
seed = 22
duration_s = 30.0
[front_end]
glitch_rate_hz = 5.0
[timer]
lost_percent = 10.0
[limits]
max_error_mhz = 5.0
rms_error_mhz = 2.6
lock_s = 2.0
"#;

/// The line trips twice: half a second is coasted through, two seconds are a loss.
pub const LOSS: &str = r#"
name = "line trips"
seed = 23
duration_s = 30.0
[[disturb]]
kind = "interruption"
at_s = 8.0
length_s = 0.4
[[disturb]]
kind = "interruption"
at_s = 15.0
length_s = 2.0
[limits]
max_error_mhz = 40.0
rms_error_mhz = 5.0
lock_s = 1.5
"#;

/// Through the emulated board: the firmware's text is its twin's, and its readings keep the scenario's limits.
fn check(name: &str, text: &str, most_s: f64) {
    let Some(emulator) = emulator() else { return };
    let scenario = Scenario::from_toml(text, Path::new(name)).unwrap();
    let scenario = Scenario { duration_s: scenario.duration_s.min(most_s), ..scenario };
    let edges = transitions(&scenario);
    let changes = changes(&edges);
    let until = (scenario.duration_s * CLOCK_HZ) as u64;
    let run = emulator.run(&emulator.firmware("sensor", ""), "B0", &changes, until, &[]);
    let sent = String::from_utf8(run.bytes.clone()).unwrap();
    let told = twin::text(&run.captures, run.tick(until));
    // The last line may be on its way still.
    let lines = sent.matches('\n').count();
    assert!(lines as f64 >= scenario.duration_s * 9.0, "{name}: {lines} lines");
    for (number, (sent, told)) in sent.lines().zip(told.lines()).take(lines).enumerate() {
        assert_eq!(sent, told, "{name}, line {}", number + 1);
    }
    // The captures as a trial scores them, its readings those of the lines.
    let when: HashMap<u64, Moment> = edges.iter().map(|(edge, cycle)| (run.tick(*cycle), edge.at)).collect();
    let handed = run.captures.iter().filter_map(|capture| {
        let at = *when.get(capture)?;
        Some(Handed {
            edge: Edge::rising(humtick::Stamp::new(*capture as u32)),
            at,
            read: at,
            mistaken: false,
        })
    });
    let mut known = Vec::new();
    let score = trial::run(&scenario, grid::course(&scenario), handed, |scored| {
        known.extend(scored.reading.frequency_hz.map(|f| (f * 1e6).round() as u64));
    });
    let broken = score.unwrap().broken(&scenario.limits);
    assert!(broken.is_empty(), "{name}: {broken:?}");
    let records = twin::records(&run);
    let of_lines: Vec<u64> =
        records.iter().filter_map(|r| r.frequency).map(|f| f.nanohertz() / 1_000).collect();
    let alike = of_lines.iter().zip(&known).filter(|(a, b)| a.abs_diff(**b) <= 1).count();
    assert!(alike + 2 >= of_lines.len() && of_lines.len() > 100, "{name}: {alike} of {}", of_lines.len());
}

fn built_in(name: &str) -> &'static str {
    built_in::ALL.iter().find(|(n, _)| *n == name).unwrap().1
}

macro_rules! scenarios {
    ($($test:ident: $name:literal, $text:expr, $most_s:literal;)*) => {
        $(#[test] fn $test() { check($name, $text, $most_s); })*
    };
}

scenarios! {
    by_day: "hydro-by-day", built_in("hydro-by-day"), 60.0;
    saw_start: "saw-start", built_in("saw-start"), 90.0;
    compressor: "cold-store-compressor", built_in("cold-store-compressor"), 80.0;
    the_plant_islands: "plant-islands", built_in("plant-islands"), 120.0;
    welding_neighbour: "welding-neighbour", built_in("welding-neighbour"), 60.0;
    bad_capacitor: "bad-capacitor", built_in("bad-capacitor"), 60.0;
    sixty_hertz: "hydro-60hz", built_in("hydro-60hz"), 60.0;
    chatter: "chatter", CHATTER, 30.0;
    missing_edges: "missing edges", MISSING, 30.0;
    loss_of_signal: "loss of signal", LOSS, 30.0;
}
