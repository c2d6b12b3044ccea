//! Aligned interval readings against the definition: IEC 61000-4-30, 5.1.1 (wording from memory), written down here once more, from the
//! clause and in wide integers.

use humtick::interval::{Coverage, IntervalError, IntervalReading, Intervals};
use humtick::{Config, ConfigError, Crossing, Edge, Frequency, Meter, Stamp, TickRate, Ticks};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_distr::{Distribution, Normal, Uniform};
use rand_pcg::Pcg64;

fn config(hz: u32) -> Config {
    Config::mains(TickRate::from_hz(hz).unwrap())
}

/// A crossing at an absolute tick.
fn crossing(at: i128, cycle: u32) -> Crossing {
    Crossing { stamp: stamp(at), cycle }
}

fn stamp(at: i128) -> Stamp {
    Stamp::new((at & 0xFFFF_FFFF) as u32)
}

/// What came from the signal: a crossing at an absolute tick with its number, and whether the count was broken before it.
#[derive(Clone, Copy, Debug)]
struct Came {
    at: i128,
    cycle: u32,
    broken: bool,
}

/// One interval by the clause: of each cycle between two neighbouring crossings, is it wholly inside?
#[derive(Debug, Default, PartialEq)]
struct ByTheClause {
    cycles: i128,
    duration: i128,
    known: bool,
    missed: i128,
    covered: bool,
}

/// `from` and `to` in 10^-12 of a tick.
fn by_the_clause(train: &[Came], from: i128, to: i128, longest: i128) -> ByTheClause {
    const PARTS: i128 = 1_000_000_000_000;
    let inside = |c: &Came| from <= c.at * PARTS && c.at * PARTS <= to;
    let mut sum = ByTheClause { known: true, ..Default::default() };
    let mut free_of_cycles = vec![from];
    for pair in train.windows(2) {
        let [begin, end] = pair else { unreachable!() };
        if inside(begin) && inside(end) {
            sum.known &= !end.broken;
            let cycles = i128::from(end.cycle.wrapping_sub(begin.cycle));
            sum.cycles += cycles;
            sum.missed += cycles - 1;
            sum.duration += end.at - begin.at;
            if sum.duration == end.at - begin.at {
                free_of_cycles.push(begin.at * PARTS);
            }
            free_of_cycles.truncate(2);
            free_of_cycles.push(end.at * PARTS);
        }
    }
    sum.known &= sum.cycles > 0;
    if sum.known {
        sum.covered =
            free_of_cycles[1] - from <= longest * PARTS && to - free_of_cycles[2] <= longest * PARTS;
    }
    sum
}

fn same(reading: &IntervalReading, truth: &ByTheClause, config: &Config) {
    if !truth.known {
        assert_eq!((reading.coverage, reading.frequency), (Coverage::Unknown, None), "{reading:?}");
        return;
    }
    let rate = i128::from(config.rate.hz()) * (1_000_000_000 + i128::from(config.clock_ppb));
    // To the nearest, halves up.
    let nanohertz = (2 * truth.cycles * rate + truth.duration) / (2 * truth.duration);
    assert_eq!(
        reading.frequency.map(|f| i128::from(f.nanohertz())),
        Some(nanohertz),
        "{reading:?} {truth:?}"
    );
    assert_eq!(i128::from(reading.cycles), truth.cycles);
    assert_eq!(i128::from(reading.duration.count()), truth.duration);
    assert_eq!(i128::from(reading.missed), truth.missed);
    assert_eq!(reading.coverage == Coverage::Complete, truth.covered, "{reading:?} {truth:?}");
}

/// Longest period that `Config::mains` follows (40 Hz) as the clock counts it, one tick added for the rounding.
fn longest(config: &Config) -> i128 {
    i128::from(config.rate.hz()) * (1_000_000_000 + i128::from(config.clock_ppb)) / 40_000_000_000 + 1
}

#[derive(Clone, Copy, Debug)]
enum Step {
    /// The next crossing this many thousandths of a nominal period later.
    Cycle(i128),
    /// So many crossings missing.
    Missed(u32),
    /// Silence of so many milliseconds; the count is broken.
    Silence(i128),
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        60 => (900i128..1100).prop_map(Step::Cycle),
        // So that some fall exactly on the ends.
        20 => Just(Step::Cycle(1000)),
        3 => (1u32..6).prop_map(Step::Missed),
        1 => (30i128..3000).prop_map(Step::Silence),
    ]
}

