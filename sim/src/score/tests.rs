use humtick::State;

use super::*;
use crate::scenario::{
    CaptureKind, Disturb, Flicker, FlickerShape, FrontEnd, Grid, GridShape, Limits, Overrun, Timer, Voltage,
};
use crate::settings::MeterSettings;

/// A quiet minute at 50 Hz: no noise, no harmonics, a perfect clock of 2 MHz that the meter takes for one.
pub(crate) fn scenario() -> Scenario {
    Scenario {
        name: "quiet night".into(),
        seed: 1,
        duration_s: 60.0,
        nominal_hz: 50.0,
        grid: Grid { offset_mhz: 0.0, shape: GridShape::Constant },
        voltage: Voltage {
            rms_v: 230.0,
            harmonics: Vec::new(),
            interharmonics: Vec::new(),
            dc_percent: 0.0,
            flicker: Flicker { percent: 0.0, hz: 8.8, shape: FlickerShape::Sine },
        },
        disturb: Vec::new(),
        front_end: FrontEnd {
            lowpass_hz: None,
            lowpass_order: 1,
            noise_percent: 0.0,
            noise_bandwidth_hz: 20_000.0,
            hysteresis_percent: 0.0,
            offset_percent: 0.0,
            offset_drift_percent_h: 0.0,
            rise_us: 0.0,
            fall_us: 0.0,
            glitch_rate_hz: 0.0,
            glitch_width_us: 0.0,
        },
        timer: Timer {
            tick_hz: 2_000_000,
            bits: 16,
            start: 0,
            clock_ppm: 0.0,
            clock_wander_ppb: 0.0,
            clock_wander_s: 100.0,
            temperature_swing_k: 0.0,
            temperature_period_s: 86_400.0,
            ageing_ppb_day: 0.0,
            capture: CaptureKind::Hardware,
            latency_us: (0.0, 0.0),
            overflow_latency_us: (0.0, 0.0),
            overrun: Overrun::Drop,
            lost_percent: 0.0,
        },
        meter: MeterSettings { clock_tolerance_ppm: 0.0, ..MeterSettings::default() },
        limits: Limits::default(),
        recording: None,
    }
}

/// One second up to `last_s` reads `hz`, within `half`, where 50 Hz are true.
fn reading(last_s: f64, hz: Option<f64>, half: f64) -> Scored {
    let last = Moment::from_s(last_s);
    Scored {
        reading: TimedReading {
            t_s: last_s - 0.5,
            span_s: 1.0,
            cycles: 50,
            frequency_hz: hz,
            u_hz: hz.map(|_| half / 2.0),
            u95_hz: hz.map(|_| half),
            rocof_hz_s: None,
            rocof_u95_hz_s: None,
            missed: 0,
            rejected: 0,
            state: State::Locked,
        },
        first: last.later(-1.0),
        last,
        window_hz: hz.map(|_| 50.0),
        instant_hz: 50.001,
        rocof_hz_s: 0.5,
    }
}

fn score(scenario: &Scenario, readings: &[Scored]) -> Score {
    let mut score = Score::new(scenario);
    readings.iter().for_each(|r| score.take(r));
    score.finish(Moment::from_s(scenario.duration_s), &Counts { edges: 3_030, ..Counts::default() }, 3_000.0);
    score
}

#[test]
fn a_handful_of_readings() {
    let found = score(
        &scenario(),
        &[
            reading(1.5, None, 0.0),
            reading(2.0, Some(50.001), 0.002),
            reading(2.1, Some(50.003), 0.002),
            reading(2.2, Some(49.999), 0.002),
            reading(2.3, Some(50.0101), 0.002),
        ],
    );
    assert_eq!((found.readings, found.unknown, found.false_readings), (5, 1, 1));
    assert!((found.window.bias().unwrap() - 0.003275).abs() < 1e-9);
    assert!((found.instant.bias().unwrap() - 0.002275).abs() < 1e-9);
    assert!((found.first_false.unwrap().seconds() - 1.8).abs() < 1e-9);
    assert_eq!((found.coverage.judged, found.coverage.held), (4, 2));
    assert!((found.coverage.independent - 1.3).abs() < 1e-9, "{}", found.coverage.independent);
    // 1, 3, -1 and 10.1 standard uncertainties.
    let bins = &found.histogram.bins;
    assert_eq!((bins[16] + bins[15], bins[24] + bins[23], bins[32] + bins[31]), (1, 1, 1));
    assert_eq!(found.histogram.outside, (0, 1));
    assert_eq!(found.edges_per_crossing, 1.01);
}

