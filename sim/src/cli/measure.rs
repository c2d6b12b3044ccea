//! `humtick measure`: a recording in, readings out.

use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use clap::Args;
use humtick::limit::{MAX_TICK_HZ, MIN_TICK_HZ};
use humtick_sim::engine;
use humtick_sim::entry::Entry;
use humtick_sim::front_end::{FrontEnd, Threshold};
use humtick_sim::input::{self, InputOptions};
use humtick_sim::measure::{self, MeasureError, Summary};
use humtick_sim::settings::{BurstKind, EstimatorKind, MeterSettings, Nominal, PolarityKind};
use indicatif::ProgressBar;

use super::format::{Format, Header, Output, plain};

const EXAMPLE: &str = "\
Example: readings of a capture recorded by the workshop's board

    humtick measure examples/workshop-50hz.csv

A line before the readings says what was taken from the file and what was assumed. Readings follow, then the record as a
whole. Unknown figures are left empty, never guessed. In a reading's row

    middle s   the middle of its window, seconds since the record began
    +- 95 %    half width of the interval that holds the true frequency with 95 %, clock included
    missed     cycles in the window whose edge did not come
    rejected   edges in the window that were no crossing: chatter, strays
    state      seeking, locked, coasting (edges missing, count still certain), lost

and rows between dashes tell what happened: a change of state; stepped (frequency or phase jumped, the cycle count goes on);
recounted (it jumped so far that the count began anew).

Files by ending: .csv (a column raw, ticks or seconds), .vcd (IEEE 1364), .wav (PCM, float), .cfg (COMTRADE, IEEE C37.111).";

/// Readings from a recorded capture or waveform
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Recording: .csv, .vcd, .wav or .cfg
    file: PathBuf,
    /// Counter rate of a CSV of raw counts or ticks, hertz [default: the file's own comment]
    #[arg(long, value_name = "HZ", value_parser = tick_hz)]
    tick_hz: Option<u32>,
    /// Counter width of a CSV of raw counts, 8 to 32 [default: the file's own comment]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(8..=32))]
    bits: Option<u32>,
    /// Signal of a VCD, by name or dotted path
    #[arg(long, value_name = "NAME")]
    signal: Option<String>,
    /// Channel of a waveform, by name or number from 1
    #[arg(long, value_name = "NAME")]
    channel: Option<String>,
    /// What the comparator's thresholds for a waveform stand around [default: mean]
    #[arg(long)]
    threshold: Option<Threshold>,
    /// Low-pass before the comparator of a waveform, hertz (second-order Butterworth)
    #[arg(long, value_name = "HZ")]
    lowpass: Option<f64>,
    /// Comparator hysteresis of a waveform, percent of the largest amplitude [default: 2]
    #[arg(long, value_name = "PERCENT")]
    hysteresis: Option<f64>,
    /// Where to look for a period: auto (40 to 70 Hz) or a frequency in hertz (0.8 to 1.25 times it)
    #[arg(long, value_name = "auto|50|60|HZ")]
    nominal: Option<Nominal>,
    /// How the period is taken from the window [default: least-squares]
    #[arg(long)]
    estimator: Option<EstimatorKind>,
    /// Which edges begin a cycle [default: rising]
    #[arg(long)]
    polarity: Option<PolarityKind>,
    /// Length of the window [default: 1]
    #[arg(long, value_name = "SECONDS")]
    window: Option<f64>,
    /// Time from reading to reading [default: 0.1]
    #[arg(long, value_name = "SECONDS")]
    every: Option<f64>,
    /// Dead time after an accepted edge, fraction of the shortest period [default: 0.5]
    #[arg(long, value_name = "FRACTION")]
    holdoff: Option<f64>,
    /// Which instant of a burst of edges stands for it; middle and mean speak when it is over [default: first]
    #[arg(long)]
    burst: Option<BurstKind>,
    /// Ten-second readings as well: whole cycles inside the interval over their duration (IEC 61000-4-30)
    #[arg(long)]
    intervals: bool,
    /// Known error of the capture clock, ppm; +100 counts 100 ppm too many [default: 0]
    #[arg(long, value_name = "PPM", allow_hyphen_values = true)]
    clock_ppm: Option<f64>,
    /// What the capture clock may be off beyond that, ppm [default: 50, ordinary quartz]
    #[arg(long, value_name = "PPM", allow_negative_numbers = true)]
    clock_tolerance_ppm: Option<f64>,
    /// Meter settings from a TOML file, the keys of [meter] in `humtick scenario`; options given here overrule it
    #[arg(long, value_name = "FILE.toml")]
    settings: Option<PathBuf>,
    /// Output: a table to read, CSV, or JSON Lines
    #[arg(long, default_value = "table")]
    format: Format,
}