fn train(start: i128, first_cycle: u32, period: i128, rate: i128, steps: &[Step]) -> Vec<Came> {
    let mut came = vec![Came { at: start, cycle: first_cycle, broken: false }];
    for step in steps {
        let Came { at, cycle, .. } = *came.last().unwrap();
        came.push(match *step {
            Step::Cycle(permille) => {
                Came { at: at + period * permille / 1000, cycle: cycle.wrapping_add(1), broken: false }
            }
            Step::Missed(n) => {
                Came { at: at + period * i128::from(n + 1), cycle: cycle.wrapping_add(n + 1), broken: false }
            }
            Step::Silence(ms) => {
                Came { at: at + rate * ms / 1000, cycle: cycle.wrapping_add(1), broken: true }
            }
        });
    }
    came
}

proptest! {
    /// Every interval that had a crossing comes out as the definition says, aligned or not, through wraps of stamps and of
    /// cycle numbers, with a clock error that gives the length a fraction.
    #[test]
    fn agree_with_the_clause(
        hz in prop_oneof![Just(10_000u32), Just(32_768), Just(100_000), Just(1_000_003)],
        ppb in prop_oneof![Just(0i32), -100_000_000..=100_000_000],
        length_ms in 200u32..1500,
        start in (0i128..1 << 33),
        first_cycle in prop_oneof![Just(0u32), Just(u32::MAX - 100)],
        period_us in 14_300i128..25_000,
        lead in prop::option::of(0i128..2_000),
        idling: bool,
        steps in prop::collection::vec(step(), 50..400),
    ) {
        let config = Config { clock_ppb: ppb, ..config(hz) };
        let mut intervals = Intervals::new(&config, length_ms).unwrap();
        let rate = i128::from(hz);
        let train = train(start, first_cycle, rate * period_us / 1_000_000, rate, &steps);
        if let Some(lead) = lead {
            intervals.align(stamp(start - lead));
        }
        // In 10^-12 ticks: milliseconds * ticks a second * (1 + error).
        let length = i128::from(length_ms) * rate * (1_000_000_000 + i128::from(ppb));
        let origin = (start - lead.unwrap_or(0)) * 1_000_000_000_000;
        let mut readings = Vec::new();
        let mut now = start;
        for came in &train {
            // A caller that lets no time go by unsaid.
            while idling && now + rate / 20 < came.at {
                now += rate / 20;
                readings.extend(intervals.idle(stamp(now)));
            }
            now = came.at;
            if came.broken {
                intervals.broken();
            }
            readings.extend(intervals.push(crossing(came.at, came.cycle)));
        }
        let mut k = 0;
        for (i, reading) in readings.iter().enumerate() {
            prop_assert!(!idling || reading.skipped == 0);
            if i > 0 {
                k += 1 + i128::from(reading.skipped);
            }
            let (from, to) = (origin + k * length, origin + (k + 1) * length);
            prop_assert_eq!(reading.start, stamp((from + 999_999_999_999) / 1_000_000_000_000));
            prop_assert_eq!(reading.aligned, lead.is_some());
            same(reading, &by_the_clause(&train, from, to, longest(&config)), &config);
        }
        // None is left out: the last crossing lies in the interval after the last reading's, or a margin beyond it.
        let last = (train.last().unwrap().at * 1_000_000_000_000 - origin) / length;
        prop_assert!(readings.is_empty() && last == 0 || !readings.is_empty() && (k < last || idling && k <= last));
        if !idling {
            let with_crossings =
                (0..last).filter(|k| {
                    let (from, to) = (origin + k * length, origin + (k + 1) * length);
                    train.iter().any(|c| (from..to).contains(&(c.at * 1_000_000_000_000)))
                });
            let first_is_empty = usize::from(!train.iter().any(|c| c.at * 1_000_000_000_000 < origin + length) && last > 0);
            prop_assert_eq!(readings.len(), with_crossings.count() + first_is_empty);
        }
    }
}

