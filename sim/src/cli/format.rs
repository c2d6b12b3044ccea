//! Readings as a table for people, CSV for spreadsheets, JSON Lines for programs.

use std::io::{self, Write};

use humtick_sim::entry::{Entry, TimedInterval, TimedReading, state_name};
use humtick_sim::measure::{Counts, Summary};
use humtick_sim::whole::Whole;
use serde::Serialize;

/// How results are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// Columns to read.
    Table,
    /// Comma-separated readings; everything else on lines that begin with #.
    Csv,
    /// One JSON object a line.
    Jsonl,
}

/// What a measurement begins with.
#[derive(Serialize)]
pub struct Header {
    /// The recording.
    pub file: String,
    /// Ticks a second on its scale.
    pub tick_hz: u32,
    /// What was found in the file or assumed.
    pub assumed: Vec<String>,
}

/// Writes a measurement in one format.
pub struct Output<W: Write> {
    format: Format,
    out: W,
}

#[derive(Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
enum Record<'a> {
    Header(&'a Header),
    Reading {
        t_s: f64,
        span_s: f64,
        cycles: u32,
        frequency_hz: Option<f64>,
        u_hz: Option<f64>,
        u95_hz: Option<f64>,
        rocof_hz_s: Option<f64>,
        rocof_u95_hz_s: Option<f64>,
        missed: u32,
        rejected: u32,
        state: &'static str,
    },
    Interval {
        t_s: f64,
        span_s: f64,
        cycles: u32,
        frequency_hz: Option<f64>,
        u_hz: Option<f64>,
        u95_hz: Option<f64>,
        missed: u32,
        coverage: &'static str,
        aligned: bool,
    },
    Event {
        t_s: f64,
        event: &'static str,
    },
    Summary {
        edges: u64,
        crossings: u64,
        rejected: Rejected,
        start_s: Option<f64>,
        span_s: Option<f64>,
        cycles: Option<u64>,
        missed: Option<u64>,
        frequency_hz: Option<f64>,
        u95_hz: Option<f64>,
        fit_hz: Option<f64>,
        fit_u95_hz: Option<f64>,
        torn: u64,
    },
}

#[derive(Serialize)]
struct Rejected {
    too_soon: u64,
    off_expected: u64,
    ambiguous: u64,
}

const CSV_COLUMNS: &str =
    "t_s,span_s,cycles,frequency_hz,u_hz,u95_hz,rocof_hz_s,rocof_u95_hz_s,missed,rejected,state";

impl<W: Write> Output<W> {
    /// Writes to `out`.
    pub const fn new(format: Format, out: W) -> Self {
        Self { format, out }
    }