impl Options {
    fn meter(&self) -> Result<MeterSettings, String> {
        let base = match &self.settings {
            Some(path) => MeterSettings::from_file(path).map_err(|e| e.to_string())?,
            None => MeterSettings::default(),
        };
        Ok(MeterSettings {
            nominal: self.nominal.unwrap_or(base.nominal),
            estimator: self.estimator.unwrap_or(base.estimator),
            polarity: self.polarity.unwrap_or(base.polarity),
            window_s: self.window.unwrap_or(base.window_s),
            every_s: self.every.unwrap_or(base.every_s),
            rocof_s: self.nominal.filter(|_| self.settings.is_none()).map_or(base.rocof_s, Nominal::rocof_s),
            burst: self.burst.unwrap_or(base.burst),
            intervals: self.intervals || base.intervals,
            holdoff: self.holdoff.unwrap_or(base.holdoff),
            clock_ppm: self.clock_ppm.unwrap_or(base.clock_ppm),
            clock_tolerance_ppm: self.clock_tolerance_ppm.unwrap_or(base.clock_tolerance_ppm),
            ..base
        })
    }

    /// Refuses an option that says nothing about a file of this kind.
    fn check(&self) -> Result<(), String> {
        let ending = self.file.extension().and_then(|e| e.to_str()).unwrap_or_default().to_ascii_lowercase();
        const SAMPLED: &[&str] = &["wav", "cfg"];
        let given = [
            ("--tick-hz", self.tick_hz.is_some(), &["csv"] as &[&str]),
            ("--bits", self.bits.is_some(), &["csv"]),
            ("--signal", self.signal.is_some(), &["vcd"]),
            ("--channel", self.channel.is_some(), SAMPLED),
            ("--lowpass", self.lowpass.is_some(), SAMPLED),
            ("--hysteresis", self.hysteresis.is_some(), SAMPLED),
            ("--threshold", self.threshold.is_some(), SAMPLED),
        ];
        let known = ["csv", "vcd", "wav", "cfg"].contains(&ending.as_str());
        match given.iter().find(|(_, given, kinds)| *given && known && !kinds.contains(&ending.as_str())) {
            Some((option, _, kinds)) => Err(format!(
                "{option} is for .{} files, and {} is a .{ending}: leave it out",
                kinds.join(" and ."),
                self.file.display()
            )),
            None => Ok(()),
        }
    }

    fn input(&self, meter: &MeterSettings) -> InputOptions {
        let usual = FrontEnd::default();
        InputOptions {
            tick_hz: self.tick_hz,
            bits: self.bits,
            signal: self.signal.clone(),
            channel: self.channel.clone(),
            front_end: FrontEnd {
                follow_mean: self.threshold.map_or(usual.follow_mean, |about| about == Threshold::Mean),
                lowpass_hz: self.lowpass,
                hysteresis_percent: self.hysteresis.unwrap_or(usual.hysteresis_percent),
            },
            ..InputOptions::default()
        }
        .for_meter(meter)
    }
}

fn tick_hz(text: &str) -> Result<u32, String> {
    let hz = text.parse().ok().filter(|hz| (MIN_TICK_HZ..=MAX_TICK_HZ).contains(hz));
    hz.ok_or_else(|| format!("expected a whole number from {MIN_TICK_HZ} to {MAX_TICK_HZ}, in figures"))
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    let meter = options.meter()?;
    // Refused here, before a file is opened; any counter will do for that.
    meter.config(2_000_000).map_err(|e| e.to_string())?;
    options.check()?;
    let recording = input::open(&options.file, &options.input(&meter)).map_err(|e| e.to_string())?;
    let mut assumed = recording.assumptions.clone();
    assumed.extend([
        meter.nominal.to_string(),
        format!(
            "{}{}, {} s window, every {} s",
            meter.estimator.name(),
            extras(&meter),
            meter.window_s,
            meter.every_s
        ),
        clock_text(&meter),
    ]);
    if engine::crossings(&meter) > engine::capacity(&meter) as f64 {
        assumed.push(format!("a window holds at most {} crossings", engine::capacity(&meter)));
    }
    let header = Header { file: options.file.display().to_string(), tick_hz: recording.tick_hz, assumed };
    let mut output = Output::new(options.format, io::BufWriter::new(io::stdout().lock()));
    let bar = sign_of_life();
    let (mut known, mut unread) = (0u64, 0u64);
    let result = output.header(&header).map_err(MeasureError::from).and_then(|()| {
        measure::measure(recording, &meter, |entry| {
            if let Entry::Reading(reading) = &entry {
                *if reading.frequency_hz.is_some() { &mut known } else { &mut unread } += 1;
                if let Some(bar) = &bar {
                    bar.set_message(format!("{:.0} s measured", reading.t_s));
                }
            }
            output.entry(&entry)
        })
    });
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    let done = result.and_then(|summary| {
        output.summary(&summary)?;
        Ok(summary)
    });
    match done {
        Ok(summary @ Summary { whole: Some(_), .. }) if known > 0 || unread == 0 => {
            if let Some(note) = shared_cycle(&summary) {
                io::stdout().flush().ok();
                eprintln!("humtick: {}: {note}", plain(&options.file.display().to_string()));
            }
            Ok(ExitCode::SUCCESS)
        }
        Ok(summary) => {
            // The table has been written: first things first on a terminal that shows both.
            io::stdout().flush().ok();
            eprintln!(
                "humtick: {}: {}",
                plain(&options.file.display().to_string()),
                never_locked(&summary, &meter)
            );
            Ok(ExitCode::from(1))
        }
        // Whoever read the output has had enough.
        Err(MeasureError::Output(e)) if e.kind() == io::ErrorKind::BrokenPipe => Ok(ExitCode::SUCCESS),
        Err(e) => {
            output.flush().ok();
            Err(e.to_string())
        }
    }
}

