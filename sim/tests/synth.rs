//! What `synth` writes: spectra of its waveforms, and that `measure` reads of each file what a trial reads.

use std::f64::consts::SQRT_2;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use humtick_sim::entry::{Entry, TimedReading};
use humtick_sim::input::{InputOptions, open};
use humtick_sim::mains::grid;
use humtick_sim::measure::measure;
use humtick_sim::scenario::Scenario;
use humtick_sim::timeline::extender;
use humtick_sim::trial::{self, Handed};
use humtick_sim::{board, front_end};
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

fn humtick(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_humtick")).args(arguments).current_dir(folder).output().unwrap()
}

#[track_caller]
fn synth(folder: &Path, scenario: &str, arguments: &[&str]) -> String {
    fs::write(folder.join("pump.toml"), scenario).unwrap();
    let output = humtick(folder, &[&["synth", "pump.toml"], arguments].concat());
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    // No bar where nobody looks.
    assert!(output.stderr.is_empty());
    String::from_utf8(output.stdout).unwrap()
}

/// Amplitudes of the fundamental's with their phases, in each bin of 1/`seconds` Hz, of a recording that holds whole cycles.
fn spectrum(path: &Path) -> (u32, Vec<Complex<f64>>) {
    let reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    assert_eq!(
        (spec.channels, spec.bits_per_sample, spec.sample_format),
        (1, 32, hound::SampleFormat::Float)
    );
    // An amplitude of 1 is written as 0.25.
    let samples = reader.into_samples::<f32>().map(|s| 4.0 * f64::from(s.unwrap()));
    let mut values: Vec<_> = samples.map(|re| Complex { re, im: 0.0 }).collect();
    FftPlanner::new().plan_fft_forward(values.len()).process(&mut values);
    let count = values.len() as f64;
    (spec.sample_rate, values.iter().take(values.len() / 2).map(|v| 2.0 * v / count).collect())
}

/// 20 s hold whole cycles of every harmonic: no window, no leakage. Each as asked within 0.05 % of the fundamental, its
/// phase with it; the noise white to 0.8 B within 5 %, and below 1/100 of that beyond 1.3 B.
#[test]
fn a_waveform_has_the_spectrum_that_was_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let orders: Vec<u32> = (2..=50).collect();
    let size = |order: u32| 6.0 / f64::from(order);
    let harmonics: Vec<_> =
        orders.iter().map(|order| format!("[{order}, {}, {}]", size(*order), order * 7)).collect();
    let text = format!(
        "duration_s = 20.0\n[voltage]\nharmonics = [{}]\ndc_percent = 1.5\n[front_end]\nlowpass_hz = \"none\"\n\
         noise_percent = 1.0\nnoise_bandwidth_hz = 10000.0\n",
        harmonics.join(", ")
    );
    let said = synth(folder.path(), &text, &["-o", "pump.wav"]);
    assert_eq!(said, "pump.wav: 960000 samples at 48000 a second\n");
    let (hz, amplitudes) = spectrum(&folder.path().join("pump.wav"));
    assert_eq!((hz, amplitudes.len()), (48_000, 480_000));
    let bin = |hz: f64| (hz * 20.0).round() as usize;
    for order in 1..=60 {
        let asked = match order {
            1 => 1.0,
            2..=50 => size(order) / 100.0,
            _ => 0.0,
        };
        // A sin(x + phi) is A (sin phi - i cos phi) to the transform.
        let phase = if order == 1 { 0.0 } else { f64::from(order * 7).to_radians() };
        let asked = Complex { re: asked * phase.sin(), im: -asked * phase.cos() };
        let found = amplitudes[bin(f64::from(order) * 50.0)];
        assert!((found - asked).norm() < 5e-4, "harmonic {order}: {found} for {asked}");
    }
    // The transform counts zero frequency twice.
    assert!((amplitudes[0] / 2.0 - 0.015).norm() < 5e-4, "{}", amplitudes[0]);
    // Power per hertz: half the square of an amplitude over a bin of 0.05 Hz. Mains bins left out; 500 Hz are 10,000 bins, known to 1 %.
    let density = |from: f64| {
        let bins = (bin(from)..bin(from + 500.0)).filter(|bin| bin % 1_000 != 0);
        let powers: Vec<_> = bins.map(|bin| amplitudes[bin].norm_sqr() / 2.0 / 0.05).collect();
        powers.iter().sum::<f64>() / powers.len() as f64
    };
    let white = 0.01 * 0.01 / 10_000.0;
    for k in 0..16 {
        let from = 500.0 * f64::from(k);
        assert!((density(from) / white - 1.0).abs() < 0.05, "{} at {from} Hz", density(from) / white);
    }
    for k in 26..48 {
        let from = 500.0 * f64::from(k);
        assert!(density(from) < white / 100.0, "{} at {from} Hz", density(from) / white);
    }
}

