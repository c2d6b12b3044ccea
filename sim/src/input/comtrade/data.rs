//! The data file: records of a sample number, a stamp, the analog values, and the digital ones in words of 16.

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use super::super::InputError;
use super::super::waveform::{finite, open_file};
use super::config::{Config, Layout, Timing};
use crate::front_end::Sample;

/// Longest field of an ASCII record with its comma; the standard's is 13 characters, real files pad.
const MAX_FIELD: usize = 64;

/// A stamp of all ones is missing.
const NO_STAMP: u32 = u32::MAX;

/// 99999 stands for a missing value in ASCII files of 1991; later ones leave the field blank.
const NO_VALUE_ASCII: f64 = 99_999.0;

/// The samples of one analog channel of `path`. A binary file whose length does not fit its configuration is refused
/// at once, an ASCII file where it ends.
pub(super) fn samples(path: &Path, config: Config, channel: usize) -> Result<Samples, InputError> {
    let file = open_file(path)?;
    let width = match config.layout {
        Layout::Ascii => (config.analogs.len() + config.digitals + 2) * MAX_FIELD,
        Layout::Binary16 => 8 + 2 * config.analogs.len() + 2 * config.digitals.div_ceil(16),
        Layout::Binary32 | Layout::Float32 => 8 + 4 * config.analogs.len() + 2 * config.digitals.div_ceil(16),
    };
    if config.layout != Layout::Ascii {
        let length = file.metadata().map_err(|source| InputError::io(path, source))?.len();
        let records = length / width as u64;
        let rest = length % width as u64;
        if rest != 0 && records < config.samples {
            let what = format!(
                "ends within record {} of {}: {rest} of its {width} bytes; the configuration or the copy is not whole",
                records + 1,
                config.samples
            );
            return Err(InputError::file(path, what));
        }
        if records != config.samples || rest != 0 {
            let what = format!(
                "holds {length} bytes, {records} records of {width} and {rest} more; the configuration says {} records",
                config.samples
            );
            return Err(InputError::file(path, what));
        }
    }
    Ok(Samples {
        path: path.into(),
        reader: BufReader::new(file),
        record: Vec::new(),
        width,
        config,
        channel,
        taken: 0,
        first: None,
        rate: 0,
        start: (1, 0.0),
        t_s: 0.0,
    })
}

/// The samples of one channel, streaming.
pub(super) struct Samples {
    path: PathBuf,
    reader: BufReader<File>,
    record: Vec<u8>,
    /// Bytes of a binary record; most bytes of an ASCII one.
    width: usize,
    config: Config,
    channel: usize,
    /// Records read.
    taken: u64,
    /// Sample number of the first record and its stamp in units.
    first: Option<(u64, f64)>,
    /// Which of the sampling rates holds.
    rate: usize,
    /// The sample before the first step of that rate, and its time.
    start: (u64, f64),
    /// Time of the last sample.
    t_s: f64,
}

/// A record's fields, as far as they are used.
struct Record {
    number: u64,
    stamp: Option<f64>,
    /// The channel's value before scaling, `None` where missing.
    value: Option<f64>,
}

impl Iterator for Samples {
    type Item = Result<Sample, InputError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.taken == self.config.samples {
            return self.surplus().map(Err);
        }
        self.taken += 1;
        Some(self.sample())
    }
}

impl Samples {
    /// An error in the last record read.
    fn error(&self, what: impl Into<String>) -> InputError {
        match self.config.layout {
            Layout::Ascii => InputError::line(&self.path, self.taken, what),
            _ => InputError::file(&self.path, format!("record {}: {}", self.taken, what.into())),
        }
    }

    fn sample(&mut self) -> Result<Sample, InputError> {
        let record = match self.config.layout {
            Layout::Ascii => self.text()?,
            _ => self.binary()?,
        };
        // Some recorders count from 0. A number left out would be time left out.
        let (first, begin) = *self.first.get_or_insert((record.number, record.stamp.unwrap_or_default()));
        let number = first + self.taken - 1;
        if record.number != number {
            return Err(self.error(format!("sample number {} where {number} is due", record.number)));
        }
        let t_s = match &self.config.timing {
            Timing::Rates(rates) => {
                // A step has the rate of the sample at its end.
                while self.taken > rates[self.rate].last {
                    let (since, t_s) = self.start;
                    let last = rates[self.rate].last;
                    self.start = (last, t_s + (last - since) as f64 / rates[self.rate].hz);
                    self.rate += 1;
                }
                self.start.1 + (self.taken - self.start.0) as f64 / rates[self.rate].hz
            }
            Timing::Stamps { unit_s } => match record.stamp {
                Some(stamp) => (stamp - begin) * unit_s,
                None => return Err(self.error("no time stamp, and the configuration has no sampling rate")),
            },
        };
        if self.taken > 1 && t_s <= self.t_s {
            return Err(self.error("the time stamp is not later than the one before"));
        }
        self.t_s = t_s;
        let analog = &self.config.analogs[self.channel];
        let Some(x) = record.value else {
            return Err(self.error(format!("the value of {} is missing", analog.name)));
        };
        match finite(analog.scale * x + analog.offset) {
            Some(value) => Ok(Sample { t_s, value }),
            None => Err(self.error(format!("the value of {} is not a finite number", analog.name))),
        }
    }

