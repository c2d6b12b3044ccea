//! What the timer does to edges, up to the limits that the core states and beyond them.

use humtick::{Config, Edge, LeastSquares, Meter, Polarity, Stamp, TickRate, Verdict};
use proptest::prelude::*;

use super::*;
use crate::timeline::extender;

/// 16 bits at 2 MHz, which wrap every 32.768 ms, and no fault at all.
pub(crate) fn plain() -> Timer {
    Timer {
        tick_hz: 2_000_000,
        bits: 16,
        start: 0,
        clock_ppm: 0.0,
        clock_wander_ppb: 0.0,
        clock_wander_s: 10.0,
        temperature_swing_k: 0.0,
        temperature_period_s: 86_400.0,
        ageing_ppb_day: 0.0,
        capture: CaptureKind::Hardware,
        latency_us: (0.0, 0.0),
        overflow_latency_us: (0.0, 0.0),
        overrun: Overrun::Drop,
        lost_percent: 0.0,
    }
}

const WRAP_US: f64 = 32_768.0;

fn rising(at: Moment) -> Transition {
    Transition { at, polarity: Polarity::Rising }
}

/// Rising edges at random: `least` seconds apart and exponentially distributed more, at every place of the counter's range alike.
fn scattered(count: u32, least: f64, seed: u64) -> impl Iterator<Item = Transition> {
    let mut random = Random::new(seed, Use::Disturb, 0);
    let mut at = Moment::default();
    (0..count).map(move |_| {
        at = at.later(least + 0.1 * random.exponential());
        rising(at)
    })
}

/// How many captures the core extends wrongly, each by exactly `wraps` wraps.
fn torn(timer: &Timer, edges: impl Iterator<Item = Transition>, wraps: i32) -> u32 {
    let extend = extender(timer.bits).unwrap();
    let off = ((1i64 << timer.bits) * i64::from(wraps)) as i32;
    let mut errors = 0;
    for handed in Captures::new(edges, timer, 5) {
        let error = extend(handed.capture).stamp.raw().wrapping_sub(handed.ticks as u32).cast_signed();
        assert!(error == 0 || error == off, "{error} ticks");
        errors += u32::from(error != 0);
        assert_eq!(u64::from(handed.capture.raw), handed.ticks & ((1 << timer.bits) - 1));
        assert_eq!(handed.capture.tally, handed.tally as u32);
    }
    errors
}

/// The count of events of probability `p` among `n`, within five standard deviations.
#[track_caller]
fn binomial(count: u32, n: u32, p: f64) {
    let n = f64::from(n);
    let off = f64::from(count) - n * p;
    assert!(off.abs() < 5.0 * (n * p * (1.0 - p)).sqrt(), "{count}, {} expected", n * p);
}

/// Handlers as late as the core allows: half a wrap is 16.384 ms, and the clock runs 80 ppm fast. The scale wraps 281 times.
#[test]
fn a_week_at_16_bits_with_handlers_as_late_as_allowed() {
    let timer = Timer {
        start: 65_000,
        clock_ppm: 80.0,
        clock_wander_ppb: 200.0,
        temperature_swing_k: 8.0,
        latency_us: (0.0, 16_380.0),
        overflow_latency_us: (16_380.0, 16_382.0),
        ..plain()
    };
    let edges = 604_800 * 50;
    let train = (0..edges).map(|k| rising(Moment::from_s(0.01 + f64::from(k) / 50.0)));
    let rate = TickRate::from_hz(timer.tick_hz).unwrap();
    let mut meter: Meter<64, LeastSquares> = Meter::new(&Config::mains(rate)).unwrap();
    let mut captures = Captures::new(train, &timer, 1);
    let (mut cycles, mut pending, mut last) = ((0, 0), 0u32, 0);
    for handed in captures.by_ref() {
        let edge = handed.capture.edge::<16>();
        assert_eq!(edge, Edge::rising(Stamp::new(handed.ticks as u32)));
        pending += u32::from(handed.capture.pending);
        last = handed.ticks;
        match meter.push(edge) {
            Verdict::Crossing(crossing) => cycles.1 = crossing.cycle,
            Verdict::Locked(lock) => cycles.0 = lock.crossings().next().unwrap().cycle,
            Verdict::Seeking => {}
            other => panic!("{other:?}"),
        }
    }
    assert_eq!(cycles.1 - cycles.0, edges - 1);
    assert_eq!(last >> 32, 281);
    // Half of the time the flag is up.
    binomial(pending, edges, 16_381.0 / WRAP_US);
    assert_eq!(captures.counts(), Counts { edges: edges.into(), ..Counts::default() });
}

