//! Mains that changes: steps of frequency and phase, ramps, swings, silence, noise. What is lost, how soon it is found again, and
//! that no number in between is wrong.

mod common;

use common::{Train, crossings, feed, hertz, meter, readings, rising, stamp, steady, value};
use humtick::{Config, Continuity, LeastSquares, Meter, State, Verdict};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;

const TICK_HZ: u32 = 2_000_000;

fn mains() -> Config {
    Config { clock_tolerance_ppb: 0, ..Config::mains(common::rate(TICK_HZ)) }
}

/// One microsecond of jitter.
fn train() -> Train {
    Train { jitter: 2.0, ..Train::clean(TICK_HZ) }
}

/// When the change comes, in seconds: in the middle between two crossings of 50 Hz.
const CHANGE: f64 = 5.01;

/// How a meter found its way after a change.
struct Relock {
    /// Seconds from the change to the lock.
    after: f64,
    continuity: Continuity,
    /// Cycle number of the newest crossing then, less what it would be had each crossing counted one.
    cycle_off: i64,
}

/// Feeds `times`; readings before the change must be near `before` hertz, those after the relock near `after`, and between the
/// two none may be near neither.
#[track_caller]
fn relock(times: &[f64], before: f64, after: f64) -> Relock {
    let train = train();
    let edges = train.edges(times);
    let mut found = None;
    let mut seen = 0;
    feed(&mut meter::<64, LeastSquares>(&mains()), &edges, |meter, at, verdict, reading| {
        let moment = train.seconds(at);
        if moment > CHANGE
            && found.is_none()
            && let Verdict::Locked(humtick::Lock { continuity, .. }) = verdict
        {
            let cycle = i64::from(meter.crossings().last().expect("a chain of four").cycle);
            let counted = edges.iter().position(|e| *e == at).unwrap() as i64;
            found = Some(Relock { after: moment - CHANGE, continuity, cycle_off: cycle - counted });
        }
        let Some((f, noise)) = reading.and_then(|r| r.frequency.zip(r.expanded_uncertainty)) else { return };
        let error = |truth: f64| (value(f) - truth).abs();
        let allowed = 3.0 * value(noise);
        match &found {
            None => assert!(error(before) <= allowed, "{f} at {moment} s, before the relock"),
            Some(_) => {
                seen += 1;
                assert!(error(after) <= allowed, "{f} at {moment} s, after the relock");
            }
        }
    });
    assert!(seen > 30, "{seen} readings after the relock");
    found.expect("a relock")
}

#[test]
fn a_step_of_frequency_is_followed_within_a_second() {
    for step in [1.0, -1.0, 0.2, -5.0, 8.0] {
        let times = crossings(|t| if t < CHANGE { 50.0 } else { 50.0 + step }, 10.0);
        let relock = relock(&times, 50.0, 50.0 + step);
        println!("step of {step} Hz: locked again after {:.3} s, {:?}", relock.after, relock.continuity);
        assert!(relock.after < 0.2, "{} s", relock.after);
        // The last true crossing and the first of the chain are one cycle apart, give or take the change within it.
        assert_eq!((relock.continuity, relock.cycle_off), (Continuity::Stepped, 0), "{step} Hz");
    }
}

/// Too small for the gate to notice at once: no relock, and the reading passes over without ever leaving the two.
#[test]
fn a_small_step_of_frequency_slides_through_the_window() {
    let train = train();
    let edges = train.edges(&crossings(|t| if t < CHANGE { 50.0 } else { 50.01 }, 10.0));
    let mut last = None;
    feed(&mut meter::<64, LeastSquares>(&mains()), &edges, |_, at, verdict, reading| {
        assert!(train.seconds(at) < 0.1 || matches!(verdict, Verdict::Crossing(_)), "{verdict:?}");
        let Some(f) = reading.and_then(|r| r.frequency) else { return };
        assert!(train.seconds(at) < 0.5 || (49.9997..50.0103).contains(&value(f)), "{f}");
        last = Some(f);
    });
    assert!((value(last.unwrap()) - 50.01).abs() < 2e-4);
}

