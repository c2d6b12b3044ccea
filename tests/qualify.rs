//! Verdicts on single edges, to the tick: hold-off, gate, coasting, chains.

mod common;

use common::{Train, feed, meter, rising, stamp, steady};
use humtick::{Config, Continuity, LeastSquares, Meter, Reject, State, Ticks, Verdict};

const TICK_HZ: u32 = 2_000_000;

/// A period of 50 Hz in ticks.
const PERIOD: u64 = 40_000;

fn mains() -> Config {
    Config::mains(common::rate(TICK_HZ))
}

/// A meter that has seen `cycles` noiseless crossings of 50 Hz, at whole multiples of the period from zero.
fn steady_meter<const N: usize>(config: &Config, cycles: u64) -> Meter<N> {
    let mut meter = meter(config);
    for k in 0..cycles {
        meter.push(rising(k * PERIOD));
    }
    assert_eq!(meter.state(), State::Locked);
    while meter.take_reading().is_some() {}
    meter
}

fn off_expected(by: i32, gate: u32) -> Verdict {
    Verdict::Rejected(Reject::OffExpected { by, gate: Ticks::new(gate) })
}

/// Half of the shortest period, 28,571 ticks.
#[test]
fn the_hold_off_ends_at_its_tick() {
    let steady = steady_meter::<64>(&mains(), 100);
    let last = 99 * PERIOD;
    for (gap, too_soon) in [(0, true), (14_284, true), (14_285, false)] {
        let verdict = steady.clone().push(rising(last + gap));
        if too_soon {
            let want = Reject::TooSoon { gap: Ticks::new(gap as u32), least: Ticks::new(14_285) };
            assert_eq!(verdict, Verdict::Rejected(want));
        } else {
            assert_eq!(verdict, off_expected(gap as i32 - PERIOD as i32, 16));
        }
    }
    // Nine tenths of it at 69 Hz, where a gate of a quarter period lets in what the hold-off keeps out.
    let config = Config { holdoff_permille: 900, gate_floor_ppm: 250_000, ..mains() };
    let mut meter: Meter<64> = meter(&config);
    for k in 0..100 {
        meter.push(rising(k * 28_985));
    }
    let least = Ticks::new(25_713);
    let early = meter.push(rising(99 * 28_985 + 25_712));
    assert_eq!(early, Verdict::Rejected(Reject::TooSoon { gap: Ticks::new(25_712), least }));
    assert!(matches!(meter.push(rising(99 * 28_985 + 25_713)), Verdict::Crossing(_)));
}

/// Without scatter the gate is its floor: 500 ppm of 28,571 ticks, and two.
#[test]
fn the_gate_ends_at_its_tick() {
    let steady = steady_meter::<64>(&mains(), 100);
    for by in [-16, -1, 0, 16] {
        let at = (100 * PERIOD).wrapping_add_signed(by);
        assert!(matches!(steady.clone().push(rising(at)), Verdict::Crossing(_)), "{by}");
    }
    for by in [-17, 17, 5_000, -20_000, 19_999] {
        let at = (100 * PERIOD).wrapping_add_signed(by);
        assert_eq!(steady.clone().push(rising(at)), off_expected(by as i32, 16));
    }
}

/// Six mean deviations of the innovations, which have 1.3 sigma of white jitter: 6 * 1.3 * 0.8 sigma = 6.2 sigma.
#[test]
fn the_gate_follows_the_scatter() {
    for jitter in [20.0, 80.0] {
        let train = Train { jitter, extra: 0.2, ..Train::clean(TICK_HZ) };
        let (mut sum, mut refused) = (0.0, 0.0);
        let edges = train.edges(&steady(50.0, 10_000));
        feed(&mut meter::<64, LeastSquares>(&mains()), &edges, |meter, at, verdict, _| {
            if let Verdict::Rejected(Reject::OffExpected { gate, .. }) = verdict
                && meter.state() == State::Locked
                && train.seconds(at) > 1.0
            {
                sum += f64::from(gate.count());
                refused += 1.0;
            }
        });
        let gate = sum / refused / jitter;
        println!("jitter of {jitter} ticks: a gate of {gate:.2} sigma on average");
        assert!(refused > 500.0 && (5.6..6.8).contains(&gate), "{gate} sigma");
    }
}

