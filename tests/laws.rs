//! What holds for any edges and any configuration.

mod common;

use std::collections::VecDeque;

use common::{Train, around, feed, meter, readings, steady, value};
use humtick::config::ConfigError;
use humtick::limit::{
    HORIZON, MAX_CLOCK_PPB, MAX_COAST, MAX_GATE_FACTOR, MAX_GATE_FLOOR_PPM, MAX_HOLDOFF_PERMILLE, MAX_PERIOD,
    MAX_TICK_HZ, MIN_COAST, MIN_GATE_FACTOR, MIN_PERIOD, MIN_TICK_HZ,
};
use humtick::{
    Biweight, Config, Edge, EndToEnd, Estimator, Frequency, Hann, Kaiser6, LastPeriod, LeastSquares, Meter,
    Polarity, Reading, Stamp, State, TickRate, Ticks, Triangular, Verdict,
};
use proptest::prelude::*;

/// What a caller may do.
#[derive(Clone, Copy, Debug)]
enum Call {
    /// Pushes an edge so many ticks after the last call's time, modulo 2^32.
    Push(u32, Polarity),
    /// Pushes so many edges, each a period of the configuration's middle after the last, give or take.
    Run(u8, i16),
    Idle(u32),
    Take,
}

fn polarity() -> impl Strategy<Value = Polarity> {
    prop_oneof![4 => Just(Polarity::Rising), 1 => Just(Polarity::Falling)]
}

/// Small steps, periods, silences, steps backwards.
fn gap() -> impl Strategy<Value = u32> {
    prop_oneof![
        4 => 0u32..100_000,
        2 => 0u32..1 << 27,
        1 => (HORIZON - 3)..(HORIZON + 3),
        1 => any::<u32>(),
        1 => (0u32..200_000).prop_map(u32::wrapping_neg),
    ]
}

fn calls() -> impl Strategy<Value = Vec<Call>> {
    let call = prop_oneof![
        6 => (gap(), polarity()).prop_map(|(gap, polarity)| Call::Push(gap, polarity)),
        3 => (1u8..60, -300i16..300).prop_map(|(n, off)| Call::Run(n, off)),
        1 => gap().prop_map(Call::Idle),
        2 => Just(Call::Take),
    ];
    prop::collection::vec(call, 0..60)
}

/// Mostly valid: frequencies that fit the tick rate, and each other field from within its limits.
fn config() -> impl Strategy<Value = Config> {
    let range = (MIN_TICK_HZ..=MAX_TICK_HZ, 1e-7f64..1.0, 1.01f64..1.99);
    let gate = (
        0..=MAX_HOLDOFF_PERMILLE,
        MIN_GATE_FACTOR..=MAX_GATE_FACTOR,
        0..=MAX_GATE_FLOOR_PPM,
        MIN_COAST..=MAX_COAST,
    );
    let error = MAX_CLOCK_PPB.cast_signed();
    let time = (1u32..100_000, 1u32..10_000);
    (range, gate, time, -error..=error, 0..=MAX_CLOCK_PPB).prop_map(
        |(
            (hz, slow, ratio),
            (holdoff_permille, gate_factor, gate_floor_ppm, coast),
            time,
            clock_ppb,
            tolerance,
        )| {
            let hertz = f64::from(hz) * (1.0 + f64::from(clock_ppb) / 1e9);
            // Periods spread over their range on a logarithmic scale.
            let longest = 130.0 * (1e6f64).powf(slow);
            let coast_cycles = f64::from(coast).min(2.1e9 / longest) as u8;
            let within = |ms: u32| ms.min((2.1e12 / f64::from(hz)) as u32);
            Config {
                rate: TickRate::from_hz(hz).unwrap(),
                lowest: common::hertz(hertz / longest),
                highest: common::hertz(hertz / longest * ratio),
                polarity: Polarity::Rising,
                holdoff_permille,
                gate_factor,
                gate_floor_ppm,
                coast_cycles: coast_cycles.max(MIN_COAST),
                window_ms: within(time.0.max((longest / hertz * 1000.0) as u32 + 1)),
                every_ms: within(2 * time.1) / 2,
                rocof_ms: within(time.0.max(1)),
                resolution: 1 + gate_floor_ppm % 8,
                clock_ppb,
                clock_tolerance_ppb: tolerance,
            }
        },
    )
}

