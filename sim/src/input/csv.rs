//! Captures as rows of comma-separated cells, read line by line.
//!
//! Lines are split here rather than by a general CSV reader so that every error has the line it belongs to, whatever
//! comments, blank lines and line ends came before, and so that a stray quote spoils one line, not the rest of the file.

use std::io::BufRead;
use std::ops::RangeInclusive;
use std::path::Path;

use humtick::Polarity;
use humtick::limit::{MAX_TICK_HZ, MIN_TICK_HZ};

use super::lines::Lines;
use super::{End, InputError, InputOptions, Recording, decimal, rate_text, stream};
use crate::edge::TimedEdge;

const TICK_HZ: RangeInclusive<u32> = MIN_TICK_HZ..=MAX_TICK_HZ;

/// Counter widths of microcontroller timers, in bits.
const BITS: RangeInclusive<u32> = 8..=32;

/// Reads comments and header; the rows follow as the edges are asked for.
pub(super) fn open(
    path: &Path,
    source: impl BufRead + 'static,
    options: &InputOptions,
) -> Result<Recording, InputError> {
    let mut lines = Lines::new(path, source);
    let mut said = Said::default();
    loop {
        if !lines.advance()? {
            let what =
                if lines.number() == 0 { "the file is empty" } else { "no header line naming the columns" };
            return Err(InputError::file(path, what));
        }
        match lines.text() {
            [] => {}
            [b'#', comment @ ..] => said.read(comment).map_err(|what| lines.error(what))?,
            _ => break,
        }
    }
    let columns = Columns::read(lines.text()).map_err(|what| lines.error(what))?;
    let said = said.overruled_by(options).map_err(|what| InputError::file(path, what))?;
    let (clock, tick_hz, mut assumptions) =
        Clock::new(&columns, &said, options).map_err(|what| InputError::file(path, what))?;
    assumptions.extend(columns.ignored.iter().map(|name| format!("column {name} ignored")));

    let mut rows = Rows { roles: columns.roles, clock, last: 0, held: None, before: 0 };
    let end = End::default();
    let torn = end.clone();
    let edges = stream(path.into(), "no edges: no rows below the header".into(), move || {
        while lines.advance()? {
            match lines.text() {
                [] | [b'#', ..] => {}
                row => match rows.edge(row).map_err(|what| lines.error(what))? {
                    Next::Edge(edge) => return Ok(Some(edge)),
                    Next::Torn => torn.tear(),
                    Next::None => {}
                },
            }
        }
        Ok(rows.held.take())
    });
    Ok(Recording { tick_hz, resolution: 1, assumptions, edges, end })
}

/// What comments and options say about the counter.
#[derive(Default)]
struct Said {
    tick_hz: Option<u32>,
    bits: Option<u32>,
}

impl Said {
    /// Takes `tick_hz = N` and `bits = N` from a comment, alone or separated by commas; other comments say nothing.
    fn read(&mut self, comment: &[u8]) -> Result<(), String> {
        for part in String::from_utf8_lossy(comment).split(',') {
            let Some((key, value)) = part.split_once('=') else { continue };
            let (key, value) = (key.trim().to_ascii_lowercase(), value.trim());
            let (slot, range) = match key.as_str() {
                "tick_hz" => (&mut self.tick_hz, TICK_HZ),
                "bits" => (&mut self.bits, BITS),
                _ => continue,
            };
            *slot = Some(within(&key, value, range)?);
        }
        Ok(())
    }

    fn overruled_by(self, options: &InputOptions) -> Result<Self, String> {
        let check =
            |name, value: Option<u32>, range| value.map(|v| within(name, &v.to_string(), range)).transpose();
        Ok(Self {
            tick_hz: check("--tick-hz", options.tick_hz, TICK_HZ)?.or(self.tick_hz),
            bits: check("--bits", options.bits, BITS)?.or(self.bits),
        })
    }
}