/// Times of 50 Hz whose phase jumps by `degrees` forward (crossings come earlier).
fn jump(degrees: f64) -> Vec<f64> {
    steady(50.0, 500).iter().map(|t| if *t < CHANGE { *t } else { *t - degrees / 360.0 / 50.0 }).collect()
}

#[test]
fn a_small_jump_of_phase_keeps_the_count() {
    for degrees in [10.0, -10.0, 40.0, -40.0] {
        let relock = relock(&jump(degrees), 50.0, 50.0);
        println!("{degrees} degrees: locked again after {:.3} s, {:?}", relock.after, relock.continuity);
        assert!(relock.after < 0.2, "{} s", relock.after);
        assert_eq!((relock.continuity, relock.cycle_off), (Continuity::Stepped, 0), "{degrees} degrees");
    }
}

/// From an eighth of a period on, nobody can say how many cycles the jump was worth.
#[test]
fn a_large_jump_of_phase_breaks_the_count() {
    for degrees in [90.0, -90.0, 180.0, -170.0, 60.0] {
        let relock = relock(&jump(degrees), 50.0, 50.0);
        println!("{degrees} degrees: locked again after {:.3} s, {:?}", relock.after, relock.continuity);
        assert!(relock.after < 0.2, "{} s", relock.after);
        assert_eq!(relock.continuity, Continuity::Broken, "{degrees} degrees");
    }
}

/// Follows a frequency that moves all the time; returns the largest error against it in the middle of the window.
fn moving(frequency: impl Fn(f64) -> f64 + Copy, seconds: f64) -> (f64, u32) {
    let train = train();
    let (mut worst, mut relocks) = (0f64, 0);
    let mut seen = 0;
    feed(
        &mut meter::<64, LeastSquares>(&mains()),
        &train.edges(&crossings(frequency, seconds)),
        |meter, at, verdict, reading| {
            let moment = train.seconds(at);
            if moment < 0.1 {
                return;
            }
            assert!(
                matches!(meter.state(), State::Locked | State::Coasting),
                "{:?} at {moment} s",
                meter.state()
            );
            if let Verdict::Locked(humtick::Lock { continuity, .. }) = verdict {
                relocks += 1;
                assert_ne!(continuity, Continuity::Broken, "at {moment} s");
            }
            let Some(reading) = reading.filter(|r| r.cycles >= 10) else { return };
            seen += 1;
            let middle = moment - f64::from((stamp(at) - reading.middle).count()) / f64::from(TICK_HZ);
            worst = worst.max((value(reading.frequency.unwrap()) - frequency(middle)).abs());
        },
    );
    assert!(f64::from(seen) > 9.0 * (seconds - 1.0), "{seen} readings");
    (worst, relocks)
}

/// A fit over T seconds of a ramp of R Hz/s reads R^2 T^2/(20 f) high: 1 mHz here.
#[test]
fn a_ramp_of_one_hertz_a_second_is_followed() {
    for (from, ramp) in [(46.0, 1.0), (54.0, -1.0)] {
        let (worst, relocks) = moving(|t| from + ramp * t, 8.0);
        println!("ramp of {ramp} Hz/s: worst {:.3} mHz, {relocks} relocks", worst * 1e3);
        assert!(worst < 1.8e-3, "{worst}");
        assert!(worst > 0.5e-3, "{worst} is less than theory has it");
    }
}

/// A swing that begins all at once: 0.1 rad at 2 Hz is +-0.2 Hz, with up to 2.5 Hz/s.
#[test]
fn a_swing_of_a_tenth_of_a_radian_is_followed() {
    use std::f64::consts::TAU;
    let swing = |t: f64| if t < 3.0 { 50.0 } else { 50.0 + 0.1 * 2.0 * (TAU * 2.0 * (t - 3.0)).sin() };
    let (worst, relocks) = moving(swing, 20.0);
    println!("swing: worst {:.3} mHz against the middle, {relocks} relocks", worst * 1e3);
    // A second holds two swings: their mean is read, not the moment. 0.2 Hz is the swing itself.
    assert!((0.15..0.3).contains(&worst), "{worst}");
    assert!(relocks <= 2, "{relocks}");
}

