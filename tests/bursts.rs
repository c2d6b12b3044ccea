//! Which instant of a burst is taken: exactly, on all small cases, and statistically, on noise around a ramp.

use std::convert::Infallible;
use std::f64::consts::PI;

use humtick::burst::{Gathered, MAX_SPAN, SpanError};
use humtick::source::Replay;
use humtick::{Bursts, Edge, Pick, Polarity, Source, Stamp, Ticks};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;

const PICKS: [Pick; 3] = [Pick::First, Pick::Middle, Pick::Mean];

fn bursts(pick: Pick, span: u32) -> Bursts {
    Bursts::new(pick, Ticks::new(span)).unwrap()
}

fn edge(at: u32, rising: bool) -> Edge {
    let polarity = if rising { Polarity::Rising } else { Polarity::Falling };
    Edge { stamp: Stamp::new(at), polarity }
}

/// All that a collector says about `edges`, the last burst by an idle call long after.
fn gathered(mut bursts: Bursts, edges: &[Edge]) -> (Vec<Edge>, u32) {
    let mut out: Vec<Edge> = edges.iter().filter_map(|e| bursts.push(*e)).collect();
    if let Some(last) = edges.last() {
        out.extend(bursts.idle(last.stamp + Ticks::new(MAX_SPAN + 1)));
    }
    (out, bursts.impulses())
}

/// The same by the book, in integers that cannot wrap: edges as (time, rising), `origin` the stamp of time zero.
fn by_the_book(pick: Pick, span: i64, edges: &[(i64, bool)], origin: u32) -> (Vec<Edge>, u32) {
    let mut groups: Vec<Vec<(i64, bool)>> = Vec::new();
    for e in edges {
        match groups.last_mut().filter(|g| e.0 - g[0].0 <= span) {
            Some(group) => group.push(*e),
            None => groups.push(vec![*e]),
        }
    }
    let (mut out, mut impulses) = (Vec::new(), 0);
    for group in groups {
        let (first, last) = (group[0], group[group.len() - 1]);
        let counted = &group[..group.len().min(255)];
        let (sum, n) = (counted.iter().map(|e| e.0).sum::<i64>(), i64::try_from(counted.len()).unwrap());
        // The nearest integer to p/q with halves down is ceil(p/q - 1/2) = -floor((q - 2p)/2q).
        let nearest = |p: i64, q: i64| -(q - 2 * p).div_euclid(2 * q);
        let (at, rising) = match pick {
            Pick::First => first,
            _ if first.1 != last.1 => {
                impulses += 1;
                continue;
            }
            Pick::Middle => (nearest(first.0 + last.0, 2), first.1),
            Pick::Mean => (nearest(sum, n), first.1),
        };
        let wrapped = u32::try_from((i64::from(origin) + at).rem_euclid(1 << 32)).unwrap();
        out.push(edge(wrapped, rising));
    }
    (out, impulses)
}

fn stamped(edges: &[(i64, bool)], origin: u32) -> Vec<Edge> {
    edges.iter().map(|(at, rising)| edge(origin.wrapping_add(u32::try_from(*at).unwrap()), *rising)).collect()
}

#[test]
fn every_train_of_six_edges_is_gathered_by_the_book() {
    // Gaps below, at and above the span of 3, and none at all; every pattern of polarities; across the end of the
    // scale.
    let gaps = [0, 1, 3, 4];
    for pattern in 0..4_u32.pow(5) {
        let mut at = 0;
        let mut times = vec![0];
        for i in 0..5 {
            at += gaps[(pattern / 4_u32.pow(i) % 4) as usize];
            times.push(at);
        }
        for levels in 0..64_u32 {
            let edges: Vec<(i64, bool)> =
                times.iter().zip(0..).map(|(t, i)| (*t, levels >> i & 1 == 1)).collect();
            for pick in PICKS {
                let found = gathered(bursts(pick, 3), &stamped(&edges, u32::MAX - 4));
                assert_eq!(found, by_the_book(pick, 3, &edges, u32::MAX - 4), "{pick:?} {edges:?}");
            }
        }
    }
}