fn within(name: &str, value: &str, range: RangeInclusive<u32>) -> Result<u32, String> {
    value.parse().ok().filter(|v| range.contains(v)).ok_or_else(|| {
        format!("{name} is {value:?}, expected a whole number from {} to {}", range.start(), range.end())
    })
}

/// What a column is for; its number is its place among a row's cells that matter.
#[derive(Clone, Copy)]
enum Role {
    Time,
    Wraps,
    Pending,
    Level,
}

/// Which column gives the time.
enum Time {
    Raw { tallied: bool },
    Ticks,
    Seconds,
}

/// The header line, understood.
struct Columns {
    time: Time,
    /// One for each column; `None` where the column is ignored.
    roles: Vec<Option<Role>>,
    ignored: Vec<String>,
}

impl Columns {
    fn read(header: &[u8]) -> Result<Self, String> {
        let header = str::from_utf8(header).map_err(|_| "not text in UTF-8; save the table as UTF-8 CSV")?;
        let names: Vec<String> =
            cells(header.as_bytes()).map(|name| String::from_utf8_lossy(name).to_lowercase()).collect();
        let mut roles = vec![None; names.len()];
        let mut take = |wanted: &str, role| {
            let mut places = (0..names.len()).filter(|&place| names[place] == wanted);
            let first = places.next();
            if places.next().is_some() {
                return Err(format!("two columns are named {wanted}"));
            }
            first.inspect(|&place| roles[place] = Some(role));
            Ok(first.is_some())
        };
        let time = match (take("raw", Role::Time)?, take("ticks", Role::Time)?, take("seconds", Role::Time)?)
        {
            (true, false, false) => Time::Raw { tallied: take("wraps", Role::Wraps)? },
            (false, true, false) => Time::Ticks,
            (false, false, true) => Time::Seconds,
            (false, false, false) => {
                return Err(format!(
                    "no column gives the time: found {}; expected a header of names separated by commas, one of them \
                     raw, ticks or seconds",
                    names.iter().map(|name| shown(name.as_bytes())).collect::<Vec<_>>().join(", ")
                ));
            }
            _ => return Err("more than one of the columns raw, ticks and seconds: keep one".into()),
        };
        // Without the tally there is nothing for the flag to add to.
        if let Time::Raw { tallied: true } = time {
            take("pending", Role::Pending)?;
        }
        take("level", Role::Level)?;
        let ignored = names
            .iter()
            .zip(&roles)
            .filter(|(_, role)| role.is_none())
            .map(|(name, _)| shown(name.as_bytes()))
            .collect();
        Ok(Self { time, roles, ignored })
    }
}

/// How a row's cells become ticks.
enum Clock {
    /// Raw counts with an overflow tally.
    Tallied { bits: u32 },
    /// Raw counts alone: the gap to the previous one, modulo the counter's range, is added.
    Unwrapped { bits: u32, previous: Option<u64> },
    /// Ticks that never wrap.
    Ticks,
    /// Decimal seconds, to this many decimals.
    Seconds { places: u32 },
}

