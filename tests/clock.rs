//! What is known of the board's clock: by trimming, by pulses, through an hour without them, and against a reference
//! that lies.

use humtick::clock::{ClockError, Known, Parabola};
use humtick::discipline::{MAX_HZ, Pulses, Standing};
use humtick::{
    Clock, Config, Discipline, Edge, Frequency, Meter, Polarity, Reject, Stamp, TickRate, Verdict,
};
use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;

/// A counter that counts (1 + error + drift t) times its rated ticks in a true second.
struct Counter {
    hz: u32,
    ppb: f64,
    ppb_per_hour: f64,
    start: f64,
}

impl Counter {
    const fn steady(hz: u32, ppb: f64) -> Self {
        // 40 s at 2 MHz before the end of the scale.
        Self { hz, ppb, ppb_per_hour: 0.0, start: 4_214_967_296.25 }
    }

    fn stamp(&self, t: f64) -> Stamp {
        let off = self.ppb * t + self.ppb_per_hour * t * t / 7_200.0;
        let ticks = self.start + f64::from(self.hz) * (t + off * 1e-9);
        Stamp::new(((ticks.floor() as i64) & 0xFFFF_FFFF) as u32)
    }

    fn ppb_at(&self, t: f64) -> f64 {
        self.ppb + self.ppb_per_hour * t / 3_600.0
    }

    fn pulses(&self) -> Pulses {
        Pulses::rising(TickRate::from_hz(self.hz).unwrap())
    }
}

fn jitter(sd: f64, rng: &mut Pcg64Mcg) -> f64 {
    let x: f64 = StandardNormal.sample(rng);
    sd * x
}

fn pulse<const N: usize>(d: &mut Discipline<N>, counter: &Counter, t: f64) -> Verdict {
    d.push(Edge::rising(counter.stamp(t)))
}

/// How far the clock's error is from `ppb`, and what it claims.
fn off(clock: Clock, ppb: f64) -> (f64, f64) {
    ((f64::from(clock.error_ppb()) - ppb).abs(), f64::from(clock.expanded_ppb()))
}

#[test]
fn disciplined_for_100_s_a_clock_37_ppm_off_measures_to_5_microhertz() {
    let counter = Counter::steady(2_000_000, 37_000.0);
    let mut rng = Pcg64Mcg::seed_from_u64(1);
    let mut discipline: Discipline<64> = Discipline::new(&counter.pulses()).unwrap();
    assert_eq!((discipline.standing(), discipline.clock()), (Standing::Acquiring, Clock::QUARTZ));
    let config = Config { window_ms: 10_000, ..Config::mains(counter.pulses().rate) };
    let mut meter: Meter<512> = Meter::new(&config).unwrap();
    let hz = 50.012_345;
    let mut latest = None;
    for k in 0..=100 {
        pulse(&mut discipline, &counter, f64::from(k) + jitter(30e-9, &mut rng));
        // Four edges of the chain, then ten cycles of the window.
        assert_eq!(discipline.standing() == Standing::Disciplined, k >= 10, "pulse {k}");
        for cycle in (f64::from(k) * hz).ceil() as u32..(f64::from(k + 1) * hz).ceil() as u32 {
            meter.push(Edge::rising(counter.stamp(f64::from(cycle) / hz)));
            latest = meter.take_reading().or(latest);
        }
    }
    let clock = discipline.clock();
    let (error, claimed) = off(clock, 37_000.0);
    assert!(error <= claimed && claimed < 40.0, "{clock:?}");
    let raw = latest.unwrap().frequency.unwrap().nanohertz() as f64 * 1e-9;
    assert!((raw - hz).abs() > 1e-3);
    let corrected = raw * (1.0 + f64::from(clock.error_ppb()) * 1e-9);
    assert!((corrected - hz).abs() < 5e-6, "{corrected}");
    // The meter told so says it by itself, and how far to trust it.
    meter.set_clock(&clock);
    let mut told = None;
    for cycle in (101.0 * hz).ceil() as u32..(112.0 * hz).ceil() as u32 {
        meter.push(Edge::rising(counter.stamp(f64::from(cycle) / hz)));
        told = meter.take_reading().or(told);
    }
    let told = told.unwrap();
    let error = (told.frequency.unwrap().nanohertz() as f64 * 1e-9 - hz).abs();
    assert!(error < 5e-6, "{error}");
    assert!(error <= told.expanded_uncertainty.unwrap().nanohertz() as f64 * 1e-9, "{told:?}");
}

