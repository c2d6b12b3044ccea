use super::*;
use crate::random::{Random, Use};

/// A minute of one-second windows whose errors have these mean squares, one a stretch.
fn outcome(squares: impl IntoIterator<Item = f64>) -> Outcome {
    let stretches: Vec<_> = squares
        .into_iter()
        .map(|mean| Stretch { judged: 20, squares: 20.0 * mean, apart: 20.0 * mean })
        .collect();
    let figures = Figures {
        title: "pump".into(),
        seed: 1,
        duration_s: 60.0,
        window_s: 1.0,
        readings: 600,
        unknown: 0,
        worst_hz: Some(1e-3),
        worst_at_s: Some(7.0),
        rms_hz: Some(1e-4),
        apart_rms_hz: Some(1e-4),
        coverage: Some(0.95),
        lock_s: Some(0.08),
        false_readings: 0,
        first_false_s: None,
        used: None,
        limits: 1,
        stretches,
    };
    Outcome {
        name: "pump".into(),
        file: "suite/pump.toml".into(),
        case: String::new(),
        broken: vec![],
        unreadable: None,
        figures: Some(figures),
    }
}

fn changed(before: &Outcome, now: &Outcome) -> Change {
    Baseline(BTreeMap::from([(before.name.clone(), before.clone())])).change(now)
}

/// Mean squares of two windows each, which scatter as they are.
fn noisy(seed: u64) -> Vec<f64> {
    let mut random = Random::new(seed, Use::Noise, 0);
    (0..30).map(|_| (random.normal().powi(2) + random.normal().powi(2)) / 2.0).collect()
}

#[test]
fn nothing_changed_is_the_same_and_exactly_nothing() {
    let now = outcome(noisy(1));
    let change = changed(&now, &now);
    assert_eq!(
        (change.trend, change.rms, change.noise, change.why.as_str()),
        (Trend::Same, Some(0.0), Some(0.0), "")
    );
}

#[test]
fn five_percent_are_seen_and_half_a_percent_is_not_worth_it() {
    let scaled = |by: f64| outcome(noisy(1).iter().map(|square| square * by * by));
    let worse = changed(&scaled(1.0), &scaled(1.05));
    assert_eq!(worse.trend, Trend::Worse);
    assert!(worse.why.starts_with("rms +5.0 % (noise 0.0 %)"), "{}", worse.why);
    assert_eq!(changed(&scaled(1.05), &scaled(1.0)).trend, Trend::Better);
    assert_eq!(changed(&scaled(1.0), &scaled(1.005)).trend, Trend::Same);
}

/// Every stretch five percent worse, and its square up or down by a twentieth besides: that alone is some 1.5 % of the rms.
#[test]
fn five_percent_are_seen_through_some_noise() {
    let seen = |seed| {
        let mut random = Random::new(seed, Use::Grid, 0);
        let before = noisy(seed);
        let now: Vec<_> =
            before.iter().map(|square| square * 1.1025 * (1.0 + 0.05 * random.normal())).collect();
        changed(&outcome(before), &outcome(now)).trend == Trend::Worse
    };
    let count = (0..100).filter(|seed| seen(*seed)).count();
    assert!(count >= 95, "{count} of 100");
}

/// Other noise of the same size: 30 stretches of two windows tell root mean squares apart to 18 %.
#[test]
fn other_noise_is_the_same() {
    let differs = |seed| changed(&outcome(noisy(seed)), &outcome(noisy(seed + 1_000))).trend != Trend::Same;
    let wrong = (0..200).filter(|seed| differs(*seed)).count();
    assert!(wrong <= 4, "{wrong} of 200");
}

/// After a step the errors are the step's, in one stretch, and the others are as they were.
#[test]
fn one_stretch_alone_is_no_noise() {
    let before = noisy(3);
    let mut now = before.clone();
    now[7] += 20.0;
    assert_eq!(changed(&outcome(before), &outcome(now)).trend, Trend::Worse);
}

#[test]
fn longer_windows_put_stretches_together_until_there_are_too_few() {
    let with = |window_s| {
        let mut now = outcome(noisy(1).iter().map(|square| square * 1.21));
        now.figures.as_mut().unwrap().window_s = window_s;
        changed(&outcome(noisy(1)), &now).trend
    };
    assert_eq!([1.0, 2.0, 6.0, 12.0].map(with), [Trend::Worse; 4]);
    assert_eq!(with(12.1), Trend::Unclear);
}

#[test]
fn what_else_may_change() {
    let before = outcome(noisy(1));
    let told = |change: fn(&mut Figures)| {
        let mut now = before.clone();
        change(now.figures.as_mut().unwrap());
        let change = changed(&before, &now);
        (change.trend, change.why)
    };
    assert_eq!(told(|now| now.false_readings = 2), (Trend::Worse, "false readings 0 -> 2".into()));
    assert_eq!(told(|now| now.lock_s = Some(0.5)), (Trend::Worse, "lock 0.080 s -> 0.500 s".into()));
    assert_eq!(told(|now| now.lock_s = Some(0.06)).0, Trend::Better);
    assert_eq!(told(|now| now.lock_s = None), (Trend::Worse, "reads no more".into()));
    assert_eq!(told(|now| now.unknown = 30), (Trend::Worse, "unknown 0.0 % -> 5.0 % of readings".into()));
    assert_eq!(told(|now| now.seed = 2), (Trend::New, "was seed 1 over 60 s, is seed 2 over 60 s".into()));
    let dead = Outcome { figures: None, unreadable: Some("gone".into()), ..before.clone() };
    assert_eq!(changed(&before, &dead).trend, Trend::Worse);
    assert_eq!(changed(&dead, &before).trend, Trend::New);
}

#[test]
fn saved_lines_come_back_to_the_last_bit() {
    let outcomes =
        [outcome(noisy(1)), Outcome { figures: None, unreadable: Some("gone".into()), ..outcome([]) }];
    for outcome in outcomes {
        let line = serde_json::to_string(&outcome).unwrap();
        assert_eq!(Baseline::parse(&line).unwrap().0["pump"], outcome);
    }
    assert!(Baseline::parse("").unwrap_err().1.contains("is empty"));
    let (line, what) = Baseline::parse("{\"name\":1}").unwrap_err();
    assert!(line == 1 && what.contains("is no outcome"), "{what}");
}

#[test]
fn one_far_off_does_not_decide_the_whole() {
    let change = |rms| Change { trend: Trend::Same, rms, noise: None, why: String::new() };
    let all = [Some(0.05), Some(0.04), Some(22.0), None].map(change);
    assert_eq!(overall(&all), Some(0.05));
    assert_eq!(overall(&all[..2]), Some(0.045));
    assert_eq!(overall(&[]), None);
}
