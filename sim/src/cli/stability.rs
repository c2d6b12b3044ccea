//! `humtick stability`: logged frequency in, Allan deviations out.

use std::io::{self, Write};
use std::path::PathBuf;
use std::process::ExitCode;
use std::str::FromStr;

use clap::Args;
use humtick_sim::picture;
use humtick_sim::series::{self, Scale, SeriesOptions};
use humtick_sim::stability::{Deviations, Phase, plot};
use humtick_sim::write;
use serde::Serialize;

use super::format::Format;

const EXAMPLE: &str = "\
Example: how steady the village's frequency was while the record lasted

    humtick measure examples/workshop-50hz.csv --format jsonl > workshop.jsonl
    humtick stability workshop.jsonl --picture workshop.svg

A line before the figures says what was taken from the file and what was assumed. adev is the Allan deviation, oadev the
overlapping and mdev the modified one, all as fractions of the frequency (1e-6 of 50 Hz is 50 uHz); tdev the time deviation;
n the terms in oadev. After NIST Special Publication 1065, section 5. A file with gaps is used as far as its longest stretch
without one; nothing is filled in.

Another table: humtick stability day.csv --column grid_hz --interval 1 --nominal 50";

/// Allan and modified Allan deviation of logged readings
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Readings from `measure` as JSON Lines or CSV, or any CSV with a header
    file: PathBuf,
    /// Column of a CSV that holds the frequency [default: frequency_hz]
    #[arg(long, value_name = "NAME")]
    column: Option<String>,
    /// Column of a CSV that holds the time in seconds [default: t_s, time_s, second or seconds]
    #[arg(long, value_name = "NAME", conflicts_with = "interval")]
    time_column: Option<String>,
    /// Spacing of the values; times in the file are not looked at
    #[arg(long, value_name = "SECONDS")]
    interval: Option<f64>,
    /// Frequency that deviations are fractions of [default: the mean]
    #[arg(long, value_name = "HZ", conflicts_with = "per_unit")]
    nominal: Option<f64>,
    /// Values are fractions of the nominal frequency already
    #[arg(long)]
    per_unit: bool,
    /// Averaging times: octaves (1, 2, 4 ... spacings), decades (1, 2, 5, 10 ...) or seconds separated by commas
    #[arg(long, value_name = "octaves|decades|SECONDS,...", default_value = "octaves")]
    taus: Taus,
    /// Draws the deviations into a file ending in .svg
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Output: a table to read, CSV, or JSON Lines
    #[arg(long, default_value = "table")]
    format: Format,
}

/// Which averaging times.
#[derive(Clone)]
enum Taus {
    Octaves,
    Decades,
    Seconds(Vec<f64>),
}

impl FromStr for Taus {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let seconds = |text: &str| {
            text.trim()
                .parse()
                .map_err(|_| format!("{text:?}: expected octaves, decades, or seconds like 1,10,100"))
        };
        match text {
            "octaves" => Ok(Self::Octaves),
            "decades" => Ok(Self::Decades),
            list => list.split(',').map(seconds).collect::<Result<_, _>>().map(Self::Seconds),
        }
    }
}

impl Options {
    fn series(&self) -> SeriesOptions {
        SeriesOptions {
            column: self.column.clone(),
            time_column: self.time_column.clone(),
            interval_s: self.interval,
            scale: match self.nominal {
                Some(hz) => Scale::Nominal(hz),
                None if self.per_unit => Scale::PerUnit,
                None => Scale::Mean,
            },
        }
    }
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    // Refused here, before a long file is read.
    options.picture.as_deref().map(picture::check).transpose().map_err(|e| e.to_string())?;
    write::begin(&options.picture).map_err(|e| e.to_string())?;
    let file = options.file.display().to_string();
    let series = series::open(&options.file, &options.series()).map_err(|e| e.to_string())?;
    let in_file = |e| format!("{file}: {e}");
    let phase = Phase::from_fractional(&series.fractions, series.interval_s).map_err(in_file)?;
    let ms = match &options.taus {
        Taus::Octaves => phase.octaves(),
        Taus::Decades => phase.decades(),
        Taus::Seconds(list) => {
            list.iter().map(|tau| phase.nearest(*tau)).collect::<Result<_, _>>().map_err(in_file)?
        }
    };
    let rows: Vec<_> = ms.into_iter().filter_map(|m| phase.deviations(m)).collect();
    let drawn = options.picture.as_deref().map(|path| {
        let name = options.file.file_name().unwrap_or_default().to_string_lossy();
        let spacing = series.notes.first().map_or("", String::as_str);
        let title = format!("{name}: {} values; {spacing}", series.fractions.len());
        plot::svg(&title, &rows).map(|svg| picture::save(path, &svg).map_err(|e| e.to_string()))
    });
    let has_place = !matches!(drawn, Some(None));
    drawn.flatten().transpose()?;
    let header = Header {
        file: &file,
        values: series.fractions.len(),
        tau0_s: series.interval_s,
        assumed: &series.notes,
    };
    match print(options.format, &header, &rows) {
        // Whoever read the output has had enough.
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => Err(format!("cannot write the results: {e}")),
        _ if has_place => Ok(ExitCode::SUCCESS),
        _ => Err(format!(
            "{file}: every deviation is zero, which has no place on a logarithmic axis: no picture"
        )),
    }
}

#[derive(Serialize)]
struct Header<'a> {
    file: &'a str,
    values: usize,
    tau0_s: f64,
    assumed: &'a [String],
}

#[derive(Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
enum Record<'a> {
    Header(&'a Header<'a>),
    Deviation { tau_s: f64, adev: f64, oadev: f64, mdev: f64, tdev_s: f64, n: usize },
}

fn print(format: Format, header: &Header, rows: &[Deviations]) -> io::Result<()> {
    let mut out = io::BufWriter::new(io::stdout().lock());
    let assumed = header.assumed.join("; ");
    match format {
        Format::Jsonl => json(&mut out, &Record::Header(header))?,
        Format::Csv => {
            writeln!(out, "# {}: {assumed}", header.file)?;
            writeln!(out, "tau_s,adev,oadev,mdev,tdev_s,n")?;
        }
        Format::Table => {
            writeln!(out, "{}: {assumed}", header.file)?;
            writeln!(
                out,
                "{:>12}  {:>10}  {:>10}  {:>10}  {:>10}  {:>9}",
                "tau s", "adev", "oadev", "mdev", "tdev s", "n"
            )?;
        }
    }
    for row in rows {
        let Deviations { tau_s, tdev_s, .. } = *row;
        let (adev, oadev, mdev, n) = (row.adev.value, row.oadev.value, row.mdev.value, row.oadev.terms);
        match format {
            Format::Jsonl => json(&mut out, &Record::Deviation { tau_s, adev, oadev, mdev, tdev_s, n })?,
            Format::Csv => writeln!(out, "{tau_s},{adev:e},{oadev:e},{mdev:e},{tdev_s:e},{n}")?,
            Format::Table => writeln!(
                out,
                "{tau_s:>12.3}  {adev:>10.3e}  {oadev:>10.3e}  {mdev:>10.3e}  {tdev_s:>10.3e}  {n:>9}"
            )?,
        }
    }
    out.flush()
}

fn json(out: &mut impl Write, record: &Record) -> io::Result<()> {
    serde_json::to_writer(&mut *out, record)?;
    writeln!(out)
}