/// The part of a clock that a discipline leaves is normal: it goes into a reading's standard uncertainty as it is, and 1.96 times into
/// the 95 %.
#[test]
fn a_disciplined_clock_s_own_uncertainty_is_in_the_reading() {
    let counter = Counter::steady(2_000_000, 0.0);
    let mut meter: Meter<64> = Meter::new(&Config::mains(counter.pulses().rate)).unwrap();
    meter.set_clock(&Clock::new(0, 0, 10_000).unwrap());
    let mut reading = None;
    for cycle in 0..200 {
        meter.push(Edge::rising(counter.stamp(f64::from(cycle) / 50.0)));
        reading = meter.take_reading().or(reading);
    }
    let reading = reading.unwrap();
    let (u, u95) = (reading.standard_uncertainty.unwrap(), reading.expanded_uncertainty.unwrap());
    // 10 ppm of 50 Hz; quantisation is 3 uHz beside it, and its bound 20.
    assert!((u.nanohertz() as f64 / 500_000.0 - 1.0).abs() < 2e-3, "{u:?}");
    assert!((u95.nanohertz() as f64 / 980_000.0 - 1.0).abs() < 0.02, "{u95:?}");
}

/// A pulse off its time: rejected, and of the clock nothing changes but its age.
fn stray(d: &mut Discipline<64>, counter: &Counter, t: f64) {
    let before = d.clock();
    let verdict = pulse(d, counter, t);
    assert!(matches!(verdict, Verdict::Rejected(_)), "{verdict:?}");
    let after = d.clock();
    assert_eq!((after.error_ppb(), after.standard_ppb()), (before.error_ppb(), before.standard_ppb()));
    assert!(after.tolerance_ppb() - before.tolerance_ppb() <= 1);
}

#[test]
fn one_pulse_a_millisecond_off_is_rejected_and_changes_nothing() {
    let counter = Counter::steady(2_000_000, -12_345.6);
    for (early, late, itself) in
        [(0.0, 1e-3, true), (1e-3, 0.0, true), (0.0, 1e-3, false), (1e-3, 0.0, false)]
    {
        let mut rng = Pcg64Mcg::seed_from_u64(2);
        let mut with: Discipline<64> = Discipline::new(&counter.pulses()).unwrap();
        let mut without = with;
        for k in 0..150 {
            let t = f64::from(k) + jitter(30e-9, &mut rng);
            if k == 80 && early > 0.0 {
                stray(&mut with, &counter, t - early);
            }
            // Where the pulse itself is off, it is missing for the other.
            if k != 80 || !itself {
                pulse(&mut with, &counter, t);
                pulse(&mut without, &counter, t);
                assert_eq!(with.clock(), without.clock(), "pulse {k}");
            }
            if k == 80 && late > 0.0 {
                stray(&mut with, &counter, t + late);
            }
        }
        assert_eq!((with.standing(), without.standing()), (Standing::Disciplined, Standing::Disciplined));
    }
}

