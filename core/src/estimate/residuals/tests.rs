use std::vec::Vec;

use proptest::prelude::*;

use super::*;
use crate::config::Length;
use crate::limit::{HORIZON, MAX_PERIOD};

/// One crossing to come: how far off the even train in 1024ths of a period, cycles since the last, and edges refused in between.
type Event = (i32, u8, u8);

/// Mostly what a steady mains sends, now and then a gap or a refused edge.
fn events(count: usize) -> impl Strategy<Value = Vec<Event>> {
    let step = prop_oneof![60 => Just(1u8), 1 => 2u8..=9, 1 => Just(250u8)];
    let refused = prop_oneof![60 => Just(0u8), 1 => 1u8..];
    prop::collection::vec((-100i32..=100, step, refused), count)
}

/// What a window must hold, kept the plain way.
#[derive(Default)]
struct Kept(Vec<(Stamp, u32, u8)>);

impl Kept {
    fn take(&mut self, stamp: Stamp, step: u8, refused: u8, most: usize, longest: u32, reach: u32) {
        let cycle = self.0.last().map_or(0, |last| last.1 + u32::from(step));
        while let Some((first, k, _)) = self.0.first() {
            if self.0.len() < most && cycle - k <= longest && (stamp - *first).count() <= reach {
                break;
            }
            self.0.remove(0);
        }
        self.0.push((stamp, cycle, refused));
    }
}

/// Sends `events` through a window; each time it holds what it must, and its sums are what wide integers make of its crossings.
fn holds<const N: usize>(start: u32, period: u32, cycles: u32, drift: i32, jitter: i32, events: &[Event]) {
    let length = Length { ticks: period.saturating_mul(cycles).min((1 << 31) - 1), share: 1 };
    let (mut window, mut kept) = (Window::<N>::new(), Kept::default());
    let (mut even, mut period) = (start, period);
    window.set_period(period, length);
    let mut fitted = 0;
    for (off, step, refused) in events {
        period = period.saturating_add_signed(drift * (period >> 20).cast_signed());
        // Silence of `HORIZON` and more is a loss of signal: no window hears of it.
        let step = if u64::from(*step) * u64::from(period) < u64::from(HORIZON) { *step } else { 1 };
        even = even.wrapping_add(period.wrapping_mul(step.into()));
        let stamp = Stamp::new(even.wrapping_add_signed(off * jitter));
        let reach = length.ticks + window.period() / 2;
        kept.take(stamp, step, *refused, N, Window::<N>::LONGEST_SPAN, reach);
        window.push(stamp, step, *refused);
        let stamps: Vec<_> = window.members().map(|m| m.stamp).collect();
        assert_eq!(stamps, kept.0.iter().map(|c| c.0).collect::<Vec<_>>());
        assert_eq!(window.rejected(), kept.0.iter().skip(1).map(|c| u32::from(c.2)).sum::<u32>());
        let first = kept.0[0].1;
        assert_eq!(window.cycles(), kept.0.last().unwrap().1 - first);
        let Some(found) = Residuals::of(&window) else { continue };
        fitted += 1;
        window_is_summed(&found, &kept.0.iter().map(|c| c.1 - first).collect::<Vec<_>>());
        let period = found.period;
        window.set_period(period, length);
    }
    assert!(fitted > events.len() / 20, "{fitted}");
}

/// Against i128, and the line is the nearest.
fn window_is_summed<const N: usize>(found: &Residuals<N>, cycles: &[u32]) {
    window_is_summed_only(found, cycles);
    assert!(2 * found.tilt.unsigned_abs() <= found.spread, "the line is not the nearest");
    let (r, rr) = (i128::from(found.sums.r), i128::from(found.sums.rr));
    let (n, tilt, spread) = (cycles.len() as i128, i128::from(found.tilt), i128::from(found.spread));
    if let Some(left) = found.unexplained() {
        // n spread SSR = spread (n rr - r^2) - tilt^2, exactly; within 2^-14, or what 32 bits of the slope's fraction leave of it.
        let exact = spread * (n * rr - r * r) - tilt * tilt;
        let scale = (n * spread) as f64;
        let (exact, rounding) =
            (exact as f64 / scale, if N <= SHORT { 0.0 } else { tilt.abs() as f64 / scale * 5e-10 });
        let told = told(left);
        assert!((told - exact).abs() <= exact / 16_384.0 + rounding + 1e-12, "{told} is not {exact}");
    }
}

fn window_is_summed_only<const N: usize>(found: &Residuals<N>, cycles: &[u32]) {
    let (mut n, mut k, mut kk, mut r, mut kr, mut rr) = (0i128, 0i128, 0i128, 0i128, 0i128, 0i128);
    for ((at, off), cycle) in found.iter().zip(cycles) {
        assert_eq!(at, *cycle);
        let (at, off) = (i128::from(at), i128::from(off));
        (n, k, kk) = (n + 1, k + at, kk + at * at);
        (r, kr, rr) = (r + off, kr + at * off, rr + off * off);
    }
    let s = found.sums;
    assert_eq!((i128::from(s.k), i128::from(s.kk)), (k, kk));
    assert_eq!((i128::from(s.r), i128::from(s.kr), i128::from(s.rr)), (r, kr, rr));
    let (tilt, spread) = (n * kr - k * r, n * kk - k * k);
    assert_eq!((i128::from(found.tilt), i128::from(found.spread)), (tilt, spread));
}