#[test]
fn first_speaks_at_once_and_the_others_one_tick_after_the_span() {
    let mut first = bursts(Pick::First, 10);
    assert_eq!(first.push(edge(100, true)), Some(edge(100, true)));
    assert_eq!(first.push(edge(110, true)), None);
    assert_eq!(first.idle(Stamp::new(200)), None);
    // Forgotten by the idle call: a whole turn of the scale later this is no part of the old burst.
    assert_eq!(first.push(edge(105, true)), Some(edge(105, true)));

    for pick in [Pick::Middle, Pick::Mean] {
        let mut late = bursts(pick, 10);
        assert_eq!(late.idle(Stamp::new(0)), None);
        assert_eq!(late.push(edge(100, true)), None);
        assert_eq!(late.push(edge(105, true)), None);
        assert_eq!(late.idle(Stamp::new(110)), None);
        // A look at the time from before the burst says nothing.
        assert_eq!(late.idle(Stamp::new(99)), None);
        assert_eq!(late.idle(Stamp::new(111)), Some(edge(102, true)));
        assert_eq!(late.idle(Stamp::new(112)), None);
    }
}

#[test]
fn an_impulse_is_no_crossing_unless_one_polarity_is_all_there_is() {
    for pick in [Pick::Middle, Pick::Mean] {
        assert_eq!(gathered(bursts(pick, 10), &[edge(0, true), edge(4, false)]), (vec![], 1));
        assert_eq!(gathered(bursts(pick, 10), &[edge(0, true), edge(4, true)]), (vec![edge(2, true)], 0));
        // An edge lost inside the burst changes nothing: the level still went from low to high.
        let lost_one = [edge(0, true), edge(2, false), edge(4, false), edge(6, true)];
        assert_eq!(gathered(bursts(pick, 10), &lost_one), (vec![edge(3, true)], 0));
    }
    let passed = vec![edge(0, true)];
    assert_eq!(gathered(bursts(Pick::First, 10), &[edge(0, true), edge(4, false)]), (passed, 0));
}

#[test]
fn the_longest_burst_with_the_most_edges_stays_exact() {
    // 600 edges, nearly all at the very end of the longest span: the sum of the first 255 is as large as it can get.
    let span = i64::from(MAX_SPAN);
    let edges: Vec<(i64, bool)> = (0..600).map(|i| (if i == 0 { 0 } else { span }, true)).collect();
    for pick in PICKS {
        let (found, book) =
            (gathered(bursts(pick, MAX_SPAN), &stamped(&edges, 7)), by_the_book(pick, span, &edges, 7));
        assert_eq!(found, book);
    }
    // Edges beyond the 255th are in the burst but not in the mean.
    let late: Vec<(i64, bool)> = (0..256).map(|i| (if i < 255 { 0 } else { 1_000 }, true)).collect();
    assert_eq!(gathered(bursts(Pick::Mean, 1_000), &stamped(&late, 0)).0, [edge(0, true)]);
    assert_eq!(gathered(bursts(Pick::Middle, 1_000), &stamped(&late, 0)).0, [edge(500, true)]);
}

#[test]
fn spans_out_of_range_are_refused() {
    for span in [0, MAX_SPAN + 1, u32::MAX] {
        assert_eq!(Bursts::new(Pick::Mean, Ticks::new(span)).unwrap_err(), SpanError);
    }
    assert!(SpanError.to_string().contains(&format!("1 to {MAX_SPAN} ticks")));
    for span in [1, MAX_SPAN] {
        assert!(Bursts::new(Pick::Mean, Ticks::new(span)).is_ok());
    }
}

#[test]
fn a_gathered_source_ends_a_burst_when_its_time_is_over() {
    /// Hands over what has come by now.
    struct Queue(Vec<Option<Edge>>);
    impl Source for Queue {
        type Error = Infallible;
        fn next_edge(&mut self) -> nb::Result<Edge, Infallible> {
            self.0.pop().flatten().ok_or(nb::Error::WouldBlock)
        }
    }
    let script = [
        Some(edge(100, true)),
        Some(edge(104, true)),
        None,
        None,
        Some(edge(300, true)),
        Some(edge(500, true)),
    ];
    let mut looks = [100, 104, 110, 111, 311, 500, 511].into_iter();
    let queue = Queue(script.into_iter().rev().collect());
    let mut source = Gathered::new(queue, bursts(Pick::Mean, 10), || Stamp::new(looks.next().unwrap()));
    assert_eq!(source.next_edge(), Err(nb::Error::WouldBlock));
    assert_eq!(source.next_edge(), Ok(edge(102, true)));
    // The look at 311 came before the edge at 300 was fetched, so it does not end that burst; the next edge does.
    assert_eq!(source.next_edge(), Ok(edge(300, true)));
    assert_eq!(source.next_edge(), Ok(edge(500, true)));
    assert_eq!(source.bursts().impulses(), 0);

    let list = [edge(0, true), edge(4, false), edge(40_000, true)];
    let mut source = Gathered::new(Replay::new(list.into_iter()), bursts(Pick::Middle, 10), || Stamp::new(0));
    assert_eq!(source.next_edge(), Err(nb::Error::WouldBlock));
    assert_eq!(source.bursts().impulses(), 1);
}

