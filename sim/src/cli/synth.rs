//! `humtick synth`: what a scenario's capture or waveform looks like, as files.

use std::cell::Cell;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use humtick_sim::board;
use humtick_sim::mains::grid;
use humtick_sim::mains::probe::Probe;
use humtick_sim::moment::Moment;
use humtick_sim::scenario::{Instead, Scenario};
use humtick_sim::timer::{Counts, Handed};
use humtick_sim::write::{self, csv, truth, vcd, wav};

use super::plain;
use super::progress::Progress;
use super::scenario::load;

const EXAMPLE: &str = "\
Example: the capture of a board on the outlet where the saw starts, and what the grid really did

    humtick synth saw-start -o saw.csv --truth truth.csv
    humtick measure saw.csv

The output's ending says what is written:

    .csv  captures as the timer's handler hands them over: raw count, overflow tally, overflow flag, level; read back to the tick
    .vcd  the same edges on a wire (IEEE 1364), as a logic analyser would see them if it had the timer's clock
    .wav  the voltage at the comparator's input, behind the low-pass and with its noise: 32-bit float, an amplitude of 1 written as 0.25,
          which leaves room for swells. Nothing is taken off before sampling: choose --sample-hz above twice the noise's bandwidth

The truth is the grid's: t_s, frequency_hz, and cycles since the start. One seed gives the same files on every machine. A file appears
under its name when it is whole, and not before.";

/// Writes what a scenario's capture or waveform looks like
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Scenario file, or the name of one that comes with the program (`humtick scenario --list`)
    scenario: PathBuf,
    /// Which case of a file that has several; without it they are listed
    #[arg(long, value_name = "LABEL")]
    case: Option<String>,
    /// What to write: .csv, .vcd or .wav
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Writes the true frequency as CSV
    #[arg(long, value_name = "FILE.csv")]
    truth: Option<PathBuf>,
    /// Time from row to row of the truth, whole microseconds [default: 0.1]
    #[arg(long, value_name = "SECONDS", requires = "truth")]
    truth_every: Option<f64>,
    /// Length, in place of the scenario's
    #[arg(long, value_name = "SECONDS")]
    duration: Option<f64>,
    /// Seed, in place of the scenario's
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Samples a second of a .wav, 100 to 10000000 [default: 48000]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(100..=10_000_000))]
    sample_hz: Option<u32>,
}

/// What to write.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Csv,
    Vcd,
    Wav,
}

impl Options {
    fn kind(&self) -> Result<Kind, String> {
        let ending = self.output.extension().and_then(OsStr::to_str).unwrap_or_default();
        let kind = match ending.to_ascii_lowercase().as_str() {
            "csv" => Kind::Csv,
            "vcd" => Kind::Vcd,
            "wav" => Kind::Wav,
            _ => {
                return Err(format!(
                    "{}: expected a name ending in .csv, .vcd or .wav",
                    self.output.display()
                ));
            }
        };
        if kind != Kind::Wav && self.sample_hz.is_some() {
            return Err(format!(
                "--sample-hz is for .wav files, and {} is a .{ending}: leave it out",
                self.output.display()
            ));
        }
        Ok(kind)
    }