/// A low-pass of the second order at 1 kHz takes 3 dB from 1 kHz (order 20), noise and all frequencies above fold nowhere here.
#[test]
fn a_waveform_is_that_behind_the_low_pass() {
    let folder = tempfile::tempdir().unwrap();
    let text = "duration_s = 2.0\n[voltage]\nharmonics = [[20, 10.0, 0.0]]\n[front_end]\nlowpass_hz = 1000.0\nlowpass_order = 2\n\
                noise_percent = 0\n";
    let said = synth(folder.path(), text, &["-o", "pump.wav", "--sample-hz", "8000", "--duration", "1"]);
    assert_eq!(said, "pump.wav: 8000 samples at 8000 a second\n");
    let (_, amplitudes) = spectrum(&folder.path().join("pump.wav"));
    // The fundamental keeps its amplitude; the low-pass's (1 + (f/fc)^4)^(-1/2) at 50 Hz is 3e-6 from 1.
    assert!((amplitudes[50].norm() - 1.0).abs() < 1e-6, "{}", amplitudes[50]);
    assert!((amplitudes[1_000].norm() - 0.1 / SQRT_2).abs() < 1e-6, "{}", amplitudes[1_000]);
}

/// A village's mains as a board sees it, with a clock that is right, so that a waveform in true time reads the same.
const VILLAGE: &str = "name = \"cold store\"\nseed = 11\nduration_s = 30.0\n[grid]\nshape = \"swing\"\noffset_mhz = 13\nsize_mhz = 40\n\
    period_s = 12\n[voltage]\nharmonics = \"en50160\"\nthd_percent = 4\n[front_end]\nnoise_percent = 0.2\nnoise_bandwidth_hz = 8000\n\
    [timer]\nlatency_us = [2, 10]\n[meter]\nevery_s = 0.019\n";

fn readings(path: &Path, scenario: &Scenario) -> Vec<TimedReading> {
    let mut readings = Vec::new();
    let front_end = front_end::FrontEnd { follow_mean: false, hysteresis_percent: 1.0, ..Default::default() };
    let options = InputOptions { front_end, ..InputOptions::default() };
    measure(open(path, &options).unwrap(), &scenario.meter, |entry| {
        if let Entry::Reading(reading) = entry {
            readings.push(reading);
        }
        Ok(())
    })
    .unwrap();
    readings
}

