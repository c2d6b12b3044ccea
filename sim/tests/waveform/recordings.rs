//! Real waveforms, against sine fits made on the same files by other means (their README has the figures).

use std::io::Write;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use humtick::Polarity;
use humtick_sim::input::{InputError, open};

use crate::options;

#[allow(clippy::explicit_write, reason = "eprintln! is captured, and a silent skip is no good")]
fn recordings() -> Option<PathBuf> {
    let folder = std::env::var_os("HUMTICK_RECORDINGS").map(PathBuf::from);
    if folder.is_none() {
        writeln!(std::io::stderr(), "skipped: HUMTICK_RECORDINGS is not set").unwrap();
    }
    folder
}

/// Instants of the edges of one polarity in seconds, if the recordings are there.
fn instants(file: &str, channel: Option<&str>, polarity: Polarity) -> Option<Vec<f64>> {
    let recording = open(&recordings()?.join(file), &options(channel)).unwrap();
    let tick_hz = f64::from(recording.tick_hz);
    let edges = recording.edges.map(Result::unwrap).filter(|edge| edge.polarity == polarity);
    Some(edges.map(|edge| edge.ticks as f64 / tick_hz).collect())
}

/// Slope of a least-squares line through consecutive instants, as a frequency.
fn line_hz(instants: &[f64]) -> f64 {
    let middle = (instants.len() - 1) as f64 / 2.0;
    let mean = instants.iter().sum::<f64>() / instants.len() as f64;
    let (mut xx, mut xy) = (0.0, 0.0);
    for (i, t) in instants.iter().enumerate() {
        let x = i as f64 - middle;
        xx += x * x;
        xy += x * (t - mean);
    }
    xx / xy
}

fn mean_hz(instants: &[f64]) -> f64 {
    (instants.len() - 1) as f64 / (instants[instants.len() - 1] - instants[0])
}

#[track_caller]
fn near(found: f64, expected: f64, tolerance: f64) {
    println!("{found:.6} Hz, expected {expected} within {tolerance}");
    assert!((found - expected).abs() <= tolerance, "{found} Hz is not {expected} within {tolerance}");
}

#[test]
fn line_voltages_of_the_last_four_seconds() {
    for (channel, expected, tolerance) in [
        ("LINE ULA", 49.88403, 0.001),
        ("LINE ULB", 49.88388, 0.001),
        // Was switched in at 6 s: the rest of its direct voltage still decays, and moves rising and falling edges
        // opposite ways.
        ("LINE ULC", 49.88410, 0.003),
    ] {
        let hz = [Polarity::Rising, Polarity::Falling].map(|polarity| {
            let all = instants("comtrade/line-275kv-50hz.cfg", Some(channel), polarity)?;
            let last: Vec<_> = all.into_iter().filter(|t| *t >= 7.0).collect();
            // 4 s less the 16 samples of 1 ms at the end.
            assert!((198..=200).contains(&last.len()), "{} edges", last.len());
            Some(line_hz(&last))
        });
        let [Some(rising), Some(falling)] = hz else { return };
        near(rising, expected, tolerance);
        near(falling, expected, tolerance);
        near((rising + falling) / 2.0, expected, 0.0003);
    }
}

#[test]
fn four_cycles_at_60_hz() {
    let file = "comtrade/site-60hz-short.cfg";
    let Some(rising) = instants(file, Some("U1"), Polarity::Rising) else { return };
    assert!((3..=5).contains(&rising.len()), "{} edges", rising.len());
    near(line_hz(&rising), 59.974, 0.01);
}

#[test]
fn currents_with_cyrillic_names() {
    let file = "comtrade/currents-50hz-1991.cfg";
    for channel in ["Ia", "ia", "1", "Ic"] {
        let Some(rising) = instants(file, Some(channel), Polarity::Rising) else { return };
        assert!((298..=301).contains(&rising.len()), "{} edges", rising.len());
        near(line_hz(&rising), 50.0046, 0.001);
    }
}

#[test]
fn times_from_uneven_stamps() {
    let file = "comtrade/supply-lost-50hz.cfg";
    let Some(rising) = instants(file, Some("F5-VA"), Polarity::Rising) else { return };
    near(line_hz(&rising[..20]), 50.0381, 0.02);
}

#[test]
fn eight_samples_a_cycle() {
    for (file, cycles, expected) in
        [("wav/mains-50hz-400sps-a.wav", 20_860, 50.01254), ("wav/mains-50hz-400sps-b.wav", 17_580, 50.01253)]
    {
        let start = Instant::now();
        let Some(rising) = instants(file, None, Polarity::Rising) else { return };
        let took = start.elapsed();
        println!("{} edges in {took:?}", rising.len());
        assert!(rising.len() > cycles, "{} edges", rising.len());
        let longest = rising.windows(2).map(|pair| pair[1] - pair[0]).fold(0.0, f64::max);
        assert!(longest < 0.0201, "a cycle of {longest} s: an edge is missing");
        near(mean_hz(&rising), expected, 0.0002);
        // Minutes of recording in seconds, on a slow machine and without optimisation.
        assert!(took < Duration::from_secs(5), "took {took:?}");
    }
}

#[test]
fn channels_are_listed() {
    let Some(folder) = recordings() else { return };
    let path = folder.join("comtrade/currents-50hz-1991.cfg");
    for (channel, problem) in [(None, "has 4 analog channels"), (Some("U9"), "has no analog channel `U9`")] {
        let Err(InputError::File { what, .. }) = open(&path, &options(channel)) else {
            panic!("{channel:?} was accepted")
        };
        assert!(what.starts_with(problem) && what.contains("Ia, I"), "{what}");
    }
}

#[test]
fn assumptions_name_the_channel() {
    let Some(folder) = recordings() else { return };
    let found = open(&folder.join("comtrade/line-275kv-50hz.cfg"), &options(Some("line ula"))).unwrap();
    assert_eq!(found.tick_hz, 100_000_000);
    assert_eq!(
        found.assumptions,
        [
            "channel LINE ULA, 1000 samples/s, 11001 samples, BINARY",
            "comparator around the mean, hysteresis 2 % of the largest amplitude",
            "instants interpolated band-limited to a 10 ns scale",
        ]
    );
}
