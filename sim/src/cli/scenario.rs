//! `humtick scenario`: what a scenario file may say, and whether one says it right.

use std::io::{self, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use humtick_sim::scenario::{Scenario, built_in, template::TEMPLATE};

use super::plain;

const EXAMPLE: &str = "\
Example: a scenario of your own from the template, and from one that comes with the program

    humtick scenario > cellar.toml
    humtick scenario --check cellar.toml
    humtick scenario --show saw-start > saw.toml

Without an option it prints a template: every table and key, with unit, range and default. --check exits with 2 and says file, line, key
and what was expected if a scenario cannot be used.";

/// Prints a commented template of a scenario file
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Says whether a scenario file can be used, and what is wrong if not
    #[arg(long, value_name = "FILE.toml", conflicts_with_all = ["list", "show"])]
    check: Option<PathBuf>,
    /// Lists the scenarios that come with the program
    #[arg(long, conflicts_with = "show")]
    list: bool,
    /// Prints one of them
    #[arg(long, value_name = "NAME")]
    show: Option<String>,
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    let text = if let Some(path) = &options.check {
        let scenario = Scenario::from_file(path).map_err(|e| e.to_string())?;
        format!("{}: {}\n", plain(&path.display().to_string()), plain(&summary(&scenario)))
    } else if options.list {
        built_in::ALL.map(|(name, text)| format!("{name:<22} {}\n", built_in::lesson(text))).concat()
    } else if let Some(wanted) = &options.show {
        let found = built_in::ALL.iter().find(|(name, _)| name == wanted);
        let (_, text) = found.ok_or_else(|| {
            format!(
                "no scenario {wanted:?} comes with the program; there are {}",
                built_in::ALL.map(|(n, _)| n).join(", ")
            )
        })?;
        (*text).to_owned()
    } else {
        TEMPLATE.to_owned()
    };
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        // Whoever read the output has had enough.
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => Err(format!("cannot write: {e}")),
        _ => Ok(ExitCode::SUCCESS),
    }
}

/// What it comes to, in a line.
fn summary(scenario: &Scenario) -> String {
    format!(
        "right: {}, {} s at {} Hz, {}, harmonics: {}, disturbances: {}, {}-bit counter at {} Hz; meter: {}, {} s window",
        scenario.name,
        scenario.duration_s,
        scenario.nominal_hz,
        scenario.grid.shape.name(),
        scenario.voltage.harmonics.len(),
        scenario.disturb.len(),
        scenario.timer.bits,
        scenario.timer.tick_hz,
        scenario.meter.estimator.name(),
        scenario.meter.window_s
    )
}
