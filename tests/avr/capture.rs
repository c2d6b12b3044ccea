//! Timer, interrupts and queue: each edge comes out as the tick it was played in.

use rand::{RngExt as _, SeedableRng as _};
use rand_pcg::Pcg64;

use super::board::{Change, Emulator, Run, TICK, emulator, pulses};

/// Timer overflows come so many cycles apart.
const WRAP: u64 = 65_536 * TICK;

/// What `stamps` says of `changes`: the stamp of each edge it took.
fn stamps(emulator: &Emulator, features: &str, changes: &[Change]) -> (Run, Vec<u32>) {
    let until = changes.last().unwrap().cycle + 100_000;
    let run = emulator.run(&emulator.firmware("stamps", features), "B0", changes, until, &[]);
    let stamps =
        run.bytes.chunks_exact(4).map(|bytes| u32::from_le_bytes(bytes.try_into().unwrap())).collect();
    (run, stamps)
}

/// How many of the stamps are not those of the edges at `cycles`.
#[track_caller]
fn wrong(run: &Run, cycles: &[u64], stamps: &[u32]) -> usize {
    assert_eq!(stamps.len(), cycles.len());
    cycles.iter().zip(stamps).filter(|(cycle, stamp)| run.tick(**cycle) as u32 != **stamp).count()
}

/// 60 Hz for an hour, each edge anywhere within 9000 cycles of its place, through the wrap of the 32-bit scale at 2147 s.
#[test]
fn all_captures_of_an_hour_are_the_cycles_played() {
    let Some(emulator) = emulator() else { return };
    let mut random = Pcg64::seed_from_u64(60);
    let cycles: Vec<u64> = (1..=216_000u64)
        .map(|k| (k * 16_000_000 / 60).checked_add_signed(random.random_range(-9_000..=9_000)).unwrap())
        .collect();
    let (run, stamps) = stamps(emulator, "", &pulses(cycles.iter().copied()));
    assert_eq!(wrong(&run, &cycles, &stamps), 0);
    assert!(stamps.windows(2).any(|pair| pair[1] < pair[0]), "the scale has wrapped");
    // The harness's own account of captures, by which readings are judged, is the same.
    assert!(stamps.iter().zip(&run.captures).all(|(stamp, capture)| *stamp == *capture as u32));
}

/// A handler holds all others off from 64 ticks before each overflow to 64 after, and the edge falls into every cycle of that time.
#[test]
fn a_capture_is_right_wherever_it_falls_around_an_overflow() {
    let Some(emulator) = emulator() else { return };
    // An edge of its own for each cycle, from 650 before the overflow to 650 after. The timer starts some time before cycle 8192.
    let started = stamps(emulator, "long-handler", &pulses([8_192])).0.started;
    let cycles: Vec<u64> = (0..=1_300).map(|i| started + (i + 1) * WRAP - 650 + i).collect();
    let changes = pulses(cycles.iter().copied());
    let (run, with) = stamps(emulator, "long-handler", &changes);
    assert_eq!(wrong(&run, &cycles, &with), 0);
    // Without the rule the edges behind the overflow are a wrap early, as many as are served before it is tallied: 64 ticks' worth.
    let (run, without) = stamps(emulator, "long-handler,without-pending-rule", &changes);
    let wrong = wrong(&run, &cycles, &without);
    assert!((500..=560).contains(&wrong), "{wrong}");
    for (cycle, stamp) in cycles.iter().zip(&without) {
        let early = (run.tick(*cycle) as u32).wrapping_sub(*stamp);
        assert!(early == 0 || early == 65_536, "{early}");
    }
}
