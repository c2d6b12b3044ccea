//! `humtick trial`: a scenario in, what a meter makes of it out.

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use humtick_sim::report::Report;
use humtick_sim::scenario::Instead;
use humtick_sim::settings::Changes;
use humtick_sim::trial::Trial;
use humtick_sim::{board, write};

use super::format::Format;
use super::progress::Progress;
use super::scenario::text_of;

pub mod record;
mod table;

const EXAMPLE: &str = "\
Example: what the saw in the workshop does to a meter, before one is built

    humtick scenario --show saw-start > saw.toml
    humtick trial saw.toml --report saw.html

The grid's true frequency is known, so each reading can be held against it twice: against the mean over the reading's window with the
estimator's own weights, which is what the reading claims to measure and what its 95 % interval is judged by; and against the frequency
in the middle of the window, which is what it may be taken for. `clock apart` takes off what the timer's clock is off by all the time,
and `noise permits` is the least scatter that any estimator can reach with such edges (Cramer-Rao): white noise, latency and ticks, no
tones, impulses or steps.

A reading is false if it is off by more than five times the half width of its own interval, or stands where there was no voltage. Settling
is counted from each step of frequency or phase and each end of a dip until readings are within twice that half width, and stay there.

The exit status is 1 if a limit of the scenario is broken or the meter never locked.";

/// A scenario through front end, timer and meter, scored against the truth
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Scenario file, or the name of one that comes with the program (`humtick scenario --list`); or expect.toml beside a recording (see
    /// `humtick suite`)
    scenario: PathBuf,
    /// Which case of a file that has several; without it they are listed
    #[arg(long, value_name = "LABEL")]
    case: Option<String>,
    /// Output: a table to read, CSV, or JSON Lines
    #[arg(long, default_value = "table")]
    format: Format,
    /// Seconds to simulate, 0.1 to 1e9 [default: the scenario's]
    #[arg(long, value_name = "SECONDS", value_parser = duration)]
    duration: Option<f64>,
    /// Where all randomness comes from [default: the scenario's]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Meter settings from a TOML file over the scenario's own: what it names is changed, the rest stays
    #[arg(long, value_name = "FILE.toml")]
    settings: Option<PathBuf>,
    /// Writes a page with pictures that explain the score, for a browser
    #[arg(long, value_name = "FILE.html")]
    report: Option<PathBuf>,
}

/// Seconds of a command line.
pub fn duration(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(seconds) if (0.1..=1e9).contains(&seconds) => Ok(seconds),
        _ => Err("expected seconds from 0.1 to 1e9".into()),
    }
}

/// Refuses a name that is not a page's, or is the scenario's own, before a long trial.
pub fn check_page(path: &Path, scenario: &Path) -> Result<(), String> {
    if !path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("html")) {
        return Err(format!("{}: expected a page's name ending in .html", path.display()));
    }
    if write::are_one(path, scenario) {
        return Err(format!("{}: is the scenario itself: give another name", path.display()));
    }
    Ok(())
}

impl Options {
    /// What is tried, with what the options change.
    fn trial(&self) -> Result<Trial, String> {
        let instead = Instead { seed: self.seed, duration_s: self.duration };
        let text = text_of(&self.scenario)?;
        let trial = Trial::case(&text, &self.scenario, self.case.as_deref(), instead)?;
        if trial.scenario().recording.is_some() && self.seed.is_some() {
            return Err(format!(
                "{}: speaks of a recording, which has no seed: leave --seed out",
                self.scenario.display()
            ));
        }
        Ok(match &self.settings {
            Some(path) => trial.with_changes(&Changes::from_file(path).map_err(|e| e.to_string())?),
            None => trial,
        })
    }
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    if let Some(path) = &options.report {
        check_page(path, &options.scenario)?;
        write::begin([path]).map_err(|e| e.to_string())?;
    }
    let trial = options.trial()?;
    let scenario = trial.scenario();
    let mut report = options.report.as_ref().map(|_| Report::new(scenario));
    let mut progress = Progress::new(scenario.duration_s);
    let score = trial.run_with(board::threads(), |scored| {
        progress.at(scored.last.second);
        if let Some(report) = &mut report {
            report.take(scored);
        }
    });
    drop(progress);
    let score = score.map_err(|e| e.to_string())?;
    if let (Some(path), Some(report)) = (&options.report, report) {
        let page = report.page(scenario, trial.text(), &score);
        write::whole(path, |to| to.write_all(page.as_bytes())).map_err(|e| e.to_string())?;
    }
    let broken = score.broken(&scenario.limits);
    let mut out = io::BufWriter::new(io::stdout().lock());
    let written = match options.format {
        Format::Table => table::write(&mut out, scenario, &score),
        Format::Csv => record::write_csv(&mut out, scenario, &score, &broken),
        Format::Jsonl => record::write_json(&mut out, scenario, &score, &broken),
    };
    match written.and_then(|()| out.flush()) {
        // Whoever read the output has had enough.
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => {
            return Err(format!("cannot write the score: {e}"));
        }
        _ => {}
    }
    if options.format != Format::Table {
        for limit in &broken {
            eprintln!("humtick: {}: limit broken: {limit}", super::plain(&scenario.name));
        }
    }
    if score.lock_s.is_none() {
        eprintln!("humtick: {}: never locked", super::plain(&scenario.name));
    }
    Ok(if broken.is_empty() && score.lock_s.is_some() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}
