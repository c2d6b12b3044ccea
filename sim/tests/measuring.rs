//! `measure` on edges that no mains ever made.

use humtick::Polarity;
use humtick_sim::edge::TimedEdge;
use humtick_sim::entry::Entry;
use humtick_sim::input::{End, Recording};
use humtick_sim::measure::measure;
use humtick_sim::settings::{BurstKind, EstimatorKind, MeterSettings, Nominal, PolarityKind};
use proptest::prelude::*;

fn recording(gaps: &[u64]) -> Recording {
    let mut ticks = 0u64;
    let edges: Vec<_> = gaps
        .iter()
        .map(|gap| {
            ticks = ticks.saturating_add(*gap);
            Ok(TimedEdge { ticks, polarity: Polarity::Rising })
        })
        .collect();
    Recording {
        tick_hz: 1_000_000,
        resolution: 1,
        assumptions: vec![],
        edges: Box::new(edges.into_iter()),
        end: End::default(),
    }
}

/// Mostly 50 Hz with jitter, with extra and missing edges, and now and then a silence of any length.
fn gap() -> impl Strategy<Value = u64> {
    prop_oneof![
        20 => 19_900u64..20_100,
        2 => 0u64..20_000,
        2 => 39_900u64..40_100,
        1 => any::<u64>().prop_map(|g| g >> 20),
        1 => (0u32..44).prop_map(|bits| 1u64 << bits),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(64) })]

    #[test]
    fn times_run_forward_and_counts_add_up(
        gaps in prop::collection::vec(gap(), 0..300),
        estimator in prop::sample::select(vec![
            EstimatorKind::LastPeriod,
            EstimatorKind::EndToEnd,
            EstimatorKind::Triangular,
            EstimatorKind::LeastSquares,
            EstimatorKind::Hann,
        ]),
        polarity in prop::sample::select(vec![PolarityKind::Rising, PolarityKind::Both]),
        burst in prop::sample::select(vec![BurstKind::First, BurstKind::Mean]),
        intervals: bool,
    ) {
        let settings = MeterSettings { estimator, polarity, burst, intervals, nominal: Nominal::Hertz(50.0), ..MeterSettings::default() };
        let end_s = gaps.iter().fold(0u64, |t, gap| t.saturating_add(*gap)) as f64 / 1e6;
        let mut last_event = 0.0;
        let summary = measure(recording(&gaps), &settings, |entry| {
            match entry {
                Entry::Reading(r) => {
                    assert!((0.0..=end_s).contains(&r.t_s), "{r:?} after {end_s} s");
                    // Asked for: four fifths to five quarters of 50 Hz; the limits are whole ticks.
                    assert!(r.frequency_hz.is_none_or(|f| (39.99..=62.51).contains(&f)), "{r:?}");
                    assert!(r.span_s <= 1.0 + 0.5 / 40.0, "{r:?}");
                }
                Entry::Interval(i) => {
                    assert!(i.t_s <= end_s && i.span_s <= 10.0, "{i:?}");
                    assert!(i.frequency_hz.is_none_or(|f| (36.0..=70.0).contains(&f)), "{i:?}");
                }
                Entry::Event { t_s, .. } => {
                    assert!(t_s >= last_event && t_s <= end_s);
                    last_event = t_s;
                }
            }
            Ok(())
        }).unwrap();
        let counts = summary.counts;
        prop_assert_eq!(counts.edges, gaps.len() as u64);
        prop_assert!(counts.crossings + counts.too_soon + counts.off_expected + counts.ambiguous <= counts.edges);
        if let Some(whole) = summary.whole {
            prop_assert!(whole.mean_hz > 39.0 && whole.mean_hz < 64.0, "{:?}", whole);
            prop_assert!(whole.missed < whole.cycles);
        }
    }
}

/// A stray stamp an hour, a month and a century later: the silence is walked through without walking through all of it.
#[test]
fn silences_of_any_length_end_in_lost() {
    for gap in [3_600_000_000, 2_600_000_000_000, 3_000_000_000_000_000] {
        let gaps: Vec<u64> = [20_000; 100].into_iter().chain([gap]).chain([20_000; 100]).collect();
        let mut events = Vec::new();
        let summary = measure(recording(&gaps), &MeterSettings::default(), |entry| {
            if let Entry::Event { t_s, what } = entry {
                events.push((t_s, what.name()));
            }
            Ok(())
        })
        .unwrap();
        let names: Vec<_> = events.iter().map(|(_, name)| *name).collect();
        assert_eq!(names, ["locked", "coasting", "lost", "locked"]);
        // 25 cycles after the last edge at 2 s, seen at the next tenth of a second.
        assert!((2.5..2.7).contains(&events[2].0), "{events:?}");
        // The second stretch has one edge more, the stray itself being a whole period before the next.
        assert_eq!(summary.whole.unwrap().cycles, 100);
    }
}

/// Coasting that outlasts many readings is walked through to its end before the silence is skipped: a meter that still coasted when
/// whole wraps of its stamp were left out would take what comes after for the cycle it waits for.
#[test]
fn coasting_longer_than_many_readings_ends_in_lost() {
    let settings = MeterSettings {
        nominal: Nominal::Hertz(0.5),
        every_s: 0.001,
        window_s: 10.0,
        ..MeterSettings::default()
    };
    for gap_s in [60.0, 61.0, 441.5, 442.0, 4_294.967_296 * 2.0 + 12.0] {
        let gap = (gap_s * 1e6) as u64;
        let gaps: Vec<u64> = [2_000_000; 30].into_iter().chain([gap]).chain([2_000_000; 20]).collect();
        let mut names = Vec::new();
        let summary = measure(recording(&gaps), &settings, |entry| {
            if let Entry::Event { what, .. } = entry {
                names.push(what.name());
            }
            Ok(())
        })
        .unwrap();
        assert_eq!(names, ["locked", "coasting", "lost", "locked"], "{gap_s} s");
        assert_eq!(summary.whole.unwrap().mean_hz, 0.5, "{gap_s} s");
    }
}
