//! A watched pin against the capture unit: the same noisy edges, and each says how well it knows what it says.

use rand::SeedableRng as _;
use rand_distr::{Distribution as _, Normal};
use rand_pcg::Pcg64;

use super::board::{Emulator, emulator, pulses};
use super::twin::records;

/// Seconds; a reading of each is independent of the others.
const SECONDS: u64 = 240;

/// Root mean square error of readings a second apart, the mean half width of their 95 % intervals, and how many hold the truth, for edges
/// with a jitter of `sd` cycles.
fn errors(emulator: &Emulator, bin: &str, pin: &str, sd: f64) -> (f64, f64, f64) {
    let (mut random, jitter) = (Pcg64::seed_from_u64(5), Normal::new(0.0, sd).unwrap());
    // Not a whole number of ticks a period, so that quantisation is no pattern.
    let cycles =
        (1..SECONDS * 50).map(|k| (k as f64 * 320_003.7 + 10_000.0 + jitter.sample(&mut random)) as u64);
    let until = SECONDS * 16_000_000;
    let run = emulator.run(&emulator.firmware(bin, "exact-clock,busy"), pin, &pulses(cycles), until, &[]);
    let truth = 16e6 / 320_003.7;
    let known: Vec<(f64, f64)> = records(&run)
        .iter()
        .filter_map(|r| {
            Some((r.frequency?.nanohertz() as f64 * 1e-9 - truth, r.uncertainty?.nanohertz() as f64 * 1e-9))
        })
        // The window is full, and ten readings on it is another.
        .skip(15)
        .step_by(11)
        .collect();
    assert!(known.len() as u64 > SECONDS * 8 / 10, "{}", known.len());
    let n = known.len() as f64;
    let rms = (known.iter().map(|(error, _)| error * error).sum::<f64>() / n).sqrt();
    let half = known.iter().map(|(_, half)| half).sum::<f64>() / n;
    let held = known.iter().filter(|(error, half)| error.abs() <= *half).count() as f64 / n;
    (rms, half, held)
}

#[test]
fn either_knows_how_well_it_knows() {
    let Some(emulator) = emulator() else { return };
    // A jitter of two ticks, which dithers their steps, while another handler takes 60 of every 128 us.
    let captured = errors(emulator, "sensor", "B0", 16.0);
    let watched = errors(emulator, "watched_pin", "D2", 16.0);
    for (rms, half, held) in [captured, watched] {
        // About two standard deviations, of the errors that were made.
        assert!((1.6..=2.6).contains(&(half / rms)), "{half} for {rms}");
        // 217 readings know their share to 1.5 %; a handler that comes every 128 us holds edges off in a pattern, which scatters less in
        // the mean than noise would.
        assert!((0.91..=0.995).contains(&held), "{held}");
    }
    // What holds the handler off, 18 us and more, is in the watched pin's errors, and in what it says of them.
    assert!(watched.0 > 5.0 * captured.0, "{captured:?} {watched:?}");
}
