//! `humtick suite`: a folder of scenarios in, which limits hold and what has changed out.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use humtick_sim::board;
use humtick_sim::settings::Changes;
use humtick_sim::suite::baseline::{Baseline, Change};
use humtick_sim::suite::overview::Overview;
use humtick_sim::suite::{self, Item, Outcome, Pages, Verdict, junit};
use humtick_sim::write;

use super::plain;
use super::progress::Progress;

mod record;
mod table;

const EXAMPLE: &str = "\
Example: does a shorter window still do, and what would it cost

    humtick suite outlets --save before.jsonl
    humtick suite outlets --settings shorter.toml --baseline before.jsonl --report pages

Every file below the folder that ends in .toml is a scenario (`humtick scenario` prints a template), except expect.toml and
NAME.expect.toml: these speak of a recording beside them, one that `humtick measure` reads, and say how it is read, what its frequency is
known to have been, the meter, and what the readings are held to:

    # saw.expect.toml, of saw.csv: a generator's 50 Hz, through the workshop's board
    [recording]                 # as options of `humtick measure`: tick_hz, bits, signal, channel, threshold, lowpass_hz,
    tick_hz = 2000000           # hysteresis_percent
    [grid]                      # as in a scenario; readings that were accepted once make a truth of mains, too:
    shape = \"constant\"          # humtick measure saw.csv --format jsonl > accepted.jsonl, then shape = \"recorded\", file = \"accepted.jsonl\"
    [meter]
    clock_ppm = 12.5
    [limits]
    max_error_mhz = 2.0
    lock_s = 0.5

With --baseline each line says what became of it. Seeds are the same, so where the meter is the same nothing differs at all; what does
is judged by how much it differs from stretch to stretch of the trial: better or worse is a change of the rms of 1 % or more that is beyond three
standard deviations of that noise, or intervals that hold the truth more or less often, more or fewer false readings, a later or earlier
lock, more or fewer unknown readings.

Exit status: 0 all limits are kept, 1 one is broken or a meter never locked, 2 wrong use, or a file cannot be read (the others are run).
A change alone breaks nothing.";

/// Every scenario below a folder against its limits: the regression test of a filter setting
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Folder of scenarios and of recordings with what is expected of them; or one file
    folder: PathBuf,
    /// Output: a table to read, CSV, JSON Lines, or JUnit XML
    #[arg(long, default_value = "table")]
    format: Format,
    /// Meter settings from a TOML file over each scenario's own: what it names is changed, the rest stays
    #[arg(long, value_name = "FILE.toml")]
    settings: Option<PathBuf>,
    /// Compares with what --save wrote earlier
    #[arg(long, value_name = "FILE.jsonl")]
    baseline: Option<PathBuf>,
    /// Writes the figures, for --baseline of a later run
    #[arg(long, value_name = "FILE.jsonl")]
    save: Option<PathBuf>,
    /// Writes index.html into this folder, and a page with pictures of each scenario beside it
    #[arg(long, value_name = "FOLDER")]
    report: Option<PathBuf>,
}

/// How results are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    /// Columns to read.
    Table,
    /// A line each under column heads.
    Csv,
    /// A JSON object each.
    Jsonl,
    /// JUnit XML, for servers of continuous integration.
    Junit,
}

impl Options {
    fn items(&self) -> Result<Vec<Item>, String> {
        let read = |path: &PathBuf| Changes::from_file(path).map_err(|e| e.to_string());
        let changes = self.settings.as_ref().map(read).transpose()?;
        suite::find(&self.folder, changes.as_ref())
    }

    /// Refuses, before the long run, what could not be written after it.
    fn check(&self, items: &[Item]) -> Result<(), String> {
        if let Some(path) = &self.save
            && items
                .iter()
                .map(|item| &item.file)
                .chain(&self.settings)
                .any(|file| write::are_one(file, path))
        {
            return Err(format!("{}: is read by the suite: give another name to --save", path.display()));
        }
        if let Some(folder) = &self.report {
            fs::create_dir_all(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
        }
        let index = self.report.as_ref().map(|folder| folder.join("index.html"));
        write::begin(self.save.iter().chain(&index)).map_err(|e| e.to_string())
    }
}

/// What came of a suite.
struct Results<'a> {
    options: &'a Options,
    outcomes: Vec<Outcome>,
    /// One an outcome if there is a baseline.
    changes: Vec<Change>,
    /// What the baseline has and the suite has not.
    gone: Vec<&'a str>,
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    let items = options.items()?;
    let baseline = options.baseline.as_deref().map(Baseline::from_file).transpose()?;
    options.check(&items)?;
    let pages = options.report.as_deref().map(|folder| Pages::new(folder, &items));
    let outcomes = tried(&items, pages.as_ref())?;
    let changes =
        baseline.iter().flat_map(|baseline| outcomes.iter().map(|now| baseline.change(now))).collect();
    let gone = baseline.as_ref().map(|baseline| baseline.gone(&outcomes)).unwrap_or_default();
    let results = Results { options: &options, outcomes, changes, gone };
    if let (Some(folder), Some(pages)) = (&options.report, &pages) {
        results.overview(folder, pages)?;
    }
    if let Some(path) = &options.save {
        write::whole(path, |to| record::save(to, &results.outcomes)).map_err(|e| e.to_string())?;
    }
    results.print()?;
    Ok(match results.outcomes.iter().map(Outcome::verdict).max() {
        Some(Verdict::Unreadable) => ExitCode::from(2),
        Some(Verdict::Broken) => ExitCode::from(1),
        _ => ExitCode::SUCCESS,
    })
}

fn tried(items: &[Item], pages: Option<&Pages>) -> Result<Vec<Outcome>, String> {
    let lasting = |item: &Item| item.trial.as_ref().map_or(0.0, |trial| trial.scenario().duration_s);
    let mut progress = Progress::new(items.iter().map(lasting).sum());
    let mut done = 0.0;
    let outcomes = suite::run(items, board::threads(), pages, |outcome| {
        done += outcome.figures.as_ref().map_or(0.0, |figures| figures.duration_s);
        progress.at(done as u64);
    });
    outcomes.map_err(|e| e.to_string())
}

impl Results<'_> {
    fn overview(&self, folder: &Path, pages: &Pages) -> Result<(), String> {
        let overview = Overview {
            folder: &self.options.folder,
            settings: self.options.settings.as_deref(),
            outcomes: &self.outcomes,
            changes: &self.changes,
            pages,
        };
        let page = overview.page();
        write::whole(&folder.join("index.html"), |to| to.write_all(page.as_bytes()))
            .map_err(|e| e.to_string())
    }

    fn print(&self) -> Result<(), String> {
        let mut out = io::BufWriter::new(io::stdout().lock());
        let settings = self.options.settings.as_deref();
        let written = match self.options.format {
            Format::Table => table::write(&mut out, self),
            Format::Csv => record::csv(&mut out, &self.outcomes, &self.changes),
            Format::Jsonl => record::json(&mut out, &self.outcomes, &self.changes),
            Format::Junit => {
                write!(out, "{}", junit::document(&self.options.folder, settings, &self.outcomes))
            }
        };
        match written.and_then(|()| out.flush()) {
            // Whoever read the output has had enough.
            Err(e) if e.kind() != io::ErrorKind::BrokenPipe => return Err(format!("cannot write: {e}")),
            _ => {}
        }
        if self.options.format != Format::Table {
            for text in self.outcomes.iter().filter_map(|outcome| outcome.explained(settings)) {
                text.lines().for_each(|line| eprintln!("{}", plain(line)));
            }
        }
        Ok(())
    }
}
