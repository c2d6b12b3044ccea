//! What a pushed edge costs, beside the loop a firmware author would write by hand.

use std::hint::black_box;

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use humtick::{
    Config, Edge, EndToEnd, Estimator, LastPeriod, LeastSquares, Meter, Stamp, TickRate, Triangular,
};

const TICK_HZ: u32 = 2_000_000;

/// Ten minutes of 60 Hz: crossings with a few ticks of wander, the same every time.
fn edges() -> Vec<Edge> {
    (0..36_000u64)
        .map(|cycle| {
            let ideal = cycle * u64::from(TICK_HZ) / 60;
            // Bits of a multiplicative hash: 0 to 7 ticks of jitter.
            let jitter = cycle.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 61;
            Edge::rising(Stamp::new((ideal + jitter) as u32))
        })
        .collect()
}

fn meter<E: Estimator>() -> Meter<64, E> {
    Meter::new(&Config::mains(TickRate::from_hz(TICK_HZ).unwrap())).unwrap()
}

fn bench<E: Estimator>(c: &mut Criterion, name: &str, edges: &[Edge], readings: bool) {
    let mut group = c.benchmark_group("push");
    group.throughput(Throughput::Elements(edges.len() as u64));
    group.bench_function(name, |b| {
        b.iter_batched_ref(
            meter::<E>,
            |meter| {
                for edge in edges {
                    black_box(&meter.push(black_box(*edge)));
                    if readings && let Some(reading) = meter.take_reading() {
                        black_box(&reading);
                    }
                }
            },
            BatchSize::SmallInput,
        );
    });
    group.finish();
}

fn by_hand(c: &mut Criterion, edges: &[Edge]) {
    let mut group = c.benchmark_group("push");
    group.throughput(Throughput::Elements(edges.len() as u64));
    group.bench_function("by hand: last period in f64", |b| {
        b.iter(|| {
            let mut last = 0u32;
            for edge in edges {
                let now = black_box(*edge).stamp.raw();
                let ticks = now.wrapping_sub(last);
                last = now;
                black_box(f64::from(TICK_HZ) / f64::from(ticks));
            }
        });
    });
    group.finish();
}

fn all(c: &mut Criterion) {
    let edges = edges();
    by_hand(c, &edges);
    bench::<LeastSquares>(c, "least squares", &edges, false);
    bench::<LeastSquares>(c, "least squares, ten readings a second", &edges, true);
    bench::<LastPeriod>(c, "last period, ten readings a second", &edges, true);
    bench::<EndToEnd>(c, "end to end, ten readings a second", &edges, true);
    bench::<Triangular>(c, "triangular, ten readings a second", &edges, true);
}

criterion_group!(benches, all);
criterion_main!(benches);
