//! One seed, one result: a digest of each built-in scenario's captures, the same on every machine and with any number of threads.
//!
//! After a change that is meant to change them, `HUMTICK_BLESS=1 cargo test -p humtick-sim --test frozen` writes them anew; look at the
//! difference before it is committed.

use std::fmt::Write as _;
use std::path::Path;

use humtick_sim::mains::Mains;
use humtick_sim::moment::Moment;
use humtick_sim::output::output;
use humtick_sim::scenario::{Scenario, built_in};
use humtick_sim::timer::Captures;

/// FNV-1a over 64 bits.
fn digest(scenario: &Scenario, threads: usize) -> (u64, u64) {
    let end = Moment::from_s(scenario.duration_s);
    let edges = output(Mains::new(scenario, threads), &scenario.front_end, scenario.seed, end);
    let (mut hash, mut count) = (0xCBF2_9CE4_8422_2325u64, 0);
    let mut take = |value: u64| {
        for byte in value.to_le_bytes() {
            hash = (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3);
        }
    };
    for handed in Captures::new(edges, &scenario.timer, scenario.seed) {
        take(handed.capture.raw.into());
        take(handed.tally);
        take(u64::from(handed.capture.pending));
        take(handed.edge.at.second);
        take(handed.edge.at.part.to_bits());
        count += 1;
    }
    (hash, count)
}

/// What the scenarios that come with the program leave out.
const EVERYTHING: &str = "\
duration_s = 60
seed = 12
[grid]
shape = \"swing\"
size_mhz = 300.0
period_s = 7.0
[voltage]
harmonics = [[2, 1.0, 30.0], [5, 6.0, 180.0], [49, 0.5, -70.0]]
interharmonics = [[3.3, 1.0], [0.4, 0.5]]
dc_percent = 1.0
flicker = { percent = 1.0, hz = 8.8 }
[front_end]
lowpass_hz = 300.0
lowpass_order = 2
noise_percent = 2.0
hysteresis_percent = 0.5
offset_percent = 2.0
offset_drift_percent_h = 20.0
rise_us = 30.0
fall_us = 10.0
glitch_rate_hz = 3.0
glitch_width_us = 40.0
[timer]
tick_hz = 1000000
bits = 12
start = 77
clock_ppm = -30.0
clock_wander_ppb = 200.0
temperature_swing_k = 8.0
ageing_ppb_day = 1000.0
capture = \"interrupt\"
latency_us = [2.0, 300.0]
overflow_latency_us = [1.0, 400.0]
overrun = \"overwrite\"
lost_percent = 1.0
[meter]
polarity = \"both\"
[[disturb]]
kind = \"dip\"
at_s = 5
length_s = 0.3
residual_percent = 40
[[disturb]]
kind = \"amplitude-step\"
at_s = 9
percent = 85
[[disturb]]
kind = \"impulses\"
rate_hz = 20
size_percent = 30
width_us = 60
[[disturb]]
kind = \"burst\"
at_s = 20
size_percent = 100
width_us = 2
times = 3
[[disturb]]
kind = \"notches\"
phase_deg = 15
depth_percent = 20
width_us = 200
start_s = 25
stop_s = 35
[[disturb]]
kind = \"phase-jump\"
at_s = 40
degrees = 20
[[disturb]]
kind = \"signalling\"
at_s = 42
hz = 175
percent = 3
pulse_s = 0.5
times = 4
";

#[test]
fn every_scenario_gives_what_it_always_gave() {
    let mut lines = String::new();
    for (name, text) in built_in::ALL.into_iter().chain([("everything", EVERYTHING)]) {
        let scenario = Scenario::from_toml(text, Path::new(name)).unwrap();
        let (hash, count) = digest(&scenario, 1);
        assert_eq!(digest(&scenario, 2), (hash, count), "{name}");
        writeln!(lines, "{name} {count} {hash:016x}").unwrap();
    }
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/frozen.txt");
    if std::env::var_os("HUMTICK_BLESS").is_some() {
        std::fs::write(&path, &lines).unwrap();
    }
    assert_eq!(lines, std::fs::read_to_string(&path).unwrap());
}