/// The cold store's feeder trips: no edges, then time goes on by idle calls alone.
#[test]
fn silence_is_coasting_then_lost_and_gives_no_number() {
    let train = train();
    let edges = train.edges(&steady(50.0, 200));
    let mut meter = meter::<64, LeastSquares>(&mains());
    feed(&mut meter, &edges, |_, _, _, _| {});
    let last = *edges.last().unwrap();
    assert_eq!(meter.state(), State::Locked);
    assert!(meter.fit().is_some());
    let mut states = vec![(0, State::Locked)];
    let mut unknown = 0;
    for ms in 1..=3_000 {
        meter.idle(stamp(last + ms * 2_000));
        if meter.state() != states.last().unwrap().1 {
            states.push((ms, meter.state()));
        }
        if let Some(reading) = meter.take_reading() {
            assert_eq!((reading.frequency, reading.rocof, reading.cycles), (None, None, 0), "after {ms} ms");
            assert_eq!((reading.standard_uncertainty, reading.expanded_uncertainty), (None, None));
            assert_eq!(reading.state, meter.state());
            unknown += 1;
        }
    }
    let [(0, State::Locked), (coasting, State::Coasting), (lost, State::Lost)] = states[..] else {
        panic!("{states:?}")
    };
    // Half a period after the missing edge was due; 25 cycles, or when the gate says that the count is no longer sure.
    assert!((30..=31).contains(&coasting), "coasting after {coasting} ms");
    assert!((200..=531).contains(&lost), "lost after {lost} ms");
    // Ten a second; the first waits an interval longer, in case only an edge or two are missing.
    assert!((27..=29).contains(&unknown), "{unknown} readings");
    assert!(meter.fit().is_none() && meter.crossings().next().is_none());
    // Back again: locked at the fourth edge, and the numbers are those of the new signal.
    let back = last + 6_123_457;
    for k in 0..100 {
        let verdict = meter.push(rising(back + k * 39_000));
        let want = match k {
            0..3 => State::Lost,
            _ => State::Locked,
        };
        assert_eq!(meter.state(), want, "{verdict:?} at edge {k}");
        if let Some(f) = meter.take_reading().and_then(|r| r.frequency) {
            assert_eq!(f.nanohertz(), 51_282_051_282);
        }
    }
}

/// Edges stop for longer than half the scale, and nobody called idle: every stamp then looks like a step backwards. Two of them
/// and the meter begins anew.
#[test]
fn a_silence_beyond_the_horizon_is_survived() {
    let mut meter = meter::<64, LeastSquares>(&mains());
    feed(&mut meter, &train().edges(&steady(50.0, 200)), |_, _, _, _| {});
    let back = meter.crossings().last().unwrap().stamp.raw().wrapping_add(humtick::limit::HORIZON + 12_345);
    let mut locked_at = None;
    for k in 0..20 {
        if let Verdict::Locked(humtick::Lock { continuity, .. }) =
            meter.push(rising(u64::from(back) + k * 40_000))
        {
            assert_eq!(continuity, Continuity::Broken);
            locked_at = Some(k);
        }
    }
    assert_eq!(locked_at, Some(4));
    assert_eq!(meter.fit().map(|fit| fit.whole_period()), Some(40_000));
}