#[test]
fn an_hour_without_pulses_is_covered_at_every_minute() {
    for actual in [-900.0, 900.0] {
        let counter = Counter { ppb_per_hour: actual, ..Counter::steady(2_000_000, 20_000.0) };
        let mut rng = Pcg64Mcg::seed_from_u64(3);
        let mut discipline: Discipline<64> = Discipline::new(&counter.pulses()).unwrap();
        for k in 0..200 {
            pulse(&mut discipline, &counter, f64::from(k) + jitter(30e-9, &mut rng));
        }
        assert_eq!(discipline.standing(), Standing::Disciplined);
        let held = discipline.clock();
        let mut widest = held.tolerance_ppb();
        for minute in 1..=60 {
            let t = 199.0 + 60.0 * f64::from(minute);
            discipline.idle(counter.stamp(t));
            let clock = discipline.clock();
            assert_eq!(discipline.standing(), Standing::Holdover);
            let (error, claimed) = off(clock, counter.ppb_at(t));
            assert!(error <= claimed, "minute {minute}: {error} > {claimed}");
            assert_eq!((clock.error_ppb(), clock.standard_ppb()), (held.error_ppb(), held.standard_ppb()));
            // 1000 ppb an hour are 16 or 17 a minute, rounded up.
            assert!((16..=17).contains(&(clock.tolerance_ppb() - widest)), "minute {minute}: {clock:?}");
            widest = clock.tolerance_ppb();
        }
        assert!(widest >= held.tolerance_ppb() + 1_000);
        for k in 3_900..4_000 {
            pulse(&mut discipline, &counter, f64::from(k) + jitter(30e-9, &mut rng));
        }
        assert_eq!(discipline.standing(), Standing::Disciplined);
        let (error, claimed) = off(discipline.clock(), counter.ppb_at(4_000.0));
        assert!(error <= claimed && claimed < 40.0);
    }
}

#[test]
fn an_estimate_ages_from_the_middle_of_its_window() {
    let counter = Counter::steady(2_000_000, 20_000.3);
    // 1000 ppb a second, which only a clock of 10 % leaves room for.
    let board = Clock::new(0, 100_000_000, 0).unwrap();
    let pulses = Pulses { board, drift_ppb_per_hour: 3_600_000, ..counter.pulses() };
    let mut discipline: Discipline<16> = Discipline::new(&pulses).unwrap();
    train(&mut discipline, &counter, 0.0, 1.0, 40);
    // Half of 15 s are seven whole ones; the one begun counts whole. 1.8 ticks over 16 pulses are 56.25 ppb.
    assert_eq!(discipline.clock().tolerance_ppb(), 8_000 + 57);
    // 7.5 s and 100 s.
    discipline.idle(counter.stamp(139.4));
    assert_eq!(discipline.clock().tolerance_ppb(), 108_000 + 57);
}

#[test]
fn holdover_ends_where_the_data_sheet_is_as_good() {
    let counter = Counter::steady(2_000_000, 20_000.0);
    let pulses = Pulses { drift_ppb_per_hour: 1_000_000, ..counter.pulses() };
    let mut discipline: Discipline<16> = Discipline::new(&pulses).unwrap();
    for k in 0..30 {
        pulse(&mut discipline, &counter, f64::from(k));
    }
    // 50,000 ppb at 1,000,000 an hour last three minutes.
    for t in (40..400).step_by(10) {
        discipline.idle(counter.stamp(f64::from(t)));
        let expired = t >= 210;
        if !(190..210).contains(&t) {
            assert_eq!(discipline.standing() == Standing::Acquiring, expired, "{t} s");
            assert_eq!(discipline.clock() == Clock::QUARTZ, expired, "{t} s");
        }
    }
}

/// Pulses every `interval` seconds from `from` on, as many as asked for.
fn train<const N: usize>(d: &mut Discipline<N>, counter: &Counter, from: f64, interval: f64, count: u32) {
    let mut rng = Pcg64Mcg::seed_from_u64(4);
    for k in 0..count {
        pulse(d, counter, from + interval * f64::from(k) + jitter(30e-9, &mut rng));
    }
}