/// Carries out the calls, and after each checks what must hold of the window; returns the readings.
fn carry_out<const N: usize, E: Estimator>(
    config: &Config,
    calls: &[Call],
) -> Result<Vec<Reading>, TestCaseError> {
    let Ok(mut meter) = Meter::<N, E>::new(config) else { return Ok(vec![]) };
    let middle = f64::from(config.rate.hz()) / value(config.lowest) * 0.8;
    let mut now = u32::MAX - 50_000;
    let mut all = vec![];
    // Edges pushed and refused so far; the refusals of a window cannot be more.
    let mut refused = 0u32;
    for call in calls {
        let (gaps, polarity, idle) = match *call {
            Call::Push(gap, polarity) => (vec![gap], polarity, false),
            Call::Run(n, off) => {
                (vec![(middle as u32).wrapping_add_signed(off.into()); n.into()], config.polarity, false)
            }
            Call::Idle(gap) => (vec![gap], config.polarity, true),
            Call::Take => {
                all.extend(meter.take_reading());
                prop_assert_eq!(meter.take_reading(), None);
                continue;
            }
        };
        for gap in gaps {
            now = now.wrapping_add(gap);
            if idle {
                meter.idle(Stamp::new(now));
            } else {
                let verdict = meter.push(Edge { stamp: Stamp::new(now), polarity });
                refused += u32::from(matches!(verdict, Verdict::Rejected(_)));
                if let Verdict::Crossing(crossing) = verdict {
                    // A crossing that takes the period out of the range asked for is the last before the loss.
                    let held = (meter.state() != State::Lost).then_some(crossing);
                    prop_assert_eq!(held, meter.crossings().last());
                    prop_assert_eq!(crossing.stamp.raw(), now);
                }
                prop_assert_eq!(verdict == Verdict::Unused, polarity != config.polarity);
            }
            window_holds(&meter, refused)?;
        }
    }
    all.extend(meter.take_reading());
    Ok(all)
}

fn window_holds<const N: usize, E: Estimator>(
    meter: &Meter<N, E>,
    refused: u32,
) -> Result<(), TestCaseError> {
    let window = meter.windows().next().unwrap();
    let crossings: Vec<_> = meter.crossings().collect();
    prop_assert!(crossings.len() == window.len() && window.len() <= N);
    prop_assert!(window.is_empty() || meter.state() != State::Seeking);
    prop_assert!(window.cycles() <= 4 * N as u32);
    prop_assert!(window.rejected() <= refused);
    for pair in crossings.windows(2) {
        let step = pair[1].cycle.wrapping_sub(pair[0].cycle);
        prop_assert!((1..=256).contains(&step), "{:?}", pair);
        prop_assert!(pair[1].stamp.since(pair[0].stamp).is_some_and(|t| t > Ticks::ZERO), "{:?}", pair);
    }
    if let (Some(first), Some(last)) = (crossings.first(), crossings.last()) {
        let cycles = last.cycle.wrapping_sub(first.cycle);
        prop_assert_eq!(window.cycles(), cycles);
        prop_assert_eq!(window.missed(), cycles + 1 - crossings.len() as u32);
        prop_assert_eq!(window.ends(), Some((first.stamp, last.stamp)));
    }
    if let Some(fit) = meter.fit() {
        prop_assert_eq!((fit.cycles, fit.crossings as usize), (window.cycles(), crossings.len()));
        prop_assert_eq!(Some((fit.first, fit.first + fit.span)), window.ends());
        prop_assert_eq!(fit.freedom, fit.crossings.saturating_sub(2));
    }
    Ok(())
}

