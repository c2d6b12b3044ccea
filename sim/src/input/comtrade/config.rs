//! The configuration file: what channels there are and how the data file is laid out.

use std::fmt;
use std::io::Read;
use std::path::Path;

use chardetng::{EncodingDetector, Iso2022JpDetection, Utf8Detection};
use encoding_rs::{Encoding, UTF_8};

use super::super::InputError;
use super::super::waveform::open_file;

/// Most channels believed. The largest recorders have some thousand; the standard allows 999,999.
const MAX_CHANNELS: usize = 100_000;

/// Largest configuration file in bytes: 100,000 channels with lines of the longest length the standard allows.
const MAX_BYTES: u64 = 32 << 20;

/// Most samples believed: ten digits, as in the standard.
const MAX_SAMPLES: u64 = 9_999_999_999;

/// Most sampling rates believed.
const MAX_RATES: usize = 10_000;

/// What the configuration says.
#[derive(Debug)]
pub(super) struct Config {
    /// The analog channels in the order of the data file.
    pub analogs: Vec<Analog>,
    /// How many digital channels there are.
    pub digitals: usize,
    /// Where times come from.
    pub timing: Timing,
    /// How many samples there are.
    pub samples: u64,
    /// How the data file is written.
    pub layout: Layout,
}

/// An analog channel: value = `scale`·x + `offset` for x in the data file.
#[derive(Debug)]
pub(super) struct Analog {
    pub name: String,
    pub scale: f64,
    pub offset: f64,
    /// Least x that can be, if it says so.
    pub min: Option<f64>,
}

/// Where the times of samples come from.
#[derive(Debug)]
pub(super) enum Timing {
    /// From the number of the sample; one entry at least.
    Rates(Vec<Rate>),
    /// From the stamps, in units of `unit_s` seconds.
    Stamps { unit_s: f64 },
}

/// A sampling rate and the number of the last sample, counted from 1, that has it.
#[derive(Debug)]
pub(super) struct Rate {
    pub hz: f64,
    pub last: u64,
}

/// How the data file is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Layout {
    Ascii,
    Binary16,
    Binary32,
    Float32,
}

impl fmt::Display for Layout {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Ascii => "ASCII",
            Self::Binary16 => "BINARY",
            Self::Binary32 => "BINARY32",
            Self::Float32 => "FLOAT32",
        })
    }
}

impl Config {
    /// Reads a configuration file in UTF-8 or an older code page, which is guessed: names may come out wrong then,
    /// numbers cannot.
    pub(super) fn read(path: &Path) -> Result<Self, InputError> {
        let mut bytes = Vec::new();
        open_file(path)?
            .take(MAX_BYTES + 1)
            .read_to_end(&mut bytes)
            .map_err(|source| InputError::io(path, source))?;
        if bytes.len() as u64 > MAX_BYTES {
            return Err(InputError::file(path, "is larger than 32 MiB; not a COMTRADE configuration"));
        }
        Self::parse(&mut Lines { path, lines: decode(&bytes).lines(), number: 0 })
    }

    /// Index of the analog channel that `wanted` names: its exact name, else its name in other case, else its number.
    pub(super) fn channel(&self, path: &Path, wanted: Option<&str>) -> Result<usize, InputError> {
        let find = |same: &dyn Fn(&str) -> bool| self.analogs.iter().position(|analog| same(&analog.name));
        let index = match wanted.map(str::trim) {
            None => (self.analogs.len() == 1).then_some(0),
            Some(wanted) => find(&|name| name == wanted)
                .or_else(|| find(&|name| name.to_lowercase() == wanted.to_lowercase()))
                .or_else(|| wanted.parse::<usize>().ok()?.checked_sub(1).filter(|&i| i < self.analogs.len())),
        };
        index.ok_or_else(|| {
            let names: Vec<_> = self.analogs.iter().map(|analog| analog.name.as_str()).collect();
            let problem = match wanted {
                None => format!("has {} analog channels", names.len()),
                Some(wanted) => format!("has no analog channel `{wanted}`"),
            };
            InputError::file(path, format!("{problem}; choose --channel from: {}", names.join(", ")))
        })
    }