#[test]
fn pulses_of_another_second_are_refused_from_the_start_and_later() {
    let counter = Counter::steady(2_000_000, 3_000.0);
    for interval in [1.001, 0.999, 1.000_060, 1.15] {
        let mut fresh: Discipline<32> = Discipline::new(&counter.pulses()).unwrap();
        train(&mut fresh, &counter, 0.0, interval, 60);
        assert_eq!(
            (fresh.standing(), fresh.clock()),
            (Standing::WrongReference, Clock::QUARTZ),
            "{interval}"
        );
    }
    // Within the data sheet of 50 ppm, but 20 ppm from what the clock was a minute ago.
    for interval in [1.001, 0.999, 1.000_020, 0.999_980] {
        let mut discipline: Discipline<32> = Discipline::new(&counter.pulses()).unwrap();
        train(&mut discipline, &counter, 0.0, 1.0, 60);
        let held = discipline.clock();
        train(&mut discipline, &counter, 59.0 + interval, interval, 8);
        assert_eq!(discipline.standing(), Standing::Holdover, "{interval}");
        train(&mut discipline, &counter, 59.0 + 9.0 * interval, interval, 52);
        assert_eq!(discipline.standing(), Standing::WrongReference, "{interval}");
        let clock = discipline.clock();
        assert_eq!(
            (clock.error_ppb(), clock.standard_ppb()),
            (held.error_ppb(), held.standard_ppb()),
            "{interval}"
        );
        assert!(clock.tolerance_ppb() > held.tolerance_ppb());
        discipline.idle(counter.stamp(135.0));
        assert_eq!(discipline.standing(), Standing::Holdover);
        // The true seconds come back, with another phase.
        train(&mut discipline, &counter, 140.4, 1.0, 60);
        assert_eq!(discipline.standing(), Standing::Disciplined, "{interval}");
        let (error, claimed) = off(discipline.clock(), 3_000.0);
        assert!(error <= claimed && claimed < 60.0, "{interval}: {error} {claimed}");
    }
}

#[test]
fn a_refused_reference_is_believed_once_the_drift_explains_it() {
    let counter = Counter::steady(2_000_000, 0.0);
    let pulses = Pulses { drift_ppb_per_hour: 100_000, ..counter.pulses() };
    let mut discipline: Discipline<32> = Discipline::new(&pulses).unwrap();
    train(&mut discipline, &counter, 0.0, 1.0, 60);
    // A longer second holds more ticks: 10 ppm too many. At 100 ppm an hour that takes six minutes.
    train(&mut discipline, &counter, 60.0, 1.000_010, 250);
    assert_eq!(discipline.standing(), Standing::WrongReference);
    train(&mut discipline, &counter, 60.0 + 250.0 * 1.000_010, 1.000_010, 200);
    assert_eq!(discipline.standing(), Standing::Disciplined);
    assert!((discipline.clock().error_ppb() - 10_000).abs() < 100, "{:?}", discipline.clock());
}

#[test]
fn missing_and_double_pulses_through_many_turns_of_the_scale() {
    // 100 MHz turns the scale every 43 s and takes the window of 100 down to 21 s.
    for (hz, seconds) in [(2_000_000, 600), (100_000_000, 300), (10_000, 300)] {
        let counter = Counter::steady(hz, -41_234.0);
        let mut rng = Pcg64Mcg::seed_from_u64(5);
        let mut discipline: Discipline<100> = Discipline::new(&counter.pulses()).unwrap();
        for k in 0..seconds {
            let t = f64::from(k) + jitter(30e-9, &mut rng);
            // Every fifth is missing, and nine in a row every two minutes.
            if k % 5 == 3 || (k % 120 > 100 && k % 120 < 110) {
                continue;
            }
            pulse(&mut discipline, &counter, t);
            let echo = pulse(&mut discipline, &counter, t + rng.random_range(1e-3..0.35));
            if k > 20 {
                assert!(
                    matches!(echo, Verdict::Rejected(Reject::TooSoon { .. })),
                    "{hz} Hz, {k} s: {echo:?}"
                );
                assert_eq!(discipline.standing(), Standing::Disciplined, "{hz} Hz, {k} s");
                let (error, claimed) = off(discipline.clock(), -41_234.0);
                assert!(error <= claimed, "{hz} Hz, {k} s: {error} > {claimed}");
            }
        }
    }
}