proptest! {
    #[test]
    fn every_burst_gives_one_edge_in_order_or_is_an_impulse(
        gaps in prop::collection::vec((prop_oneof![0i64..50, 0i64..3_000, 0i64..(1 << 22)], any::<bool>()), 1..400),
        span in 1u32..=2_000,
        origin: u32,
    ) {
        let mut at = 0;
        let edges: Vec<(i64, bool)> = gaps.iter().map(|(gap, rising)| { at += gap; (at, *rising) }).collect();
        let stamps: Vec<Edge> = edges.iter()
            .map(|(t, rising)| edge(u32::try_from((i64::from(origin) + t) % (1 << 32)).unwrap(), *rising))
            .collect();
        for pick in PICKS {
            let (found, impulses) = gathered(bursts(pick, span), &stamps);
            prop_assert_eq!(&(found.clone(), impulses), &by_the_book(pick, span.into(), &edges, origin));
            for pair in found.windows(2) {
                prop_assert!(pair[1].stamp.since(pair[0].stamp).is_some());
            }
        }
    }
}

/// Gaussian noise of unit variance with a brick-wall spectrum up to bandwidth 1: normal draws every 0.4, each with a
/// sinc under a Kaiser window (beta 6.8, 16 long), whose cut-off is chosen so that the slope's standard deviation is
/// the brick wall's, 2 pi/sqrt(3).
struct Noise {
    /// Weights of value and slope on the grid points at a draw and half way to the next.
    taps: [Vec<(f64, f64)>; 2],
}

impl Noise {
    const DRAW: f64 = 0.4;
    const STEP: f64 = 0.2;
    const HALF: f64 = 8.0;

    fn new() -> Self {
        let wanted = 4.0 * PI * PI / 3.0;
        let (mut low, mut high) = (0.8, 1.2);
        for _ in 0..50 {
            let cutoff = f64::midpoint(low, high);
            if Self::power(&Self::pulse(cutoff, 0.0)).1 < wanted { low = cutoff } else { high = cutoff }
        }
        let taps = [0.0, Self::STEP].map(|phase| {
            let pulse = Self::pulse(low, phase);
            let scale = pulse.iter().map(|(v, _)| v * v).sum::<f64>().sqrt();
            pulse.into_iter().map(|(v, s)| (v / scale, s / scale)).collect()
        });
        Self { taps }
    }

    /// Variance of the slope for unit variance of the value.
    fn power(pulse: &[(f64, f64)]) -> (f64, f64) {
        let value: f64 = pulse.iter().map(|(v, _)| v * v).sum();
        (value, pulse.iter().map(|(_, s)| s * s).sum::<f64>() / value)
    }

    fn pulse(cutoff: f64, phase: f64) -> Vec<(f64, f64)> {
        let at = |t: f64| {
            let x = 2.0 * PI * cutoff * t;
            let sinc = if x == 0.0 { 1.0 } else { x.sin() / x };
            let inside = 1.0 - (t / Self::HALF).powi(2);
            if inside <= 0.0 { 0.0 } else { sinc * bessel_i0(6.8 * inside.sqrt()) / bessel_i0(6.8) }
        };
        let h = 1e-5;
        (-20..20)
            .map(|i| f64::from(i) * Self::DRAW + phase)
            .map(|t| (at(t), (at(t + h) - at(t - h)) / (2.0 * h)))
            .collect()
    }

    /// Value and slope on a grid of `points` steps.
    fn draw(&self, points: usize, rng: &mut Pcg64Mcg) -> Vec<(f64, f64)> {
        let draws: Vec<f64> = StandardNormal.sample_iter(rng).take(points / 2 + 41).collect();
        (0..points)
            .map(|i| {
                let mut sum = (0.0, 0.0);
                for (tap, x) in self.taps[i % 2].iter().zip(draws[i / 2..i / 2 + 40].iter().rev()) {
                    sum = (sum.0 + tap.0 * x, sum.1 + tap.1 * x);
                }
                sum
            })
            .collect()
    }
}

fn bessel_i0(x: f64) -> f64 {
    let mut term = 1.0;
    (1..40)
        .map(|k| {
            term *= (x / 2.0 / f64::from(k)).powi(2);
            term
        })
        .sum::<f64>()
        + 1.0
}

