//! An ideal signal on a 16-bit counter at 2 MHz, captured as a board would: value, overflow tally, pending flag.

mod common;

use std::collections::BTreeSet;

use common::{around, feed, hertz, meter, points, value};
use humtick::{Capture, Config, EndToEnd, Estimator, LastPeriod, LeastSquares, Polarity, Reading, Verdict};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;

const TICK_HZ: u32 = 2_000_000;
const WRAP: u64 = 1 << 16;

/// Crossings at floor(k * rate / f), for f in tenths of a hertz, from the tick `start`.
fn crossings(decihertz: u64, cycles: u64, start: u64) -> Vec<u64> {
    (0..cycles).map(|k| start + k * u64::from(TICK_HZ) * 10 / decihertz).collect()
}

/// Handlers that are late, each by less than half a wrap: the capture is read up to 16 ms after its edge, and a wrap is tallied
/// up to 16 ms after it happened, never between an edge and the reading of its capture.
fn captures(edges: &[u64], seed: u64) -> (Vec<Capture>, u32) {
    let mut rng = Pcg64::seed_from_u64(seed);
    let mut pending_seen = 0;
    let captures = edges
        .iter()
        .map(|edge| {
            let read = edge + rng.random_range(0..WRAP / 2);
            let delay = rng.random_range(0..WRAP / 2);
            // Of the wraps before the edge, only the latest can still be waiting.
            let wraps = edge / WRAP;
            let tallied = if edge % WRAP < delay { wraps - 1 } else { wraps };
            let pending = read / WRAP > tallied;
            pending_seen += u32::from(pending);
            Capture {
                raw: (edge % WRAP) as u32,
                tally: (tallied & 0xFFFF_FFFF) as u32,
                pending,
                polarity: Polarity::Rising,
            }
        })
        .collect();
    (captures, pending_seen)
}

/// Pushes the captures through a meter; every stamp must be the edge's tick.
fn measure<const N: usize, E: Estimator>(config: &Config, edges: &[u64], seed: u64) -> Vec<Reading> {
    let (captures, pending) = captures(edges, seed);
    assert!(pending > edges.len() as u32 / 10, "only {pending} of {} saw the flag", edges.len());
    let mut meter = meter::<N, E>(config);
    let mut readings = vec![];
    for (capture, edge) in captures.iter().zip(edges) {
        let extended = capture.edge::<16>();
        assert_eq!(extended.stamp, common::stamp(*edge), "{capture:?}");
        meter.push(extended);
        readings.extend(meter.take_reading());
    }
    assert!(readings.iter().all(|r| r.missed == 0 && r.rejected == 0));
    readings.retain(|r| r.frequency.is_some());
    readings
}

/// Nanohertz of a period of so many ticks, to the nearest.
fn of_period(ticks: u64) -> u64 {
    (u64::from(TICK_HZ) * 1_000_000_000 + ticks / 2) / ticks
}

/// The period takes two counts; single periods read one of two frequencies, and the whole record reads the true one.
#[track_caller]
fn ideal(decihertz: u64, counts: [u64; 2], config: Config) {
    let nominal = decihertz as f64 / 10.0;
    // 24 s, some of them before the 32-bit scale wraps and some after; at least 24 cycles.
    let edges = crossings(decihertz, decihertz * 24 / 10, (1 << 32) - 9 * u64::from(TICK_HZ));
    let periods: BTreeSet<u64> = edges.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert_eq!(periods, BTreeSet::from(counts));

    let config = Config { every_ms: (1000.0 / nominal).max(1.0) as u32, ..config };
    let single: BTreeSet<u64> = measure::<4, LastPeriod>(&config, &edges, 1)
        .iter()
        .map(|reading| reading.frequency.unwrap().nanohertz())
        .collect();
    assert_eq!(single, counts.map(of_period).into());

    let whole = Config { window_ms: 60_000, ..config };
    let by_ends = measure::<16384, EndToEnd>(&whole, &edges, 2);
    let by_fit = measure::<16384, LeastSquares>(&whole, &edges, 3);
    for reading in [by_ends.last().unwrap(), by_fit.last().unwrap()] {
        // All cycles but those after the last reading fell due.
        assert!(u64::from(reading.cycles) + 2 >= edges.len() as u64 - 1, "{} cycles", reading.cycles);
        let off = value(reading.frequency.unwrap()) - nominal;
        // Half a microsecond in 23 s is 2e-8 of the frequency.
        assert!(off.abs() < 1e-5 && off.abs() < 2.5e-8 * nominal, "{decihertz} dHz is off by {off:e} Hz");
    }
}

/// 33,333 or 33,334 counts, common practice: 60.0006 or 59.9988 Hz and nothing between.
#[test]
fn sixty_hertz_reads_two_values_and_their_mean() {
    assert_eq!([33_333, 33_334].map(of_period), [60_000_600_006, 59_998_800_024]);
    ideal(600, [33_333, 33_334], Config::mains(common::rate(TICK_HZ)));
    ideal(600, [33_333, 33_334], around(TICK_HZ, 60.0));
}

#[test]
fn fifty_hertz_takes_the_same_count_each_time() {
    ideal(500, [40_000; 2], Config::mains(common::rate(TICK_HZ)));
}

/// Aircraft supplies.
#[test]
fn four_hundred_hertz() {
    ideal(4000, [5_000; 2], around(TICK_HZ, 400.0));
    ideal(4001, [4_998, 4_999], around(TICK_HZ, 400.0));
}

/// Railway supplies: 59.88 ms, almost two wraps of 32.768 ms.
#[test]
fn a_period_of_more_than_one_wrap() {
    ideal(167, [119_760, 119_761], around(TICK_HZ, 16.7));
}

/// A pulse a second, thirty wraps.
#[test]
fn a_period_of_thirty_wraps() {
    ideal(10, [2_000_000; 2], Config { coast_cycles: 25, ..around(TICK_HZ, 1.0) });
    ideal(11, [1_818_181, 1_818_182], around(TICK_HZ, 1.1));
}

/// The whole record from the first crossing to the last, taken from the verdicts alone.
#[test]
fn first_and_last_crossing_give_the_whole_record() {
    let edges = crossings(600, 60 * 600, 77_777);
    let mut all = vec![];
    feed(
        &mut meter::<64, LastPeriod>(&Config::mains(common::rate(TICK_HZ))),
        &edges,
        |meter, _, verdict, _| match verdict {
            Verdict::Crossing(crossing) => all.push(crossing),
            Verdict::Locked(_) => all.extend(meter.crossings()),
            _ => {}
        },
    );
    let (cycles, ticks) = *points(all.iter().copied()).last().unwrap();
    assert_eq!(cycles, 35_999);
    // Ten minutes.
    assert_eq!(all[0].stamp, common::stamp(77_777));
    let frequency = 2e6 * cycles as f64 / ticks as f64;
    assert!((frequency - value(hertz(60.0))).abs() < 6e-8, "{frequency}");
}