#[test]
fn every_file_reads_as_the_trial_does() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    for name in ["pump.csv", "pump.vcd", "pump.wav"] {
        synth(folder.path(), VILLAGE, &["-o", name, "--truth", "truth.csv"]);
    }
    let scenario = Scenario::from_toml(VILLAGE, Path::new("pump.toml")).unwrap();
    let extend = extender(scenario.timer.bits).unwrap();
    let handed = board::captures(&scenario, 2).map(|handed| Handed::new(&handed, extend));
    let mut tried = Vec::new();
    trial::run(&scenario, grid::course(&scenario), handed, |scored| tried.push(scored.reading.clone()))
        .unwrap();
    let known = tried.iter().filter(|reading| reading.frequency_hz.is_some()).count();
    assert!(known > 1_480 && tried.len() < known + 5, "{known} of {}", tried.len());

    // A table is what the board saw: the same figures, to the last.
    let table = readings(&at("pump.csv"), &scenario);
    let figures = |r: &TimedReading| (r.frequency_hz, r.u_hz, r.u95_hz, r.cycles, r.rejected);
    assert_eq!(table.iter().map(figures).collect::<Vec<_>>(), tried.iter().map(figures).collect::<Vec<_>>());

    // A dump has the same instants in units of 100 ns, five to the tick: a frequency is rounded to a nanohertz either way.
    let dump = readings(&at("pump.vcd"), &scenario);
    assert_eq!(dump.len(), table.len());
    for (dump, table) in dump.iter().zip(&table) {
        assert_eq!(dump.frequency_hz.is_some(), table.frequency_hz.is_some());
        let apart = dump.frequency_hz.unwrap_or_default() - table.frequency_hz.unwrap_or_default();
        assert!(apart.abs() < 2e-9 && (dump.t_s - table.t_s).abs() < 1e-6, "{dump:?} {table:?}");
    }

    // A waveform is read by a front end of its own: noise below half the sampling rate is interpolated, not lost, so that edges are
    // the same but for the interpolation and for the tick. The table's stamps are rounded down to 0.5 us, sigma 0.14 us, which in a fit over 51
    // crossings is f^2 sigma sqrt(12/(N (N^2 - 1))), 50^2 * 0.14e-6 * 9.5e-3 = 3.4 uHz; six times that. The noise, 0.2 %/(2 pi 50) = 6.4 us an edge,
    // is 150 uHz and would show at once if it were another. Both have a reading every cycle, paired by their windows' middle.
    let wave = readings(&at("pump.wav"), &scenario);
    let mut pairs = 0;
    for reading in wave.iter().filter(|r| r.cycles >= 50) {
        // A crossing at the edge of the gate may be taken in one and refused in the other.
        let alike = |t: &&TimedReading| {
            (t.cycles, t.missed, t.rejected) == (reading.cycles, reading.missed, reading.rejected)
        };
        let same = table.iter().filter(alike).find(|t| (t.t_s - reading.t_s).abs() < 1e-3);
        let Some(same) = same else { continue };
        let apart = reading.frequency_hz.unwrap() - same.frequency_hz.unwrap();
        assert!(apart.abs() < 20e-6, "{apart} at {}", same.t_s);
        pairs += 1;
    }
    assert!(pairs > 1_300, "{pairs}");
}

