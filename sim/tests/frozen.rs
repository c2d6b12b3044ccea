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

#[test]
fn every_scenario_gives_what_it_always_gave() {
    let mut lines = String::new();
    for (name, text) in built_in::ALL {
        let scenario = Scenario::from_toml(text, Path::new(name)).unwrap();
        let scenario = Scenario { duration_s: scenario.duration_s.min(60.0), ..scenario };
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
