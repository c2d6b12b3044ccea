//! Grid time against whole-number arithmetic in 128 bits, and against figures that can be worked out by hand.

use humtick::grid_time::{GridTime, GridTimeError};
use humtick::{Clock, Config, ConfigError, Crossing, Edge, Frequency, Meter, Stamp, TickRate};
use proptest::prelude::*;

fn config(hz: u32) -> Config {
    Config::mains(TickRate::from_hz(hz).unwrap())
}

fn hertz(hz: u32) -> Frequency {
    Frequency::from_millihertz(hz * 1_000)
}

fn crossing(at: u64, cycle: u32) -> Crossing {
    Crossing { stamp: Stamp::new((at & 0xFFFF_FFFF) as u32), cycle }
}

/// Pushes crossings of a steady frequency for so many seconds; the last cycle counts.
fn steady(time: &mut GridTime, rate: u64, millihertz: u64, seconds: u64) {
    for cycle in 0..=seconds * millihertz / 1_000 {
        time.push(crossing(cycle * rate * 1_000 / millihertz, u32::try_from(cycle).unwrap()));
    }
}

#[test]
fn ten_millihertz_above_fifty_for_a_day() {
    let mut time = GridTime::new(&config(2_000_000), hertz(50)).unwrap();
    // 86,400 s at 2 MHz are 40.2 wraps of a stamp.
    steady(&mut time, 2_000_000, 50_010, 86_400);
    let reading = time.reading().unwrap();
    assert_eq!((reading.cycles, reading.restarts), (4_320_864, 0));
    assert!(reading.elapsed_ns / 500 > 40 << 32);
    // 864 cycles of 20 ms.
    assert!((reading.deviation_ns - 17_280_000_000).abs() <= 500, "{reading:?}");
}

#[test]
fn twenty_millihertz_above_sixty_for_an_hour() {
    let mut time = GridTime::new(&config(2_000_000), hertz(60)).unwrap();
    steady(&mut time, 2_000_000, 60_020, 3_600);
    let reading = time.reading().unwrap();
    assert_eq!(reading.cycles, 216_072);
    assert!((reading.deviation_ns - 1_200_000_000).abs() <= 500, "{reading:?}");
}

#[test]
fn a_slow_grid_falls_behind() {
    let mut time = GridTime::new(&config(1_000_000), hertz(50)).unwrap();
    assert_eq!(time.reading(), None);
    steady(&mut time, 1_000_000, 49_990, 1_000);
    // 1000 s at -200 ppm.
    assert!((time.reading().unwrap().deviation_ns + 200_000_000).abs() <= 1_000);
}

#[test]
fn a_known_clock_error_is_taken_off() {
    // A clock 20 ppm fast on a perfect grid: without the correction 1.728 s a day.
    let run = |ppb| {
        let mut time = GridTime::new(&Config { clock_ppb: ppb, ..config(2_000_000) }, hertz(50)).unwrap();
        for cycle in 0..=4_320_000 {
            time.push(crossing(u64::from(cycle) * 4_000_080 / 100, cycle));
        }
        time.reading().unwrap()
    };
    assert!((run(0).deviation_ns + 1_728_000_000).abs() <= 500);
    assert!(run(20_000).deviation_ns.abs() <= 500, "{:?}", run(20_000));
    assert_eq!(run(20_000).elapsed_ns, 86_400_000_000_000);
}

#[test]
fn uncertainty_is_the_clocks() {
    let run = |tolerance, seconds| {
        let config = Config { clock_tolerance_ppb: tolerance, ..config(2_000_000) };
        let mut time = GridTime::new(&config, hertz(50)).unwrap();
        steady(&mut time, 2_000_000, 50_000, seconds);
        let reading = time.reading().unwrap();
        (reading.standard_uncertainty_ns as f64, reading.expanded_uncertainty_ns as f64)
    };
    let near = |(u, u95): (f64, f64), v: f64, v95: f64| {
        assert!((u / v - 1.0).abs() < 1e-3 + 1.0 / v, "{u} {v}");
        assert!((u95 / v95 - 1.0).abs() < 1e-3 + 1.0 / v95, "{u95} {v95}");
    };
    // 20 ppm of an hour are 72 ms.
    near(run(20_000, 3_600), 72e6 / 3f64.sqrt(), 0.95 * 72e6);
    // No clock error: two stamps of 500 ns, q/sqrt(6), and never more than q apart from the truth.
    near(run(0, 3_600), 500.0 / 6f64.sqrt(), 500.0);
    near(run(50_000, 0), 500.0 / 6f64.sqrt(), 500.0);
}

/// An hour by a clock that counts 37 ppm too many, within 50 of its rating; then a discipline finds out. The 133 ms of that hour stay, and so does
/// what was uncertain of them; only the time from then on is as certain as the new clock.
#[test]
fn what_went_before_keeps_its_own_uncertainty() {
    let config = Config { clock_tolerance_ppb: 50_000, ..config(2_000_000) };
    let mut time = GridTime::new(&config, hertz(50)).unwrap();
    // 50 Hz is 40,001.48 ticks a cycle to that clock.
    let push = |time: &mut GridTime, cycles: std::ops::RangeInclusive<u32>| {
        for cycle in cycles {
            time.push(crossing(u64::from(cycle) * 4_000_148 / 100, cycle));
        }
        time.reading().unwrap()
    };
    let before = push(&mut time, 0..=180_000);
    assert!((before.deviation_ns + 133_200_000).abs() < 1_000, "{before:?}");
    assert!(before.expanded_uncertainty_ns > 170_000_000);
    time.set_clock(&Clock::new(37_000, 0, 20).unwrap());
    let after = push(&mut time, 180_001..=360_000);
    assert!((after.deviation_ns + 133_200_000).abs() < 1_000, "{after:?}");
    assert!(after.expanded_uncertainty_ns >= before.expanded_uncertainty_ns, "{after:?}");
    // 20 ppb of an hour, 1.96 times: 0.14 ms.
    let more = after.expanded_uncertainty_ns - before.expanded_uncertainty_ns;
    assert!((120_000..=150_000).contains(&more), "{more}");
}

