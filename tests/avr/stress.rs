//! More edges than a processor can take.

use super::board::{emulator, pulses};
use super::twin::records;
use humtick::State;

/// A floating input: edges every 30 us for a second, in the middle of a good signal of 50 Hz.
#[test]
fn a_flood_of_edges_is_counted_and_got_over() {
    let Some(emulator) = emulator() else { return };
    const PERIOD: u64 = 320_000;
    let good = |from: u64, to: u64| (from * 50..to * 50).map(|k| 160_000 + k * PERIOD);
    let flood = (0..33_333).map(|k| 5 * 16_000_000 + k * 480);
    let cycles: Vec<u64> = good(0, 5).chain(flood).chain(good(6, 10)).collect();
    let run = emulator.run(
        &emulator.firmware("sensor", ""),
        "B0",
        &pulses(cycles.iter().copied()),
        160_000_000,
        &[],
    );
    let records = records(&run);
    // It keeps reporting: no second without lines.
    for second in 1..10 {
        let lines =
            run.times.iter().zip(&run.bytes).filter(|(at, b)| **b == b'\n' && **at / 16_000_000 == second);
        assert!(lines.count() >= 5, "second {second}");
    }
    // It was locked before, and is again a second and a half later, at the same frequency.
    let locked = |from_ms: u32, to_ms: u32| {
        let some: Vec<_> = records.iter().filter(|r| (from_ms..to_ms).contains(&r.time_ms)).collect();
        assert!(some.len() > 12);
        some.iter().all(|r| {
            r.state == State::Locked && r.frequency.unwrap().nanohertz().abs_diff(50_000_000_000) < 1_000_000
        })
    };
    assert!(locked(1_500, 4_000) && locked(8_000, 9_400));
    // What there was no room for is told: 3,300 edges come between two lines, and the queue holds 8. Where no frequency is known the meter
    // itself counts none.
    let told: Vec<_> = records.iter().filter(|r| r.rejected > 0).map(|r| r.time_ms).collect();
    assert!(told.len() > 8 && told.iter().all(|at| (5_000..6_200).contains(at)), "{told:?}");
    assert!(records.iter().any(|r| r.frequency.is_none() && r.rejected > 2_000));
    // Fewer captures than edges were read, since a second one takes the place of a first that waits.
    let lost = cycles.len() - run.captures.len();
    assert!(lost < cycles.len() / 2, "{lost}");
}

/// The firmware to start from: bare numbers.
#[test]
fn the_simplest_prints_the_frequency() {
    let Some(emulator) = emulator() else { return };
    let cycles = (1..500u64).map(|k| k * 320_064);
    let run = emulator.run(&emulator.firmware("simplest", ""), "B0", &pulses(cycles), 160_000_000, &[]);
    let text = String::from_utf8(run.bytes).unwrap();
    let lines: Vec<_> = text.lines().collect();
    assert!((90..=100).contains(&lines.len()), "{text}");
    // 16 MHz / 320,064 is 49.990 Hz.
    assert!(lines[..lines.len() - 1].iter().all(|line| *line == "49.990"), "{text}");
}