#[test]
fn the_claimed_uncertainty_holds_in_at_least_93_of_100_runs() {
    let mut rng = Pcg64Mcg::seed_from_u64(6);
    // Jitter of many ticks, of about one, and below the tick; the last rests on the bound and may cover all.
    for (hz, sd, most) in [(84_000_000, 1e-6, 0.975), (2_000_000, 1e-6, 0.975), (2_000_000, 30e-9, 1.0)] {
        let mut covered = 0_u32;
        for _ in 0..3_000 {
            let ppb = rng.random_range(-45_000.0..45_000.0);
            let counter = Counter { start: rng.random_range(0.0..4e9), ..Counter::steady(hz, ppb) };
            let pulses = Pulses { drift_ppb_per_hour: 0, ..counter.pulses() };
            let mut discipline: Discipline<16> = Discipline::new(&pulses).unwrap();
            // A lock may have to be found anew once in some hundred runs.
            for k in 0..60 {
                pulse(&mut discipline, &counter, f64::from(k) + jitter(sd, &mut rng));
                if k >= 19 && discipline.standing() == Standing::Disciplined {
                    break;
                }
            }
            assert_eq!(discipline.standing(), Standing::Disciplined);
            let (error, claimed) = off(discipline.clock(), ppb);
            covered += u32::from(error <= claimed);
        }
        let share = f64::from(covered) / 3_000.0;
        assert!((0.93..=most).contains(&share), "{hz} Hz, {sd} s: {share}");
    }
}

#[test]
fn pulses_too_quiet_to_dither_the_ticks_are_covered_by_the_bound() {
    // Errors that put a whole number of ticks, or nearly, into each second: 1 tick is 500 ppb.
    for hundredths in -100..=100 {
        let ppb = 500.0 * f64::from(hundredths) / 100.0;
        for start in 0..16 {
            let counter = Counter { start: f64::from(start) / 16.0, ..Counter::steady(2_000_000, ppb) };
            let pulses = Pulses { drift_ppb_per_hour: 0, ..counter.pulses() };
            let mut discipline: Discipline<16> = Discipline::new(&pulses).unwrap();
            for k in 0..20 {
                pulse(&mut discipline, &counter, f64::from(k));
            }
            let (error, claimed) = off(discipline.clock(), ppb);
            assert!(error <= claimed, "{ppb} ppb: {error} > {claimed}");
        }
    }
}

#[test]
fn what_does_not_fit_is_refused_and_said() {
    let pulses =
        |hz, drift| Pulses { drift_ppb_per_hour: drift, ..Pulses::rising(TickRate::from_hz(hz).unwrap()) };
    for (hz, drift, why) in [
        (MAX_HZ + 1, 0, ClockError::Rate),
        (1_000_000_000, 0, ClockError::Rate),
        (1_000, 100_000_001, ClockError::Range),
    ] {
        assert_eq!(Discipline::<64>::new(&pulses(hz, drift)).unwrap_err(), why);
    }
    for hz in [1_000, MAX_HZ] {
        assert!(Discipline::<64>::new(&pulses(hz, 0)).is_ok());
        assert!(Discipline::<4>::new(&pulses(hz, 100_000_000)).is_ok());
    }
    for (error, tolerance, standard) in [
        (100_000_001, 0, 0),
        (-100_000_001, 0, 0),
        (0, 100_000_001, 0),
        (0, 0, 100_000_001),
        (i32::MIN, 0, 0),
    ] {
        assert_eq!(Clock::new(error, tolerance, standard), Err(ClockError::Range));
    }
    let widest = Clock::new(-100_000_000, 100_000_000, 100_000_000).unwrap();
    assert_eq!(widest.limit_ppb(), 400_000_000);
    assert_eq!(Clock::QUARTZ.widened(u32::MAX), Err(ClockError::Range));
    assert_eq!(Clock::QUARTZ.shifted(i32::MIN), Err(ClockError::Range));
    assert!(ClockError::Range.to_string().contains("100000000 ppb"));
    assert!(ClockError::Rate.to_string().contains("107 MHz") && MAX_HZ == 107_000_000);
}

