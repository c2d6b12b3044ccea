//! Values and their times, line by line, as the file has them.

use std::io::BufRead;
use std::path::Path;

use serde::Deserialize;

use super::{Scale, SeriesOptions};
use crate::input::InputError;
use crate::input::csv::{cells, shown, wrong};
use crate::input::lines::Lines;

/// Times a series may have, in seconds either way: a double holds Unix times to 0.24 us.
const MAX_TIME_S: f64 = 1e12;

/// A file's values, gaps included.
#[derive(Default)]
pub(super) struct Rows {
    /// What they are: `readings`, or the column's name.
    pub(super) what: String,
    /// Frequency or fraction, one a row; `None` where the file has none.
    pub(super) values: Vec<Option<f64>>,
    /// One a row in seconds, each above the last; empty if the spacing was given.
    pub(super) times: Vec<f64>,
    /// Line of each row in the file.
    pub(super) lines: Vec<u64>,
    /// Windows of the readings in seconds, where the file says so.
    pub(super) spans: Vec<f64>,
}

/// The part of a reading that matters here; the other kinds of record have no `t_s`, or no frequency.
#[derive(Deserialize)]
struct Record {
    kind: String,
    t_s: Option<f64>,
    span_s: Option<f64>,
    frequency_hz: Option<f64>,
}

impl Rows {
    pub(super) fn read(
        path: &Path,
        source: impl BufRead,
        options: &SeriesOptions,
    ) -> Result<Self, InputError> {
        let mut lines = Lines::new(path, source);
        loop {
            if !lines.advance()? {
                let what =
                    if lines.number() == 0 { "the file is empty" } else { "no header line and no readings" };
                return Err(InputError::file(path, what));
            }
            match lines.text() {
                [] | [b'#', ..] => {}
                [b'{', ..] => return Self::json_lines(lines, options),
                _ => return Self::csv(lines, options),
            }
        }
    }

    /// From the line at hand on.
    fn json_lines<R: BufRead>(mut lines: Lines<R>, options: &SeriesOptions) -> Result<Self, InputError> {
        if options.column.is_some() || options.time_column.is_some() {
            let what = "--column and --time-column name columns of a CSV; this file is JSON Lines";
            return Err(lines.error(what));
        }
        let mut rows = Self { what: "readings".into(), ..Self::default() };
        loop {
            if !lines.text().is_empty() {
                let record: Record = serde_json::from_slice(lines.text()).map_err(|e| {
                    lines.error(format!("not a record as `humtick measure --format jsonl` writes: {e}"))
                })?;
                if record.kind == "reading" {
                    rows.take(record.t_s, record.span_s, record.frequency_hz, "frequency_hz", options)
                        .map_err(|what| lines.error(what))?;
                    rows.lines.push(lines.number());
                }
            }
            if !lines.advance()? {
                return Ok(rows);
            }
        }
    }

    /// The line at hand is the header.
    fn csv<R: BufRead>(mut lines: Lines<R>, options: &SeriesOptions) -> Result<Self, InputError> {
        let columns = Columns::read(lines.text(), options).map_err(|what| lines.error(what))?;
        let mut rows = Self { what: format!("column {}", shown(columns.name.as_bytes())), ..Self::default() };
        while lines.advance()? {
            if matches!(lines.text(), [] | [b'#', ..]) {
                continue;
            }
            columns.row(&mut rows, lines.text(), options).map_err(|what| lines.error(what))?;
            rows.lines.push(lines.number());
        }
        Ok(rows)
    }

