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