#[test]
fn the_other_polarity_is_no_pulse() {
    let counter = Counter::steady(2_000_000, 0.0);
    let pulses = Pulses { polarity: Polarity::Falling, ..counter.pulses() };
    let mut discipline: Discipline<16> = Discipline::new(&pulses).unwrap();
    for k in 0..20 {
        // 100 ms long pulses, low while they last: the falling edge marks the second.
        let verdict = discipline.push(Edge::falling(counter.stamp(f64::from(k))));
        assert_ne!(verdict, Verdict::Unused);
        assert_eq!(pulse(&mut discipline, &counter, f64::from(k) + 0.1), Verdict::Unused);
    }
    assert_eq!(discipline.standing(), Standing::Disciplined);
}

#[test]
fn state_is_small() {
    assert!(size_of::<Discipline<64>>() <= 696, "{}", size_of::<Discipline<64>>());
    assert_eq!(size_of::<Clock>(), 12);
}

fn known(nanohertz: u64, standard: u64) -> Known {
    Known { frequency: Frequency::from_nanohertz(nanohertz), standard: Frequency::from_nanohertz(standard) }
}

#[test]
fn a_meter_told_the_trimmed_error_reads_the_truth() {
    // 40 ppm too many ticks: 40,001.6 in each period of 50 Hz.
    let mut config =
        Config { clock_tolerance_ppb: 0, ..Config::mains(TickRate::from_hz(2_000_000).unwrap()) };
    let reading = |config: &Config| {
        let mut meter: Meter<64> = Meter::new(config).unwrap();
        for k in 0..101_u32 {
            meter.push(Edge::rising(Stamp::new(40_001 * k + k * 3 / 5)));
        }
        meter.take_reading().unwrap()
    };
    let raw = reading(&config);
    let measured = Known { frequency: raw.frequency.unwrap(), standard: raw.standard_uncertainty.unwrap() };
    let clock = Clock::trimmed(measured, known(50_000_000_000, 0)).unwrap();
    assert!((clock.error_ppb() - 40_000).abs() < 200, "{clock:?}");
    assert_eq!(clock.tolerance_ppb(), 0);
    config.clock_ppb = clock.error_ppb();
    let trimmed = reading(&config).frequency.unwrap().nanohertz();
    assert!(trimmed.abs_diff(50_000_000_000) <= 26, "{trimmed}");
}

#[test]
fn trimming_refuses_nonsense() {
    let good = known(50_000_000_000, 1_000);
    for (measured, truth, why) in [
        (known(0, 0), good, ClockError::Frequency),
        (good, known(0, 0), ClockError::Frequency),
        (known(u64::MAX / 10 + 1, 0), good, ClockError::Frequency),
        (good, known(u64::MAX, 0), ClockError::Frequency),
        (good, known(55_000_000_100, 0), ClockError::Range),
        (good, known(44_999_999_900, 0), ClockError::Range),
        (known(50_000_000_000, 5_000_000_001), good, ClockError::Range),
        (good, known(50_000_000_000, u64::MAX), ClockError::Range),
    ] {
        assert_eq!(Clock::trimmed(measured, truth), Err(why), "{measured:?} {truth:?}");
    }
    let edge = Clock::trimmed(good, known(55_000_000_000, 0)).unwrap();
    assert_eq!(edge.error_ppb(), 100_000_000);
    // 20 ppb and 15 ppb are 25 together, and a rounding is on top.
    let clock = Clock::trimmed(known(50_000_000_000, 1_000), known(50_000_000_000, 750)).unwrap();
    assert_eq!((clock.error_ppb(), clock.standard_ppb()), (0, 26));
}