/// A second at 50 Hz is whole from 49.25 cycles on, three cycles are from 2.25 on; the last period is whole by itself.
#[test]
fn short_windows_are_told_from_whole_ones() {
    let spanning = |scenario: &Scenario, spans: &[f64]| {
        let one =
            |span: &f64| Scored { first: Moment::from_s(30.0 - span), ..reading(30.0, Some(50.001), 0.002) };
        score(scenario, &spans.iter().map(one).collect::<Vec<_>>()).whole.count
    };
    let mut meter = scenario();
    assert_eq!(spanning(&meter, &[0.08, 0.5, 0.98, 0.984, 0.986, 1.0, 1.001]), 3);
    meter.meter.window_s = 0.06;
    assert_eq!(spanning(&meter, &[0.04, 0.044, 0.046, 0.06]), 2);
    meter.meter.window_s = 1_000.0;
    meter.meter.estimator = EstimatorKind::Hann;
    // Room for 1024 crossings: 20.46 s.
    assert_eq!(spanning(&meter, &[20.0, 20.44, 20.45, 20.46]), 2);
    meter.meter.estimator = EstimatorKind::LastPeriod;
    assert_eq!(spanning(&meter, &[0.02]), 1);
}

/// What each clock makes of 50 Hz is known, and what it adds to the interval as well.
#[test]
fn the_clock_is_taken_off() {
    let mut slow = scenario();
    slow.timer.clock_ppm = -30.0;
    slow.meter.clock_ppm = 10.0;
    slow.meter.clock_tolerance_ppm = 20.0;
    let off: f64 = 50.0 * (1.0 + 10e-6) / (1.0 - 30e-6) - 50.0;
    assert!((off - 2e-3).abs() < 1e-6);
    // n = 0.1 mHz beside a = 1 mHz.
    let half = |n: f64| (0.9025f64 + n * n + 25.0 / 98.0 * n).sqrt() * 1e-3;
    let of = |n: f64, error_mhz: f64| reading(2.0, Some(50.0 + off + error_mhz * 1e-3), half(n));
    let found = score(&slow, &[of(0.1, 0.099), of(0.1, 0.101), of(1.0, -0.999), of(1.0, -1.001)]);
    assert_eq!((found.coverage.held, found.coverage_apart.held, found.false_readings), (2, 2, 0));
    assert!((found.apart.bias().unwrap() + 0.45e-3).abs() < 1e-7, "{:?}", found.apart.bias());
    assert!((found.clock_hz(50.0) - off).abs() < 1e-12);
}

/// windows.md: a second at 50 Hz and 20 us an edge are 0.476 mHz; errors alternating by that are the bound itself.
#[test]
fn errors_over_the_bound() {
    let mut noisy = scenario();
    noisy.front_end.noise_percent = 100.0 * std::f64::consts::TAU * 50.0 * 20e-6;
    noisy.front_end.noise_bandwidth_hz = 5_000.0;
    let variance = Bound::new(&noisy).variance(50.0, 1.0, 0).unwrap();
    let readings: Vec<_> = (0..100)
        .map(|i| {
            reading(
                2.0 + f64::from(i),
                Some(50.0 + if i % 2 == 0 { 1.0 } else { -1.0 } * variance.sqrt()),
                0.01,
            )
        })
        .collect();
    let found = score(&noisy, &readings);
    assert!((found.bound_hz().unwrap() - 0.476e-3).abs() < 1e-6);
    assert!((found.over_bound().unwrap() - 1.0).abs() < 1e-6);
    assert!(score(&noisy, &[]).over_bound().is_none());
    // Six rising edges in a hundred too many.
    let chattering = Score { edges_per_crossing: 1.06, ..found };
    assert!(chattering.over_bound().is_none() && chattering.bound_hz().is_some());
    // Hysteresis may hide how steep the noise is: 2 pi 6.5 kHz 20 us over sqrt 3 is 0.47, and 7.3 kHz make 0.53.
    for (bandwidth_hz, holds) in [(6_500.0, true), (7_300.0, false)] {
        noisy.front_end.noise_bandwidth_hz = bandwidth_hz;
        assert_eq!(score(&noisy, &readings).over_bound().is_some(), holds);
    }
    // A threshold that is never reached has no slope.
    noisy.front_end.offset_percent = 99.0;
    noisy.front_end.hysteresis_percent = 4.0;
    let unreached = score(&noisy, &readings);
    assert!(
        unreached.bound_hz().is_none()
            && unreached.doubt() == Some("the voltage does not reach the threshold")
    );
}