fn known(readings: &[Reading]) -> impl Iterator<Item = (&Reading, f64)> {
    readings.iter().filter_map(|r| r.frequency.map(|f| (r, value(f))))
}

fn any_calls<const N: usize, E: Estimator>(config: &Config, calls: &[Call]) -> Result<(), TestCaseError> {
    for reading in carry_out::<N, E>(config, calls)? {
        match reading.frequency {
            None => {
                prop_assert_eq!((reading.cycles, reading.span), (0, Ticks::ZERO));
                prop_assert_eq!((reading.standard_uncertainty, reading.expanded_uncertainty), (None, None));
            }
            Some(f) => {
                prop_assert!(f > Frequency::from_nanohertz(0) && reading.cycles > 0);
                // Gates end at three eighths of a period, chains are even to a sixteenth; no estimator reads beyond.
                let (low, high) = (value(config.lowest), value(config.highest));
                let clock = 1.0 + f64::from(config.clock_ppb) * 1e-9;
                let f = value(f) / clock;
                prop_assert!(f > 0.6 * low && f < 1.8 * high, "{} of {} to {}", f, low, high);
            }
        }
        if let (Some(standard), Some(expanded)) = (reading.standard_uncertainty, reading.expanded_uncertainty)
        {
            // Student's factor is 1.96 and more, the rectangle's 0.95 sqrt 3 = 1.645.
            let ratio = expanded.nanohertz() as f64 / standard.nanohertz() as f64;
            prop_assert!(ratio > 1.644 || standard.nanohertz() < 1_000, "{}", ratio);
        }
    }
    Ok(())
}