/// Crossings of a signal whose phase in cycles at a time in seconds is given, up to `seconds`; found by bisection.
fn crossings_of(phase: impl Fn(f64) -> f64, rate: f64, seconds: f64) -> Vec<(i128, u32)> {
    let mut found = Vec::new();
    let mut from = 0.0;
    for cycle in 0u32.. {
        let (mut low, mut high) = (from, from + 0.1);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if phase(middle) < f64::from(cycle) { low = middle } else { high = middle }
        }
        if high > seconds {
            return found;
        }
        found.push(((high * rate).round() as i128, cycle));
        from = high;
    }
    unreachable!()
}

fn readings_of(crossings: &[(i128, u32)], config: &Config, mark: i128) -> Vec<IntervalReading> {
    let mut intervals = Intervals::new(config, 10_000).unwrap();
    intervals.align(stamp(mark));
    crossings.iter().filter_map(|&(at, cycle)| intervals.push(crossing(at, cycle))).collect()
}

#[test]
fn a_swing_over_whole_periods_is_not_there() {
    // 10 mHz at 0.1 Hz: one whole period in each ten seconds.
    let swing = |t: f64| {
        let w = std::f64::consts::TAU * 0.1;
        50.0 * t + 0.010 * (1.0 - (w * t).cos()) / w
    };
    let crossings = crossings_of(swing, 2e6, 61.0);
    let readings = readings_of(&crossings, &config(2_000_000), 0);
    assert_eq!(readings.len(), 6);
    for reading in readings {
        // Two stamps rounded by up to half a tick of 0.5 us in 10 s are 2.5 uHz of 50 Hz; 1 uHz for the straddling cycles.
        let off = reading.frequency.unwrap().nanohertz().abs_diff(50_000_000_000);
        assert!(off <= 3_500, "{reading:?}");
    }
    // The swing is there: over five seconds of it the mean is 6.4 mHz off.
    let half = (crossings[250].0 - crossings[0].0) as f64;
    assert!((250.0 * 2e6 / half - 50.0064).abs() < 1e-4);
}

#[test]
fn a_ramp_reads_its_centre() {
    // 45 to 55 Hz at 1 Hz/s.
    let crossings = crossings_of(|t| 45.0 * t + t * t / 2.0, 2e6, 10.2);
    let [reading] = readings_of(&crossings, &config(2_000_000), 0)[..] else { panic!() };
    let first = crossings[0].0 as f64 / 2e6;
    let centre = 45.0 + first + f64::from(reading.duration.count()) / 2e6 / 2.0;
    let read = reading.frequency.unwrap().nanohertz() as f64 / 1e9;
    // One tick over the duration, plus what half a tick of centre shifts on the ramp.
    let quantisation = 50.0 * 5e-7 / 10.0 + 2.5e-7;
    assert!((read - centre).abs() <= quantisation, "{read} {centre}");
    assert_eq!((reading.coverage, reading.cycles), (Coverage::Complete, 500));
}

#[test]
fn the_measuring_range_of_the_standard() {
    // 42.5 to 57.5 Hz at 50 Hz nominal, 51 to 69 Hz at 60 Hz (values from memory).
    for millihertz in [42_500, 50_050, 57_500, 51_000, 59_950, 69_000] {
        let hertz = f64::from(millihertz) / 1e3;
        for ppb in [0, 50_000, -50_000] {
            let rate = 2e6 * (1.0 + f64::from(ppb) / 1e9);
            let crossings = crossings_of(|t| hertz * t - 0.3, rate, 31.0);
            let config = Config { clock_ppb: ppb, ..config(2_000_000) };
            let readings = readings_of(&crossings, &config, 0);
            assert_eq!(readings.len(), 3);
            for reading in readings {
                let off = reading.frequency.unwrap().nanohertz() as f64 / 1e9 - hertz;
                // One tick in 10 s, less the two cycles that may straddle.
                assert!(off.abs() <= hertz * 5e-7 / 9.95, "{hertz} Hz, {ppb} ppb: off by {off}");
                assert_eq!((reading.coverage, reading.missed), (Coverage::Complete, 0));
            }
        }
    }
}