fn told(value: Rough) -> f64 {
    // By comparison with powers of two: no other way out of a `Rough` is needed elsewhere.
    let (mut low, mut size) = (0.0, 0i16);
    if value == Rough::ZERO {
        return 0.0;
    }
    while !value.less_than(Rough::new(1, size)) {
        size += 1;
    }
    while value.less_than(Rough::new(1, size)) {
        size -= 1;
    }
    let mut so_far = 0u64;
    for _ in 0..16 {
        so_far = so_far * 2 + 1;
        if value.less_than(Rough::new(so_far, size)) {
            so_far -= 1;
        }
        low = so_far as f64 * f64::from(size).exp2();
        size -= 1;
    }
    low
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever comes, whatever the wraps of the scale.
    #[test]
    fn a_window_holds_and_sums_the_latest_crossings(
        start: u32,
        period in prop_oneof![64u32..100_000, 64..=MAX_PERIOD],
        cycles in 3u32..100,
        drift in -1000i32..=1000,
        small: bool,
        events in events(400),
    ) {
        let jitter = if small { 1 } else { (period >> 12).cast_signed() };
        holds::<4>(start, period, cycles, drift, jitter, &events);
        holds::<61>(start, period, cycles, drift, jitter, &events);
        holds::<64>(start, period, cycles, drift, jitter, &events);
        holds::<100>(start, period, cycles, drift, jitter, &events);
    }

    /// Both ways of summing are one: what a small processor takes is what all others take.
    #[test]
    fn near_residuals_sum_to_what_far_ones_do(
        start: u32,
        period in 64u32..=MAX_PERIOD,
        crossings in prop::collection::vec((-5_000i32..=5_000, 1u8..=4), 1..64),
    ) {
        let line = Line { at: start, period };
        let (mut at, mut stamps, mut gaps) = (start, Vec::new(), Vec::new());
        for (off, step) in &crossings {
            at = at.wrapping_add(period.wrapping_mul((*step).into()));
            stamps.push(at.wrapping_add_signed(*off));
            gaps.push(Gap { step: *step, refused: 0 });
        }
        let (mut far, mut near) = (Far { line, r: 0, lags: 0, rr: 0 }, Near { line, r: 0, lags: 0, rr: 0 });
        prop_assert!(far.walk((&stamps, &gaps), 1 << 26));
        let fits = crossings.iter().all(|(off, _)| off.unsigned_abs() <= 1 << 12);
        prop_assert_eq!(near.walk((&stamps, &gaps)), fits);
        if fits {
            prop_assert_eq!((i64::from(near.r), i64::from(near.lags), u64::from(near.rr)), (far.r, far.lags, far.rr));
        }
        let (mut few, mut many) = (Few { k: 0, sum: 0, squares: 0 }, Many { k: 0, sum: 0, squares: 0 });
        few.add(&gaps);
        many.add(&gaps);
        prop_assert_eq!((u32::from(few.sum), u64::from(few.squares)), (many.sum, many.squares));
    }
}

/// The extremes that the bounds in the comments speak of: half of a full window with the largest residuals, with and without gaps. Periods
/// are short, so that even the largest windows fit.
#[test]
fn the_largest_residuals_are_summed_exactly() {
    fn extreme<const N: usize>(step: u8, part: u32) {
        let largest = (Residuals::<N>::LARGEST / part).min(1 << 25) - 1;
        let length = Length { ticks: (1 << 31) - 1, share: 1 };
        let mut window = Window::<N>::new();
        window.set_period(64, length);
        let count = u32::try_from(N).unwrap();
        let cycles: Vec<_> = (0..count).map(|i| i * u32::from(step)).collect();
        for (i, at) in cycles.iter().enumerate() {
            // The oldest lies on the line, and no other is before it.
            let off = if i == 0 || i > N / 2 { 0 } else { largest };
            window.push(
                Stamp::new((1u32 << 28).wrapping_add(at * 64).wrapping_add(off)),
                if i == 0 { 0 } else { step },
                0,
            );
        }
        assert_eq!(window.len(), N);
        let mut found = Residuals {
            window: &window,
            period: 64,
            at_oldest: window.member(0).unwrap().stamp,
            tilt: 0,
            spread: 0,
            sums: Sums::default(),
        };
        if found.sum().is_some() {
            window_is_summed_only(&found, &cycles);
        } else {
            // Refused by the tilt's bound, and by nothing else.
            assert!(N > 2_048, "{N}");
        }
    }
    for step in [1, 3] {
        extreme::<4>(step, 1);
        extreme::<63>(step, 1);
        extreme::<64>(step, 1);
        extreme::<65>(step, 1);
        extreme::<1024>(step, 1);
        extreme::<4096>(step, 1);
        extreme::<16384>(step, 1);
        extreme::<16384>(step, 64);
    }
}

/// The first line may be any: one that no sums fit to is taken back to the train.
#[test]
fn a_line_far_from_the_train_is_taken_to_it() {
    // 2 Hz at 100 MHz: residuals against a line 6 % off outgrow their bound within the window.
    let mut window = Window::<64>::new();
    window.set_period(53_000_000, Length { ticks: 2_000_000_000, share: 1 });
    for i in 0u32..42 {
        window.push(Stamp::new(i.wrapping_mul(50_000_000)), 1, 0);
    }
    let found = Residuals::of(&window).unwrap();
    assert_eq!((found.period, found.tilt), (50_000_000, 0));
    // Half a tick a cycle is still the same integer period.
    let mut window = Window::<4>::new();
    window.set_period(1_000, Length { ticks: 10_000, share: 1 });
    for (i, off) in [0, 0, 1].into_iter().enumerate() {
        window.push(Stamp::new(u32::try_from(i).unwrap() * 1_000 + off), 1, 0);
    }
    assert_eq!(Residuals::of(&window).unwrap().period, 1_000);
}