/// Thirty edges a cycle at random for five seconds, as an open input gives. Numbers stay in the range, and a second after
/// the noise they are right again.
#[test]
fn random_edges_are_got_over_within_a_second() {
    let mut slowest = 0f64;
    let (mut numbers, mut right) = (0, 0);
    let mut surest = f64::INFINITY;
    for seed in 0..40 {
        let train = Train { seed, ..train() };
        let mut rng = Pcg64::seed_from_u64(seed);
        // In phase with the signal before, or anywhere.
        let shift = rng.random_range(0.0..0.02);
        let times: Vec<_> = steady(50.0, 1_000)
            .iter()
            .filter(|t| **t < 5.0)
            .copied()
            .chain((0..500).map(|k| 10.0 + shift + f64::from(k) / 50.0))
            .collect();
        let mut edges = train.edges(&times);
        edges.extend((0..7_500).map(|_| train.ticks(rng.random_range(5.0..10.0)) as u64));
        edges.sort_unstable();
        let mut refused_last = 10.0f64;
        feed(&mut meter::<64, LeastSquares>(&mains()), &edges, |_, at, verdict, reading| {
            let moment = train.seconds(at);
            if moment >= 10.0 && !matches!(verdict, Verdict::Crossing(_)) {
                refused_last = refused_last.max(moment);
            }
            let Some((f, noise)) = reading.and_then(|r| r.frequency.zip(r.expanded_uncertainty)) else {
                return;
            };
            assert!((36.0..77.0).contains(&value(f)), "{f}");
            if (6.2..10.0).contains(&moment) {
                numbers += 1;
                surest = surest.min(value(noise));
            }
            // The lock took less than a second, and a second more takes the last of the noise out of the window.
            assert!(
                moment < 12.0 || (value(f) - 50.0).abs() < 3.0 * value(noise),
                "{f} at {moment} s, seed {seed}"
            );
            right += u32::from(moment >= 12.0);
        });
        slowest = slowest.max(refused_last - 10.0);
    }
    println!(
        "random edges: {numbers} numbers from noise, the surest +-{surest:.4} Hz; every edge taken after {slowest:.3} s at most"
    );
    assert!(slowest < 1.0, "{slowest} s");
    assert!(right >= 40 * 79, "{right} readings in 8 s of 40 records");
}

/// Edges of the polarity that was not asked for change nothing, wherever they lie.
#[test]
fn the_other_polarity_is_left_alone() {
    let mut meter: Meter<64> = meter(&mains());
    for k in 0..100u64 {
        let edge = rising(k * 40_000);
        assert_ne!(meter.push(edge), Verdict::Unused);
        let falling = humtick::Edge::falling(stamp(k * 40_000 + 19_000 + k % 7));
        assert_eq!(meter.push(falling), Verdict::Unused);
        if let Some(f) = meter.take_reading().and_then(|r| r.frequency) {
            assert_eq!(f, hertz(50.0));
        }
    }
}

/// Nobody says which: 50 and 60 Hz, and ships' and islands' frequencies between, are found by themselves.
#[test]
fn mains_of_either_frequency_is_found() {
    for nominal in [40.5, 50.0, 55.0, 60.0, 69.5] {
        let edges = Train::clean(TICK_HZ).edges(&steady(nominal, 200));
        let readings = readings::<64, LeastSquares>(&mains(), &edges);
        let f = readings.last().unwrap().frequency.unwrap();
        assert!((value(f) - nominal).abs() < 1e-4, "{f}");
    }
}

/// A phase that jumps every seventh cycle leaves no window to fit. The meter is locked each time, and must say that it knows nothing.
#[test]
fn a_signal_that_keeps_stepping_is_not_met_with_silence() {
    let mut meter = meter::<64, LeastSquares>(&mains());
    let (mut known, mut unknown) = (0, 0);
    for k in 0..1_500u64 {
        meter.push(rising(k * 40_000 + k / 7 * 6_000));
        if let Some(reading) = meter.take_reading() {
            known += u32::from(reading.frequency.is_some());
            unknown += u32::from(reading.frequency.is_none());
        }
    }
    assert_eq!(known, 0);
    // 30 s; one a window at the least.
    assert!(unknown >= 20, "{unknown}");
}

/// Whoever takes no readings for a while gets the present one, not an excuse.
#[test]
fn a_reading_that_waits_to_be_taken_stays_one() {
    let mut meter = meter::<64, LeastSquares>(&mains());
    for k in 0..1_500u64 {
        meter.push(rising(k * 40_000));
    }
    assert_eq!(meter.take_reading().unwrap().frequency, Some(common::hertz(50.0)));
    assert_eq!(meter.take_reading(), None);
}

