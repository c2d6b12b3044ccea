//! `humtick scenario`: what a scenario file may say, and whether one says it right.

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use humtick_sim::scenario::{
    Case, Instead, Scenario, ScenarioError, built_in, cases, choose, template::TEMPLATE,
};

use super::plain;

const EXAMPLE: &str = "\
Example: a scenario of your own from the template, and from one that comes with the program

    humtick scenario > cellar.toml
    humtick scenario --check cellar.toml
    humtick scenario --show saw-start > saw.toml

Without an option it prints a template: every table and key, with unit, range and default. --check exits with 2 and says file, line, key
and what was expected if a scenario cannot be used.";

/// Prints a template of a scenario file; checks one, lists and prints those that come with the program
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Says whether a scenario can be used, what is wrong if not, and what of it comes after its end
    #[arg(long, value_name = "FILE.toml|NAME", conflicts_with_all = ["list", "show"])]
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
        let text = text_of(path)?;
        let cases = cases(&text, path, Instead::default()).map_err(|e| e.to_string())?;
        let lines = cases.iter().map(|case| {
            let of = if case.label.is_empty() { String::new() } else { format!(" [{}]", case.label) };
            let remarks: String =
                case.scenario.remarks().iter().map(|remark| format!("  but {remark}\n")).collect();
            let head = format!("{}{of}: {}", path.display(), summary(&case.scenario));
            format!("{}\n{remarks}", plain(&head))
        });
        lines.collect()
    } else if options.list {
        built_in::ALL.map(|(name, text)| format!("{name:<22} {}\n", built_in::lesson(text))).concat()
    } else if let Some(wanted) = &options.show {
        built_in::find(wanted)?.to_owned()
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

/// The scenario in a file, or the one of that name that comes with the program, with some values `instead` of its own; and its text.
/// Of a file with cases the one whose label is `case`, named after it.
pub fn load(path: &Path, case: Option<&str>, instead: Instead) -> Result<(Scenario, String), String> {
    let text = text_of(path)?;
    let cases = cases(&text, path, instead).map_err(|e| e.to_string())?;
    let Case { label, mut scenario } = choose(cases, case).map_err(|e| format!("{}: {e}", path.display()))?;
    if !label.is_empty() {
        scenario.name = format!("{} [{label}]", scenario.name);
    }
    Ok((scenario, text))
}

/// The text of a scenario's file, or of the scenario of that name that comes with the program.
pub fn text_of(path: &Path) -> Result<String, String> {
    match path.to_str() {
        // 16.7 in a name is no ending.
        Some(name) if !path.exists() && (!name.contains(['/', '\\']) && !name.ends_with(".toml")) => {
            Ok(built_in::find(name)?.to_owned())
        }
        _ => std::fs::read_to_string(path)
            .map_err(|source| ScenarioError::Io { path: path.into(), source }.to_string()),
    }
}

/// What it comes to, in a line.
fn summary(scenario: &Scenario) -> String {
    format!(
        "can be used: {}, {} s at {} Hz, {}, harmonics: {}, disturbances: {}, {}-bit counter at {} Hz; meter: {}, {} s window",
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