    /// Pushes out what is buffered.
    pub fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }

    /// What was assumed, and the column heads.
    pub fn header(&mut self, header: &Header) -> io::Result<()> {
        match self.format {
            Format::Jsonl => self.json(&Record::Header(header)),
            Format::Csv => {
                writeln!(
                    self.out,
                    "# {}",
                    plain(&format!("{}: {}", header.file, header.assumed.join("; ")))
                )?;
                writeln!(self.out, "{CSV_COLUMNS}")
            }
            Format::Table => {
                writeln!(self.out, "{}", plain(&format!("{}: {}", header.file, header.assumed.join("; "))))?;
                writeln!(
                    self.out,
                    "{:>12}  {:>14}  {:>10}  {:>8}  {:>6}  {:>6}  {:>8}  state",
                    "middle s", "frequency Hz", "+- 95 % Hz", "Hz/s", "cycles", "missed", "rejected"
                )
            }
        }
    }

    /// A reading or an event.
    pub fn entry(&mut self, entry: &Entry) -> io::Result<()> {
        match (entry, self.format) {
            (Entry::Reading(r), Format::Table) => {
                let (frequency, u95) = figures(r.frequency_hz, r.u95_hz);
                // Empty where its own interval is wider than a hertz a second: that says nothing.
                let rocof = r.rocof_hz_s.filter(|_| r.rocof_u95_hz_s.is_some_and(|u| u < 1.0));
                let (rocof, _) = figures(rocof, r.rocof_u95_hz_s.map(|u| u.max(0.001)));
                writeln!(
                    self.out,
                    "{:>12.3}  {frequency:>14}  {u95:>10}  {rocof:>8}  {:>6}  {:>6}  {:>8}  {}",
                    r.t_s,
                    r.cycles,
                    r.missed,
                    r.rejected,
                    state_name(r.state)
                )
            }
            (Entry::Interval(i), _) => self.interval(i),
            (Entry::Event { t_s, what }, Format::Table) => {
                writeln!(self.out, "{t_s:>12.3}  -- {} --", what.name())
            }
            (Entry::Reading(r), Format::Csv) => {
                let cell = |value: Option<f64>| value.map_or_else(String::new, |v| v.to_string());
                writeln!(
                    self.out,
                    "{},{},{},{},{},{},{},{},{},{},{}",
                    r.t_s,
                    r.span_s,
                    r.cycles,
                    cell(r.frequency_hz),
                    cell(r.u_hz),
                    cell(r.u95_hz),
                    cell(r.rocof_hz_s),
                    cell(r.rocof_u95_hz_s),
                    r.missed,
                    r.rejected,
                    state_name(r.state)
                )
            }
            (Entry::Event { t_s, what }, Format::Csv) => writeln!(self.out, "# {t_s} {}", what.name()),
            (Entry::Reading(r), Format::Jsonl) => {
                let TimedReading {
                    t_s,
                    span_s,
                    cycles,
                    frequency_hz,
                    u_hz,
                    u95_hz,
                    rocof_hz_s,
                    rocof_u95_hz_s,
                    missed,
                    rejected,
                    state,
                } = *r;
                let state = state_name(state);
                self.json(&Record::Reading {
                    t_s,
                    span_s,
                    cycles,
                    frequency_hz,
                    u_hz,
                    u95_hz,
                    rocof_hz_s,
                    rocof_u95_hz_s,
                    missed,
                    rejected,
                    state,
                })
            }
            (Entry::Event { t_s, what }, Format::Jsonl) => {
                self.json(&Record::Event { t_s: *t_s, event: what.name() })
            }
        }
    }

    fn interval(&mut self, i: &TimedInterval) -> io::Result<()> {
        match self.format {
            Format::Jsonl => self.json(&Record::Interval {
                t_s: i.t_s,
                span_s: i.span_s,
                cycles: i.cycles,
                frequency_hz: i.frequency_hz,
                u_hz: i.u_hz,
                u95_hz: i.u95_hz,
                missed: i.missed,
                coverage: i.coverage,
                aligned: i.aligned,
            }),
            format => {
                let (frequency, u95) = figures(i.frequency_hz, i.u95_hz);
                let mark = if format == Format::Csv { "# " } else { "" };
                let known =
                    if frequency.is_empty() { "unknown".into() } else { format!("{frequency} +- {u95} Hz") };
                writeln!(
                    self.out,
                    "{mark}{:>12.3}  -- interval from here: {known} over {} whole cycles, {} missed, {} --",
                    i.t_s, i.cycles, i.missed, i.coverage
                )
            }
        }
    }

    /// The record as a whole; the last thing written.
    pub fn summary(&mut self, summary: &Summary) -> io::Result<()> {
        let Counts { edges, crossings, too_soon, off_expected, ambiguous } = summary.counts;
        let whole = summary.whole;
        if self.format == Format::Jsonl {
            self.json(&Record::Summary {
                edges,
                crossings,
                rejected: Rejected { too_soon, off_expected, ambiguous },
                start_s: whole.map(|w| w.start_s),
                span_s: whole.map(|w| w.span_s),
                cycles: whole.map(|w| w.cycles),
                missed: whole.map(|w| w.missed),
                frequency_hz: whole.map(|w| w.mean_hz),
                u95_hz: whole.and_then(|w| w.mean_u95_hz),
                fit_hz: whole.and_then(|w| w.fit_hz),
                fit_u95_hz: whole.and_then(|w| w.fit_u95_hz),
                torn: summary.torn,
            })?;
        } else {
            let mark = if self.format == Format::Csv { "# " } else { "" };
            writeln!(
                self.out,
                "{mark}{edges} edges: {crossings} crossings; rejected {too_soon} too soon, {off_expected} off the \
                 expected time, {ambiguous} ambiguous"
            )?;
            if summary.torn > 0 {
                writeln!(
                    self.out,
                    "{mark}rows left out: {}, since time ran backwards by less than a wrap: a wrap was tallied before an earlier \
                     capture was read, or after a later one; a column pending, with the overflow flag, helps against the second",
                    summary.torn
                )?;
            }
            if let Some(whole) = whole {
                self.whole(mark, &whole)?;
            }
        }
        self.flush()
    }

    fn whole(&mut self, mark: &str, whole: &Whole) -> io::Result<()> {
        writeln!(
            self.out,
            "{mark}longest unbroken count: {} cycles in {:.3} s from {:.3} s on, {} without a crossing",
            whole.cycles, whole.span_s, whole.start_s, whole.missed
        )?;
        let figure = |frequency: f64, u95: Option<f64>| match figures(Some(frequency), u95) {
            (_, u95) if u95.is_empty() => format!("{frequency:.4}"),
            (frequency, u95) => format!("{frequency} +- {u95}"),
        };
        let unknown =
            if whole.mean_u95_hz.is_none() { "; too few neighbouring cycles for an interval" } else { "" };
        let mean = figure(whole.mean_hz, whole.mean_u95_hz);
        writeln!(self.out, "{mark}mean frequency   {mean} Hz (cycles over time{unknown})")?;
        let Some(fit) = whole.fit_hz else { return Ok(()) };
        let moved = if whole.fit_u95_hz.is_none() && whole.cycles > 30 {
            "; the frequency moved: see the mean"
        } else {
            ""
        };
        let fit = figure(fit, whole.fit_u95_hz);
        writeln!(self.out, "{mark}line fit         {fit} Hz (least squares through all crossings{moved})")
    }

    fn json(&mut self, record: &Record) -> io::Result<()> {
        serde_json::to_writer(&mut self.out, record)?;
        writeln!(self.out)
    }
}