/// Each cycle that goes by adds the scatter and half the floor. The gate of cycle 0 is six times the scatter, so that shows it.
#[test]
fn the_gate_widens_with_the_scatter_while_coasting() {
    let mut meter: Meter<64> = meter(&Config { gate_floor_ppm: 0, ..mains() });
    for k in 0..100 {
        meter.push(rising(k * PERIOD + 300 * (k % 2)));
    }
    let mut gate = |cycle: u64| match meter.push(rising(cycle * PERIOD + 10_000)) {
        Verdict::Rejected(Reject::OffExpected { gate, .. }) => gate.count(),
        verdict => panic!("a stray is {verdict:?}"),
    };
    let (at_once, later) = (gate(100), gate(105));
    let scatter = at_once / 6;
    assert!((150..300).contains(&scatter), "{scatter}");
    assert_eq!(later, at_once + 5 * (scatter + 1));
}

/// A torn stamp is alone, however many there are over time: the count goes on. Two in a row are a silence beyond the horizon.
#[test]
fn torn_stamps_with_crossings_between_lose_nothing() {
    let mut meter = steady_meter::<64>(&mains(), 100);
    for k in 100..200 {
        let torn = meter.push(rising((k - 1) * PERIOD - 65_536));
        assert_eq!(torn, Verdict::Rejected(Reject::Ambiguous), "at crossing {k}");
        assert!(matches!(meter.push(rising(k * PERIOD)), Verdict::Crossing(c) if u64::from(c.cycle) == k));
    }
    assert_eq!(meter.state(), State::Locked);
    meter.push(rising(100 * PERIOD));
    assert_eq!(meter.push(rising(100 * PERIOD)), Verdict::Seeking);
    assert_eq!(meter.state(), State::Lost);
}

/// Missed cycles until the signal is lost, by idle calls alone.
fn cycles_to_lose(config: &Config) -> u64 {
    let mut meter = steady_meter::<64>(config, 100);
    (1..300)
        .find(|k| {
            // Half a period after a crossing was due it has gone by.
            meter.idle(stamp((99 + k) * PERIOD + PERIOD / 2 + 1));
            meter.state() == State::Lost
        })
        .expect("lost at some time")
}

#[test]
fn coasting_ends_at_its_limit_or_when_the_count_is_in_doubt() {
    assert_eq!(cycles_to_lose(&mains()), 26);
    assert_eq!(cycles_to_lose(&Config { coast_cycles: 4, ..mains() }), 5);
    // Half the floor, 3,572 ticks, is doubted a cycle: the third makes more than a quarter period.
    assert_eq!(cycles_to_lose(&Config { gate_floor_ppm: 250_000, ..mains() }), 3);
}

/// Half a degree: more than a narrow gate takes, less than a step. The count goes on and so does the window.
#[test]
fn a_smooth_relock_keeps_the_window() {
    let mut meter = steady_meter::<64>(&mains(), 100);
    let verdicts: Vec<_> = (100..104).map(|k| meter.push(rising(k * PERIOD + 55))).collect();
    assert_eq!(verdicts[..3], [off_expected(55, 16), off_expected(55, 24), off_expected(55, 32)]);
    assert!(matches!(verdicts[3], Verdict::Locked(lock) if lock.continuity == Continuity::Smooth));
    // None of the four counts as missing nor, in the end, as refused.
    let window = meter.windows().next().unwrap();
    assert_eq!((window.len(), window.cycles(), window.missed(), window.rejected()), (51, 50, 0, 0));
    assert_eq!(meter.crossings().last().map(|c| c.cycle), Some(103));
}

/// 41 Hz with two edges missing and, in the gap, four strays as even as 69 Hz. The count of three cycles must have gone by before
/// a chain is believed, and only one has.
#[test]
fn a_chain_within_a_short_gap_is_not_believed() {
    let period = 48_780;
    let mut meter: Meter<64> = meter(&mains());
    for k in 0..100 {
        meter.push(rising(k * period));
    }
    for stray in [20_000, 49_000, 78_000, 107_000] {
        let verdict = meter.push(rising(99 * period + stray));
        assert!(matches!(verdict, Verdict::Rejected(Reject::OffExpected { .. })), "{stray}: {verdict:?}");
    }
    let Verdict::Crossing(crossing) = meter.push(rising(102 * period)) else { panic!("not taken") };
    assert_eq!(
        (
            crossing.cycle,
            meter.windows().next().unwrap().missed(),
            meter.windows().next().unwrap().rejected()
        ),
        (102, 2, 4)
    );
}

