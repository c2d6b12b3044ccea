//! The short way against each wrap in turn.

use proptest::prelude::*;

use super::*;
use crate::timer::tests::plain;

/// Every wrap's fate up to `m`, one after another.
fn one_by_one(overflows: &Overflows, mut clock: Clock, count: u64, m: Moment) -> Tally {
    let clock = &mut clock;
    let mut due: Option<Moment> = None;
    let mut tally = Tally { tallied: 0, pending: false, lost: 0 };
    for wrap in 1..=count >> overflows.bits {
        let at = clock.when(wrap << overflows.bits);
        if due.is_some_and(|due| at < due) {
            tally.lost += 1;
            continue;
        }
        tally.tallied += u64::from(due.is_some());
        due = Some(overflows.runs(clock, wrap));
    }
    tally.pending = due.is_some_and(|due| m < due);
    tally.tallied += u64::from(due.is_some_and(|due| due <= m));
    tally
}

proptest! {
    /// 8 bits at 1 MHz wrap every 256 us; latencies from none to four wraps, constant and scattered.
    #[test]
    fn as_if_every_wrap_had_been_walked_through(
        low in 0.0..1_000.0,
        more in prop_oneof![Just(0.0), 0.0..100.0, 0.0..600.0],
        start in 0u32..256,
        clock_ppm in -500.0..500.0,
        gaps in prop::collection::vec(prop_oneof![1e-7..1e-3, 1e-3..2e-2], 1..30),
        seed: u64,
    ) {
        let overflow_latency_us = (low, low + more);
        let timer = Timer { tick_hz: 1_000_000, bits: 8, start, clock_ppm, overflow_latency_us, ..plain() };
        let mut clock = Clock::new(&timer, seed);
        let mut short = Overflows::new(&timer, &clock, seed);
        let mut long = Overflows { each: None, ..Overflows::new(&timer, &clock, seed) };
        let mut m = Moment::default();
        for gap in gaps {
            m = m.later(gap);
            let count = clock.count(m);
            let truth = one_by_one(&short, Clock::new(&timer, seed), count, m);
            prop_assert_eq!(short.seen(&mut clock, m, count), truth);
            prop_assert_eq!(long.seen(&mut clock, m, count), truth);
        }
    }
}

#[test]
fn the_short_way_is_taken_wherever_it_can_be() {
    let each = |low: f64, high: f64, clock_wander_ppb: f64| {
        let timer = Timer { overflow_latency_us: (low, high), clock_wander_ppb, ..plain() };
        Overflows::new(&timer, &Clock::new(&timer, 1), 1).each
    };
    // A wrap is 32,768 us.
    assert_eq!(each(0.0, 0.0, 0.0), Some(1));
    assert_eq!(each(0.0, 32_767.0, 0.0), Some(1));
    assert_eq!(each(0.0, 32_769.0, 0.0), None);
    assert_eq!(each(33_000.0, 65_000.0, 0.0), Some(2));
    assert_eq!(each(100_000.0, 100_000.0, 0.0), Some(4));
    // Ten standard deviations of the wander leave the limit on either side.
    assert_eq!(each(32_767.9, 32_767.9, 1_000.0), None);
}

/// A day of a 1 GHz counter of 8 bits has 3.4e11 wraps; 86,400 looks at them must be a matter of milliseconds.
#[test]
fn wraps_that_matter_to_nobody_cost_nothing() {
    let timer = Timer { tick_hz: 1_000_000_000, bits: 8, overflow_latency_us: (0.0, 0.2), ..plain() };
    let mut clock = Clock::new(&timer, 1);
    let mut overflows = Overflows::new(&timer, &clock, 1);
    let (mut waited, mut looks) = (0u32, 0u32);
    for second in 1..86_400u64 {
        let m = Moment { second, part: (second as f64 * 0.618_033_988_749_894_9).fract() };
        let count = clock.count(m);
        let tally = overflows.seen(&mut clock, m, count);
        assert_eq!(tally.tallied + u64::from(tally.pending), count >> 8);
        assert_eq!(tally.lost, 0);
        waited += u32::from(tally.pending);
        looks += 1;
    }
    // A latency of 0.1 us on average in a wrap of 0.256.
    let share = f64::from(waited) / f64::from(looks);
    assert!((share - 0.1 / 0.256).abs() < 0.01, "{share}");
}