#[test]
fn a_day_without_drift() {
    // 1 MHz / 7, known to be 33,333 ppb fast: an interval is 1,428,607.61900... ticks. 8640 of them.
    let config = Config { clock_ppb: 33_333, ..config(142_857) };
    let mut intervals = Intervals::new(&config, 10_000).unwrap();
    intervals.align(Stamp::new(0));
    let ticks_a_second = 142_857.0 * (1.0 + 33_333e-9);
    let mut starts = Vec::new();
    for cycle in 0..=86_400 * 50 + 1 {
        let at = (f64::from(cycle) / 50.0 * ticks_a_second).round() as i128;
        if let Some(reading) = intervals.push(crossing(at, cycle)) {
            assert!(reading.frequency.unwrap().nanohertz().abs_diff(50_000_000_000) < 40_000, "{reading:?}");
            starts.push(reading.start);
        }
    }
    assert_eq!(starts.len(), 8640);
    let last: i128 = 8639 * 10_000 * 142_857 * 1_000_033_333 / 1_000_000_000_000 + 1;
    assert_eq!(starts[8639], stamp(last));
    assert!(last > 1 << 32, "no wrap came by");
}

/// 50 Hz at 2 MHz, with marks from a better clock than the counter, which is 50 ppm fast and does not know it.
#[test]
fn corrections_move_the_ends_and_drop_nothing() {
    for marks_every in [1i128, 3] {
        let mut intervals = Intervals::new(&config(2_000_000), 10_000).unwrap();
        let mut readings = Vec::new();
        let mark = |k: i128| 7_000 + k * 20_001_000;
        for cycle in 0..60 * 50 {
            let at = i128::from(cycle) * 40_002;
            for k in 0..7 {
                // The mark comes in its place among the crossings.
                if k % marks_every == 0 && (at - 40_002..at).contains(&mark(k)) {
                    intervals.align(stamp(mark(k)));
                }
            }
            readings.extend(intervals.push(crossing(at, cycle)));
        }
        assert_eq!(readings.len(), 5, "{readings:?}");
        for (k, reading) in (0..).zip(&readings) {
            assert!(reading.aligned);
            // At every mark: exact. Between them the counter's own 50 ppm: 1000 ticks an interval.
            let expected = if marks_every == 1 { mark(k) } else { mark(k) - (k % 3) * 1_000 };
            assert_eq!(reading.start, stamp(expected), "{k}");
            assert_eq!((reading.cycles, reading.skipped), (499, 0));
        }
    }
}

#[test]
fn a_mark_far_away_starts_anew() {
    let mut intervals = Intervals::new(&config(1_000_000), 1_000).unwrap();
    let mut readings = Vec::new();
    for cycle in 0..400 {
        let at = i128::from(cycle) * 20_000;
        // Free running from 0; a mark at 2.505 s, told a little later; then one that is off by 0.4 s.
        if cycle == 126 {
            intervals.align(Stamp::new(2_505_000));
        }
        if cycle == 250 {
            intervals.align(Stamp::new(4_905_000));
        }
        readings.extend(intervals.push(crossing(at, cycle)));
    }
    let seen: Vec<_> = readings.iter().map(|r| (r.start.raw(), r.aligned, r.cycles)).collect();
    assert_eq!(
        seen,
        [
            (0, false, 50),
            (1_000_000, false, 50),
            // What had begun at 2 s is dropped, and so is what had begun at 4.505 s.
            (2_505_000, true, 49),
            (3_505_000, true, 49),
            (5_905_000, true, 49),
            (6_905_000, true, 49),
        ]
    );
}

#[test]
fn a_mark_to_come_and_marks_before_any_crossing() {
    let mut intervals = Intervals::new(&config(1_000_000), 1_000).unwrap();
    assert_eq!(intervals.idle(Stamp::new(5)), None);
    for mark in [-1_400_000i128, -400_000, -399_990] {
        intervals.align(stamp(mark));
    }
    let readings: Vec<_> =
        (0..160).filter_map(|cycle| intervals.push(crossing(i128::from(cycle) * 20_000, cycle))).collect();
    let seen: Vec<_> = readings.iter().map(|r| (r.start, r.cycles, r.coverage)).collect();
    // From the first mark until -400,000 nothing came; then the signal starts in the middle.
    assert_eq!(seen[0], (stamp(-1_400_000), 0, Coverage::Unknown));
    assert_eq!(seen[1], (stamp(-399_990), 30, Coverage::Partial));
    assert_eq!(seen[2], (stamp(600_010), 49, Coverage::Complete));
}

