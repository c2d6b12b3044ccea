//! `humtick view`: the report of a log.

use std::io::{self, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use humtick_sim::station::limits::{self, Limits};
use humtick_sim::view::{self, Account, Page, Supply, Survey, Verdict};
use humtick_sim::write;

const EXAMPLE: &str = "\
Example: what the log of `humtick listen --log mains` says about a month

    humtick view mains -o mains.html

The page has, for each sensor, the trend, the distribution, ten-second means held to EN 50160, the Allan deviation, gaps with their
reasons, and events; it needs nothing else. The exit status is 1 if a limit of EN 50160 is broken by what is in the log.";

/// The report of a log: trend, distribution, ten-second means, gaps, events
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Folders that `listen --log` wrote, or single files of them
    #[arg(required = true, value_name = "LOG")]
    logs: Vec<PathBuf>,
    /// Writes the page
    #[arg(short, long, value_name = "FILE.html")]
    output: Option<PathBuf>,
    /// Which limits of EN 50160 ten-second means are held to
    #[arg(long, value_name = "KIND", default_value = "synchronous")]
    supply: Kind,
    /// Counts how often single readings left limits, and lists when in the page: names or LOW..HIGH in hertz, as in `listen`
    #[arg(long, value_name = "LIMITS", long_help = limits::forms())]
    limits: Option<Limits>,
    /// What deviations are from [default: 50 or 60 Hz, whichever is near]
    #[arg(long, value_name = "HZ")]
    nominal: Option<f64>,
}

#[derive(Clone, Copy, ValueEnum)]
enum Kind {
    /// Connected to an interconnected system
    Synchronous,
    /// On its own
    Island,
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    if let Some(path) = &options.output
        && !path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("html"))
    {
        return Err(format!("{}: expected a page's name ending in .html", path.display()));
    }
    if options.nominal.is_some_and(|hz| !(0.1..=100_000.0).contains(&hz)) {
        return Err("--nominal: expected hertz from 0.1 to 100000".into());
    }
    write::begin(&options.output).map_err(|e| e.to_string())?;
    let supply = match options.supply {
        Kind::Synchronous => Supply::Synchronous,
        Kind::Island => Supply::Island,
    };
    let mut page = Page::new(supply);
    let mut out = io::stdout().lock();
    let mut is_broken = false;
    // Only where there are limits to leave.
    let left =
        |count: String| if options.limits.is_some() { format!("  {count:>11}") } else { String::new() };
    let mut text = format!(
        "{:<16}  {:>10}  {:>8}  {:>6}  {:>10}  {:>9}  {:>9}  {:>7}{}  EN 50160\n",
        "sensor",
        "readings",
        "lost",
        "gaps",
        "mean Hz",
        "least Hz",
        "most Hz",
        "10 s",
        left("left limits".into())
    );
    for (name, files) in view::find(&options.logs).map_err(|e| e.to_string())? {
        let mut survey = Survey::default();
        for file in &files {
            view::survey(file, &mut survey, |_| ()).map_err(|e| e.to_string())?;
        }
        let limits = options.limits.clone().unwrap_or_default();
        let mut account = Account::new(name, limits, options.nominal, survey.end());
        for file in &files {
            view::read(file, &mut account, |_| ()).map_err(|e| e.to_string())?;
        }
        account.end();
        let verdicts =
            if account.nominal_hz() == Some(50.0) { supply.verdicts(&account.means) } else { vec![] };
        is_broken |= verdicts.iter().any(|verdict| !verdict.is_kept());
        text.push_str(&row(&account, &left(account.left.to_string()), &verdicts));
        page.add(&account);
    }
    if let Some(path) = &options.output {
        write::whole(path, |to| to.write_all(page.html().as_bytes())).map_err(|e| e.to_string())?;
    }
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => Err(format!("cannot write the results: {e}")),
        _ => Ok(ExitCode::from(u8::from(is_broken))),
    }
}

fn row(account: &Account, left: &str, verdicts: &[Verdict]) -> String {
    let tally = account.tally();
    let hertz = |value: Option<f64>| value.map_or(String::new(), |hz| format!("{hz:.4}"));
    let [least, most] = [0, 1].map(|end| hertz(account.extremes.map(|extremes| extremes[end].0)));
    let gaps: u64 = account.gap_sums.iter().map(|sum| sum.0).sum();
    let held = verdicts.iter().map(|verdict| {
        let kept = if verdict.is_kept() { "kept" } else { "broken" };
        let percent = (verdict.share() * 1e5).floor() / 1e3;
        format!("{}..{} Hz {kept}: {percent} % within", verdict.rule.low_hz, verdict.rule.high_hz)
    });
    let held: Vec<_> = held.collect();
    format!(
        "{:<16}  {:>10}  {:>8}  {gaps:>6}  {:>10}  {least:>9}  {most:>9}  {:>7}{left}  {}\n",
        account.name.as_str(),
        tally.readings,
        tally.lost,
        account.mean_hz().map_or(String::new(), |hz| format!("{hz:.5}")),
        account.means.len(),
        held.join(", ")
    )
}