    fn parse(lines: &mut Lines<'_>) -> Result<Self, InputError> {
        // Station, device, and since 1999 the year of the standard.
        let fields = lines.fields("station, device and revision")?;
        let year = match fields.as_slice() {
            [] | [_] => return Err(lines.error("expected station and device, separated by a comma")),
            [_, _] => 1991,
            [.., year] => match year.parse::<u16>() {
                Ok(year @ 1991..=2099) => year,
                _ => {
                    return Err(
                        lines.error(format!("revision `{year}`: expected a year, as 1999, or nothing"))
                    );
                }
            },
        };
        let (analogs, digitals) = lines.counts()?;
        let analogs = (0..analogs).map(|_| lines.analog()).collect::<Result<Vec<_>, _>>()?;
        for _ in 0..digitals {
            if lines.fields("a digital channel")?.len() < 2 {
                return Err(lines.error(
                    "expected a digital channel (number, name, ...); fewer channels than line 2 says",
                ));
            }
        }
        let frequency = lines.text("the line frequency")?;
        if !frequency.is_empty() {
            lines.number(frequency, "the line frequency")?;
        }
        let rates = lines.rates()?;
        let begin = lines.text("the time of the first sample")?;
        lines.text("the time of the trigger")?;
        let layout = match lines.text("the file type")?.to_ascii_uppercase().as_str() {
            "ASCII" => Layout::Ascii,
            "BINARY" => Layout::Binary16,
            "BINARY32" => Layout::Binary32,
            "FLOAT32" => Layout::Float32,
            other => {
                return Err(
                    lines.error(format!("file type `{other}`: expected ASCII, BINARY, BINARY32 or FLOAT32"))
                );
            }
        };
        // Absent in 1991, and left out by some later recorders. What follows it since 2013 says nothing of frequency.
        let multiplier = match lines.next() {
            Some("") | None => 1.0,
            Some(text) => lines.number(text, "the time multiplier")?,
        };
        if !(1e-6..=1e6).contains(&multiplier) {
            return Err(lines.error(format!("time multiplier {multiplier}: expected 0.000001 to 1000000")));
        }
        let samples = rates.last().map_or(0, |rate| rate.last);
        let timing = if rates.iter().all(|rate| rate.hz == 0.0) {
            // Since 2013 a first stamp with more than six decimals makes nanoseconds the unit of all.
            let decimals = begin.rsplit_once('.').map_or(0, |(_, decimals)| decimals.len());
            let unit = if year >= 2013 && decimals > 6 { 1e-9 } else { 1e-6 };
            Timing::Stamps { unit_s: unit * multiplier }
        } else {
            Timing::Rates(rates)
        };
        Ok(Self { analogs, digitals, timing, samples, layout })
    }
}

/// Text of a file that is UTF-8, or has a byte order mark, or is in the code page it looks like.
fn decode(bytes: &[u8]) -> String {
    let encoding: &'static Encoding = if std::str::from_utf8(bytes).is_ok() {
        UTF_8
    } else {
        // Stateful ISO-2022-JP could swallow commas and numbers; nobody writes it to disk.
        let mut detector = EncodingDetector::new(Iso2022JpDetection::Deny);
        detector.feed(bytes, true);
        detector.guess(None, Utf8Detection::Deny)
    };
    encoding.decode(bytes).0.into_owned()
}

/// The lines of a configuration, with the number of the last one taken.
struct Lines<'a> {
    path: &'a Path,
    lines: std::str::Lines<'a>,
    number: u64,
}

impl<'a> Lines<'a> {
    fn error(&self, what: impl Into<String>) -> InputError {
        InputError::line(self.path, self.number, what)
    }