/// Times at which slope * t + noise goes through zero, in units of sigma/slope from where the ramp alone does.
fn zeros(noise: &Noise, r: f64, rng: &mut Pcg64Mcg) -> Vec<f64> {
    // sigma = B = 1, so the slope is sigma'/r.
    let slope = 2.0 * PI / 3.0_f64.sqrt() / r;
    let half = (7.0 / slope / Noise::STEP).ceil();
    let grid = noise.draw(2 * half as usize, rng);
    let mut found = Vec::new();
    for (i, pair) in grid.windows(2).enumerate() {
        let t0 = (i as f64 - half) * Noise::STEP;
        let (v0, v1) = (pair[0].0 + slope * t0, pair[1].0 + slope * (t0 + Noise::STEP));
        if (v0 < 0.0) == (v1 < 0.0) && v0.abs().min(v1.abs()) > 1.5 {
            continue;
        }
        let (m0, m1) = ((pair[0].1 + slope) * Noise::STEP, (pair[1].1 + slope) * Noise::STEP);
        // Cubic Hermite, looked at in eighths.
        let (c, d) = (3.0 * (v1 - v0) - 2.0 * m0 - m1, 2.0 * (v0 - v1) + m0 + m1);
        let cubic = |u: f64| v0 + u * (m0 + u * (c + u * d));
        let mut before = v0;
        for j in 1..=8 {
            let u = f64::from(j) / 8.0;
            let value = if j == 8 { v1 } else { cubic(u) };
            if (before < 0.0) != (value < 0.0) {
                let root = u - 0.125 * value / (value - before);
                found.push((t0 + root * Noise::STEP) * slope);
            }
            before = value;
        }
    }
    found
}

/// Mean and standard deviation.
fn statistics(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (mean, (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt())
}

/// 20,000 crossings, rising and falling in turn, at a slew ratio `r`; the expected mean and standard deviation of
/// first, middle and mean. These numbers were computed by Monte Carlo with another generator (sums of 400 cosines,
/// 24,000 crossings); there is no outside source. What each burst should give to a tick is computed here, from the
/// zeros of the waveform itself.
fn check_noisy_ramps(r: f64, expected: [(f64, f64); 3]) {
    const TICKS: f64 = 1_000.0;
    let noise = Noise::new();
    let mut rng = Pcg64Mcg::seed_from_u64(4711);
    let mut edges = Vec::new();
    let mut truths: [Vec<f64>; 3] = Default::default();
    for k in 0..20_000_u32 {
        // Ten turns of the scale: 20,000 times 2.3 million ticks.
        let origin = k.wrapping_mul(2_300_000);
        let zeros = zeros(&noise, r, &mut rng);
        assert!(zeros.len() % 2 == 1, "the ramp ends on the other side");
        let mut rising = k % 2 == 0;
        for zero in &zeros {
            edges.push(edge(origin.wrapping_add_signed((zero * TICKS).round() as i32), rising));
            rising = !rising;
        }
        let (first, last) = (zeros[0], zeros[zeros.len() - 1]);
        let mean = zeros.iter().sum::<f64>() / zeros.len() as f64;
        for (truth, value) in truths.iter_mut().zip([first, f64::midpoint(first, last), mean]) {
            truth.push(value);
        }
    }
    for ((pick, truth), (mean, sd)) in PICKS.into_iter().zip(&truths).zip(expected) {
        let (found, impulses) = gathered(bursts(pick, 8_000), &edges);
        assert_eq!((found.len(), impulses), (20_000, 0));
        let mut instants = Vec::new();
        for ((picked, want), k) in found.iter().zip(truth).zip(0_u32..) {
            assert_eq!(picked.polarity == Polarity::Rising, k % 2 == 0);
            let off = picked.stamp.raw().wrapping_sub(k.wrapping_mul(2_300_000)).cast_signed();
            // The edges are rounded to half a tick, and so is their middle or mean.
            assert!((f64::from(off) - want * TICKS).abs() <= 1.0, "{pick:?}: {off} for {want}");
            instants.push(f64::from(off) / TICKS);
        }
        let (found_mean, found_sd) = statistics(&instants);
        assert!((found_mean - mean).abs() < 0.02, "{pick:?} at r = {r}: mean {found_mean}");
        // 20,000 draws know it to 0.5 %, and the other generator's as many.
        assert!((found_sd / sd - 1.0).abs() < 0.025, "{pick:?} at r = {r}: sd {found_sd}");
    }
}

#[test]
fn three_edges_a_crossing_scatter_as_computed() {
    check_noisy_ramps(3.55, [(-0.635, 0.763), (0.0, 0.548), (0.0, 0.597)]);
}

#[test]
fn eight_edges_a_crossing_scatter_as_computed() {
    check_noisy_ramps(10.0, [(-1.145, 0.650), (0.0, 0.457), (0.0, 0.432)]);
}
