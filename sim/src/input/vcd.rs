//! Value change dumps (IEEE 1364-2005, clause 18): the changes of one single-bit signal become edges.
//!
//! Unknown (`x`) and floating (`z`) are no level: the last 0 or 1 stands, so 0, x, 1 is a rising edge at the 1. The
//! first known level is where the signal starts, not an edge, and the values inside `$dumpvars`, `$dumpon`, `$dumpoff`
//! and `$dumpall` are states, not changes: what happened while dumping was off has no time.

use std::io::{BufRead, Chain, ErrorKind, Read, Take};
use std::path::{Path, PathBuf};

use ::vcd::{Command, IdCode, ParseError, ParseErrorKind, Parser, TimescaleUnit, Value, VarType};
use humtick::Polarity;
use humtick::limit::MIN_TICK_HZ;

use super::{End, InputError, InputOptions, Recording, rate_text, stream};
use crate::edge::TimedEdge;

/// Longest command in bytes, so that a `$comment` without its `$end` is not read into memory to the end of the file.
const MAX_COMMAND: u64 = 1 << 20;

/// Reads the header; the changes follow as the edges are asked for.
pub(super) fn open(
    path: &Path,
    source: impl BufRead + 'static,
    options: &InputOptions,
) -> Result<Recording, InputError> {
    let mut dump = Dump::new(path, source);
    let header = Header::read(&mut dump)?;
    let Some(timescale) = header.timescale else {
        // A stamp or value that is no VCD at all tells more than the missing scale.
        while dump.command()?.is_some() {}
        return Err(InputError::file(
            path,
            "no $timescale, so the length of a time unit is not known: add one",
        ));
    };
    let signal =
        choose(&header.signals, options.signal.as_deref()).map_err(|what| InputError::file(path, what))?;
    let scale = Scale::new(timescale, options.scale_hz());

    let mut assumptions =
        vec![format!("signal {}", signal.path), format!("timescale {} {}", timescale.0, timescale.1)];
    if scale.divide > 1 {
        assumptions.push(format!("times rounded down to ticks of {}", rate_text(scale.tick_hz)));
    }
    let no_edges = format!("no edges: signal {} never changes between 0 and 1", signal.path);
    let end = End::default();
    let last = end.clone();
    let mut changes = Changes { dump, code: signal.code, scale, stamp: 0, level: None, states: false };
    Ok(Recording {
        tick_hz: scale.tick_hz,
        resolution: 1,
        assumptions,
        edges: stream(path.into(), no_edges, move || {
            let edge = changes.edge();
            last.set(scale.ticks(changes.stamp).unwrap_or_default());
            edge
        }),
        end,
    })
}

/// The file as a stream of commands with errors that carry path and line.
struct Dump<R> {
    path: PathBuf,
    parser: Parser<Take<Chain<R, &'static [u8]>>>,
}

impl<R: BufRead> Dump<R> {
    fn new(path: &Path, source: R) -> Self {
        // The parser ends a word at white space only; the last word of a file may end with the file.
        Self { path: path.into(), parser: Parser::new(source.chain(&b" "[..]).take(MAX_COMMAND)) }
    }

    fn command(&mut self) -> Result<Option<Command>, InputError> {
        self.parser.reader().set_limit(MAX_COMMAND);
        let command = self.parser.next().transpose();
        if self.parser.reader().limit() == 0 {
            return Err(self.error(format!("a command longer than {MAX_COMMAND} bytes: is an $end missing?")));
        }
        command.map_err(|error| {
            if error.kind() == ErrorKind::UnexpectedEof {
                return self.error("the file ends inside a command: is it cut short?");
            }
            let Some(flaw) = error.get_ref().and_then(|inner| inner.downcast_ref::<ParseError>()) else {
                return InputError::io(&self.path, error);
            };
            let what = match flaw.kind() {
                ParseErrorKind::ParseIntError(why) => {
                    format!("{why}: time stamps and widths are whole numbers in a value change dump")
                }
                kind => format!("{kind}: not a value change dump after IEEE 1364"),
            };
            InputError::line(&self.path, flaw.line(), what)
        })
    }

    /// An error at the latest command.
    fn error(&self, what: impl Into<String>) -> InputError {
        InputError::line(&self.path, self.parser.line(), what)
    }
}

/// What stands before `$enddefinitions`.
#[derive(Default)]
struct Header {
    timescale: Option<(u32, TimescaleUnit)>,
    signals: Vec<Signal>,
}

/// A variable that has levels.
struct Signal {
    /// Scopes and name, joined by dots.
    path: String,
    /// Name with its bit select: `DATA`, `bus[3]`.
    name: String,
    code: IdCode,
    bits: u32,
}

impl Header {
    /// Reads command by command, because the parser's own header reader recurses once a scope.
    fn read<R: BufRead>(dump: &mut Dump<R>) -> Result<Self, InputError> {
        let mut header = Self::default();
        let mut scopes = Vec::new();
        while let Some(command) = dump.command()? {
            match command {
                Command::Enddefinitions => return Ok(header),
                Command::Timescale(quantity @ (1 | 10 | 100), unit) => {
                    header.timescale = Some((quantity, unit))
                }
                Command::Timescale(quantity, unit) => {
                    return Err(
                        dump.error(format!("$timescale {quantity} {unit}: the number must be 1, 10 or 100"))
                    );
                }
                Command::ScopeDef(_, name) => scopes.push(name),
                Command::Upscope => drop(scopes.pop()),
                Command::VarDef(
                    VarType::Event | VarType::Parameter | VarType::Real | VarType::String,
                    ..,
                ) => {}
                Command::VarDef(_, bits, code, name, index) => {
                    let name = index.map_or(name.clone(), |index| format!("{name}{index}"));
                    let path = scopes.iter().chain([&name]).map(String::as_str).collect::<Vec<_>>().join(".");
                    header.signals.push(Signal { path, name, code, bits });
                }
                Command::Comment(_) | Command::Date(_) | Command::Version(_) => {}
                _ => return Err(dump.error("values before $enddefinitions")),
            }
        }
        Err(InputError::file(
            &dump.path,
            "ends before $enddefinitions: cut short, or not a value change dump",
        ))
    }
}