    /// The next line without surrounding spaces.
    fn next(&mut self) -> Option<&'a str> {
        // Some recorders close a text file with Ctrl-Z.
        let line = self.lines.next()?.trim_matches(|c: char| c.is_whitespace() || c == '\u{1a}');
        self.number += 1;
        Some(line)
    }

    fn text(&mut self, expected: &str) -> Result<&'a str, InputError> {
        self.next().ok_or_else(|| {
            InputError::line(self.path, self.number + 1, format!("the file ends; expected {expected}"))
        })
    }

    fn fields(&mut self, expected: &str) -> Result<Vec<&'a str>, InputError> {
        Ok(self.text(expected)?.split(',').map(str::trim).collect())
    }

    fn number(&self, text: &str, name: &str) -> Result<f64, InputError> {
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => Ok(number),
            _ => Err(self.error(format!("{name} is `{text}`: expected a number"))),
        }
    }

    fn whole(&self, text: &str, name: &str, most: u64) -> Result<u64, InputError> {
        match text.parse::<u64>() {
            Ok(number) if number <= most => Ok(number),
            _ => Err(self.error(format!("{name} is `{text}`: expected a whole number up to {most}"))),
        }
    }

    /// Numbers of analog and digital channels.
    fn counts(&mut self) -> Result<(usize, usize), InputError> {
        let fields = self.fields("the numbers of channels")?;
        let count = |field: &str, letter: char| {
            let digits = field.strip_suffix([letter, letter.to_ascii_lowercase()])?;
            digits.trim().parse::<usize>().ok()
        };
        let counts = match fields.as_slice() {
            [total, analogs, digitals, ..] => {
                total.parse::<usize>().ok().zip(count(analogs, 'A')).zip(count(digitals, 'D'))
            }
            _ => None,
        };
        let Some(((total, analogs), digitals)) = counts else {
            return Err(self.error("expected the numbers of channels, as `6,4A,2D`"));
        };
        if total > MAX_CHANNELS {
            return Err(self.error(format!("{total} channels; at most {MAX_CHANNELS} are read")));
        }
        if analogs.checked_add(digitals) != Some(total) {
            return Err(
                self.error(format!("{analogs} analog and {digitals} digital channels are not {total}"))
            );
        }
        if analogs == 0 {
            return Err(self.error("no analog channel, so no waveform"));
        }
        Ok((analogs, digitals))
    }

    /// An analog channel: number, name, phase, component, unit, scale, offset, skew, min, max, ...
    fn analog(&mut self) -> Result<Analog, InputError> {
        let fields = self.fields("an analog channel")?;
        let [_, name, _, _, _, scale, offset, rest @ ..] = fields.as_slice() else {
            return Err(self.error(format!(
                "{} fields where an analog channel has 10 or more; fewer channels than line 2 says, or a comma too few",
                fields.len()
            )));
        };
        // The skew of a channel moves all its edges alike and no frequency; it is often blank.
        Ok(Analog {
            name: (*name).to_owned(),
            scale: self.number(scale, "the scale (field 6)")?,
            offset: self.number(offset, "the offset (field 7)")?,
            min: rest.get(1).and_then(|min| min.parse().ok()),
        })
    }

    /// The sampling rates; one of 0 Hz when times come from the stamps.
    fn rates(&mut self) -> Result<Vec<Rate>, InputError> {
        let text = self.text("the number of sampling rates")?;
        let count = self.whole(text, "the number of sampling rates", MAX_RATES as u64)?;
        let mut rates: Vec<Rate> = Vec::new();
        // With none there is still one line, `0,samples`.
        for _ in 0..count.max(1) {
            let fields = self.fields("a sampling rate and its last sample")?;
            let [hz, last] = fields[..] else {
                return Err(self.error("expected a sampling rate and its last sample, as `4800,9600`"));
            };
            let hz = self.number(hz, "the sampling rate")?;
            let last = self.whole(last, "the last sample", MAX_SAMPLES)?;
            let stamped = hz == 0.0 && count <= 1;
            if !stamped && (count == 0 || !(1e-3..=1e9).contains(&hz)) {
                let expected = if count == 0 { "0, as no rate is announced" } else { "0.001 to 1e9 Hz" };
                return Err(self.error(format!("sampling rate {hz}: expected {expected}")));
            }
            let before = rates.last().map_or(0, |rate| rate.last);
            if last <= before {
                return Err(self.error(format!("last sample {last}: expected more than {before}")));
            }
            rates.push(Rate { hz, last });
        }
        Ok(rates)
    }
}
