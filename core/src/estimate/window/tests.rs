use std::vec::Vec;

use proptest::prelude::*;

use super::*;
use crate::estimate::{Estimate, LeastSquares};
use crate::limit::MAX_PERIOD;

/// One crossing to come: how far off the even train in 1024ths of a period, cycles since the last, edges refused in
/// between, and whether a reading is taken after it.
type Event = (i32, u8, u8, bool);

/// Mostly what a steady mains sends, now and then a gap or a refused edge.
fn events(count: usize) -> impl Strategy<Value = Vec<Event>> {
    let step = prop_oneof![60 => Just(1u8), 1 => 2u8..=9, 1 => Just(250u8)];
    let refused = prop_oneof![60 => Just(0u8), 1 => 1u8..];
    prop::collection::vec((-100i32..=100, step, refused, prop::bool::weighted(0.2)), count)
}

/// What a window holds, its sums found afresh.
fn summed<const N: usize>(window: &Window<N>) -> (Sums, u32, u32) {
    let (mut sums, mut k, mut rejected) = (Sums::default(), 0, 0);
    for (i, member) in window.members().enumerate() {
        if i > 0 {
            k += u32::from(member.step);
            rejected += u32::from(window.refused[window.slot(i)]);
        }
        let r = i64::from(window.residual(member.stamp, k));
        let wide = i64::from(k);
        sums.n += 1;
        sums.k += k;
        sums.kk += u64::from(k) * u64::from(k);
        sums.r += r;
        sums.kr += wide * r;
        sums.rr += r * r;
    }
    (sums, k, rejected)
}

/// Sends `events` through a window that slides where it can and one that never does. Returns how often the first slid.
fn both_ways<const N: usize>(start: u32, period: u32, length: u32, drift: i32, events: &[Event]) -> usize {
    let (mut short, mut long) = (Estimate::<N, LeastSquares>::new(), Estimate::<N, LeastSquares>::new());
    let (mut even, mut slid) = (Stamp::new(start), 0);
    // The first line's period is off by up to 6 %, and the train's drifts on.
    let (guess, mut period) = (period.saturating_add_signed(drift * (period >> 14).cast_signed()), period);
    for (off, step, refused, read) in events {
        period = period.saturating_add_signed(drift * (period >> 20).cast_signed());
        even = even + Ticks::new(period.wrapping_mul((*step).into()));
        let stamp = Stamp::new(even.raw().wrapping_add_signed(off * (period >> 10).cast_signed()));
        if (*step, *refused) == (1, 0) && short.slide(stamp) {
            slid += 1;
        } else {
            short.push(stamp, *step, *refused, Length { ticks: length, share: 1 }, guess);
        }
        long.push(stamp, *step, *refused, Length { ticks: length, share: 1 }, guess);
        if *read {
            short.settle(Length { ticks: length, share: 1 });
            long.settle(Length { ticks: length, share: 1 });
        }
        let (short, long) = (short.window(), long.window());
        assert_eq!((short.line, short.rejected), (long.line, long.rejected));
        assert!(short.members().eq(long.members()));
        assert_eq!((short.sums, short.span, short.rejected), summed(short));
        assert_eq!((long.sums, long.span), (short.sums, short.span));
    }
    slid
}

proptest! {
    /// Whatever comes, whatever the wraps of the scale and the changes of the line.
    #[test]
    fn sliding_is_dropping_and_appending(
        start: u32,
        period in prop_oneof![64u32..100_000, 64..=MAX_PERIOD],
        cycles in 1u32..80,
        drift in -1000i32..=1000,
        events in events(600),
    ) {
        let length = period.saturating_mul(cycles).min((1 << 31) - 1);
        both_ways::<4>(start, period, length, drift, &events);
        both_ways::<61>(start, period, length, drift, &events);
    }
}

#[test]
fn a_steady_train_slides_once_the_window_is_full() {
    let slid = |length, jitter| {
        let events: Vec<Event> = (0..2_000).map(|i| (jitter * (i * 37 % 7 - 3), 1, 0, i % 5 == 0)).collect();
        both_ways::<64>(u32::MAX - 30_000_000, 40_000, length, 0, &events)
    };
    // By time: fifty cycles are fifty-one crossings. By place: sixty-four crossings.
    assert_eq!(slid(2_000_000, 1), 2_000 - 51);
    assert_eq!(slid(3_600_000, 1), 2_000 - 64);
    // Half a period more than the length is still inside, to the tick.
    assert_eq!(slid(2_020_000, 0), 2_000 - 52);
    assert_eq!(slid(2_019_999, 0), 2_000 - 51);
}

