//! Deviations against published figures, against their laws, and against sums written straight from the definition.

use humtick_sim::stability::{Deviations, Phase, StabilityError};
use proptest::prelude::*;

/// The generator of NIST SP 1065, section 12.4: n -> 16807 n mod (2^31 - 1) from 1234567890, over 2^31 - 1. White, uniform in
/// 0 to 1, so its standard deviation is 1/sqrt(12).
fn uniform(count: usize) -> Vec<f64> {
    let mut n = 1_234_567_890u64;
    (0..count)
        .map(|_| {
            let y = n as f64 / 2_147_483_647.0;
            n = 16_807 * n % 2_147_483_647;
            y
        })
        .collect()
}

/// Frequencies of the small set, section 12.4 (first in NBS Monograph 140).
const SMALL: [f64; 9] = [892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0];

/// The same as phase, as printed: the sum of frequencies less their mean.
const SMALL_PHASE: [f64; 10] =
    [0.0, 103.11111, 123.22222, 157.33333, 166.44444, 48.55555, -96.33333, -2.22222, 111.88889, 0.0];

/// tau (= m), ADEV, OADEV, MDEV, TDEV. NIST SP 1065 (W. J. Riley, 2008), section 12.4, Table 30.
const TABLE_30: [(usize, [f64; 4]); 2] =
    [(1, [91.22945, 91.22945, 91.22945, 52.67135]), (2, [115.8082, 85.95287, 74.78849, 86.35831])];

/// The same for 1000 numbers of the generator, Table 31.
const TABLE_31: [(usize, [f64; 4]); 3] = [
    (1, [0.2922319, 0.2922319, 0.2922319, 0.1687202]),
    (10, [0.09965736, 0.09159953, 0.06172376, 0.3563623]),
    (100, [0.03897804, 0.03241343, 0.02170921, 1.253382]),
];

fn four(d: &Deviations) -> [f64; 4] {
    [d.adev.value, d.oadev.value, d.mdev.value, d.tdev_s]
}

/// Seven printed figures are within half a unit of the last: 5e-7 of a number that begins with 1, less of others.
#[track_caller]
fn check(phase: &Phase, table: &[(usize, [f64; 4])]) {
    for (m, printed) in table {
        let ours = four(&phase.deviations(*m).unwrap());
        for (ours, printed) in ours.iter().zip(printed) {
            assert!((ours / printed - 1.0).abs() <= 5e-7, "m = {m}: {ours} for {printed}");
        }
    }
}

#[test]
fn the_published_small_set() {
    check(&Phase::from_fractional(&SMALL, 1.0).unwrap(), &TABLE_30);
    check(&Phase::from_phase(SMALL_PHASE.to_vec(), 1.0).unwrap(), &TABLE_30);
}

#[test]
fn the_published_thousand() {
    let y = uniform(1000);
    // The suite's own check of the generator: n[1..4].
    let n: Vec<_> = y[1..4].iter().map(|y| (y * 2_147_483_647.0).round()).collect();
    assert_eq!(n, [395_529_916.0, 1_209_410_747.0, 633_705_974.0]);
    check(&Phase::from_fractional(&y, 1.0).unwrap(), &TABLE_31);
}

#[test]
fn terms_are_counted() {
    let phase = Phase::from_fractional(&SMALL, 0.5).unwrap();
    let terms = |m| {
        let d = phase.deviations(m).unwrap();
        [d.adev.terms, d.oadev.terms, d.mdev.terms]
    };
    // N = 10 phase points.
    assert_eq!(terms(1), [8, 8, 8]);
    assert_eq!(terms(2), [3, 6, 5]);
    assert_eq!(terms(3), [2, 4, 2]);
    assert_eq!((phase.deviations(0), phase.deviations(4)), (None, None));
    assert_eq!(phase.deviations(3).unwrap().tau_s, 1.5);
}