/// `text` with its control characters written out: names in files must not steer the terminal.
pub fn plain(text: &str) -> String {
    text.chars().flat_map(|c| if c.is_control() { c.escape_default().collect() } else { vec![c] }).collect()
}

/// A frequency and its 95 % half width, both to the place of the half width's second figure, which is rounded up (JCGM 100:2008,
/// 7.2.6: uncertainties need two figures at most). Without a half width, six decimals; empty where unknown.
pub fn figures(frequency: Option<f64>, u95: Option<f64>) -> (String, String) {
    let Some(frequency) = frequency else { return (String::new(), String::new()) };
    let Some(u95) = u95.filter(|u| *u > 0.0) else { return (format!("{frequency:.6}"), String::new()) };
    let places = (1.0 - u95.log10().floor()).clamp(0.0, 9.0);
    let unit = 10f64.powf(-places);
    // A half width that is two figures already must not be raised by its last bit.
    let rounded = ((u95 / unit) * (1.0 - 1e-12)).ceil() * unit;
    let places = places as usize;
    (format!("{frequency:.places$}"), format!("{rounded:.places$}"))
}

#[cfg(test)]
mod tests {
    use super::figures;

    #[test]
    fn figures_end_where_the_uncertainty_does() {
        let of = |f, u| figures(Some(f), Some(u));
        assert_eq!(of(49.884_031_2, 0.002_37), ("49.8840".into(), "0.0024".into()));
        assert_eq!(of(49.884_031_2, 0.002_31), ("49.8840".into(), "0.0024".into()));
        assert_eq!(of(49.884_031_2, 0.01), ("49.884".into(), "0.010".into()));
        assert_eq!(of(10_000.123, 12.3), ("10000".into(), "13".into()));
        assert_eq!(of(50.0, 1e-12), ("50.000000000".into(), "0.000000001".into()));
        assert_eq!(figures(Some(50.0), None), ("50.000000".into(), String::new()));
        assert_eq!(figures(None, Some(1.0)), (String::new(), String::new()));
    }
}
