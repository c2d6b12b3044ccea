//! Simulated time against real time, on one thread, beside a simulation that visits every point of an even grid.
//!
//! Elements are simulated milliseconds: 1 Kelem/s is real time, 1 Melem/s a thousand times that.

mod dense;

use std::f64::consts::TAU;
use std::hint::black_box;
use std::path::Path;
use std::time::Instant;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use humtick_sim::board;
use humtick_sim::mains::{Mains, grid};
use humtick_sim::scenario::Scenario;
use humtick_sim::timeline::extender;
use humtick_sim::trial::{self, Handed};

use dense::Dense;

/// Harmonics of 8 % in all on a grid that wanders; the front end of the template: 0.1 % noise in 20 kHz, 1 % hysteresis.
const DEFAULT: &str =
    "[grid]\nshape = \"wander\"\nsd_mhz = 20.0\ncorrelation_s = 60.0\n[voltage]\nharmonics = \"en50160\"\n";

fn scenario(front_end: &str, seconds: f64) -> Scenario {
    let text = format!("duration_s = {seconds}\n{DEFAULT}[front_end]\n{front_end}\n");
    Scenario::from_toml(&text, Path::new("bench")).unwrap()
}

/// From the voltage to the comparator's transitions.
fn simulate(scenario: &Scenario) -> usize {
    Mains::new(scenario, 1).count()
}

/// From the voltage through timer and meter to readings scored against the truth; how many.
fn readings(scenario: &Scenario) -> usize {
    let extend = extender(scenario.timer.bits).expect("16 bits");
    let edges = board::captures(scenario, 1).map(|handed| Handed::new(&handed, extend));
    let score = trial::run(scenario, grid::course(scenario), edges, |_| {});
    score.expect("settings that fit").readings as usize
}

/// The same by brute force.
fn simulate_densely(scenario: &Scenario) -> usize {
    let front = &scenario.front_end;
    let corner = front.lowpass_hz.unwrap();
    let lowpass = |(order, size, turns): (u32, f64, f64)| {
        let at = f64::from(order) * scenario.nominal_hz / corner;
        let nominal = scenario.nominal_hz / corner;
        (order, size * ((1.0 + nominal * nominal) / (1.0 + at * at)).sqrt(), turns - at.atan() / TAU)
    };
    let harmonics = scenario.voltage.harmonics.iter();
    let harmonics = harmonics.map(|(order, percent, degrees)| (*order, percent / 100.0, degrees / 360.0));
    let dense = Dense {
        tones: std::iter::once((1, 1.0, 0.0)).chain(harmonics).map(lowpass).collect(),
        sigma: front.noise_percent / 100.0,
        bandwidth_hz: front.noise_bandwidth_hz,
        hysteresis: front.hysteresis_percent / 100.0,
        seed: scenario.seed,
        seconds: scenario.duration_s,
    };
    dense.transitions(grid::course(scenario)).len()
}

/// Whether criterion only runs everything once.
fn is_test() -> bool {
    let given = |flag: &str| std::env::args().any(|a| a == flag);
    given("--test") || !given("--bench")
}

fn all(c: &mut Criterion) {
    let scale = if is_test() { 0.01 } else { 1.0 };
    let mut group = c.benchmark_group("simulate");
    group.sample_size(10);
    let mut bench = |name: &str, simulate: fn(&Scenario) -> usize, front_end: &str, seconds: f64| {
        let scenario = scenario(front_end, seconds * scale);
        group.throughput(Throughput::Elements((scenario.duration_s * 1e3).round() as u64));
        group.bench_function(name, |b| b.iter(|| simulate(black_box(&scenario))));
    };
    let wide = "noise_percent = 1.0\nnoise_bandwidth_hz = 1e5";
    bench("default", simulate, "", 2_000.0);
    bench("default, to scored readings", readings, "", 600.0);
    bench("wide noise", simulate, wide, 100.0);
    bench("no noise", simulate, "noise_percent = 0.0", 5_000.0);
    bench("default, densely", simulate_densely, "", 100.0);
    group.finish();
    ratio(scale);
}

/// Both within one run, turn by turn: the medians of how many times faster than real time they are.
fn ratio(scale: f64) {
    let speed = |simulate: fn(&Scenario) -> usize, seconds: f64| {
        let scenario = scenario("", seconds * scale);
        let begin = Instant::now();
        black_box(simulate(black_box(&scenario)));
        scenario.duration_s / begin.elapsed().as_secs_f64()
    };
    let turns: Vec<_> = (0..9).map(|_| (speed(simulate, 10_000.0), speed(simulate_densely, 100.0))).collect();
    let median = |mut of: Vec<f64>| {
        of.sort_by(f64::total_cmp);
        of[of.len() / 2]
    };
    println!(
        "default, times real time: {:.0}; densely {:.0}; ratio {:.0}",
        median(turns.iter().map(|t| t.0).collect()),
        median(turns.iter().map(|t| t.1).collect()),
        median(turns.iter().map(|t| t.0 / t.1).collect()),
    );
}

criterion_group!(benches, all);
criterion_main!(benches);