#[test]
fn averaging_times_end_at_a_third() {
    let phase = |n| Phase::from_fractional(&uniform(n), 0.1).unwrap();
    assert_eq!(phase(3).octaves(), [1]);
    assert_eq!(phase(47).octaves(), [1, 2, 4, 8]);
    assert_eq!(phase(48).octaves(), [1, 2, 4, 8, 16]);
    assert_eq!(phase(149).decades(), [1, 2, 5, 10, 20]);
    assert_eq!(phase(150).decades(), [1, 2, 5, 10, 20, 50]);
    let phase = phase(150);
    assert_eq!(phase.nearest(0.1), Ok(1));
    assert_eq!(phase.nearest(2.04), Ok(20));
    assert_eq!(phase.nearest(5.0), Ok(50));
    for tau_s in [0.04, 5.06, -1.0, f64::INFINITY] {
        let error = StabilityError::Tau { tau_s, least_s: 0.1, most_s: 5.0 };
        assert_eq!(phase.nearest(tau_s), Err(error));
    }
    assert!(phase.nearest(f64::NAN).is_err());
}

#[test]
fn what_has_no_deviation_is_refused() {
    let of = |y: &[f64], tau0| Phase::from_fractional(y, tau0).unwrap_err();
    assert_eq!(of(&[], 1.0), StabilityError::TooShort { frequencies: 0 });
    assert_eq!(of(&[1.0, 2.0], 1.0), StabilityError::TooShort { frequencies: 2 });
    assert_eq!(of(&[1.0, 2.0, 3.0], 0.0), StabilityError::Spacing(0.0));
    assert!(matches!(of(&[1.0, 2.0, 3.0], f64::NAN), StabilityError::Spacing(_)));
    assert_eq!(of(&[1.0, f64::NAN, 3.0], 1.0), StabilityError::NotFinite(1));
    assert_eq!(of(&[1.0, 2.0, 1e101], 1.0), StabilityError::NotFinite(2));
    assert!(Phase::from_phase(vec![0.0; 3], 1.0).is_err());
}

/// White phase noise: AVAR = 3 sigma²/tau² and, as the mean of m independent differences, MVAR = AVAR/m.
#[test]
fn white_phase_noise_falls_as_the_law_says() {
    let (tau0, sigma) = (0.1, 1e-6 / 12f64.sqrt());
    let x = uniform(200_000).iter().map(|u| u * 1e-6).collect();
    let phase = Phase::from_phase(x, tau0).unwrap();
    for m in [1, 2, 8, 32, 128] {
        let d = phase.deviations(m).unwrap();
        let law = 3f64.sqrt() * sigma / d.tau_s;
        assert!((d.oadev.value / law - 1.0).abs() < 0.01, "m = {m}: {} for {law}", d.oadev.value);
        let law = law / (m as f64).sqrt();
        // 200000/128 independent terms or fewer: a relative sd of 2 %.
        assert!((d.mdev.value / law - 1.0).abs() < 0.06, "m = {m}: {} for {law}", d.mdev.value);
    }
}

/// White frequency noise: AVAR = sigma²/m, the variance of a mean of m.
#[test]
fn white_frequency_noise_falls_with_the_root() {
    let phase = Phase::from_fractional(&uniform(200_000), 1.0).unwrap();
    for m in [1, 4, 16, 64, 256] {
        let d = phase.deviations(m).unwrap();
        let law = (12.0 * m as f64).sqrt().recip();
        // 200000/256 means: a relative sd near 3 %.
        assert!((d.adev.value / law - 1.0).abs() < 0.09, "m = {m}: {} for {law}", d.adev.value);
        assert!((d.oadev.value / law - 1.0).abs() < 0.06, "m = {m}: {} for {law}", d.oadev.value);
        assert!(d.mdev.value < d.oadev.value || m == 1);
    }
}