/// The signal that `wanted` names, by its whole path or else by its name; or the only one.
fn choose<'a>(signals: &'a [Signal], wanted: Option<&str>) -> Result<&'a Signal, String> {
    let single = || signals.iter().filter(|signal| signal.bits == 1);
    let Some(wanted) = wanted else {
        return only(single()).map_err(|several| match several.as_slice() {
            [] => "no single-bit signal in this file".into(),
            _ => format!("several signals: choose one with --signal NAME: {}", listed(&several)),
        });
    };
    if let Ok(signal) = only(single().filter(|signal| signal.path == wanted)) {
        return Ok(signal);
    }
    only(single().filter(|signal| signal.name == wanted)).map_err(|several| {
        if !several.is_empty() {
            return format!(
                "several signals are named {wanted}: give the whole path to --signal: {}",
                listed(&several)
            );
        }
        match signals.iter().find(|signal| signal.path == wanted || signal.name == wanted) {
            Some(wide) => format!("signal {wanted} is {} bits wide, expected a single bit", wide.bits),
            None => format!("no signal {wanted}; there are: {}", listed(&single().collect::<Vec<_>>())),
        }
    })
}

/// The one signal among `signals`, or all of them. Names that share an identifier code are the same signal.
fn only<'a>(signals: impl Iterator<Item = &'a Signal>) -> Result<&'a Signal, Vec<&'a Signal>> {
    let several: Vec<_> = signals.collect();
    match several.as_slice() {
        [first, rest @ ..] if rest.iter().all(|signal| signal.code == first.code) => Ok(first),
        _ => Err(several),
    }
}

/// Paths for a message, the first dozen of them.
fn listed(signals: &[&Signal]) -> String {
    let mut names: Vec<_> = signals.iter().take(12).map(|signal| signal.path.as_str()).collect();
    let rest = format!("and {} more", signals.len().saturating_sub(12));
    if signals.len() > 12 {
        names.push(&rest);
    }
    names.join(", ")
}

/// From time units to ticks. Both rates are powers of ten, so one of the factors is 1.
#[derive(Clone, Copy)]
struct Scale {
    tick_hz: u32,
    multiply: u64,
    divide: u64,
}

impl Scale {
    /// Ticks as fine as the timescale, but not finer than `finest_hz` and not coarser than 1 ms.
    fn new((quantity, unit): (u32, TimescaleUnit), finest_hz: u32) -> Self {
        let unit_hz = unit.divisor();
        let quantity = u64::from(quantity);
        let tick_hz = (unit_hz / quantity).clamp(MIN_TICK_HZ.into(), finest_hz.into());
        let tick_hz = u32::try_from(tick_hz).unwrap_or(finest_hz);
        let ticks_hz = u64::from(tick_hz) * quantity;
        Self { tick_hz, multiply: (ticks_hz / unit_hz).max(1), divide: (unit_hz / ticks_hz).max(1) }
    }

    /// Rounds down; `None` beyond 64 bits.
    fn ticks(&self, stamp: u64) -> Option<u64> {
        Some(stamp.checked_mul(self.multiply)? / self.divide)
    }
}

/// The part after the header.
struct Changes<R> {
    dump: Dump<R>,
    code: IdCode,
    scale: Scale,
    /// Latest time stamp, in units of the file.
    stamp: u64,
    /// Latest known level.
    level: Option<bool>,
    /// Inside one of the `$dump...` blocks.
    states: bool,
}

impl<R: BufRead> Changes<R> {
    fn edge(&mut self) -> Result<Option<TimedEdge>, InputError> {
        while let Some(command) = self.dump.command()? {
            let value = match command {
                Command::Timestamp(stamp) if stamp < self.stamp => {
                    let what = format!("time runs backwards: #{stamp} after #{}", self.stamp);
                    return Err(self.dump.error(what));
                }
                Command::Timestamp(stamp) => {
                    self.stamp = stamp;
                    self.states = false;
                    continue;
                }
                Command::Begin(_) => {
                    self.states = true;
                    continue;
                }
                Command::End(_) => {
                    self.states = false;
                    continue;
                }
                Command::ChangeScalar(code, value) if code == self.code => value,
                // Some writers give single bits as vectors, `b1 !`.
                Command::ChangeVector(code, bits) if code == self.code => {
                    bits.iter().last().unwrap_or(Value::X)
                }
                _ => continue,
            };
            let high = match value {
                Value::V0 => false,
                Value::V1 => true,
                Value::X | Value::Z => continue,
            };
            let before = self.level.replace(high);
            if self.states || before.is_none_or(|before| before == high) {
                continue;
            }
            let Some(ticks) = self.scale.ticks(self.stamp) else {
                return Err(self.dump.error(format!("#{} is beyond a 64-bit tick scale", self.stamp)));
            };
            let polarity = if high { Polarity::Rising } else { Polarity::Falling };
            return Ok(Some(TimedEdge { ticks, polarity }));
        }
        Ok(None)
    }
}

#[cfg(test)]
mod tests;