/// A window of crossings at these distances from a line of 1000 ticks.
fn off_the_line(residuals: [i32; 3]) -> Window<4> {
    let mut window = Window::new();
    window.start(Stamp::new(0), 1_000);
    for r in &residuals[1..] {
        let at = (1_000 * (window.cycles() + 1)).cast_signed() + r - residuals[0];
        window.append(Stamp::new(at.cast_unsigned()), r - residuals[0], 1, 0);
    }
    window.shift(-residuals[0], 0).unwrap();
    window
}

/// Half a tick a cycle is still the same integer period, and 1023 ticks are no distance.
#[test]
fn a_line_is_settled_to_half_a_tick_a_cycle_and_a_thousand_ticks() {
    for (residuals, settled) in [
        ([0, 0, 1], true),
        ([0, 0, -1], true),
        ([0, 0, 2], false),
        ([0, 0, -2], false),
        ([1_023; 3], true),
        ([-1_023; 3], true),
        ([1_024; 3], false),
        ([-1_024; 3], false),
    ] {
        let mut window = off_the_line(residuals);
        assert_eq!(summed(&window).0, window.sums);
        let Moved { level, slope } = window.settle().unwrap();
        assert_eq!((level, slope) == (0, 0), settled, "{residuals:?}");
        assert_eq!(summed(&window).0, window.sums);
    }
}

/// What a full window slides by is no more true of an empty one.
#[test]
fn a_cleared_window_does_not_slide() {
    let length = Length { ticks: 1_000_000, share: 1 };
    let mut estimate = Estimate::<8, LeastSquares>::new();
    for k in 0..8 {
        assert!(!estimate.slide(Stamp::new(k * 1_000)));
        estimate.push(Stamp::new(k * 1_000), 1, 0, length, 1_000);
    }
    assert!(estimate.slide(Stamp::new(8_000)));
    estimate.clear();
    assert!(!estimate.slide(Stamp::new(9_000)));
    assert!(estimate.window().is_empty());
}

#[test]
fn a_line_that_leaves_the_train_is_taken_back_to_it() {
    // 2 Hz at 100 MHz: residuals against a line 6 % off outgrow their bound within a window.
    let mut estimate = Estimate::<64, LeastSquares>::new();
    let mut lines = Vec::new();
    for i in 0u32..300 {
        estimate.push(
            Stamp::new(i.wrapping_mul(50_000_000)),
            1,
            0,
            Length { ticks: 2_000_000_000, share: 1 },
            53_000_000,
        );
        lines.push(estimate.window().line.period);
    }
    lines.dedup();
    assert_eq!(lines, [53_000_000, 50_000_000]);
    assert_eq!(summed(estimate.window()).0, estimate.window().sums);
}

/// The largest windows on mains that wanders widely and smoothly, a fast clock and much jitter: the sums are what the members make
/// them, and what is said of the slope is what wide integers say.
fn wander<const N: usize>(depth: f64, swing: f64, jitter: f64, window: f64) {
    const TICK_HZ: f64 = 1e8;
    let length = Length { ticks: (window * TICK_HZ) as u32, share: 1 };
    let mut estimate = Estimate::<N, LeastSquares>::new();
    let (mut t, mut phase, mut seed) = (0.0, 0.0f64, 1u64);
    let (mut told, mut longest) = (0, 0);
    for i in 0..3 * N {
        let hz = 54.0 * (1.0 + depth * phase.sin());
        t += 1.0 / hz;
        phase = t / swing * std::f64::consts::TAU;
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let off = ((seed >> 33) as f64 / f64::from(1u32 << 31) - 0.5) * jitter;
        let stamp = Stamp::new((t * TICK_HZ + off) as u64 as u32);
        if !estimate.slide(stamp) {
            estimate.push(stamp, 1, 0, length, (TICK_HZ / hz) as u32);
        }
        if i % 97 != 0 {
            continue;
        }
        let window = estimate.window();
        longest = longest.max(window.len());
        assert_eq!((window.sums, window.span), (summed(window).0, summed(window).1));
        let s = window.sums;
        let (n, k, r) = (i128::from(s.n), i128::from(s.k), i128::from(s.r));
        let tilt = n * i128::from(s.kr) - k * r;
        if let Some((it, _)) = s.slope() {
            assert_eq!(i128::from(it), tilt);
            told += 1;
        }
        estimate.settle(length);
        let moved = estimate.window();
        assert_eq!((moved.sums, moved.span), (summed(moved).0, summed(moved).1));
        estimate.fit(crate::arithmetic::Scaled::new(1, 0));
    }
    // Never with one crossing: at the start, and where the window has just begun anew.
    assert!(told > 3 * N / 97 - 8, "{told}");
    assert!(longest > 20, "{longest}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn wide_wander_is_summed_exactly(depth in 0.0f64..0.19, swing in 5.0f64..60.0, jitter in 0.0f64..60_000.0) {
        wander::<1024>(depth, swing, jitter, 21.0);
        wander::<4096>(depth, swing, jitter, 21.0);
    }
}