impl Clock {
    /// The clock, its rate in hertz, and what it takes for granted.
    fn new(
        columns: &Columns,
        said: &Said,
        options: &InputOptions,
    ) -> Result<(Self, u32, Vec<String>), String> {
        let rate = |column| {
            said.tick_hz.ok_or_else(|| {
                format!(
                    "column {column} needs the counter's rate: give --tick-hz N, or a line `# tick_hz = N`"
                )
            })
        };
        let tallied = match columns.time {
            Time::Seconds => {
                let hz = options.scale_hz();
                let note = format!("seconds rounded to ticks of {}", rate_text(hz));
                return Ok((Self::Seconds { places: hz.ilog10() }, hz, vec![note]));
            }
            Time::Ticks => {
                let hz = rate("ticks")?;
                return Ok((Self::Ticks, hz, vec![format!("ticks at {}", rate_text(hz))]));
            }
            Time::Raw { tallied } => tallied,
        };
        let hz = rate("raw")?;
        let bits =
            said.bits.ok_or("column raw needs the counter's width: give --bits N, or a line `# bits = N`")?;
        let counter = format!("{bits}-bit counter at {}", rate_text(hz));
        if tallied {
            return Ok((Self::Tallied { bits }, hz, vec![counter + ", wraps tallied"]));
        }
        let wrap_s = (1_u64 << bits) as f64 / f64::from(hz);
        let wrap_ms = wrap_s * 1e3;
        if options.longest_period_s >= wrap_s {
            return Err(format!(
                "the {counter} wraps every {wrap_ms:.3} ms and a period can last {:.3} ms: without a column wraps, \
                 whole wraps vanish. Record an overflow tally, use a slower tick, or give --nominal",
                options.longest_period_s * 1e3
            ));
        }
        let notes =
            vec![counter, format!("no wraps column: a gap longer than {wrap_ms:.3} ms loses whole wraps")];
        Ok((Self::Unwrapped { bits, previous: None }, hz, notes))
    }
}

/// The rows below the header.
struct Rows {
    roles: Vec<Option<Role>>,
    clock: Clock,
    /// Ticks of the latest edge that was handed on, or is held.
    last: u64,
    /// Of a tallied counter the latest row, until the next has shown that it is in its place.
    held: Option<TimedEdge>,
    /// Ticks of the row before that.
    before: u64,
}

/// What a row brings.
enum Next {
    /// An edge: this row's, or of a tallied counter the row's before.
    Edge(TimedEdge),
    /// This row is out of place or the one before was, by a wrap that was tallied too early or too late.
    Torn,
    /// This row is held.
    None,
}

impl Rows {
    /// Takes one row.
    ///
    /// A handler that is late may tally a wrap before an earlier capture is read, or a capture may be read before its wrap is tallied:
    /// that row is off by a wrap, and time runs backwards before it or after it. Such a row is left out.
    fn edge(&mut self, row: &[u8]) -> Result<Next, String> {
        let edge = self.read(row)?;
        if edge.ticks < self.last {
            return self.backwards(edge);
        }
        self.last = edge.ticks;
        let Clock::Tallied { .. } = self.clock else { return Ok(Next::Edge(edge)) };
        let Some(before) = self.held.replace(edge) else { return Ok(Next::None) };
        self.before = before.ticks;
        Ok(Next::Edge(before))
    }

    /// Time runs backwards to `edge`.
    fn backwards(&mut self, edge: TimedEdge) -> Result<Next, String> {
        let back = self.last - edge.ticks;
        match (&self.clock, &mut self.held) {
            (Clock::Tallied { bits }, Some(held)) if back <= 1 << *bits => {
                // If there was room for the one held a wrap before, it was too late; else this one is too early.
                if held.ticks - self.before >= 1 << *bits {
                    (*held, self.last) = (edge, edge.ticks);
                }
                Ok(Next::Torn)
            }
            _ => Err(format!("time runs backwards: tick {} after tick {}", edge.ticks, self.last)),
        }
    }

    /// The edge that a row says.
    fn read(&mut self, row: &[u8]) -> Result<TimedEdge, String> {
        let mut found = [None; 4];
        let mut count = 0;
        for cell in cells(row) {
            if let Some(&Some(role)) = self.roles.get(count) {
                found[role as usize] = Some(cell);
            }
            count += 1;
        }
        if count != self.roles.len() {
            return Err(format!("{count} cells, but the header names {} columns", self.roles.len()));
        }
        // The header made sure of a time column, and of wraps where the clock wants them.
        let [time, wraps, pending, level] = found;
        let ticks = self.ticks(time.unwrap_or_default(), wraps.unwrap_or_default(), pending)?;
        let polarity =
            if flag("level", level.unwrap_or(b"1"))? { Polarity::Rising } else { Polarity::Falling };
        Ok(TimedEdge { ticks, polarity })
    }