proptest! {
    #[test]
    fn trimming_finds_the_error_back(ppb in -90_000_000i64..90_000_000, truth in 1_000_000_000u64..=u64::MAX / 12) {
        // What the clock would say: truth / (1 + e), to the nearest nanohertz.
        let (n, d) = (i128::from(truth) * 1_000_000_000, i128::from(1_000_000_000 + ppb));
        let measured = (2 * n + d) / (2 * d);
        let clock = Clock::trimmed(known(u64::try_from(measured).unwrap(), 0), known(truth, 0)).unwrap();
        prop_assert!((i64::from(clock.error_ppb()) - ppb).abs() <= 1);
        // And exactly: the nearest part per billion to truth / measured - 1.
        let off = (i128::from(truth) - measured) * 1_000_000_000 - i128::from(clock.error_ppb()) * measured;
        prop_assert!(2 * off.abs() <= measured);
        prop_assert_eq!((clock.tolerance_ppb(), clock.standard_ppb()), (0, 1));
    }

    #[test]
    fn uncertainties_are_rounded_up_by_less_than_one(a in 0u32..=100_000_000, u in 0u32..=100_000_000) {
        let clock = Clock::new(0, a, u).unwrap();
        let (fa, fu) = (f64::from(a), f64::from(u));
        let combined = f64::from(clock.combined_ppb()) - (fa * fa / 3.0 + fu * fu).sqrt();
        let expanded = f64::from(clock.expanded_ppb()) - (0.9025 * fa * fa + 3.84 * fu * fu + fa * fu / 2.0).sqrt();
        prop_assert!((-1e-6..2.0).contains(&combined), "{}", combined);
        prop_assert!((-1e-6..2.0).contains(&expanded), "{}", expanded);
    }
}

#[test]
fn the_95_percent_hold_95_percent_for_any_mixture() {
    let mut rng = Pcg64Mcg::seed_from_u64(7);
    for (a, u) in [
        (100_000, 0),
        (100_000, 10_000),
        (100_000, 30_000),
        (100_000, 58_000),
        (50_000, 100_000),
        (0, 100_000),
    ] {
        let claimed = f64::from(Clock::new(0, a, u).unwrap().expanded_ppb());
        let held = (0..200_000)
            .filter(|_| {
                let off = rng.random_range(-1.0..1.0) * f64::from(a) + jitter(u.into(), &mut rng);
                off.abs() <= claimed
            })
            .count();
        let share = held as f64 / 200_000.0;
        assert!((0.9475..0.9625).contains(&share), "a = {a}, u = {u}: {share}");
    }
}

#[test]
fn a_tuning_fork_against_temperature() {
    let fork = Parabola::TUNING_FORK;
    let at = |celsius: i32| fork.at(celsius * 1_000).unwrap();
    assert_eq!([0, 40, 60, -10, 85, 25].map(at), [-21_250, -7_650, -41_650, -41_650, -122_400, 0]);
    // To the nearest: 34 ppb/K^2 make 0.49 ppb at 0.12 K and 0.57 at 0.13 K.
    assert_eq!((fork.at(25_120), fork.at(24_870)), (Some(0), Some(-1)));
    assert_eq!((fork.at(-100_001), fork.at(200_001), fork.at(i32::MIN)), (None, None, None));
    let steepest = Parabola::new(200_000, 1_000).unwrap();
    assert_eq!(steepest.at(-100_000), Some(90_000_000));
    for (turnover, k) in [(200_001, 0), (-100_001, 0), (0, 1_001), (0, i16::MIN)] {
        assert_eq!(Parabola::new(turnover, k), Err(ClockError::Curve));
    }
    let clock = Clock::QUARTZ.shifted(at(0)).unwrap();
    assert_eq!((clock.error_ppb(), clock.tolerance_ppb()), (-21_250, 50_000));
}