/// Eight edges about each crossing from the very first on. The first of each burst stands for it, so sixteen remembered
/// edges are more than enough for four.
#[test]
fn bursts_from_the_start_are_locked_to_at_the_fourth() {
    let mut meter: Meter<64> = meter(&mains());
    for k in 0..3 {
        for i in 0..8 {
            assert_eq!(meter.push(rising(k * PERIOD + i * 200)), Verdict::Seeking);
        }
    }
    let verdict = meter.push(rising(3 * PERIOD));
    assert!(matches!(verdict, Verdict::Locked(lock) if lock.continuity == Continuity::Broken));
    assert!(meter.crossings().map(|c| u64::from(c.stamp.raw())).eq((0..4).map(|k| k * PERIOD)));
}

/// A stray 0.6 ms early in the middle of the first chain makes the first gate wide. Once the gate has settled, after eight
/// more crossings, the fit lets go of all that passed the wide one: the readings are right to the nanohertz long before
/// the stray would have left by itself.
#[test]
fn a_stray_in_the_first_chain_is_let_go_when_the_gate_has_settled() {
    for stray in [1, 2] {
        let mut meter: Meter<64> = meter(&mains());
        let mut bent = 0;
        for k in 0..40 {
            let early = if k == stray { 1_200 } else { 0 };
            meter.push(rising(k * PERIOD - early));
            let f = meter.take_reading().and_then(|r| r.frequency);
            match k {
                0..=10 => bent += u32::from(f.is_some_and(|f| f != common::hertz(50.0))),
                11 => assert_eq!(meter.windows().next().unwrap().len(), 1),
                _ => assert!(f.is_none_or(|f| f == common::hertz(50.0)), "{f:?} at crossing {k}"),
            }
        }
        assert!(bent > 0, "the stray bent nothing");
        assert_eq!(meter.windows().next().unwrap().len(), 29);
    }
}

/// An offset after eight cycles says an eighth as much about one period: the tracked one moves by 1/64 of it, not 1/8.
#[test]
fn a_late_crossing_after_a_gap_hardly_moves_the_period() {
    let mut meter = steady_meter::<64>(&mains(), 100);
    let at = 107 * PERIOD;
    assert!(matches!(meter.push(rising(at + 16)), Verdict::Crossing(_)));
    let Verdict::Rejected(Reject::OffExpected { by, .. }) = meter.push(rising(at + PERIOD + 10_000)) else {
        panic!("a stray was taken")
    };
    // The expectation moves by half the offset, 8 ticks, and by the period's 16/64.
    assert!((9_991..=9_992).contains(&by), "{by}");
}

/// Crossings and cycles in a window of 16 and ample length when only one edge in `step` comes.
fn thinned(step: u64) -> (usize, u32) {
    let mut meter = steady_meter::<16>(&Config { window_ms: 10_000, ..mains() }, 20);
    for k in 1..40 {
        meter.push(rising((19 + step * k) * PERIOD));
    }
    assert_eq!(meter.fit().map(|fit| fit.whole_period()), Some(40_000));
    (meter.windows().next().unwrap().len(), meter.windows().next().unwrap().cycles())
}

/// Three crossings in four may be missing; of more, the window holds fewer.
#[test]
fn a_window_spans_four_cycles_a_crossing_at_most() {
    assert_eq!([1, 4, 5].map(thinned), [(16, 15), (16, 60), (13, 60)]);
}

/// A stray that gets through a wide gate counts for no more than twice the scatter; the second in a row to the same side counts in
/// full, for that is how a ramp begins.
#[test]
fn a_far_off_crossing_counts_in_full_only_the_second_time() {
    let wide = Config { gate_floor_ppm: 0, gate_factor: 50, ..mains() };
    let mut meter: Meter<64> = meter(&wide);
    // Scatter of 8 ticks, and a gate of 400.
    for k in 0..100 {
        meter.push(rising(k * PERIOD + 12 * (k % 2)));
    }
    let mut off = |at: u64| {
        let Verdict::Rejected(Reject::OffExpected { by, .. }) = meter.push(rising(at + 10_000)) else {
            panic!("a stray was taken")
        };
        let late = 10_000 - by;
        assert!(matches!(meter.push(rising(at + 300)), Verdict::Crossing(_)));
        late
    };
    // The first moves the expectation by half of some 16 ticks, the second by half of some 290 and an eighth for the period.
    let (before, first, second) = (off(100 * PERIOD), off(101 * PERIOD), off(102 * PERIOD));
    assert!((first - before).abs() < 20, "{before} {first}");
    assert!(second - first > 120, "{first} {second}");
}
