//! How much faster than the mains itself the simulator is: elements are simulated milliseconds, so 1 Melem/s is a thousand times real time.
//!
//! In one run: from waveform to transitions and to scored readings, on one core; and the same front end made the plain way. At the end
//! the ratio of the two.

use std::hint::black_box;
use std::path::Path;
use std::time::Instant;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use humtick_sim::board;
use humtick_sim::mains::Mains;
use humtick_sim::mains::grid;
use humtick_sim::scenario::Scenario;
use humtick_sim::timeline::extender;
use humtick_sim::trial::{self, Handed};

mod dense;

/// 8 % THD, noise, hysteresis, a wandering grid.
fn scenario(seconds: u32, noise_percent: f64, bandwidth_hz: f64) -> Scenario {
    let text = format!(
        "duration_s = {seconds}\n[grid]\nshape = \"wander\"\nsd_mhz = 20.0\ncorrelation_s = 10.0\n[voltage]\nharmonics = \"en50160\"\n\
         [front_end]\nlowpass_hz = \"none\"\nhysteresis_percent = 1.0\nnoise_percent = {noise_percent}\nnoise_bandwidth_hz = {bandwidth_hz}\n"
    );
    Scenario::from_toml(&text, Path::new("bench")).expect("a right scenario")
}

fn transitions(scenario: &Scenario) -> usize {
    Mains::new(scenario, 1).count()
}

fn readings(scenario: &Scenario) -> u64 {
    let extend = extender(scenario.timer.bits).expect("16 bits");
    let edges =
        board::captures(scenario, 1).map(|h| Handed { edge: extend(h.capture), at: h.edge.at, read: h.read });
    let score = trial::run(scenario, grid::course(scenario), edges, |_| {});
    score.expect("settings that fit").readings
}

fn dense(scenario: &Scenario) -> usize {
    let plain = dense::Dense {
        harmonics: scenario.voltage.harmonics.iter().map(|(n, p, d)| (*n, p / 100.0, d / 360.0)).collect(),
        sigma: scenario.front_end.noise_percent / 100.0,
        bandwidth: scenario.front_end.noise_bandwidth_hz,
        points: 5,
        hysteresis: scenario.front_end.hysteresis_percent / 100.0,
        seed: 1,
    };
    let mut count = 0;
    plain.run(grid::course(scenario), scenario.duration_s, |at, rises, phase| {
        black_box((at, rises, phase));
        count += 1;
    });
    count
}

fn bench(c: &mut Criterion) {
    let mut group = c.benchmark_group("simulate");
    group.sample_size(10);
    let mut one = |name: &str, scenario: &Scenario, run: &dyn Fn(&Scenario) -> u64| {
        group.throughput(Throughput::Elements((scenario.duration_s * 1e3) as u64));
        group.bench_function(name, |b| b.iter(|| run(black_box(scenario))));
    };
    let (usual, wide, quiet) =
        (scenario(600, 0.1, 20_000.0), scenario(20, 1.0, 100_000.0), scenario(600, 0.0, 20_000.0));
    let short = scenario(2, 0.1, 20_000.0);
    one("0.1 % noise in 20 kHz, to transitions", &usual, &|s| transitions(s) as u64);
    one("0.1 % noise in 20 kHz, to scored readings", &usual, &readings);
    one("1 % noise in 100 kHz, to transitions", &wide, &|s| transitions(s) as u64);
    one("no noise, to transitions", &quiet, &|s| transitions(s) as u64);
    one("0.1 % noise in 20 kHz, every point visited", &short, &|s| dense(s) as u64);
    group.finish();
    // By turns, the best of each: the machine's other work falls on both.
    let (mut fast, mut plain) = (f64::INFINITY, f64::INFINITY);
    for _ in 0..5 {
        let begin = Instant::now();
        black_box(transitions(&usual));
        fast = fast.min(begin.elapsed().as_secs_f64() / usual.duration_s);
        let begin = Instant::now();
        black_box(dense(&short));
        plain = plain.min(begin.elapsed().as_secs_f64() / short.duration_s);
    }
    println!(
        "to transitions {:.0} times real time; every point visited {:.0}; ratio {:.0}",
        1.0 / fast,
        1.0 / plain,
        plain / fast
    );
}

criterion_group!(benches, bench);
criterion_main!(benches);
