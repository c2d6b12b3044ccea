//! Lines and frames a second, there and back, on the host.

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use humtick::link::{Compact, Decoder, Format, MAX_FRAME, MAX_LINE, Record, Text, frame, line};
use humtick::{Frequency, State};

const RECORDS: u16 = 10_000;

fn records() -> Vec<Record> {
    let record = |sequence: u16| Record {
        sequence,
        time_ms: 100 * u32::from(sequence),
        state: State::Locked,
        frequency: Some(Frequency::from_nanohertz(50_000_000_000 + 7_919 * u64::from(sequence))),
        uncertainty: Some(Frequency::from_nanohertz(411_008)),
        rocof: Some(-12_345_678),
        missed: 0,
        rejected: 2,
    };
    (0..RECORDS).map(record).collect()
}

/// How many records come out of `bytes`, which come in pieces as a socket gives them.
fn decoded<F: Format>(bytes: &[u8]) -> u32 {
    let mut decoder = Decoder::<F>::new();
    for piece in bytes.chunks(4_096) {
        decoder.push(piece, |record| {
            black_box(record).expect("nothing is damaged");
        });
    }
    decoder.counts().records
}

fn all(c: &mut Criterion) {
    let records = records();
    let lines: Vec<u8> = records.iter().flat_map(|r| line(r, &mut [0; MAX_LINE]).to_vec()).collect();
    let frames: Vec<u8> = records.iter().flat_map(|r| frame(r, &mut [0; MAX_FRAME]).to_vec()).collect();
    assert_eq!((decoded::<Text>(&lines), decoded::<Compact>(&frames)), (RECORDS.into(), RECORDS.into()));
    let mut group = c.benchmark_group("link");
    group.throughput(Throughput::Elements(RECORDS.into()));
    group.bench_function("lines read", |b| b.iter(|| decoded::<Text>(black_box(&lines))));
    group.bench_function("frames read", |b| b.iter(|| decoded::<Compact>(black_box(&frames))));
    group.bench_function("lines written", |b| {
        b.iter(|| records.iter().map(|r| line(black_box(r), &mut [0; MAX_LINE]).len()).sum::<usize>())
    });
    group.bench_function("frames written", |b| {
        b.iter(|| records.iter().map(|r| frame(black_box(r), &mut [0; MAX_FRAME]).len()).sum::<usize>())
    });
    group.finish();
}

criterion_group!(benches, all);
criterion_main!(benches);