/// A spinner on the terminal, where the readings themselves go elsewhere.
fn sign_of_life() -> Option<ProgressBar> {
    (io::stderr().is_terminal() && !io::stdout().is_terminal()).then(|| {
        let bar = ProgressBar::new_spinner();
        bar.enable_steady_tick(Duration::from_millis(100));
        bar
    })
}

/// What is unusual about how edges are used.
fn extras(meter: &MeterSettings) -> &'static str {
    match (meter.polarity, meter.burst) {
        (PolarityKind::Both, BurstKind::First) => " on both polarities",
        (PolarityKind::Both, BurstKind::Middle) => " on both polarities, middles of bursts",
        (PolarityKind::Both, BurstKind::Mean) => " on both polarities, means of bursts",
        (_, BurstKind::First) => "",
        (_, BurstKind::Middle) => ", middles of bursts",
        (_, BurstKind::Mean) => ", means of bursts",
    }
}

fn clock_text(meter: &MeterSettings) -> String {
    if meter.clock_ppm == 0.0 {
        format!("clock within {} ppm", meter.clock_tolerance_ppm)
    } else {
        format!("clock {:+} ppm, within {} ppm of that", meter.clock_ppm, meter.clock_tolerance_ppm)
    }
}

/// What to say where most edges come two or three to the cycle that was found: that may be another signal's only period.
fn shared_cycle(summary: &Summary) -> Option<String> {
    let (whole, commonest) = (summary.whole?, summary.spacing.commonest_s()?);
    let to_a_cycle = 1.0 / whole.mean_hz / commonest;
    let near = |n: f64| (to_a_cycle / n - 1.0).abs() < 0.02;
    (summary.counts.crossings * 3 < summary.counts.edges * 2 && (near(2.0) || near(3.0))).then(|| {
        format!(
            "edges come {:.0} to the cycle found, evenly. If each is a cycle, the frequency is {:.3} Hz: try --nominal {:.3}; \
             both edges of a signal want a column level",
            to_a_cycle,
            1.0 / commonest,
            1.0 / commonest
        )
    })
}

/// What was seen instead of a period, and what to try.
fn never_locked(summary: &Summary, meter: &MeterSettings) -> String {
    let edges = summary.counts.edges;
    let (Some((shortest, longest)), Some(commonest), true) =
        (summary.spacing.range_s, summary.spacing.commonest_s(), edges >= 4)
    else {
        return format!(
            "never locked: {edges} edges of the polarity used, and four are the least. Try --polarity"
        );
    };
    if summary.whole.is_some() {
        return format!(
            "no reading has a frequency: {edges} edges of both polarities, but not of each what a window needs; try --polarity rising or falling"
        );
    }
    let (lowest, highest) = meter.nominal.range_hz();
    let about = 1.0 / commonest;
    let advice = if summary.spacing.is_scattered() {
        "no interval is common, which looks like noise and not like a signal: for a waveform try --lowpass or --hysteresis, or another \
         --channel"
            .to_owned()
    } else if (lowest..=highest).contains(&about) {
        "no four edges are an equal time apart: try the other --polarity, or for a waveform --lowpass or --hysteresis".to_owned()
    } else if (0.1..=100_000.0).contains(&about) {
        format!("most are near {:.4} ms: try --nominal {about:.3}", commonest * 1e3)
    } else {
        format!("most are near {:.4} ms, which is no frequency from 0.1 Hz to 100 kHz", commonest * 1e3)
    };
    format!(
        "never locked between {lowest} and {highest} Hz: {edges} edges, intervals {:.4} to {:.4} ms; {advice}",
        shortest * 1e3,
        longest * 1e3
    )
}