/// Readings in an interruption are false, however right; so are those of fewer cycles than they claim.
#[test]
fn numbers_where_there_is_nothing_to_read() {
    let mut dark = scenario();
    dark.disturb =
        vec![Disturb::Dip { at_s: 10.0, length_s: 5.0, residual_percent: 0.0, times: 1, every_s: 0.0 }];
    let mut empty = reading(20.0, Some(50.0), 1.0);
    empty.window_hz = None;
    let right = |last| reading(last, Some(50.0), 1.0);
    let found = score(&dark, &[right(10.5), right(11.5), right(15.0), right(15.1), empty]);
    assert_eq!(found.false_readings, 3);
    assert_eq!(found.first_false.unwrap().seconds(), 11.0);
    assert_eq!(found.window.count, 4);
}

/// White phase noise of a known size, ten gaps in it: the longest stretch is used, and its deviation is sqrt(3) sigma/tau
/// (estimators.md) at once the spacing.
#[test]
fn stability_of_the_longest_stretch() {
    let mut random = crate::random::Random::new(1, crate::random::Use::Noise, 0);
    let mut phase = 0.0;
    let mut readings = Vec::new();
    for i in 0..6_000 {
        let next = 1e-6 * random.normal();
        let hz = 50.0 * (1.0 + (next - phase) / 0.1);
        phase = next;
        let gap = i % 1_000 == 999 || i < 3_000 && i % 500 == 0;
        readings.push(reading(2.0 + 0.1 * f64::from(i), (!gap).then_some(hz), 0.01));
    }
    let found = score(&scenario(), &readings).stability();
    assert_eq!((found[0].tau_s, found.last().unwrap().m), (0.1, 256));
    let expected = 3f64.sqrt() * 1e-6 / 0.1;
    assert!((found[0].oadev.value / expected - 1.0).abs() < 0.1, "{}", found[0].oadev.value);
    assert!(score(&scenario(), &readings[..2]).stability().is_empty());
    // A reading left out is a gap too.
    let late = [0.0, 0.1, 0.3, 0.4, 0.5].map(|t| reading(2.0 + t, Some(50.0), 0.01));
    assert_eq!(score(&scenario(), &late).kept.longest().len(), 3);
}

#[test]
fn memory_is_bounded() {
    let mut score = Score::new(&scenario());
    for i in 0..KEPT + 5_000 {
        score.take(&reading(2.0 + 0.1 * i as f64, Some(50.0), 0.01));
    }
    assert_eq!((score.kept.run.len(), score.readings), (KEPT, KEPT as u64 + 5_000));
}

#[test]
fn broken_limits_are_named_with_their_figures() {
    let limits = Limits {
        max_error_mhz: Some((0.0, 2.0)),
        rms_error_mhz: Some((0.0, 2.5)),
        coverage: Some((0.9, 0.99)),
        lock_s: Some(1.0),
        false_readings: Some(0),
        ..Limits::default()
    };
    let mut found =
        score(&scenario(), &[reading(2.0, Some(50.003), 0.002), reading(2.1, Some(50.001), 0.002)]);
    found.lock_s = Some(0.3);
    assert_eq!(
        found.broken(&limits),
        [
            "max_error_mhz = 2: the worst error is +3.000000 mHz, at 1.500 s",
            "coverage = [0.9, 0.99]: the 95 % interval holds the truth in 0.5000 of 2 readings",
        ]
    );
    let nothing = score(&scenario(), &[]);
    let broken = nothing.broken(&limits);
    assert_eq!(broken.len(), 5);
    assert_eq!(broken[3..], ["lock_s = 1: never locked", "false_readings = 0: no reading to judge"]);
    assert!(nothing.broken(&Limits::default()).is_empty());
    let far = score(&scenario(), &[reading(2.0, Some(50.1), 0.001)]);
    assert!(
        far.broken(&limits).contains(&"false_readings = 0: there are 1, the first at 1.500 s".to_owned())
    );
    assert!(far.broken(&limits)[1].starts_with("rms_error_mhz = 2.5: it is 100.000000 mHz"));
}