#[test]
fn missing_signal_is_flagged() {
    // 50 Hz at 1 MHz, intervals of one second from 0; the config's longest period is 25 ms.
    let run = |gone: std::ops::Range<i128>, broken: bool| -> Vec<IntervalReading> {
        let mut intervals = Intervals::new(&config(1_000_000), 1_000).unwrap();
        intervals.align(Stamp::new(0));
        let mut readings = Vec::new();
        let mut was_gone = false;
        for cycle in 0..201 {
            let at = i128::from(cycle) * 20_000;
            if gone.contains(&at) {
                readings.extend(intervals.idle(stamp(at)));
                was_gone = true;
                continue;
            }
            if std::mem::take(&mut was_gone) && broken {
                intervals.broken();
            }
            readings.extend(intervals.push(crossing(at, cycle)));
        }
        readings
    };
    let coverage = |readings: &[IntervalReading]| -> Vec<_> {
        readings.iter().map(|r| (r.coverage, r.cycles, r.missed)).collect()
    };
    use Coverage::{Complete, Partial, Unknown};
    assert_eq!(coverage(&run(0..0, false)), [(Complete, 50, 0); 4]);
    // Coasted inside: the count is certain, and so is the mean.
    assert_eq!(
        coverage(&run(1_300_000..1_500_000, false)),
        [(Complete, 50, 0), (Complete, 50, 10), (Complete, 50, 0), (Complete, 50, 0)]
    );
    // Broken inside.
    assert_eq!(
        coverage(&run(1_300_000..1_500_000, true)),
        [(Complete, 50, 0), (Unknown, 0, 0), (Complete, 50, 0), (Complete, 50, 0)]
    );
    // The crossing on the end and one more missing: the last accepted one before the end counts, 40 ms early.
    assert_eq!(
        coverage(&run(1_980_000..2_040_000, false)),
        [(Complete, 50, 0), (Partial, 48, 0), (Partial, 48, 0), (Complete, 50, 0)]
    );
    // Only that on the end: 20 ms is within a longest period.
    assert_eq!(
        coverage(&run(2_000_000..2_010_000, true)),
        [(Complete, 50, 0), (Complete, 49, 0), (Complete, 49, 0), (Complete, 50, 0)]
    );
    // Gone for more than an interval.
    let readings = run(1_500_000..3_500_000, true);
    assert_eq!(coverage(&readings), [(Complete, 50, 0), (Partial, 24, 0), (Unknown, 0, 0), (Partial, 25, 0)]);
    let partial = readings[1];
    assert_eq!(partial.frequency, Some(Frequency::from_millihertz(50_000)));
    assert_eq!(partial.duration, Ticks::new(480_000));
    assert_eq!((readings[2].frequency, readings[2].standard_uncertainty), (None, None));
    assert!(readings.iter().all(|r| r.skipped == 0));
}

/// The longest period of the configuration, 25,001 ticks, may be left over at either end, and not one tick more.
#[test]
fn the_last_tick_of_coverage() {
    for (first, last, coverage) in [
        (25_001, 975_000, Coverage::Complete),
        (25_001, 974_999, Coverage::Complete),
        (25_001, 974_998, Coverage::Partial),
        (25_002, 974_999, Coverage::Partial),
    ] {
        let mut intervals = Intervals::new(&config(1_000_000), 1_000).unwrap();
        intervals.align(Stamp::new(0));
        assert_eq!(intervals.push(crossing(first, 0)), None);
        assert_eq!(intervals.push(crossing(last, 47)), None);
        let reading = intervals.push(crossing(1_000_001, 48)).unwrap();
        assert_eq!((reading.coverage, reading.missed), (coverage, 46), "{first} {last}");
    }
}

#[test]
fn an_interval_waits_for_its_mark() {
    let mut intervals = Intervals::new(&config(1_000_000), 1_000).unwrap();
    intervals.push(crossing(0, 0));
    intervals.align(Stamp::new(3_400_000));
    let mut readings =
        (1..230).filter_map(|cycle| intervals.push(crossing(i128::from(cycle) * 20_000, cycle)));
    let reading = readings.next().unwrap();
    assert_eq!((reading.start.raw(), reading.cycles, reading.aligned), (3_400_000, 50, true));
    assert_eq!(readings.next(), None);
}