/// The truth says what the scenario does, and `stability` and a recorded grid can read it.
#[test]
fn the_truth_is_a_table_others_read() {
    let folder = tempfile::tempdir().unwrap();
    let said = synth(
        folder.path(),
        VILLAGE,
        &["-o", "a.csv", "--truth", "truth.csv", "--truth-every", "0.5", "--duration", "12"],
    );
    assert!(
        said.starts_with("truth.csv: 25 rows of the true frequency\na.csv: 1201 captures of 1201 edges, "),
        "{said}"
    );
    let rows: Vec<Vec<f64>> = fs::read_to_string(folder.path().join("truth.csv"))
        .unwrap()
        .lines()
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect())
        .collect();
    assert_eq!(rows[6][0], 3.0);
    assert!((rows[6][1] - 50.053).abs() < 1e-8, "{:?}", rows[6]);
    // A whole period of the swing later only the offset is left.
    assert!((rows[24][2] - 12.0 * 50.013).abs() < 1e-8, "{:?}", rows[24]);
    assert!(humtick(folder.path(), &["stability", "truth.csv"]).status.success());
    let follows = "[grid]\nshape = \"recorded\"\nfile = \"truth.csv\"\n";
    fs::write(folder.path().join("follows.toml"), follows).unwrap();
    let output = humtick(folder.path(), &["scenario", "--check", "follows.toml"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn one_seed_one_file_and_another_another() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["a.csv", "b.csv", "a.wav", "b.wav"] {
        synth(folder.path(), VILLAGE, &["-o", name, "--duration", "3"]);
    }
    synth(folder.path(), VILLAGE, &["-o", "c.csv", "--duration", "3", "--seed", "12"]);
    let read = |name: &str| fs::read(folder.path().join(name)).unwrap();
    assert_eq!(read("a.csv"), read("b.csv"));
    assert_eq!(read("a.wav"), read("b.wav"));
    assert_ne!(read("a.csv"), read("c.csv"));
}

#[test]
fn what_cannot_be_done_is_refused_before_it_is_begun() {
    let folder = tempfile::tempdir().unwrap();
    let refusal = |arguments: &[&str]| {
        let output = humtick(folder.path(), &[&["synth", "saw-start"], arguments].concat());
        assert_eq!(output.status.code(), Some(2));
        String::from_utf8(output.stderr).unwrap()
    };
    assert_eq!(refusal(&["-o", "a.mp3"]), "humtick: a.mp3: expected a name ending in .csv, .vcd or .wav\n");
    assert!(refusal(&["-o", "a.csv", "--sample-hz", "8000"]).contains("--sample-hz is for .wav files"));
    assert!(
        refusal(&["-o", "a.wav", "--duration", "30000"])
            .contains("holds at most 22370 s at 48000 samples a second")
    );
    assert!(
        refusal(&["-o", "a.csv", "--duration", "0"]).contains("duration_s = 0 (given instead) is outside")
    );
    assert!(refusal(&["-o", "a.csv", "--truth", "a.csv"]).contains("want a file each"));
    assert!(
        refusal(&["-o", "a.csv", "--truth", "t.csv", "--truth-every", "0"]).contains("0.000001 to 1000000")
    );
    assert!(refusal(&["-o", "nowhere/a.csv"]).contains("nowhere/a.csv: "));
    assert!(refusal(&["-o", "a.csv", "--truth", "nowhere/t.csv"]).contains("nowhere/t.csv: "));
    assert!(refusal(&["-o", "a.csv", "--truth", "t.txt"]).contains("ending in .csv for the truth"));
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    // A scenario may be called as it likes, and is not written over.
    fs::write(folder.path().join("s.csv"), "duration_s = 1\n").unwrap();
    for arguments in [&["-o", "./s.csv"][..], &["-o", "a.csv", "--truth", "s.csv"]] {
        let output = humtick(folder.path(), &[&["synth", "s.csv"], arguments].concat());
        assert!(String::from_utf8_lossy(&output.stderr).contains("is the scenario itself"));
    }
    assert_eq!(fs::read_to_string(folder.path().join("s.csv")).unwrap(), "duration_s = 1\n");
    let output = humtick(folder.path(), &["synth", "nothing.toml", "-o", "a.csv"]);
    assert!(
        output.status.code() == Some(2) && String::from_utf8_lossy(&output.stderr).contains("nothing.toml: ")
    );
}

/// Interrupted while thirty years are under way: nothing new is left, and what was there is there.
#[cfg(target_os = "linux")]
#[test]
fn an_interrupted_file_never_was() {
    use std::time::{Duration, Instant};

    let folder = tempfile::tempdir().unwrap();
    for name in ["a.csv", "a.vcd", "a.wav"] {
        let path = folder.path().join(name);
        fs::write(&path, "what was there").unwrap();
        let duration = if name == "a.wav" { "22000" } else { "1e9" };
        // Where the tests themselves run in the background, the interrupt is ignored.
        let mut child = Command::new("env")
            .args(["--default-signal=INT,TERM,HUP", env!("CARGO_BIN_EXE_humtick")])
            .args(["synth", "hydro-by-day", "-o", name, "--duration", duration])
            .current_dir(folder.path())
            .spawn()
            .unwrap();
        let part = folder.path().join(format!(".{name}.{}.part", child.id()));
        let begun = Instant::now();
        while fs::metadata(&part).map_or(0, |part| part.len()) == 0 {
            assert!(begun.elapsed() < Duration::from_secs(60), "{name} was never begun");
            std::thread::sleep(Duration::from_millis(10));
        }
        let sent = Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
        assert!(sent.success());
        assert_eq!(child.wait().unwrap().code(), Some(130));
        assert_eq!(fs::read_to_string(&path).unwrap(), "what was there");
        assert!(!part.exists());
    }
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3);
}

/// What a script starts in the background ignores the interrupt, and works like everything else.
#[cfg(unix)]
#[test]
fn an_ignored_interrupt_stays_ignored() {
    let folder = tempfile::tempdir().unwrap();
    let script =
        format!("trap '' INT; exec {} synth saw-start --duration 1 -o a.csv", env!("CARGO_BIN_EXE_humtick"));
    let output = Command::new("sh").arg("-c").arg(script).current_dir(folder.path()).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(folder.path().join("a.csv").exists());
}