    fn ticks(&mut self, time: &[u8], wraps: &[u8], pending: Option<&[u8]>) -> Result<u64, String> {
        match &mut self.clock {
            Clock::Tallied { bits } => {
                let raw = raw(time, *bits)?;
                // One less than would fit, for the pending overflow.
                let wraps = whole("wraps", wraps, (u64::MAX >> *bits) - 1)?;
                let pending = flag("pending", pending.unwrap_or(b"0"))?;
                let low = u32::try_from(raw).unwrap_or(u32::MAX);
                let restarted = humtick::timeline::restarted(*bits, pending, low);
                Ok(((wraps + u64::from(restarted)) << *bits) | raw)
            }
            Clock::Unwrapped { bits, previous } => {
                let raw = raw(time, *bits)?;
                let gap =
                    previous.replace(raw).map_or(0, |before| raw.wrapping_sub(before) & range_mask(*bits));
                Ok(self.last.saturating_add(gap))
            }
            Clock::Ticks => whole("ticks", time, u64::MAX),
            Clock::Seconds { places } => {
                decimal::scaled(time, *places).map_err(|what| wrong("seconds", time, &format!("is {what}")))
            }
        }
    }
}

/// The cells of a line: separated by commas outside double quotes, without white space and quotes around them.
pub(crate) fn cells(line: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut quoted = false;
    line.split(move |&byte| {
        quoted ^= byte == b'"';
        byte == b',' && !quoted
    })
    .map(|cell| match cell.trim_ascii() {
        [b'"', inner @ .., b'"'] => inner.trim_ascii(),
        bare => bare,
    })
}

fn range_mask(bits: u32) -> u64 {
    (1 << bits) - 1
}

/// A captured count of a counter `bits` wide.
fn raw(cell: &[u8], bits: u32) -> Result<u64, String> {
    let max = range_mask(bits);
    match digits(cell) {
        Some(raw) if raw > max => {
            Err(wrong("raw", cell, &format!("is beyond a {bits}-bit counter, 0 to {max}: check the width")))
        }
        _ => whole("raw", cell, max),
    }
}

fn whole(column: &str, cell: &[u8], max: u64) -> Result<u64, String> {
    digits(cell)
        .filter(|&n| n <= max)
        .ok_or_else(|| wrong(column, cell, &format!("is not a whole number from 0 to {max}")))
}

fn flag(column: &str, cell: &[u8]) -> Result<bool, String> {
    match cell {
        b"0" => Ok(false),
        b"1" => Ok(true),
        _ => Err(wrong(column, cell, "is neither 0 nor 1")),
    }
}

fn digits(cell: &[u8]) -> Option<u64> {
    if cell.is_empty() {
        return None;
    }
    cell.iter().try_fold(0_u64, |n, byte| {
        if !byte.is_ascii_digit() {
            return None;
        }
        n.checked_mul(10)?.checked_add(u64::from(byte - b'0'))
    })
}

/// The message for a cell that `is` wrong.
pub(crate) fn wrong(column: &str, cell: &[u8], is: &str) -> String {
    if cell.is_empty() {
        return format!("the cell of column {column} is empty");
    }
    let text = if str::from_utf8(cell).is_ok() { "" } else { "; it is not text in UTF-8" };
    format!("column {column}: {} {is}{text}", shown(cell))
}

/// A cell as messages show it: quoted where it is not a plain word, and cut after 40 characters.
pub(crate) fn shown(cell: &[u8]) -> String {
    let text = String::from_utf8_lossy(cell);
    let cut: String = text.chars().take(40).collect();
    if cut.chars().all(|c| c.is_alphanumeric() || c == '_') && !cut.is_empty() {
        cut
    } else {
        format!("{cut:?}")
    }
}

#[cfg(test)]
mod tests;