/// Linear drift D per second: AVAR = D² tau²/2, in every form.
#[test]
fn drift_rises_with_tau() {
    let y: Vec<_> = (0..1000).map(|k| 3e-9 * f64::from(k)).collect();
    let phase = Phase::from_fractional(&y, 1.0).unwrap();
    for m in [1, 7, 100, 333] {
        let d = phase.deviations(m).unwrap();
        let law = 3e-9 * m as f64 / 2f64.sqrt();
        for deviation in [d.adev, d.oadev, d.mdev] {
            assert!((deviation.value / law - 1.0).abs() < 1e-9, "m = {m}: {deviation:?} for {law}");
        }
    }
}

/// Readings near 1 that differ by multiples of 2^-45: exact in a double, but not in a sum of a million of them.
#[test]
fn the_last_bits_of_a_million_readings_count() {
    let small: Vec<_> = uniform(1_000_000).iter().map(|u| (u * 8.0).floor() / 45f64.exp2()).collect();
    let large: Vec<_> = small.iter().map(|e| 1.0 + e).collect();
    let of = |y: &[f64]| Phase::from_fractional(y, 1.0).unwrap();
    let (small, large) = (of(&small), of(&large));
    for m in [1, 1024, 262_144] {
        let (small, large) = (four(&small.deviations(m).unwrap()), four(&large.deviations(m).unwrap()));
        for (small, large) in small.iter().zip(large) {
            assert!((large / small - 1.0).abs() < 1e-6, "m = {m}: {large} for {small}");
        }
    }
}

/// MDEV from its definition: each window summed afresh.
fn modified_afresh(x: &[f64], m: usize, tau: f64) -> f64 {
    let d: Vec<_> = (0..x.len() - 2 * m).map(|i| x[i + 2 * m] - 2.0 * x[i + m] + x[i]).collect();
    let squares: Vec<_> = d.windows(m).map(|w| w.iter().sum::<f64>().powi(2)).collect();
    (squares.iter().sum::<f64>() / (squares.len() as f64 * 2.0)).sqrt() / (m as f64 * tau)
}

proptest! {
    #[test]
    fn laws_of_scale(
        y in prop::collection::vec(-1.0..1.0f64, 3..80),
        factor in 1e-9..1e9f64,
        offset in -1.0..1.0f64,
        tau0 in 1e-3..1e3f64,
    ) {
        let of = |y: &[f64], tau0| Phase::from_fractional(y, tau0).unwrap();
        let plain = of(&y, 1.0);
        let scaled: Vec<_> = y.iter().map(|y| (y + offset) * factor).collect();
        let (scaled, slower) = (of(&scaled, 1.0), of(&y, tau0));
        for m in 1..=plain.longest() {
            let d = plain.deviations(m).unwrap();
            // Sums of up to 80 numbers below 2: what rounding leaves.
            let close = |a: f64, b: f64| (a - b).abs() <= 1e-9 * b.abs() + 1e-12;
            for (a, b) in four(&scaled.deviations(m).unwrap()).iter().zip(four(&d)) {
                prop_assert!(close(a / factor, b), "m = {}: {} for {}", m, a / factor, b);
            }
            let s = slower.deviations(m).unwrap();
            prop_assert!(close(s.adev.value, d.adev.value) && close(s.mdev.value, d.mdev.value));
            prop_assert!(close(s.tdev_s / tau0, d.tdev_s));
            if m == 1 {
                prop_assert!(close(d.mdev.value, d.adev.value) && close(d.oadev.value, d.adev.value));
            }
        }
    }

    #[test]
    fn the_sliding_sum_is_the_sum(x in prop::collection::vec(-1.0..1.0f64, 4..200), tau0 in 0.1..10.0f64) {
        let phase = Phase::from_phase(x.clone(), tau0).unwrap();
        for m in 1..=phase.longest() {
            let d = phase.deviations(m).unwrap();
            let afresh = modified_afresh(&x, m, d.tau_s);
            prop_assert!((d.mdev.value - afresh).abs() <= 1e-12 + 1e-9 * afresh, "m = {}: {:?} for {}", m, d.mdev, afresh);
            prop_assert_eq!(d.tdev_s, d.tau_s * d.mdev.value / 3f64.sqrt());
        }
    }
}
