//! The output stage against a grid that is stepped through, and its laws.

use proptest::prelude::*;

use super::*;

/// A scenario's stage with nothing but these.
fn stage(rise_us: f64, fall_us: f64, glitch_rate_hz: f64, glitch_width_us: f64) -> FrontEnd {
    FrontEnd {
        lowpass_hz: None,
        lowpass_order: 1,
        noise_percent: 0.0,
        noise_bandwidth_hz: 20_000.0,
        hysteresis_percent: 0.0,
        offset_percent: 0.0,
        offset_drift_percent_h: 0.0,
        rise_us,
        fall_us,
        glitch_rate_hz,
        glitch_width_us,
    }
}

/// Alternating transitions, these whole microseconds apart.
fn train(first: Polarity, gaps: &[u32]) -> Vec<Transition> {
    let mut polarity = other(first);
    let mut at_us = 0;
    gaps.iter()
        .map(|gap| {
            at_us += gap;
            polarity = other(polarity);
            Transition { at: Moment::from_s(f64::from(at_us) * 1e-6), polarity }
        })
        .collect()
}

fn alternates_in_order(edges: &[Transition]) -> bool {
    edges.windows(2).all(|w| w[0].at <= w[1].at && w[0].polarity != w[1].polarity)
}

/// The level on a grid of a microsecond, in whole steps of 1/(rise fall): no event is known to it but one step after another.
fn stepped(edges: &[Transition], rise: i64, fall: i64) -> Vec<(f64, Polarity)> {
    let top = rise.max(1) * fall.max(1);
    let Some(first) = edges.first() else { return vec![] };
    let mut input = first.polarity != Polarity::Rising;
    let mut seen = input;
    let mut place = if input { top } else { -top };
    let mut crossings = vec![];
    let mut coming = edges.iter().peekable();
    for us in 0..6_000i64 {
        while coming.next_if(|e| (e.at.seconds() * 1e6).round() as i64 == us).is_some() {
            input = !input;
        }
        let before = place;
        let (time, speed) = if input { (rise, fall.max(1)) } else { (fall, -rise.max(1)) };
        place = if time == 0 { top * speed.signum() } else { (place + speed).clamp(-top, top) };
        if (place > 0) != seen && place != 0 {
            seen = place > 0;
            // At once if it takes no time, else where the line between two steps crosses.
            let part = if time == 0 { 0.0 } else { -before as f64 / speed as f64 };
            let polarity = if seen { Polarity::Rising } else { Polarity::Falling };
            crossings.push((us as f64 + part.max(0.0), polarity));
        }
    }
    assert!(coming.next().is_none(), "the grid ends too early");
    crossings
}

fn polarity() -> impl Strategy<Value = Polarity> {
    prop::sample::select(vec![Polarity::Rising, Polarity::Falling])
}

proptest! {
    #[test]
    fn slow_edges_are_those_of_the_grid(
        first in polarity(),
        gaps in prop::collection::vec(1u32..60, 0..80),
        rise in 0u32..40,
        fall in 0u32..40,
    ) {
        let edges = train(first, &gaps);
        let mut slow: Vec<_> = SlowEdges::new(edges.iter().copied(), rise.into(), fall.into()).collect();
        let grid = stepped(&edges, rise.into(), fall.into());
        prop_assert!(alternates_in_order(&slow));
        // Where the output turns round right at the threshold, instants rounded to doubles may leave a pulse of an attosecond.
        while let Some(i) = slow.windows(2).position(|w| w[1].at.since(w[0].at) < 1e-15) {
            slow.drain(i..i + 2);
        }
        prop_assert_eq!(slow.len(), grid.len());
        for (edge, (at_us, polarity)) in slow.iter().zip(grid) {
            prop_assert_eq!(edge.polarity, polarity);
            let off = edge.at.seconds() * 1e6 - at_us;
            prop_assert!(off.abs() < 1e-6, "{} us off {}", off, at_us);
        }
    }

    #[test]
    fn nothing_asked_for_is_nothing_done(first in polarity(), gaps in prop::collection::vec(1u32..100_000, 0..200)) {
        let edges = train(first, &gaps);
        let same: Vec<_> = output(edges.iter().copied(), &stage(0.0, 0.0, 0.0, 5.0), 1, Moment::second(60)).collect();
        prop_assert_eq!(same, edges);
    }

    /// Edges further apart than the whole swing.
    #[test]
    fn slow_signals_come_late_by_the_same_time(
        first in polarity(),
        gaps in prop::collection::vec(200u32..20_000, 1..100),
        rise in 0.0..100.0,
        fall in 0.0..100.0,
    ) {
        let edges = train(first, &gaps);
        let slow: Vec<_> = SlowEdges::new(edges.iter().copied(), rise, fall).collect();
        prop_assert_eq!(slow.len(), edges.len());
        for (late, edge) in slow.iter().zip(&edges) {
            let delay = if edge.polarity == Polarity::Rising { rise } else { fall };
            prop_assert!((late.at.since(edge.at) * 1e6 - delay).abs() < 1e-6);
        }
    }

    #[test]
    fn glitches_come_in_order_and_hide_no_edge(
        first in polarity(),
        gaps in prop::collection::vec(1u32..2_000, 1..100),
        rate in 0.0..100_000.0,
        width in 0.0..100.0,
        seed: u64,
    ) {
        let edges = train(first, &gaps);
        let end = edges.last().unwrap().at;
        let wire: Vec<_> = output(edges.iter().copied(), &stage(0.0, 0.0, rate, width), seed, end).collect();
        prop_assert!(alternates_in_order(&wire));
        prop_assert!(edges.iter().all(|edge| wire.iter().any(|w| w.at == edge.at)));
        prop_assert_eq!(wire[0].polarity == first, true);
    }
}