    /// One row; `name` is the value's, for messages.
    fn take(
        &mut self,
        time: Option<f64>,
        span: Option<f64>,
        value: Option<f64>,
        name: &str,
        options: &SeriesOptions,
    ) -> Result<(), String> {
        if options.interval_s.is_none() {
            let time = time.ok_or("no time: expected seconds, or give --interval SECONDS")?;
            if time.is_nan() || time.abs() > MAX_TIME_S {
                return Err(format!("time {time} s: expected at most 1e12 s either way"));
            }
            if let Some(before) = self.times.last().filter(|before| time <= **before) {
                return Err(format!(
                    "time {time} s does not come after {before} s: expected one record in order of time"
                ));
            }
            self.times.push(time);
        }
        if let Some(value) = value {
            let (least, expected) = match options.scale {
                Scale::PerUnit => (-1e12, "a number from -1e12 to 1e12 (--per-unit)"),
                Scale::Mean | Scale::Nominal(_) => {
                    (1e-9, "hertz from 1e-9 to 1e12 (for fractions give --per-unit)")
                }
            };
            if !(least..=1e12).contains(&value) {
                return Err(format!(
                    "{} is {value}, expected {expected}; leave out what is unknown",
                    shown(name.as_bytes())
                ));
            }
        }
        self.values.push(value);
        self.spans.extend(span.filter(|span| span.is_finite()));
        Ok(())
    }
}

/// Where a CSV has what.
struct Columns {
    name: String,
    count: usize,
    value: usize,
    /// Not looked for where the spacing was given.
    time: Option<usize>,
    span: Option<usize>,
}

impl Columns {
    fn read(header: &[u8], options: &SeriesOptions) -> Result<Self, String> {
        let header = str::from_utf8(header).map_err(|_| "not text in UTF-8; save the table as UTF-8 CSV")?;
        let names: Vec<String> =
            cells(header.as_bytes()).map(|name| String::from_utf8_lossy(name).into_owned()).collect();
        let found = || names.iter().map(|name| shown(name.as_bytes())).collect::<Vec<_>>().join(", ");
        let place = |wanted: &str| {
            let mut places = (0..names.len()).filter(|&place| names[place].eq_ignore_ascii_case(wanted));
            match (places.next(), places.next()) {
                (_, Some(_)) => Err(format!("two columns are named {}", shown(wanted.as_bytes()))),
                (first, None) => Ok(first),
            }
        };
        let named = |wanted: &str| {
            place(wanted)?
                .ok_or_else(|| format!("no column is named {}: found {}", shown(wanted.as_bytes()), found()))
        };
        let value = match &options.column {
            Some(name) => named(name)?,
            None => place("frequency_hz")?.ok_or_else(|| {
                format!("no column frequency_hz: name the frequency's with --column NAME; found {}", found())
            })?,
        };
        let time = match (&options.interval_s, &options.time_column) {
            (Some(_), _) => None,
            (None, Some(name)) => Some(named(name)?),
            (None, None) => {
                let mut usual = None;
                for name in ["t_s", "time_s", "second", "seconds"] {
                    usual = usual.or(place(name)?);
                }
                Some(usual.ok_or_else(|| {
                    format!(
                        "no column t_s, time_s, second or seconds: give --interval SECONDS or --time-column NAME; \
                         found {}",
                        found()
                    )
                })?)
            }
        };
        Ok(Self { name: names[value].clone(), count: names.len(), value, time, span: place("span_s")? })
    }

    fn row(&self, rows: &mut Rows, row: &[u8], options: &SeriesOptions) -> Result<(), String> {
        let (mut value, mut time, mut span) = (None, None, None);
        let mut count = 0;
        for cell in cells(row) {
            if count == self.value {
                value = number(&self.name, cell)?;
            }
            if Some(count) == self.time {
                time = Some(number("time", cell)?.ok_or("the cell of the time column is empty")?);
            }
            if Some(count) == self.span {
                span = number("span_s", cell)?;
            }
            count += 1;
        }
        if count != self.count {
            return Err(format!("{count} cells, but the header names {} columns", self.count));
        }
        rows.take(time, span, value, &self.name, options)
    }
}

/// A finite number; `None` for what tables write where there is none.
fn number(column: &str, cell: &[u8]) -> Result<Option<f64>, String> {
    if cell.is_empty() || [&b"nan"[..], b"null", b"na"].iter().any(|none| cell.eq_ignore_ascii_case(none)) {
        return Ok(None);
    }
    let value = str::from_utf8(cell).ok().and_then(|text| text.parse::<f64>().ok()).filter(|v| v.is_finite());
    value.map(Some).ok_or_else(|| wrong(column, cell, "is not a number like 50.0012"))
}