/// Precondition 2 broken: an edge in the upper half of the range with the flag still up is taken for one before the wrap.
#[test]
fn an_overflow_handler_beyond_half_a_wrap_costs_a_wrap() {
    let n = 200_000;
    let late = |share: f64| Timer { overflow_latency_us: (share * WRAP_US, share * WRAP_US), ..plain() };
    assert_eq!(torn(&late(0.5), scattered(n, 0.0, 1), -1), 0);
    binomial(torn(&late(0.6), scattered(n, 0.0, 2), -1), n, 0.1);
    binomial(torn(&late(0.97), scattered(n, 0.0, 3), -1), n, 0.47);
    // Evenly from 0.4 to 0.8: the excess over a half is (0.3 of 0.4) x 0.15 on average.
    let scatter = Timer { overflow_latency_us: (0.4 * WRAP_US, 0.8 * WRAP_US), ..plain() };
    binomial(torn(&scatter, scattered(n, 0.0, 4), -1), n, 0.75 * 0.15);
}

/// Precondition 1 broken: an edge in the lower half is read so late that the next wrap has set the flag.
#[test]
fn a_capture_read_later_than_half_a_wrap_gains_a_wrap() {
    let n = 200_000;
    let late = |share: f64| {
        let us = share * WRAP_US;
        Timer { latency_us: (us, us), overflow_latency_us: (us, us), ..plain() }
    };
    assert_eq!(torn(&late(0.499), scattered(n, WRAP_US * 1e-6, 1), 1), 0);
    binomial(torn(&late(0.6), scattered(n, WRAP_US * 1e-6, 2), 1), n, 0.1);
}

/// Precondition 3 and its breach: which of the two handlers runs first.
#[test]
fn the_race_of_the_two_handlers() {
    let n = 200_000;
    let race = |capture: f64, overflow: f64| {
        let (capture, overflow) = (capture * WRAP_US, overflow * WRAP_US);
        Timer { latency_us: (capture, capture), overflow_latency_us: (overflow, overflow), ..plain() }
    };
    assert_eq!(torn(&race(0.1, 0.3), scattered(n, WRAP_US * 1e-6, 1), 1), 0);
    // The overflow handler overtakes wherever a wrap lies in the first 0.2 of the time from edge to reading.
    binomial(torn(&race(0.3, 0.1), scattered(n, WRAP_US * 1e-6, 2), 1), n, 0.2);
}

/// A handler that takes 2.5 wraps answers for three of them.
#[test]
fn a_handler_later_than_a_wrap_loses_wraps() {
    let timer = Timer { overflow_latency_us: (2.5 * WRAP_US, 2.5 * WRAP_US), ..plain() };
    let mut captures = Captures::new(scattered(1_000, 0.0, 1), &timer, 1);
    let last = captures.by_ref().last().unwrap();
    let wraps = last.ticks >> 16;
    assert_eq!(last.tally + u64::from(last.capture.pending), wraps.div_ceil(3));
    assert_eq!(captures.counts().overflows_lost, wraps - wraps.div_ceil(3));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    /// Any counter, any clock, handlers within their limits: every stamp is the truth's lowest 32 bits.
    #[test]
    fn stamps_are_extended_exactly(
        bits in 8u32..=32,
        tick_hz in prop_oneof![1_000u32..1_000_000, 1_000_000u32..1_000_000_000, Just(1_000_000_000u32)],
        start: u32,
        overflow in 0.0..0.499,
        capture in 0.0..1.0,
        clock_ppm in -1_000.0..1_000.0,
        seed: u64,
    ) {
        let wrap_us = f64::from(bits).exp2() / f64::from(tick_hz) * 1e6;
        // The capture handler before the overflow handler, but for one that takes no time.
        let high = f64::min(overflow * wrap_us, 1e6);
        let low = 0.9 * high;
        let timer = Timer {
            tick_hz,
            bits,
            start,
            clock_ppm,
            latency_us: (0.0, capture * low),
            overflow_latency_us: (low, high),
            ..plain()
        };
        prop_assert_eq!(torn(&timer, scattered(100, 0.0, seed), 1), 0);
    }
}

