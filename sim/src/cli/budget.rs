//! `humtick budget`: a board's figures in, what it can do out.

use std::io::{self, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use humtick_sim::budget::{Board, Budget, Counter, Oscillator, Uncertainty, Verdict};
use humtick_sim::settings::{MeterSettings, Nominal};
use serde::Serialize;

use super::format::Format;
use table::{notes, reach};

mod table;

const EXAMPLE: &str = "\
Example: the pump house's board, a 16-bit timer at 16 MHz / 8 on an ordinary crystal, edges good to 20 us

    humtick budget --clock 16000000 --prescale 8 --bits 16 --jitter 20us --oscillator quartz

First what the counter reaches: when it wraps, how late the interrupt may be, how long stamps compare. Then for each estimator the
standard uncertainty from quantisation, jitter and clock, all three together, the half width of the 95 % interval a reading will
state, each term's share in the variance, and how many decimals of a frequency in hertz then mean something. Last whether the
ten-second reading of IEC 61000-4-30 is within reach, and if not, what stops it.

Jitter is the standard deviation of one edge, white from edge to edge: noise at the comparator over the slope of the signal there
(2 V rms on 325 V peak at 50 Hz are 20 us). Harmonics, tones and a moving grid are not in the budget.";

/// What a board can do before it is built: reach and uncertainty, term by term
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Ticks a second of the counter, 1000 to 1000000000
    #[arg(long, value_name = "HZ", required_unless_present = "clock", conflicts_with = "clock")]
    tick_hz: Option<u32>,
    /// Clock of the timer before its prescaler, instead of --tick-hz
    #[arg(long, value_name = "HZ")]
    clock: Option<u32>,
    /// What the prescaler divides the clock by [default: 1]
    #[arg(long, value_name = "N", requires = "clock", conflicts_with = "tick_hz")]
    prescale: Option<u32>,
    /// Width of the counter, 8 to 32
    #[arg(long, value_name = "N", default_value = "16")]
    bits: u32,
    /// Frequency of the signal in hertz [default: 50]
    #[arg(long, value_name = "50|60|HZ", value_parser = number)]
    nominal: Option<f64>,
    /// Length of the window [default: 1]
    #[arg(long, value_name = "SECONDS")]
    window: Option<f64>,
    /// Time from reading to reading [default: 0.1]
    #[arg(long, value_name = "SECONDS")]
    every: Option<f64>,
    /// Standard deviation of an edge: seconds, or with ns, us or ms behind [default: none]
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = jitter)]
    jitter: Option<f64>,
    /// What the clock may be off, ppm
    #[arg(long, value_name = "PPM", allow_negative_numbers = true, conflicts_with = "oscillator")]
    clock_tolerance_ppm: Option<f64>,
    /// The same by the kind of oscillator [default: quartz]
    #[arg(long)]
    oscillator: Option<Oscillator>,
    /// Meter settings from a TOML file; options given here overrule it
    #[arg(long, value_name = "FILE.toml")]
    settings: Option<PathBuf>,
    /// Output: a table to read, CSV, or JSON Lines
    #[arg(long, default_value = "table")]
    format: Format,
}

fn number(text: &str) -> Result<f64, String> {
    text.parse().map_err(|_| "expected hertz, 50 or 60 say; a budget needs a number".into())
}

fn jitter(text: &str) -> Result<f64, String> {
    let units = [("ns", 1e-9), ("us", 1e-6), ("\u{b5}s", 1e-6), ("\u{3bc}s", 1e-6), ("ms", 1e-3), ("s", 1.0)];
    let (figure, unit) = units
        .into_iter()
        .find_map(|(suffix, unit)| text.strip_suffix(suffix).map(|figure| (figure, unit)))
        .unwrap_or((text, 1.0));
    match figure.trim().parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value * unit),
        _ => Err("expected a time like 20us, 0.5ms, 200ns, or seconds like 2e-5".into()),
    }
}

impl Options {
    /// The board, and what was assumed of it.
    fn board(&self) -> Result<(Board, Vec<String>), String> {
        let settings = match &self.settings {
            Some(path) => MeterSettings::from_file(path).map_err(|e| e.to_string())?,
            None => MeterSettings::default(),
        };
        let mut assumed = vec![];
        let oscillator = self.oscillator.or(self.settings.is_none().then_some(Oscillator::Quartz));
        let clock_tolerance_ppm = match (self.clock_tolerance_ppm, oscillator) {
            (Some(ppm), _) => ppm,
            (None, Some(kind)) => {
                let (ppm, source) = kind.tolerance_ppm();
                assumed.push(format!("clock within {ppm} ppm ({source})"));
                ppm
            }
            (None, None) => settings.clock_tolerance_ppm,
        };
        let nominal_hz = self.nominal.unwrap_or(match settings.nominal {
            Nominal::Hertz(hz) => hz,
            Nominal::Auto => 50.0,
        });
        if self.jitter.is_none() {
            assumed.push("no jitter: give --jitter for what the edges add".into());
        }
        let board = Board {
            tick_hz: self.rate()?,
            bits: self.bits,
            nominal_hz,
            window_s: self.window.unwrap_or(settings.window_s),
            every_s: self.every.unwrap_or(settings.every_s),
            jitter_s: self.jitter.unwrap_or(0.0),
            clock_tolerance_ppm,
        };
        Ok((board, assumed))
    }

