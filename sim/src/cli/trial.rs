//! `humtick trial`: a scenario in, what a meter makes of it out.

use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use clap::Args;
use humtick_sim::course::Course;
use humtick_sim::scenario::Scenario;
use humtick_sim::score::Scored;
use humtick_sim::settings::{MeterSettings, Nominal};
use humtick_sim::trial::{self, Handed};
use indicatif::{ProgressBar, ProgressStyle};

use super::format::Format;

mod record;
mod table;

const EXAMPLE: &str = "\
Example: what the saw in the workshop does to a meter, before one is built

    humtick scenario --show saw-start > saw.toml
    humtick trial saw.toml

The grid's true frequency is known, so each reading can be held against it twice: against the mean over the reading's window with the
estimator's own weights, which is what the reading claims to measure and what its 95 % interval is judged by; and against the frequency
in the middle of the window, which is what it may be taken for. `clock apart` takes off what the timer's clock is off by all the time,
and `noise permits` is the least scatter that any estimator can reach with such edges (Cramer-Rao): white noise, latency and ticks, no
tones, impulses or steps.

A reading is false if it is off by more than five times the half width of its own interval, or stands where there was no voltage. Settling
is counted from each step of frequency or phase and each end of a dip until readings are within twice that half width, and stay there.

The exit status is 1 if a limit of the scenario is broken.";

/// A scenario through front end, timer and meter, scored against the truth
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Scenario file; `humtick scenario` prints a template
    scenario: PathBuf,
    /// Output: a table to read, CSV, or JSON Lines
    #[arg(long, default_value = "table")]
    format: Format,
    /// Seconds to simulate, 0.1 to 1e9 [default: the scenario's]
    #[arg(long, value_name = "SECONDS", value_parser = duration)]
    duration: Option<f64>,
    /// Where all randomness comes from [default: the scenario's]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Meter settings from a TOML file instead of the scenario's own
    #[arg(long, value_name = "FILE.toml")]
    settings: Option<PathBuf>,
}

fn duration(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(seconds) if (0.1..=1e9).contains(&seconds) => Ok(seconds),
        _ => Err("expected seconds from 0.1 to 1e9".into()),
    }
}

impl Options {
    /// The scenario with what the options change.
    fn scenario(&self) -> Result<Scenario, String> {
        let mut scenario = Scenario::from_file(&self.scenario).map_err(|e| e.to_string())?;
        scenario.duration_s = self.duration.unwrap_or(scenario.duration_s);
        scenario.seed = self.seed.unwrap_or(scenario.seed);
        if let Some(path) = &self.settings {
            let settings = MeterSettings::from_file(path).map_err(|e| e.to_string())?;
            // A file that names no frequency means the scenario's.
            let nominal = match settings.nominal {
                Nominal::Auto => scenario.meter.nominal,
                named => named,
            };
            scenario.meter = MeterSettings { nominal, ..settings };
        }
        Ok(scenario)
    }
}

/// CONNECT THE SIMULATOR HERE: the course of the grid's true frequency, and the edges that come of it by way of waveform,
/// disturbances, front end and timer.
fn source(scenario: &Scenario) -> Result<(Course, impl Iterator<Item = Handed>), String> {
    let refusal = format!("{}: nothing simulates a scenario yet", scenario.name);
    Err::<(Course, std::iter::Empty<Handed>), _>(refusal)
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    let scenario = options.scenario()?;
    let (grid, mut edges) = source(&scenario)?;
    let mut progress = Progress::new(scenario.duration_s);
    let score = trial::run(&scenario, grid, &mut edges, |scored| progress.see(scored));
    progress.finish();
    let score = score.map_err(|e| e.to_string())?;
    let broken = score.broken(&scenario.limits);
    let mut out = io::BufWriter::new(io::stdout().lock());
    let written = match options.format {
        Format::Table => table::write(&mut out, &scenario, &score, &broken),
        Format::Csv => record::write_csv(&mut out, &scenario, &score, &broken),
        Format::Jsonl => record::write_json(&mut out, &scenario, &score, &broken),
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
    Ok(if broken.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// A bar on the terminal once a trial lasts longer than half a second; nothing elsewhere.
struct Progress {
    duration_s: f64,
    /// When it began; `None` where there is no terminal.
    since: Option<Instant>,
    readings: u32,
    bar: Option<ProgressBar>,
}

impl Progress {
    /// Readings from one look at the bar to the next: some milliseconds.
    const STRIDE: u32 = 1_024;

    fn new(duration_s: f64) -> Self {
        let since = io::stderr().is_terminal().then(Instant::now);
        Self { duration_s, since, readings: 0, bar: None }
    }

    fn see(&mut self, scored: &Scored) {
        self.readings = self.readings.wrapping_add(1);
        if !self.readings.is_multiple_of(Self::STRIDE) {
            return;
        }
        let Some(since) = self.since else { return };
        if since.elapsed() < Duration::from_millis(500) {
            return;
        }
        let bar = self.bar.get_or_insert_with(|| {
            let style = ProgressStyle::with_template("{wide_bar} {percent} % of {msg}, {eta} left");
            let bar = ProgressBar::new(self.duration_s as u64);
            bar.set_message(format!("{} s", self.duration_s));
            // The template is a constant; were it wrong, the plain bar would do.
            if let Ok(style) = style { bar.with_style(style) } else { bar }
        });
        bar.set_position(scored.last.second);
    }

    fn finish(self) {
        if let Some(bar) = self.bar {
            bar.finish_and_clear();
        }
    }
}