/// The margin after an end: four periods of the lowest frequency, so that a chain that reaches back over it still counts.
#[test]
fn idle_waits_for_a_chain() {
    let mut intervals = Intervals::new(&config(1_000_000), 1_000).unwrap();
    intervals.align(Stamp::new(0));
    for cycle in 0..45 {
        assert_eq!(intervals.push(crossing(i128::from(cycle) * 20_000, cycle)), None);
    }
    assert_eq!(intervals.idle(Stamp::new(1_099_999)), None);
    // The four edges of a chain, two of them before the end.
    for cycle in 48..51 {
        assert_eq!(intervals.push(crossing(i128::from(cycle) * 20_000 + 1, cycle)).is_some(), cycle == 50);
    }
    let mut silent = Intervals::new(&config(1_000_000), 1_000).unwrap();
    silent.align(Stamp::new(0));
    assert_eq!(silent.idle(Stamp::new(1_100_003)), None);
    let reading = silent.idle(Stamp::new(1_100_004)).unwrap();
    assert_eq!((reading.coverage, reading.aligned), (Coverage::Unknown, true));
}

/// Behind a meter, edges in: what a firmware does.
#[test]
fn behind_a_meter_a_short_loss_is_inside_one_interval() {
    let config = config(1_000_000);
    let mut meter: Meter<64> = Meter::new(&config).unwrap();
    let mut intervals = Intervals::new(&config, 2_000).unwrap();
    let mut readings = Vec::new();
    // One second without edges: lost after 25 cycles.
    for tick in (0..6_100_000u32).step_by(20_000).filter(|tick| !(2_500_000..3_500_000).contains(tick)) {
        readings.extend(intervals.take(&meter.push(Edge::rising(Stamp::new(tick)))));
    }
    let seen: Vec<_> = readings.iter().map(|r| (r.coverage, r.cycles, r.frequency.is_some())).collect();
    use Coverage::{Complete, Unknown};
    assert_eq!(seen, [(Complete, 100, true), (Unknown, 0, false), (Complete, 100, true)]);
}

#[test]
fn behind_a_meter_through_a_loss() {
    let config = config(1_000_000);
    let mut meter: Meter<64> = Meter::new(&config).unwrap();
    let mut intervals = Intervals::new(&config, 2_000).unwrap();
    let mut readings = Vec::new();
    for tick in (0..12_000_000u32).step_by(20_000) {
        // Gone from 4.5 to 7.1 s, back with another phase.
        let gone = (4_500_000..7_100_000).contains(&tick);
        if gone {
            meter.idle(Stamp::new(tick));
            readings.extend(intervals.idle(Stamp::new(tick)));
        } else {
            let phase = if tick > 5_000_000 { 7_000 } else { 0 };
            let verdict = meter.push(Edge::rising(Stamp::new(tick + phase)));
            readings.extend(intervals.take(&verdict));
        }
    }
    let seen: Vec<_> = readings.iter().map(|r| (r.coverage, r.cycles, r.aligned)).collect();
    use Coverage::{Complete, Partial};
    assert_eq!(
        seen,
        [
            (Complete, 100, false),
            (Complete, 100, false),
            (Partial, 24, false),
            (Partial, 44, false),
            (Complete, 99, false)
        ]
    );
    for reading in readings {
        assert_eq!(reading.frequency, Some(Frequency::from_millihertz(50_000)), "{reading:?}");
    }
}