/// Through a meter: half a second of missing edges is coasted over and costs nothing; three seconds are a loss.
#[test]
fn coasting_counts_and_a_loss_begins_again() {
    let config = Config { clock_ppb: 0, ..config(1_000_000) };
    let mut meter: Meter<64> = Meter::new(&config).unwrap();
    let mut time = GridTime::new(&config, hertz(50)).unwrap();
    let mut through = |from: u32, to: u32, there: bool| {
        for cycle in from..to {
            // 50.02 Hz
            let stamp = Stamp::new((u64::from(cycle) * 100_000_000 / 5_002) as u32);
            if there {
                time.take(&meter.push(Edge::rising(stamp)));
            } else {
                meter.idle(stamp);
            }
        }
        time.reading().unwrap()
    };
    let before = through(0, 5_003, true);
    assert!((before.deviation_ns - 40_000_000).abs() <= 1_000, "{before:?}");
    assert_eq!(through(5_003, 5_025, false), before);
    let after = through(5_025, 10_005, true);
    assert_eq!((after.restarts, after.cycles), (0, 10_004));
    assert!((after.deviation_ns - 80_000_000).abs() <= 1_000, "{after:?}");
    through(10_005, 10_155, false);
    // The first of the chain of four begins the new count.
    let again = through(10_155, 12_657, true);
    assert_eq!((again.restarts, again.cycles), (1, 2_501));
    assert!((again.deviation_ns - 20_000_000).abs() <= 1_000, "{again:?}");
}

#[test]
fn broken_by_the_caller() {
    let mut time = GridTime::new(&config(1_000_000), hertz(50)).unwrap();
    time.broken();
    time.push(crossing(5, 7));
    assert_eq!(time.reading().unwrap().restarts, 0);
    time.push(crossing(20_005, 8));
    time.broken();
    assert_eq!(time.reading(), None);
    // Whoever says it at the loss and again at the lock has one restart.
    time.broken();
    time.push(crossing(90_000, 8));
    let reading = time.reading().unwrap();
    assert_eq!((reading.deviation_ns, reading.cycles, reading.restarts), (0, 0, 1));
}

#[test]
fn a_nominal_that_cannot_be() {
    let refused = |f| GridTime::new(&config(1_000_000), f).err();
    assert_eq!(refused(hertz(0)), Some(GridTimeError::Nominal));
    assert_eq!(refused(Frequency::from_millihertz(39_999)), Some(GridTimeError::Nominal));
    assert_eq!(refused(hertz(40)), None);
    assert_eq!(refused(hertz(70)), None);
    assert_eq!(refused(Frequency::from_millihertz(70_001)), Some(GridTimeError::Nominal));
    let bad = Config { every_ms: 0, ..config(1_000_000) };
    let error = GridTime::new(&bad, hertz(50)).err().unwrap();
    assert_eq!(error, GridTimeError::Config(ConfigError::Every));
    assert_eq!(error.to_string(), ConfigError::Every.to_string());
    assert!(GridTimeError::Nominal.to_string().contains("lowest and highest"));
}

proptest! {
    #[test]
    fn within_a_nanosecond_of_the_exact_quotient(
        hz in 10_000u32..1_000_000_000,
        ppb in -100_000_000i32..=100_000_000,
        nominal in 40_000_000_000u64..=70_000_000_000,
        start: u64,
        first_cycle: u32,
        gaps in prop::collection::vec((1u64..1 << 31, prop_oneof![Just(1u32), 1u32..100_000]), 1..300),
    ) {
        let start = start >> 8;
        // What all rates have: a window of one second within the horizon.
        let config = Config { clock_ppb: ppb, ..config(hz) };
        let mut time = GridTime::new(&config, Frequency::from_nanohertz(nominal)).unwrap();
        time.push(crossing(start, first_cycle));
        let (mut at, mut cycles) = (start, 0u64);
        for (gap, step) in gaps {
            at += gap;
            cycles += u64::from(step);
            time.push(crossing(at, first_cycle.wrapping_add((cycles & 0xFFFF_FFFF) as u32)));
        }
        let reading = time.reading().unwrap();
        prop_assert_eq!(reading.cycles, cycles);
        // cycles * 10^18 / nominal - ticks * 10^18 / (rate * (10^9 + error)), both sides times the denominators.
        let nano_rate = i128::from(hz) * (1_000_000_000 + i128::from(ppb));
        let each = 10i128.pow(18);
        let ticks = i128::from(at - start);
        prop_assert_eq!(i128::from(reading.elapsed_ns), ticks * each / nano_rate);
        // Whole nanoseconds and the two fractions apart, since the common denominator has 96 bits.
        let (mains, clock) = (i128::from(cycles) * each, ticks * each);
        let whole = mains / i128::from(nominal) - clock / nano_rate;
        let fraction = (mains % i128::from(nominal)) as f64 / nominal as f64 - (clock % nano_rate) as f64 / nano_rate as f64;
        let off = (i128::from(reading.deviation_ns) - whole) as f64 - fraction;
        prop_assert!(off.abs() < 1.0, "{}", off);
    }
}