#[test]
fn an_edge_before_the_reading_is_an_overrun() {
    let us = |us: f64| Moment::from_s(us * 1e-6);
    let edges = [(1_000.0, true), (1_005.0, false), (1_009.0, true), (1_010.0, false), (2_000.0, true)];
    let edges = edges.map(|(at, up)| Transition {
        at: us(at),
        polarity: if up { Polarity::Rising } else { Polarity::Falling },
    });
    for (overrun, capture, stamps) in [
        (Overrun::Drop, CaptureKind::Hardware, [(2_000, 0), (2_020, 3), (4_000, 4)]),
        (Overrun::Overwrite, CaptureKind::Hardware, [(2_018, 2), (2_020, 3), (4_000, 4)]),
        (Overrun::Drop, CaptureKind::Interrupt, [(2_020, 0), (2_040, 3), (4_020, 4)]),
        (Overrun::Overwrite, CaptureKind::Interrupt, [(2_020, 2), (2_040, 3), (4_020, 4)]),
    ] {
        // A hair late, so that no instant lies on a tick.
        let timer = Timer { overrun, capture, latency_us: (10.0, 10.0), clock_ppm: 1.0, ..plain() };
        let mut captures = Captures::new(edges.into_iter(), &timer, 1);
        let handed: Vec<_> = captures.by_ref().map(|h| (h.ticks, h.edge)).collect();
        let expected = stamps.map(|(ticks, edge): (u64, usize)| (ticks, edges[edge]));
        assert_eq!(handed, expected, "{overrun:?} {capture:?}");
        assert_eq!(captures.counts(), Counts { edges: 5, overruns: 2, ..Counts::default() });
    }
}

#[test]
fn edges_are_lost_as_often_as_asked() {
    let timer = Timer { lost_percent: 2.5, ..plain() };
    let n = 400_000;
    let mut captures = Captures::new(scattered(n, 0.0, 1), &timer, 1);
    let handed = captures.by_ref().count();
    let lost = captures.counts().lost;
    assert_eq!(handed as u64 + lost, u64::from(n));
    binomial(lost as u32, n, 0.025);
}

/// Mean (a + b)/2 and variance (b - a)^2/12, to which rounding down adds -1/2 and 1/12.
#[test]
fn interrupts_stamp_evenly_late() {
    let (a, b, mhz) = (5.0, 45.0, 16.0);
    let timer = Timer {
        tick_hz: 16_000_000,
        bits: 24,
        capture: CaptureKind::Interrupt,
        latency_us: (a, b),
        ..plain()
    };
    let late: Vec<f64> = Captures::new(scattered(200_000, 1e-4, 1), &timer, 1)
        .map(|h| (h.ticks as f64 - h.edge.at.second as f64 * 16e6) - h.edge.at.part * 16e6)
        .collect();
    let n = late.len() as f64;
    let mean = late.iter().sum::<f64>() / n;
    let variance = late.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / n;
    let expected = (b - a) * (b - a) * mhz * mhz / 12.0 + 1.0 / 12.0;
    assert!((mean - ((a + b) / 2.0 * mhz - 0.5)).abs() < 5.0 * (expected / n).sqrt(), "{mean}");
    // The kurtosis of an even distribution is 1.8.
    assert!((variance / expected - 1.0).abs() < 5.0 * (0.8 / n).sqrt(), "{variance}, {expected} expected");
    let (low, high) = late.iter().fold((f64::MAX, f64::MIN), |(l, h), x| (l.min(*x), h.max(*x)));
    assert!(low > a * mhz - 1.0 && high < b * mhz, "{low} {high}");
}

/// A silence of half a day, in which the clock wanders and handlers run, and one seed gives one result.
#[test]
fn a_silence_changes_nothing() {
    silence(0.03);
    silence(3.0);
}

fn silence(latency_s: f64) {
    let timer = Timer {
        clock_wander_ppb: 300.0,
        overflow_latency_us: (0.0, 40_000.0),
        latency_us: (0.0, latency_s * 1e6),
        ..plain()
    };
    let edges = [0.5, 1.45, 40_000.0, 40_000.2].map(|s| rising(Moment::from_s(s)));
    let run = |seed| -> Vec<Handed> { Captures::new(edges.into_iter(), &timer, seed).collect() };
    assert_eq!(run(1), run(1));
    assert_ne!(run(1), run(2));
    let handed = run(1);
    let last = handed.last().unwrap();
    // In other strides.
    let mut clock = Clock::new(&timer, 1);
    let mut overflows = Overflows::new(&timer, &clock, 1);
    for k in 0..111_112u32 {
        let m = Moment::from_s(f64::from(k) * 0.36);
        let count = clock.count(m);
        overflows.seen(&mut clock, m, count);
    }
    assert_eq!(last.ticks, clock.count(last.edge.at));
    let count = clock.count(last.read);
    let seen = overflows.seen(&mut clock, last.read, count);
    assert_eq!((seen.tallied, seen.pending), (last.tally, last.capture.pending));
    assert!(seen.lost > 0);
}