/// A pin looked at every 0.1 ms: stamps jump by a hundred ticks every eight cycles, and are even in between. A chain of four knows
/// nothing of the next jump; the scatter must come to.
#[test]
fn stamps_of_a_coarse_clock_are_followed() {
    for grid in [20u64, 50, 100, 200] {
        let mut meter: humtick::Meter<64> = meter(&Config::mains(common::rate(1_000_000)));
        let (mut known, mut worst) = (0, 0f64);
        for k in 0..3_000u64 {
            let ticks = (k as f64 * 1e6 / 49.97) as u64;
            meter.push(rising(ticks.div_ceil(grid) * grid));
            if let Some(f) = meter.take_reading().and_then(|r| r.frequency).filter(|_| k > 500) {
                known += 1;
                worst = worst.max((value(f) - 49.97).abs());
            }
        }
        println!("grid of {grid} us: {known} readings, worst {:.2} mHz", worst * 1e3);
        assert!(known > 480, "{known} readings on a grid of {grid} us");
        // Quantisation moves a least-squares slope over 50 cycles by at most 1.5 q/51 a period.
        assert!(worst < 1.55 * grid as f64 / 51.0 / 20_000.0 * 50.0, "{worst} Hz on a grid of {grid} us");
    }
}

/// Mains that drifts out of the range is lost, and from then on there is no number.
#[test]
fn leaving_the_range_is_a_loss() {
    let config = Config { every_ms: 5, ..mains() };
    let edges = train().edges(&crossings(|t| 69.0 + 0.3 * t, 8.0));
    let (mut lost, mut known_before) = (0, 0);
    feed(&mut meter::<64, LeastSquares>(&config), &edges, |meter, at, _, reading| {
        let truth = 69.0 + 0.3 * train().seconds(at);
        match meter.state() {
            State::Locked => assert!(truth < 70.1, "followed to {truth} Hz"),
            State::Lost => {
                lost += 1;
                assert!(truth > 69.9, "lost at {truth} Hz");
            }
            state => assert!(lost == 0 && known_before == 0, "{state:?} at {truth} Hz"),
        }
        let Some(reading) = reading else { return };
        assert!(reading.frequency.is_none() || reading.state != State::Lost, "{reading:?}");
        if lost > 0 {
            assert_eq!(reading.frequency, None, "{reading:?}");
        } else {
            known_before += usize::from(reading.frequency.is_some());
        }
    });
    // Out at 3.3 s.
    assert!(lost > 200, "{lost}");
    assert!(known_before > 100, "{known_before}");
}

/// However far apart readings are asked for, as far as a configuration is taken, they come, and a loss is said.
#[test]
fn readings_far_apart_come() {
    let tick_hz = 100_000_000;
    for every_ms in [5_000u32, 10_000, 10_720, 10_724, 10_730, 11_000, 21_470] {
        let config = Config { every_ms, ..Config::mains(common::rate(tick_hz)) };
        let longest = f64::from(tick_hz) / 40.0 + 1.0;
        let allowed = f64::from(every_ms) * 1e5 < ((1u64 << 31) as f64 - longest) / 2.0;
        assert_eq!(
            Meter::<64>::new(&config).err(),
            (!allowed).then_some(humtick::ConfigError::Every),
            "{every_ms}"
        );
        if !allowed {
            continue;
        }
        let edges = Train::clean(tick_hz).edges(&steady(50.0, 50 * 200));
        let known =
            readings::<64, LeastSquares>(&config, &edges).iter().filter(|r| r.frequency.is_some()).count();
        assert!(known.abs_diff(200_000 / every_ms as usize) <= 1, "{every_ms}: {known}");
        let mut meter = meter::<64, LeastSquares>(&config);
        for k in 0..20u64 {
            meter.push(rising(k * 2_000_000));
            meter.take_reading();
        }
        let said = (1..3_000u64).filter(|i| {
            meter.idle(stamp(19 * 2_000_000 + i * 2_000_000));
            meter.take_reading().is_some_and(|r| r.state == State::Lost && r.frequency.is_none())
        });
        // Every so often in 60 s.
        let said = said.count();
        assert!(said + 2 >= 60_000 / every_ms as usize, "{every_ms}: {said}");
    }
}
