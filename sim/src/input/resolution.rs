//! The steps that stamps come in, seen in the stamps themselves.
//!
//! A board that looks at its pin every 100 us writes ticks of a microsecond all the same, and a table of seconds with three decimals
//! is read on a scale of 10 ns: quantisation is a hundred or a hundred thousand ticks there, and readings must say so.

use super::{InputOptions, Recording};

/// How many edges are looked at. With 16 or more, distances that are multiples of two by chance have a probability below 2^-15.
const EDGES: usize = 256;
const LEAST: usize = 17;

/// Looks at the first edges of `recording`, keeps them in it, and says which steps they come in.
pub(super) fn find(recording: Recording, options: &InputOptions) -> Recording {
    let Recording { tick_hz, mut assumptions, mut edges, end, .. } = recording;
    let first: Vec<_> = edges.by_ref().take(EDGES).collect();
    let ticks = || first.iter().flatten().map(|edge| edge.ticks);
    let origin = ticks().next().unwrap_or_default();
    let step = ticks().fold(0, |step, at| gcd(step, at - origin));
    // The core takes an eighth of the shortest period at most; coarser patterns are a train without jitter.
    let most = (options.shortest_period_s * f64::from(tick_hz) / 8.0 - 1.0) as u64;
    let found = ticks().count() >= LEAST && (2..=most).contains(&step);
    let resolution = if found { u32::try_from(step).unwrap_or(1) } else { 1 };
    if resolution > 1 {
        assumptions.push(format!("stamps come in steps of {}", time_text(step as f64 / f64::from(tick_hz))));
    }
    Recording { tick_hz, resolution, assumptions, edges: Box::new(first.into_iter().chain(edges)), end }
}

fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// Seconds in the unit that leaves one to three figures before the point.
fn time_text(seconds: f64) -> String {
    match seconds {
        s if s >= 1e-3 => format!("{} ms", rounded(s * 1e3)),
        s if s >= 1e-6 => format!("{} us", rounded(s * 1e6)),
        s => format!("{} ns", rounded(s * 1e9)),
    }
}

fn rounded(value: f64) -> f64 {
    (value * 1e3).round() / 1e3
}

#[cfg(test)]
mod tests {
    use humtick::Polarity;

    use super::*;
    use crate::edge::TimedEdge;
    use crate::input::{End, InputError};

    /// 50.03 Hz from 7 s on, each stamp rounded down to `step` ticks of a counter.
    fn found(tick_hz: u32, step: u64, edges: u32) -> (u32, Vec<String>, usize) {
        let stamps = (0..edges).map(move |k| {
            let ticks = (7.0 + f64::from(k) / 50.03) * f64::from(tick_hz);
            Ok(TimedEdge { ticks: ticks as u64 / step * step + 3, polarity: Polarity::Rising })
        });
        let recording = Recording {
            tick_hz,
            resolution: 1,
            assumptions: vec![],
            edges: Box::new(stamps),
            end: End::default(),
        };
        let found = find(recording, &InputOptions::default());
        (found.resolution, found.assumptions, found.edges.map(Result::<_, InputError>::unwrap).count())
    }

    #[test]
    fn steps_are_found_and_no_edge_is_lost() {
        let said = |text: &str| vec![format!("stamps come in steps of {text}")];
        assert_eq!(found(1_000_000, 100, 1_000), (100, said("100 us"), 1_000));
        assert_eq!(found(100_000_000, 100_000, 1_000), (100_000, said("1 ms"), 1_000));
        assert_eq!(found(16_000_000, 5, 300), (5, said("312.5 ns"), 300));
        assert_eq!(found(2_000_000, 1, 1_000), (1, vec![], 1_000));
    }

    #[test]
    fn few_edges_show_no_steps_and_neither_do_steps_near_a_period() {
        assert_eq!(found(1_000_000, 100, 16).0, 1);
        assert_eq!(found(1_000_000, 100, 17).0, 100);
        // An eighth of 1/70 s is 1785.7 us.
        assert_eq!(found(1_000_000, 1_784, 300).0, 1_784);
        assert_eq!(found(1_000_000, 1_786, 300).0, 1);
        assert_eq!(found(1_000_000, 20_000, 300).0, 1);
    }
}