/// Times from the module head: 10 us to the threshold from low, 20 us from high.
#[test]
fn short_pulses_are_shortened_or_not_seen() {
    let slow = |gaps: &[u32]| -> Vec<f64> {
        let edges = train(Polarity::Rising, gaps).into_iter();
        SlowEdges::new(edges, 10.0, 20.0).map(|edge| (edge.at.seconds() * 1e9).round() * 1e-3).collect()
    };
    // Long enough for both ways; a runt of just the time; a nanosecond's worth more is seen.
    assert_eq!(slow(&[100, 40, 1_000]), [110.0, 160.0, 1_110.0 + 40.0]);
    assert_eq!(slow(&[100, 10]), [0.0; 0]);
    assert_eq!(slow(&[100, 11]), [110.0, 113.0]);
    assert_eq!(slow(&[100, 15]), [110.0, 125.0]);
    // An unseen gap of 10 us takes half of the way down, so the pulse's end comes 10 us later than from the rail: not so
    // after the 5 us that bring it back up.
    assert_eq!(slow(&[100, 100, 10, 3, 1_000])[..2], [110.0, 200.0 + 10.0 + 3.0 + 20.0 * 0.8]);
    assert_eq!(slow(&[100, 100, 10, 5])[..2], [110.0, 235.0]);
}

/// Rate of transitions and share of the time spent at the wrong level: with m = rate x width glitches open on average, an
/// odd number of them (Poisson) with probability (1 - exp(-2m))/2; both begin and end as often as `rate` (M/M/infinity queue).
#[test]
fn glitches_are_as_many_and_as_long_as_asked() {
    let seconds = 2_000u32;
    for (rate, width_us) in [(400.0, 50.0), (500.0, 1_500.0)] {
        let glitches = Glitches::new(
            std::iter::empty(),
            rate,
            width_us,
            Random::new(4, Use::Glitch, 0),
            Moment::second(seconds.into()),
        );
        let (mut count, mut high, mut last) = (0u32, 0.0, Moment::default());
        for edge in glitches {
            count += 1;
            if edge.polarity == Polarity::Falling {
                high += edge.at.since(last);
            }
            last = edge.at;
        }
        assert!(f64::from(seconds) - last.seconds() < 1.0);
        let n = 2.0 * rate * f64::from(seconds);
        // Begins and ends are Poisson processes each, and ends follow begins: twice the variance of as many independent ones.
        assert!((f64::from(count) - n).abs() < 5.0 * (2.0 * n).sqrt(), "{count} transitions, {n} expected");
        let share = (1.0 - (-2.0 * rate * width_us * 1e-6).exp()) / 2.0;
        let seen = high / f64::from(seconds);
        assert!((seen / share - 1.0).abs() < 0.01, "{seen} of the time, {share} expected");
    }
}

#[test]
fn a_dead_line_has_glitches_to_its_end_and_one_seed_one_result() {
    let wire = |seed| -> Vec<_> {
        let edges = train(Polarity::Rising, &[10_000, 10_000]).into_iter();
        output(edges, &stage(0.0, 0.0, 20.0, 100.0), seed, Moment::second(10)).collect()
    };
    let late = wire(1).iter().filter(|edge| edge.at > Moment::second(1)).count();
    assert!((200..500).contains(&late), "{late}");
    assert_eq!(wire(1), wire(1));
    assert_ne!(wire(1), wire(2));
}