/// White jitter of 30 us: the stated standard uncertainty is the scatter of the readings, and 95 % hold the truth.
#[test]
fn uncertainty_covers() {
    let mut rng = Pcg64::seed_from_u64(61_000_430);
    for (length_ms, low, high) in [(10_000u32, 0.90, 0.985), (1_000, 0.90, 0.985), (200, 0.90, 0.985)] {
        let config = Config { clock_tolerance_ppb: 0, ..config(2_000_000) };
        let mut intervals = Intervals::new(&config, length_ms).unwrap();
        let jitter = Normal::new(0.0, 60.0).unwrap();
        let start = Uniform::new(0.0, 1.0).unwrap().sample(&mut rng);
        let (mut n, mut covered, mut squares, mut stated) = (0.0, 0.0, 0.0, 0.0);
        let cycles = length_ms * 20 + 6_000;
        for cycle in 0..cycles {
            let at = (f64::from(cycle) + start) * 2e6 / 50.0371 + jitter.sample(&mut rng) + 1e3;
            let Some(reading) = intervals.push(crossing(at.round() as i128, cycle)) else { continue };
            let off = reading.frequency.unwrap().nanohertz() as f64 - 50_037_100_000.0;
            let standard = reading.standard_uncertainty.unwrap().nanohertz() as f64;
            let expanded = reading.expanded_uncertainty.unwrap().nanohertz() as f64;
            n += 1.0;
            covered += f64::from(off.abs() <= expanded);
            squares += off * off;
            stated += standard * standard;
        }
        assert!(n >= 300.0, "{n}");
        let ratio: f64 = squares / stated;
        assert!((0.75..1.3).contains(&ratio.sqrt()), "{length_ms} ms: {}", ratio.sqrt());
        assert!((low..=high).contains(&(covered / n)), "{length_ms} ms: {}", covered / n);
    }
}

/// A clean 50 Hz signal: nothing is left but quantisation q/sqrt(6) over ten seconds, 1.02 uHz at 2 MHz, and the clock.
#[test]
fn uncertainty_without_jitter() {
    let of_all_but = |missing: &[u32], tolerance| {
        let config = Config { clock_tolerance_ppb: tolerance, ..config(2_000_000) };
        let crossings: Vec<_> = (0..=501u32).map(|cycle| (i128::from(cycle) * 40_000, cycle)).collect();
        let crossings: Vec<_> = crossings.into_iter().filter(|(_, cycle)| !missing.contains(cycle)).collect();
        let reading = readings_of(&crossings, &config, 0)[0];
        let (u, u95) = (reading.standard_uncertainty.unwrap(), reading.expanded_uncertainty.unwrap());
        (u.nanohertz() as f64, u95.nanohertz() as f64)
    };
    let of = |tolerance| of_all_but(&[], tolerance);
    let near =
        |found: f64, expected: f64| assert!((found / expected - 1.0).abs() < 1e-3, "{found} {expected}");
    near(of(0).0, 1_020.6);
    // A missing crossing is no jitter.
    near(of_all_but(&[100, 103, 200, 201], 0).0, 1_020.6);
    // Undithered the error may stay near its bound: q, 2.5 uHz.
    near(of(0).1, 2_500.0);
    // 50 ppm: 2.5 mHz.
    near(of(50_000).0, 2_500_000.0 / 3f64.sqrt());
    near(of(50_000).1, 2_500_000.0 * 0.95);
}

#[test]
fn lengths_out_of_range() {
    let refused = |hz, ms| Intervals::new(&config(hz), ms).err();
    assert_eq!(refused(2_000_000, 199), Some(IntervalError::Length));
    assert_eq!(refused(2_000_000, 200), None);
    assert_eq!(refused(2_000_000, 0), Some(IntervalError::Length));
    // 2^31 ticks.
    assert_eq!(refused(214_000_000, 10_000), None);
    assert_eq!(refused(215_000_000, 10_000), Some(IntervalError::Length));
    assert_eq!(refused(10_000, u32::MAX), Some(IntervalError::Length));
    // Four periods of half a hertz are eight seconds.
    let slow = Config {
        lowest: Frequency::from_millihertz(500),
        highest: Frequency::from_millihertz(900),
        window_ms: 10_000,
        ..config(10_000)
    };
    assert_eq!(Intervals::new(&slow, 8_000).err(), Some(IntervalError::Length));
    assert!(Intervals::new(&slow, 8_001).is_ok());
    let bad = Config { window_ms: 0, ..config(10_000) };
    let error = Intervals::new(&bad, 10_000).err().unwrap();
    assert_eq!(error, IntervalError::Config(ConfigError::Window));
    assert_eq!(error.to_string(), ConfigError::Window.to_string());
    assert!(IntervalError::Length.to_string().contains("200 ms"));
}