    fn rate(&self) -> Result<u32, String> {
        let (Some(clock), divisor) = (self.clock, self.prescale.unwrap_or(1)) else {
            // Required where there is no clock.
            return Ok(self.tick_hz.unwrap_or_default());
        };
        if divisor == 0 {
            return Err("--prescale 0 is outside 1 to 4294967295".into());
        }
        if !clock.is_multiple_of(divisor) {
            return Err(format!(
                "--clock {clock} over --prescale {divisor} is {} Hz, and the core counts in whole hertz: choose another prescaler",
                f64::from(clock) / f64::from(divisor)
            ));
        }
        let rate = clock / divisor;
        if !(1_000..=1_000_000_000).contains(&rate) {
            return Err(format!(
                "--clock {clock} over --prescale {divisor} is {rate} Hz, outside 1000 to 1000000000"
            ));
        }
        Ok(rate)
    }
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    let (board, assumed) = options.board()?;
    let budget = board.budget().map_err(|e| e.to_string())?;
    let mut out = io::BufWriter::new(io::stdout().lock());
    let written = match options.format {
        Format::Table => table::write(&mut out, &budget, &assumed),
        Format::Csv => csv(&mut out, &budget, &assumed),
        Format::Jsonl => jsonl(&mut out, &budget, &assumed),
    };
    match written.and_then(|()| out.flush()) {
        // Whoever read the output has had enough.
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => Err(format!("cannot write the budget: {e}")),
        _ => Ok(ExitCode::SUCCESS),
    }
}

const CSV_COLUMNS: &str = "estimator,cycles,noise_loss_db,quantisation_hz,jitter_hz,clock_hz,bound_hz,u_hz,u95_hz,\
quantisation_percent,jitter_percent,clock_percent,decimals";

fn csv(out: &mut impl Write, budget: &Budget, assumed: &[String]) -> io::Result<()> {
    let board = &budget.board;
    writeln!(
        out,
        "# tick_hz = {}, bits = {}, nominal_hz = {}, window_s = {}, jitter_s = {:e}, clock_tolerance_ppm = {}",
        board.tick_hz,
        board.bits,
        board.nominal_hz,
        board.window_s,
        board.jitter_s,
        board.clock_tolerance_ppm
    )?;
    for (what, figure) in reach(board, &budget.counter) {
        writeln!(out, "# {what}: {figure}")?;
    }
    for note in assumed.iter().chain(&notes(budget)) {
        writeln!(out, "# {note}")?;
    }
    writeln!(out, "{CSV_COLUMNS}")?;
    let rows = budget.estimators.iter().map(|row| (row.estimator, row));
    for (name, row) in rows.chain(budget.ten_seconds.iter().map(|(over, _)| ("ten-seconds", over))) {
        let bound = row.bound_hz.map_or_else(String::new, |bound| format!("{bound:e}"));
        writeln!(
            out,
            "{name},{},{:.3},{:e},{:e},{:e},{bound},{:e},{:e},{:.4},{:.4},{:.4},{}",
            row.cycles,
            row.noise_loss_db,
            row.quantisation_hz,
            row.jitter_hz,
            row.clock_hz,
            row.u_hz,
            row.u95_hz,
            row.quantisation_percent,
            row.jitter_percent,
            row.clock_percent,
            row.decimals
        )?;
    }
    Ok(())
}

#[derive(Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
enum Record<'a> {
    Board {
        #[serde(flatten)]
        board: &'a Board,
        #[serde(flatten)]
        counter: &'a Counter,
        notes: Vec<&'a String>,
    },
    Estimator(&'a Uncertainty),
    TenSeconds(&'a Uncertainty),
    Class(&'a Verdict),
}

fn jsonl(out: &mut impl Write, budget: &Budget, assumed: &[String]) -> io::Result<()> {
    let notes = notes(budget);
    let board = Record::Board {
        board: &budget.board,
        counter: &budget.counter,
        notes: assumed.iter().chain(&notes).collect(),
    };
    let ten_seconds = budget.ten_seconds.iter().flat_map(|(over, verdicts)| {
        std::iter::once(Record::TenSeconds(over)).chain(verdicts.iter().map(Record::Class))
    });
    let estimators = budget.estimators.iter().map(Record::Estimator);
    for record in std::iter::once(board).chain(estimators).chain(ten_seconds) {
        serde_json::to_writer(&mut *out, &record)?;
        writeln!(out)?;
    }
    Ok(())
}