    /// Refuses to write over the scenario, or two files under one name.
    fn check_names(&self) -> Result<(), String> {
        let shown = self.output.display();
        if let Some(truth) = &self.truth {
            if !truth.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("csv")) {
                return Err(format!("{}: expected a name ending in .csv for the truth", truth.display()));
            }
            if write::are_one(truth, &self.output) {
                return Err(format!("{shown}: output and truth want a file each"));
            }
        }
        let written = [Some(&self.output), self.truth.as_ref()];
        match written.into_iter().flatten().find(|path| write::are_one(path, &self.scenario)) {
            Some(path) => Err(format!("{}: is the scenario itself: give another name", path.display())),
            None => Ok(()),
        }
    }

    fn every(&self) -> Result<truth::Every, String> {
        let seconds = self.truth_every.unwrap_or(0.1);
        truth::Every::from_s(seconds)
            .ok_or_else(|| format!("--truth-every {seconds}: expected 0.000001 to 1000000 seconds"))
    }
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    let (kind, every) = (options.kind()?, options.every()?);
    options.check_names()?;
    let instead = Instead { seed: options.seed, duration_s: options.duration };
    let (scenario, _) = load(&options.scenario, options.case.as_deref(), instead)?;
    let sample_hz = options.sample_hz.unwrap_or(48_000);
    let samples = (scenario.duration_s * f64::from(sample_hz)).ceil() as u64;
    if kind == Kind::Wav && samples > wav::MOST {
        return Err(format!(
            "{}: a WAV file holds at most {:.0} s at {sample_hz} samples a second, and the scenario lasts {} s: \
             give a shorter --duration or fewer --sample-hz",
            options.output.display(),
            wav::MOST as f64 / f64::from(sample_hz),
            scenario.duration_s
        ));
    }
    write::begin([&options.output].into_iter().chain(&options.truth)).map_err(|e| e.to_string())?;
    let end = Moment::from_s(scenario.duration_s);
    if let Some(path) = &options.truth {
        let rows = write::whole(path, |to| truth::frequency(to, grid::course(&scenario), every, end));
        report(path, &format!("{} rows of the true frequency", rows.map_err(|e| e.to_string())?));
    }
    let written = match kind {
        Kind::Wav => voltage(&scenario, &options.output, sample_hz, samples),
        Kind::Csv | Kind::Vcd => captures(&scenario, &options.output, kind),
    };
    report(&options.output, &written.map_err(|e| e.to_string())?);
    Ok(ExitCode::SUCCESS)
}

fn report(path: &Path, what: &str) {
    println!("{}: {what}", plain(&path.display().to_string()));
}

fn voltage(scenario: &Scenario, path: &Path, hz: u32, count: u64) -> Result<String, write::WriteError> {
    let mut progress = Progress::new(scenario.duration_s);
    let samples = (0..count).zip(Probe::new(scenario).samples(hz)).map(|(k, sample)| {
        progress.at(k / u64::from(hz));
        sample
    });
    let count = write::whole(path, |to| wav::samples(to, hz, samples))?;
    Ok(format!("{count} samples at {hz} a second"))
}

fn captures(scenario: &Scenario, path: &Path, kind: Kind) -> Result<String, write::WriteError> {
    let timer = &scenario.timer;
    let mut progress = Progress::new(scenario.duration_s);
    let mut captures = board::captures(scenario, board::threads());
    let counts = Cell::new(Counts::default());
    let handed = std::iter::from_fn(|| {
        let handed = captures.next();
        counts.set(captures.counts());
        progress.at(handed.map_or(0, |h: Handed| h.edge.at.second));
        handed
    });
    let count = if kind == Kind::Csv {
        write::whole(path, |to| csv::captures(to, timer, handed))?
    } else {
        // To the clock's wander, which nobody needs at the record's end.
        let rate = f64::from(timer.tick_hz) * (1.0 + timer.clock_ppm * 1e-6);
        let end = u64::from(timer.start) + (scenario.duration_s * rate) as u64;
        write::whole(path, |to| vcd::edges(to, timer.tick_hz, handed.map(|h| h.timed()), end))?
    };
    let Counts { edges, lost, overruns, overflows_lost } = counts.get();
    let hz = timer.tick_hz;
    let mut text = format!("{count} captures of {edges} edges, {}-bit counter at {hz} Hz", timer.bits);
    for (count, what) in [(lost, "edges lost"), (overruns, "overruns"), (overflows_lost, "wraps not tallied")]
    {
        if count > 0 {
            text += &format!(", {count} {what}");
        }
    }
    Ok(text)
}