/// Within twice the half width is settled, 5 % more is not: a step at 5 s, readings off by so much from 6 s on, and right from 8 s on.
#[test]
fn settled_is_within_twice_the_half_width() {
    let mut stepping = scenario();
    stepping.disturb = vec![Disturb::PhaseJump { at_s: 5.0, degrees: 10.0 }];
    for (halves, settles_s) in [(1.95, 1.0), (2.05, 3.0)] {
        let readings: Vec<_> = (20..150)
            .map(|tenth| {
                let at = f64::from(tenth) / 10.0;
                let off = match at {
                    5.05..5.95 => 10.0,
                    5.95..7.95 => halves,
                    _ => 0.0,
                };
                // The frequency in the middle is 50.001 Hz.
                reading(at, Some(50.001 + off * 0.002), 0.002)
            })
            .collect();
        let mean = score(&stepping, &readings).settling.mean_s().unwrap();
        assert!((mean - settles_s).abs() < 1e-6, "{mean} for {settles_s}");
    }
}

/// An error far below what physics gives is a defect too.
#[test]
fn limits_have_two_sides() {
    let found = score(&scenario(), &[reading(2.0, Some(50.003), 0.002), reading(2.1, Some(50.001), 0.002)]);
    let within = |least, most| Limits {
        max_error_mhz: Some((least, most)),
        rms_error_mhz: Some((least, most)),
        max_instant_error_mhz: Some((least, most)),
        ..Limits::default()
    };
    // Against 50 Hz 3 and 1 mHz, root mean square 2.236; against 50.001 Hz 2 and 0.
    assert!(found.broken(&within(1.9, 3.1)).is_empty());
    assert_eq!(
        found.broken(&within(2.5, 3.1)),
        [
            "max_instant_error_mhz = [2.5, 3.1]: the worst error is +2.000000 mHz, at 1.500 s, below the least",
            "rms_error_mhz = [2.5, 3.1]: it is 2.236068 mHz, below the least"
        ]
    );
    assert_eq!(found.broken(&within(1.9, 2.9)).len(), 1);
    assert!((found.used(&within(1.9, 6.0)).unwrap() - 0.5).abs() < 1e-9);
    assert_eq!(found.used(&Limits { false_readings: Some(9), ..Limits::default() }), None);
    assert_eq!(within(0.0, 1.0).given(), 3);
    let unheard = Limits {
        max_rocof_error_hz_s: Some((0.0, 1.0)),
        max_interval_error_mhz: Some((0.0, 1.0)),
        ..Limits::default()
    };
    assert!(found.broken(&unheard).iter().all(|broken| broken.ends_with("no reading to judge")));
    assert_eq!(found.broken(&unheard).len(), 2);
}

/// Rates of change against the grid's, and how long they and the readings are off.
#[test]
fn rates_of_change_and_responses_are_judged() {
    let mut stepping = scenario();
    stepping.limits.response = Some((1.5, 0.25));
    stepping.limits.rocof_response = Some((0.4, 0.15));
    let readings: Vec<_> = (20..60)
        .map(|tenth| {
            let at = f64::from(tenth) / 10.0;
            // 50.001 Hz is true in the middle, and 0.5 Hz/s.
            let off = (3.95..4.15).contains(&at);
            let mut scored = reading(at, Some(if off { 50.01 } else { 50.001 }), 0.002);
            scored.reading.rocof_hz_s = Some(if off { 1.0 } else { 0.75 });
            scored
        })
        .collect();
    let found = score(&stepping, &readings);
    assert!((found.rocof.worst.unwrap().0 - 0.5).abs() < 1e-9);
    assert_eq!(
        found.broken(&stepping.limits),
        ["rocof_response = [0.4, 0.15]: readings are off for 0.2000 s, from 3.500 s on"]
    );
}

/// What begins before the limits do is not judged.
#[test]
fn limits_begin_when_they_say() {
    let mut late = scenario();
    late.limits.from_s = 1.05;
    let readings = [reading(2.0, Some(51.0), 0.002), reading(2.1, Some(50.001), 0.002)];
    let found = score(&late, &readings);
    assert_eq!((found.readings, found.window.count, found.false_readings), (2, 1, 0));
}

/// A meter that says nothing makes no error, and is no good; nor is one that goes on where there is nothing.
#[test]
fn silence_is_held_against_a_meter() {
    let limits = Limits { unknown_readings: Some((1.0, 1.0)), ..Limits::default() };
    let [known, unknown] = [reading(2.0, Some(50.0), 0.01), reading(2.1, None, 0.01)];
    assert!(score(&scenario(), &[known.clone(), unknown.clone()]).broken(&limits).is_empty());
    assert_eq!(score(&scenario(), std::slice::from_ref(&known)).broken(&limits).len(), 1);
    assert_eq!(
        score(&scenario(), &[known, unknown.clone(), unknown]).broken(&limits),
        ["unknown_readings = [1, 1]: there are 2 of 3"]
    );
    assert_eq!(score(&scenario(), &[]).broken(&limits).len(), 1);
}