/// The same for both polarities, which take turns in a run, with the rate of change: no call breaks anything, and what is read
/// is consistent.
fn any_calls_of_both<const N: usize, E: Estimator>(
    config: &Config,
    calls: &[Call],
) -> Result<(), TestCaseError> {
    let Ok(mut meter) = Meter::<N, E, 2>::new(config) else { return Ok(()) };
    let half = (f64::from(config.rate.hz()) / value(config.lowest) * 0.4) as u32;
    let mut now = u32::MAX - 50_000;
    for call in calls {
        match *call {
            Call::Push(gap, polarity) => {
                now = now.wrapping_add(gap);
                meter.push(Edge { stamp: Stamp::new(now), polarity });
            }
            Call::Run(n, off) => {
                for i in 0..2 * u32::from(n) {
                    now = now.wrapping_add(half.wrapping_add_signed(off.into()));
                    let polarity = if i % 2 == 0 { Polarity::Rising } else { Polarity::Falling };
                    meter.push(Edge { stamp: Stamp::new(now), polarity });
                }
            }
            Call::Idle(gap) => {
                now = now.wrapping_add(gap);
                meter.idle(Stamp::new(now));
            }
            Call::Take => {}
        }
        let Some(reading) = meter.take_full_reading() else { continue };
        prop_assert!(reading.frequency.is_none() || reading.state != State::Lost);
        prop_assert!(reading.rocof.is_none() || reading.frequency.is_some());
        prop_assert!(reading.rocof_uncertainty.is_none() || reading.rocof.is_some());
        if reading.frequency.is_some() {
            let held: usize = meter.windows().map(|w| w.len()).sum();
            let fit = meter.fit().unwrap();
            prop_assert_eq!(
                (fit.crossings as usize, fit.span, fit.cycles),
                (held, reading.span, reading.cycles)
            );
            prop_assert!(meter.windows().all(|w| w.len() >= 2));
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1_000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_calls_in_any_order_break_a_meter(config in config(), calls in calls()) {
        any_calls::<4, LeastSquares>(&config, &calls)?;
        any_calls::<64, LeastSquares>(&config, &calls)?;
        any_calls::<1000, LeastSquares>(&config, &calls)?;
        any_calls::<5, Triangular>(&config, &calls)?;
        any_calls::<64, Triangular>(&config, &calls)?;
        any_calls::<4, EndToEnd>(&config, &calls)?;
        any_calls::<64, LastPeriod>(&config, &calls)?;
        any_calls::<64, Biweight>(&config, &calls)?;
        any_calls::<1000, Hann>(&config, &calls)?;
    }

    #[test]
    fn no_calls_in_any_order_break_a_meter_of_both_polarities(config in config(), calls in calls()) {
        any_calls_of_both::<4, LeastSquares>(&config, &calls)?;
        any_calls_of_both::<64, LeastSquares>(&config, &calls)?;
        any_calls_of_both::<1000, LeastSquares>(&config, &calls)?;
        any_calls_of_both::<64, LastPeriod>(&config, &calls)?;
        any_calls_of_both::<5, Triangular>(&config, &calls)?;
        any_calls_of_both::<64, Kaiser6>(&config, &calls)?;
    }

    /// Mains settings keep least squares within a tenth of the range whatever comes.
    #[test]
    fn no_edges_read_far_outside_the_range(calls in calls(), tick_hz in 1_000_000u32..4_000_000) {
        let config = Config::mains(TickRate::from_hz(tick_hz).unwrap());
        for (reading, f) in known(&carry_out::<64, LeastSquares>(&config, &calls)?) {
            prop_assert!((36.0..77.0).contains(&f), "{:?}", reading);
        }
    }

    /// Each of these values is refused wherever it stands, and by its own name.
    #[test]
    fn values_outside_their_limits_are_refused(config in config(), which in 0..13) {
        prop_assume!(Meter::<64>::new(&config).is_ok());
        let (low, high) = (config.lowest.nanohertz(), config.highest.nanohertz());
        let slow = |hz| TickRate::from_hz(hz).unwrap();
        let (bad, error) = match which {
            0 => (Config { lowest: config.highest, ..config }, ConfigError::Range),
            1 => (Config { highest: Frequency::from_nanohertz(2 * low), ..config }, ConfigError::Range),
            2 => (Config { lowest: Frequency::from_nanohertz(0), ..config }, ConfigError::Range),
            3 => (Config { holdoff_permille: MAX_HOLDOFF_PERMILLE + 1, ..config }, ConfigError::Holdoff),
            4 => (Config { gate_factor: MIN_GATE_FACTOR - 1, ..config }, ConfigError::Gate),
            5 => (Config { gate_floor_ppm: MAX_GATE_FLOOR_PPM + 1, ..config }, ConfigError::Gate),
            6 => (Config { coast_cycles: MIN_COAST - 1, ..config }, ConfigError::Coast),
            7 => (Config { coast_cycles: MAX_COAST + 1, ..config }, ConfigError::Coast),
            8 => (Config { every_ms: 0, ..config }, ConfigError::Every),
            9 => (Config { clock_ppb: -1 - MAX_CLOCK_PPB.cast_signed(), ..config }, ConfigError::Clock),
            10 => (Config { gate_factor: MAX_GATE_FACTOR + 1, ..config }, ConfigError::Gate),
            11 => (Config { clock_tolerance_ppb: MAX_CLOCK_PPB + 1, ..config }, ConfigError::Clock),
            // Too few ticks a period for the rate.
            _ => {
                let (lowest, highest) = (Frequency::from_nanohertz(low.max(30_000_000_000)), high.max(50_000_000_000));
                let highest = Frequency::from_nanohertz(highest.min(lowest.nanohertz() / 2 * 3));
                (Config { rate: slow(1_000), lowest, highest, ..config }, ConfigError::Period)
            }
        };
        prop_assert_eq!(Meter::<64>::new(&bad).err(), Some(error));
    }

    /// Any configuration whatever: accepted or refused, never a panic; and what is accepted measures without one.
    #[test]
    fn any_configuration_is_taken_or_refused(
        frequencies: (u64, u64), gate: (u16, u8, u32, u8), time: (u32, u32), clock: (i32, u32),
        hz in MIN_TICK_HZ..=MAX_TICK_HZ, calls in calls(),
    ) {
        let config = Config {
            rate: TickRate::from_hz(hz).unwrap(),
            lowest: Frequency::from_nanohertz(frequencies.0),
            highest: Frequency::from_nanohertz(frequencies.1),
            polarity: Polarity::Falling,
            holdoff_permille: gate.0,
            gate_factor: gate.1,
            gate_floor_ppm: gate.2,
            coast_cycles: gate.3,
            window_ms: time.0,
            every_ms: time.1,
            rocof_ms: time.0,
            resolution: gate.2 % 40,
            clock_ppb: clock.0,
            clock_tolerance_ppb: clock.1,
        };
        carry_out::<64, LeastSquares>(&config, &calls)?;
    }

    /// The scale's zero is nothing special: moved by any number of ticks, every reading is the same, moved as much.
    #[test]
    fn readings_move_with_the_scale(seed: u64, by: u32, jitter in 0.0f64..100.0) {
        let train = Train { jitter, missing: 0.05, extra: 0.05, seed, ..Train::clean(2_000_000) };
        let edges = train.edges(&steady(50.0, 200));
        let moved: Vec<u64> = edges.iter().map(|e| e + u64::from(by)).collect();
        let config = Config::mains(common::rate(2_000_000));
        let by = Ticks::new(by);
        let want: Vec<_> = readings::<64, Triangular>(&config, &edges)
            .into_iter().map(|r| Reading { middle: r.middle + by, ..r }).collect();
        prop_assert_eq!(want, readings::<64, Triangular>(&config, &moved));
        let want: Vec<_> = readings::<64, LeastSquares>(&config, &edges)
            .into_iter().map(|r| Reading { middle: r.middle + by, ..r }).collect();
        prop_assert_eq!(want, readings::<64, LeastSquares>(&config, &moved));
    }

    /// Twice the tick rate and twice the ticks are the same signal, to the nanohertz. The gates are wide and the window's
    /// length far from a half cycle, since both have a tick or two of their own.
    #[test]
    fn frequency_does_not_depend_on_the_unit_of_time(seed: u64, f in 49.8f64..50.2) {
        let train = Train { jitter: 8.0, missing: 0.05, seed, ..Train::clean(1_000_000) };
        let edges = train.edges(&steady(f, 150));
        let doubled: Vec<u64> = edges.iter().map(|e| 2 * e).collect();
        let config = |hz| Config { gate_floor_ppm: 100_000, ..Config::mains(common::rate(hz)) };
        let one = readings::<64, LeastSquares>(&config(1_000_000), &edges);
        let two = readings::<64, LeastSquares>(&config(2_000_000), &doubled);
        prop_assert_eq!(one.len(), two.len());
        for (one, two) in one.iter().zip(&two) {
            prop_assert_eq!((one.cycles, one.missed, one.state), (two.cycles, two.missed, two.state));
            let apart = one.frequency.zip(two.frequency).map(|(a, b)| a.nanohertz().abs_diff(b.nanohertz()));
            prop_assert!(apart.unwrap_or(0) <= 1, "{:?} {:?}", one, two);
        }
    }

    /// A clock that counts x ppb too many reads 1/(1 + x) of the frequency; told so, it reads the frequency.
    #[test]
    fn a_known_clock_error_is_taken_off(ppb in -1_000_000i32..1_000_000) {
        let edges = Train::clean(2_000_000).edges(&steady(50.0 / (1.0 + f64::from(ppb) * 1e-9), 150));
        let config = Config { clock_ppb: ppb, ..Config::mains(common::rate(2_000_000)) };
        let f = value(readings::<64, LeastSquares>(&config, &edges).last().unwrap().frequency.unwrap());
        // Rounding down to ticks moves the slope by half the sum of the weights' sizes at most: 0.0294 ticks for 51 crossings.
        prop_assert!((f - 50.0).abs() < 3.7e-5, "{}", f);
    }

    /// The windows' rejected edges are exactly those pushed between its ends.
    #[test]
    fn rejected_edges_are_counted_exactly(seed: u64) {
        let train = Train { jitter: 2.0, missing: 0.1, extra: 0.5, seed, ..Train::clean(2_000_000) };
        let edges = train.edges(&steady(50.0, 200));
        let mut refused = VecDeque::new();
        let mut relocked = 0;
        feed(&mut meter::<64, LeastSquares>(&Config::mains(common::rate(2_000_000))), &edges, |meter, at, verdict, _| {
            relocked += u32::from(matches!(verdict, Verdict::Locked(_)));
            if matches!(verdict, Verdict::Rejected(_)) {
                refused.push_back(at);
            }
            if let (Verdict::Crossing(_), Some((first, last))) = (verdict, meter.windows().next().unwrap().ends()) {
                let span = u64::from((last - first).count());
                while refused.front().is_some_and(|r| *r < at - span) {
                    refused.pop_front();
                }
                assert!(relocked > 1 || meter.windows().next().unwrap().rejected() as usize == refused.len());
            }
        });
        prop_assert!(relocked >= 1);
    }

    /// Differences on the scale: right up to 2^31 - 1, none from there on.
    #[test]
    fn a_difference_of_stamps_is_right_below_the_horizon(start: u32, gap: u32) {
        let (earlier, later) = (Stamp::new(start), Stamp::new(start) + Ticks::new(gap));
        prop_assert_eq!(later - earlier, Ticks::new(gap));
        prop_assert_eq!(later.since(earlier), (gap < HORIZON).then_some(Ticks::new(gap)));
    }
}

#[test]
fn limits_themselves_are_allowed_and_one_beyond_is_not() {
    // 64 ticks is the shortest period, 2^27 the longest: 1 kHz over 15.625 Hz, 1 GHz over 7.45 Hz.
    let fast = |highest| Config {
        lowest: common::hertz(10.0),
        highest: common::hertz(highest),
        ..around(1_000, 12.0)
    };
    assert!(Meter::<64>::new(&fast(1_000.0 / f64::from(MIN_PERIOD))).is_ok());
    assert_eq!(Meter::<64>::new(&fast(1_000.0 / 63.9)).err(), Some(ConfigError::Period));
    let slow = |longest: f64| Config {
        lowest: common::hertz(1e9 / longest),
        highest: common::hertz(12.0),
        coast_cycles: 15,
        ..around(1_000_000_000, 12.0)
    };
    assert!(Meter::<64>::new(&slow(f64::from(MAX_PERIOD) - 2.0)).is_ok());
    assert_eq!(Meter::<64>::new(&slow(f64::from(MAX_PERIOD) + 2.0)).err(), Some(ConfigError::Period));
    // 16 cycles of 2^27 ticks are the horizon.
    let coast = Config { coast_cycles: 17, ..slow(f64::from(MAX_PERIOD) - 2.0) };
    assert_eq!(Meter::<64>::new(&coast).err(), Some(ConfigError::CoastHorizon));
    let mains = Config::mains(common::rate(2_000_000));
    for (window_ms, ok) in [(14, false), (15, true), (1_073_741, true), (1_073_742, false)] {
        assert_eq!(Meter::<64>::new(&Config { window_ms, ..mains }).is_ok(), ok, "{window_ms} ms");
    }
    assert_eq!(TickRate::from_hz(MIN_TICK_HZ - 1), None);
    assert_eq!(TickRate::from_hz(MAX_TICK_HZ + 1), None);
}
