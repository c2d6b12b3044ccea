//! `humtick sweep`: one scenario many times over, as table and picture.

use std::io::{self, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use humtick_sim::scenario::Instead;
use humtick_sim::sweep::measure::{Measure, Readings};
use humtick_sim::sweep::solve::{self, Limit};
use humtick_sim::sweep::{Across, Plan, Source, Vary, page, svg, tabulate};
use humtick_sim::{board, picture, write};

use super::format::Format;
use super::plain;
use super::progress::Progress;

mod record;

const EXAMPLE: &str = "\
Example: how much noise a comparator may have before readings over one second leave one millihertz

    humtick scenario > cellar.toml
    humtick sweep cellar.toml --vary noise_percent=0.05..2:log --solve max_error_mhz=1 --report noise.html

and how that depends on the window, as a heat map; and which estimator does best:

    humtick sweep cellar.toml --vary noise_percent=0.05..2:20:log --vary window_s=0.2..2:20 --picture noise.svg
    humtick sweep cellar.toml --vary noise_percent=0.05..2:log --across estimator=least-squares,hann,end-to-end --repeat 5

A key is named as in a scenario file, with its table where several have one of that name: `timer.clock_ppm`; the second disturbance's
is `disturb.2.residual_percent`, the longest latency `timer.latency_us.2`. All places of a sweep see the same seeds, the scenario's own
and those after it, so that differences are the values' and not the luck's.

Errors are taken over whole windows; with `--readings all` also over the short ones after a lock, which scatter far more, as the limits of
a scenario are. `noise permits` is the least scatter that any estimator can reach with such edges over a whole window (Cramer-Rao).

--solve runs 20 seeds unless told otherwise and narrows down where each breaks the limit, going from the first value of the range to the
last; the answer is where all still hold. `--vary window_s=2..0.1` finds the smallest. It is exact for these seeds to half a percent; what
it says of others is told as an interval. The exit status is 1 if a limit fails at the first value already.";

/// One scenario over a range of one or two of its numbers, as table and picture
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Scenario file, or the name of one that comes with the program (`humtick scenario --list`)
    scenario: PathBuf,
    /// A number and its range, in 11 even steps unless said; with :log even by ratio. Up to two of them
    #[arg(long, value_name = "KEY=FROM..TO[:STEPS][:log]", required = true)]
    vary: Vec<String>,
    /// Which case of a file that has several
    #[arg(long, value_name = "LABEL")]
    case: Option<String>,
    /// Settings to hold against each other
    #[arg(long, value_name = "KEY=VALUE,VALUE,...")]
    across: Option<String>,
    /// Seeds for each place [default: 1, with --solve 20]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=10_000))]
    repeat: Option<u32>,
    /// What is shown
    #[arg(long, value_enum, default_value_t, conflicts_with = "solve")]
    measure: Measure,
    /// Finds the farthest value that keeps a limit on one of the measures
    #[arg(long, value_name = "MEASURE=VALUE")]
    solve: Option<String>,
    /// Which readings' errors are taken
    #[arg(long, value_enum, default_value_t)]
    readings: Readings,
    /// Output: a table to read, CSV, or JSON Lines with every measure
    #[arg(long, default_value = "table")]
    format: Format,
    /// Seconds to simulate, 0.1 to 1e9 [default: the scenario's]
    #[arg(long, value_name = "SECONDS", value_parser = super::trial::duration)]
    duration: Option<f64>,
    /// The first seed [default: the scenario's]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Writes the picture: lines, or heat maps where two numbers are varied
    #[arg(long, value_name = "FILE.svg")]
    picture: Option<PathBuf>,
    /// Writes a page with picture, figures and scenario, for a browser
    #[arg(long, value_name = "FILE.html")]
    report: Option<PathBuf>,
}