    fn binary(&mut self) -> Result<Record, InputError> {
        self.record.resize(self.width, 0);
        self.reader.read_exact(&mut self.record).map_err(|source| match source.kind() {
            std::io::ErrorKind::UnexpectedEof => {
                self.error("the file ends within it; it was cut while being read")
            }
            _ => InputError::io(&self.path, source),
        })?;
        let stamp = u32::from_le_bytes(self.bytes(4));
        let min = self.config.analogs[self.channel].min;
        // The lowest integer marks a missing value, unless the channel says that it goes down so far.
        let whole = |x: i32, mark: i32| {
            (x != mark || min.is_some_and(|min| min <= f64::from(mark))).then_some(f64::from(x))
        };
        let value = match self.config.layout {
            Layout::Binary32 => whole(i32::from_le_bytes(self.bytes(8 + 4 * self.channel)), i32::MIN),
            Layout::Float32 => {
                let x = f32::from_le_bytes(self.bytes(8 + 4 * self.channel));
                (x != f32::MIN).then_some(f64::from(x))
            }
            _ => {
                let x = i16::from_le_bytes(self.bytes(8 + 2 * self.channel));
                whole(i32::from(x), i32::from(i16::MIN))
            }
        };
        Ok(Record {
            number: u64::from(u32::from_le_bytes(self.bytes(0))),
            stamp: (stamp != NO_STAMP).then_some(f64::from(stamp)),
            value,
        })
    }

    /// `N` bytes of the record at `offset`, which lie in it: the width counts every channel.
    fn bytes<const N: usize>(&self, offset: usize) -> [u8; N] {
        std::array::from_fn(|i| self.record[offset + i])
    }

    fn text(&mut self) -> Result<Record, InputError> {
        self.line()?;
        let line = String::from_utf8_lossy(&self.record);
        let line = line.trim_end_matches(['\r', '\n', '\u{1a}']);
        if line.trim().is_empty() {
            let what = format!("the file ends after {} of {} records", self.taken - 1, self.config.samples);
            return Err(self.error(what));
        }
        let expected = self.config.analogs.len() + self.config.digitals + 2;
        let count = line.split(',').count();
        if count != expected {
            return Err(self.error(format!("{count} fields; the configuration's channels make {expected}")));
        }
        let field = |index: usize| line.split(',').nth(index).unwrap_or_default().trim();
        let number = |name: &str, text: &str| match text {
            "" => Ok(None),
            _ => match text.parse::<f64>() {
                Ok(number) if number.is_finite() => Ok(Some(number)),
                _ => Err(self.error(format!("{name} is `{text}`: expected a number"))),
            },
        };
        Ok(Record {
            number: field(0).parse::<u32>().map(u64::from).map_err(|_| {
                self.error(format!("the sample number is `{}`: expected a whole number", field(0)))
            })?,
            stamp: number("the time stamp (field 2)", field(1))?,
            value: number(&format!("field {}", self.channel + 3), field(self.channel + 2))?
                .filter(|&x| x != NO_VALUE_ASCII),
        })
    }

    /// Reads the next line into `record`.
    fn line(&mut self) -> Result<(), InputError> {
        self.record.clear();
        (&mut self.reader)
            .take(self.width as u64)
            .read_until(b'\n', &mut self.record)
            .map_err(|source| InputError::io(&self.path, source))?;
        if self.record.len() == self.width && self.record.last() != Some(&b'\n') {
            return Err(
                self.error(format!("a line longer than {} bytes; not an ASCII data file", self.width))
            );
        }
        Ok(())
    }

    /// What is wrong behind the last record, if anything; blank lines are not. Binary files were measured before.
    fn surplus(&mut self) -> Option<InputError> {
        while self.config.layout == Layout::Ascii {
            if let Err(error) = self.line() {
                return Some(error);
            }
            if self.record.is_empty() {
                break;
            }
            if !self.record.iter().all(|byte| byte.is_ascii_whitespace() || *byte == 0x1a) {
                self.taken += 1;
                let what = format!("more records than the {} of the configuration", self.config.samples);
                return Some(self.error(what));
            }
        }
        None
    }
}