impl Options {
    /// Names of files that cannot be, before a long sweep.
    fn check(&self) -> Result<(), String> {
        if let Some(path) = &self.picture {
            picture::check(path).map_err(|e| e.to_string())?;
        }
        if let Some(path) = &self.report {
            super::trial::check_page(path, &self.scenario)?;
        }
        let is_scenario = |path: &PathBuf| write::are_one(path, &self.scenario);
        if let Some(path) = self.picture.iter().find(|path| is_scenario(path)) {
            return Err(format!("{}: is the scenario itself: give another name", path.display()));
        }
        write::begin(self.picture.iter().chain(&self.report)).map_err(|e| e.to_string())
    }

    fn plan(&self) -> Result<Plan, String> {
        let all = |vary: &[String]| vary.iter().map(|text| Vary::parse(text)).collect::<Result<Vec<_>, _>>();
        let vary = all(&self.vary).map_err(|e| format!("--vary {e}"))?;
        let across = self.across.as_deref().map(Across::parse).transpose();
        let across = across.map_err(|e| format!("--across {e}"))?;
        let text = super::scenario::text_of(&self.scenario)?;
        let instead = Instead { seed: self.seed, duration_s: self.duration };
        let repeat = self.repeat.unwrap_or(if self.solve.is_some() { 20 } else { 1 });
        let source = Source { text, path: self.scenario.clone(), case: self.case.clone(), instead };
        Plan::new(source, vary, across, repeat, self.readings).map_err(|e| e.to_string())
    }
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    options.check()?;
    let limit = options.solve.as_deref().map(Limit::parse).transpose().map_err(|e| format!("--solve {e}"))?;
    let plan = options.plan()?;
    if limit.is_some() && plan.vary.len() != 1 {
        return Err("--solve: exactly one --vary is solved for".into());
    }
    let measure = limit.map_or(options.measure, |limit| limit.measure);
    let threads = board::threads();
    // Halving comes on top: each seed's ends narrow to half a percent of a step's in some seven trials.
    let rounds = if limit.is_some() { 9.0 * plan.scenario.duration_s * f64::from(plan.repeat) } else { 0.0 };
    let swept = plan.seconds();
    let mut progress = Progress::new(swept + rounds * plan.series() as f64);
    let told = |e: humtick_sim::sweep::SweepError| e.to_string();
    let sweep = plan.run(threads, |second| progress.at(second as u64)).map_err(told)?;
    let solutions = match limit {
        Some(limit) => {
            let beyond = |second: f64| progress.at((swept + second) as u64);
            solve::solve(&sweep, limit, threads, beyond).map_err(told)?
        }
        None => Vec::new(),
    };
    drop(progress);
    if let Some(path) = &options.picture {
        let svg = svg(&sweep, measure, limit)
            .ok_or_else(|| format!("{}: no picture: no place has a figure", path.display()))?;
        picture::save(path, &svg).map_err(|e| e.to_string())?;
    }
    if let Some(path) = &options.report {
        let page = page(&sweep, measure, limit, &solutions);
        write::whole(path, |to| to.write_all(page.as_bytes())).map_err(|e| e.to_string())?;
    }
    let mut out = io::BufWriter::new(io::stdout().lock());
    let written = match options.format {
        Format::Table => {
            let mut text = format!("{}\n", sweep.subject());
            for table in tabulate::tables(&sweep, measure, limit) {
                text += &format!("\n{}", table.plain());
            }
            for solution in &solutions {
                let across =
                    sweep.plan.across(solution.series).map_or(String::new(), |name| format!("{name}: "));
                text += &format!("\n{across}{}\n", solution.sentences().join("\n  "));
            }
            // Names must not steer the terminal.
            text.lines().try_for_each(|line| writeln!(out, "{}", plain(line)))
        }
        Format::Csv => record::write_csv(&mut out, &sweep, measure, limit, &solutions),
        Format::Jsonl => record::write_json(&mut out, &sweep, measure, limit, &solutions),
    };
    match written.and_then(|()| out.flush()) {
        // Whoever read the output has had enough.
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => {
            return Err(format!("cannot write the sweep: {e}"));
        }
        _ => {}
    }
    let kept = solutions.iter().all(solve::Solution::is_kept);
    Ok(if kept { ExitCode::SUCCESS } else { ExitCode::from(1) })
}
