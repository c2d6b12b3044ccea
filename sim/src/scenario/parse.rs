//! A scenario file, TOML, as a [`Scenario`]. Every key but those of a disturbance has a default: an empty file is a minute of clean 50 Hz.

mod disturb;
mod expect;
mod grid;
mod harmonics;
mod voltage;

#[cfg(test)]
mod tests;

use std::path::Path;

use clap::ValueEnum;
use humtick::Intervals;
use toml::de::DeTable;

use super::cases::cases;
use super::{CaptureKind, FrontEnd, Instead, Limits, Overrun, Scenario, ScenarioError, Timer, Within};
use crate::engine;
use crate::keys::{Bounds, Fault, Keys};
use crate::settings::{MeterSettings, Nominal, named};

/// Times in a scenario, in seconds from its start: thirty years.
const TIME_S: Bounds = (0.0, 1e9);

/// Length of a scenario.
const LASTING_S: Bounds = (0.1, TIME_S.1);

/// What the tables need to know of the scenario.
struct Frame<'a> {
    path: &'a Path,
    duration_s: f64,
    nominal_hz: f64,
    /// Whether it speaks of a recording.
    recorded: bool,
}

impl Scenario {
    /// The scenario in a file.
    ///
    /// # Errors
    /// With file and line: not TOML, an unknown key (the nearest known one is named), a missing key, a value of the wrong kind or
    /// outside its range, values that do not go together.
    pub fn from_file(path: &Path) -> Result<Self, ScenarioError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| ScenarioError::Io { path: path.into(), source })?;
        Self::from_toml(&text, path)
    }

    /// As [`Scenario::from_file`], from `text`. Messages bear `path`, a scenario without a name takes the file's, and the series of a recorded
    /// grid is looked for beside it.
    ///
    /// # Errors
    /// As there.
    pub fn from_toml(text: &str, path: &Path) -> Result<Self, ScenarioError> {
        Self::from_toml_with(text, path, Instead::default())
    }

    /// As [`Scenario::from_toml`], with some values from elsewhere `instead`; what follows from them (that a disturbance lasts to the end)
    /// follows, and what must go together with them is checked.
    ///
    /// # Errors
    /// As there.
    pub fn from_toml_with(text: &str, path: &Path, instead: Instead) -> Result<Self, ScenarioError> {
        let mut cases = cases(text, path, instead)?;
        match (cases.pop(), cases.is_empty()) {
            (Some(only), true) => Ok(only.scenario),
            _ => Err(ScenarioError::Line {
                path: path.into(),
                line: 1 + text.lines().take_while(|line| !line.trim_start().starts_with("[[cases]]")).count(),
                what: format!("[[cases]] make {} scenarios of this file: choose one", cases.len() + 1),
            }),
        }
    }
}

/// The scenario that `document`, parsed from `text`, describes; its cases have been taken out.
pub(super) fn scenario<'a>(
    text: &'a str,
    document: DeTable<'a>,
    path: &Path,
    instead: Instead,
) -> Result<Scenario, Fault> {
    let mut keys = Keys::of(text, document);
    let stem = || path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let name = keys.line("name").unwrap_or_else(stem);
    let seed = keys.whole("seed", 1, (0, u64::MAX));
    let seed = instead.seed.unwrap_or(seed);
    let duration_s = keys.number("duration_s", 60.0, LASTING_S);
    let duration_s = instead.duration_s.unwrap_or(duration_s);
    keys.check((LASTING_S.0..=LASTING_S.1).contains(&duration_s), "duration_s", || {
        format!("duration_s = {duration_s} (given instead) is outside {} to {}", LASTING_S.0, LASTING_S.1)
    });
    let nominal_hz = keys.number("nominal_hz", 50.0, (0.5, 10_000.0));
    let frame = Frame { path, duration_s, nominal_hz, recorded: false };
    let [grid, voltage, front, timer, meter, limits] =
        ["grid", "voltage", "front_end", "timer", "meter", "limits"].map(|key| keys.table(key));
    let disturbances = keys.tables("disturb");
    keys.taken_out("cases");
    // What is wrong at the top comes first: a mistyped name of a table explains what its keys do elsewhere.
    keys.finish()?;
    let timer = self::timer(timer, &frame)?;
    Ok(Scenario {
        name,
        seed,
        duration_s,
        nominal_hz,
        grid: grid::read(grid, &frame)?,
        voltage: voltage::read(voltage)?,
        disturb: disturb::read(disturbances, &frame)?,
        front_end: front_end(front, &frame)?,
        meter: self::meter(meter, &frame, timer.tick_hz)?,
        timer,
        limits: self::limits(limits)?,
        recording: None,
    })
}

/// Where a signal has no low-pass.
#[derive(Clone, Copy, ValueEnum)]
enum Without {
    None,
}

fn front_end(mut keys: Keys<'_>, frame: &Frame<'_>) -> Result<FrontEnd, Fault> {
    let lowpass_hz = if keys.has_text("lowpass_hz") {
        keys.given_word::<Without>("lowpass_hz").and(None)
    } else {
        Some(keys.number("lowpass_hz", 1_000.0, (0.1, 1e7)))
    };
    let front_end = FrontEnd {
        lowpass_hz,
        lowpass_order: keys.whole("lowpass_order", 1, (1, 2)),
        noise_percent: keys.number("noise_percent", 0.1, (0.0, 100.0)),
        // Noise that lasts longer than a tenth of a cycle is a wandering offset.
        noise_bandwidth_hz: keys.number(
            "noise_bandwidth_hz",
            20_000f64.max(10.0 * frame.nominal_hz),
            (10.0 * frame.nominal_hz, 1e7),
        ),
        hysteresis_percent: keys.number("hysteresis_percent", 1.0, (0.0, 190.0)),
        offset_percent: keys.number("offset_percent", 0.0, (-99.0, 99.0)),
        offset_drift_percent_h: keys.number("offset_drift_percent_h", 0.0, (-1e6, 1e6)),
        rise_us: keys.number("rise_us", 0.0, (0.0, 1e6)),
        fall_us: keys.number("fall_us", 0.0, (0.0, 1e6)),
        glitch_rate_hz: keys.number("glitch_rate_hz", 0.0, (0.0, 100_000.0)),
        glitch_width_us: keys.number("glitch_width_us", 1.0, (0.001, 10_000.0)),
    };
    let end = front_end.offset_percent + front_end.offset_drift_percent_h * frame.duration_s / 3_600.0;
    let farthest = front_end.offset_percent.abs().max(end.abs()) + front_end.hysteresis_percent / 2.0;
    keys.check(farthest < 100.0, "hysteresis_percent", || {
        format!(
            "offset, its drift and half of hysteresis_percent put a threshold at {farthest:.1} % of the amplitude, \
             expected less than 100: no edge would come"
        )
    });
    let (slow, half) = (front_end.rise_us + front_end.fall_us, 0.5e6 / frame.nominal_hz);
    keys.check(slow < half, "rise_us", || {
        format!("rise_us and fall_us are {slow} together, expected less than half a cycle, {half:.1}")
    });
    keys.finish()?;
    Ok(front_end)
}

/// A clock that is farther off than this, wander and ageing included, is no clock.
const FARTHEST_OFF: f64 = 0.5;

fn timer(mut keys: Keys<'_>, frame: &Frame<'_>) -> Result<Timer, Fault> {
    let bits = keys.whole("bits", 16, (8, 32));
    let timer = Timer {
        tick_hz: keys.whole("tick_hz", 2_000_000, (1_000, 1_000_000_000)),
        bits,
        start: keys.whole("start", 0, (0, (1 << bits) - 1)),
        clock_ppm: keys.number("clock_ppm", 0.0, (-100_000.0, 100_000.0)),
        clock_wander_ppb: keys.number("clock_wander_ppb", 0.0, (0.0, 1e6)),
        clock_wander_s: keys.number("clock_wander_s", 100.0, (0.1, TIME_S.1)),
        temperature_swing_k: keys.number("temperature_swing_k", 0.0, (0.0, 100.0)),
        temperature_period_s: keys.number("temperature_period_s", 86_400.0, (1.0, TIME_S.1)),
        ageing_ppb_day: keys.number("ageing_ppb_day", 0.0, (-1e6, 1e6)),
        capture: keys.word("capture", CaptureKind::Hardware),
        latency_us: latency(&mut keys, "latency_us", [2.0, 10.0]),
        // Captures are served first, as a board must: an overflow tallied before an earlier capture is read cannot be told.
        overflow_latency_us: latency(&mut keys, "overflow_latency_us", [10.0, 20.0]),
        overrun: keys.word("overrun", Overrun::Drop),
        lost_percent: keys.number("lost_percent", 0.0, (0.0, 100.0)),
    };
    let aged = timer.ageing_ppb_day.abs() * 1e-9 * frame.duration_s / 86_400.0;
    let swung = 0.034e-6 * timer.temperature_swing_k * timer.temperature_swing_k;
    let off = timer.clock_ppm.abs() * 1e-6 + 10.0 * timer.clock_wander_ppb * 1e-9 + swung + aged;
    keys.check(off < FARTHEST_OFF, "ageing_ppb_day", || {
        format!(
            "clock_ppm, ten times clock_wander_ppb, temperature and ageing_ppb_day over {} s come to {:.0} %: expected less than 50",
            frame.duration_s,
            100.0 * off
        )
    });
    keys.finish()?;
    Ok(timer)
}

/// `[shortest, longest]` in microseconds.
fn latency(keys: &mut Keys<'_>, key: &'static str, unless_said: [f64; 2]) -> (f64, f64) {
    const SECOND_US: Bounds = (0.0, 1e6);
    let [low, high] = keys.row(key, [("shortest", SECOND_US), ("longest", SECOND_US)]).unwrap_or(unless_said);
    keys.check(low <= high, key, || {
        format!("{key} = [{low}, {high}]: expected the shortest first, then the longest")
    });
    (low, high)
}

fn meter(mut keys: Keys<'_>, frame: &Frame<'_>, tick_hz: u32) -> Result<MeterSettings, Fault> {
    let nominal = match frame.nominal_hz {
        50.0 | 60.0 => Nominal::Auto,
        hz => Nominal::Hertz(hz),
    };
    let base = match keys
        .line("settings")
        .map(|name| MeterSettings::from_toml(named::find(&name)?, Path::new(&name)))
    {
        Some(Ok(named)) => MeterSettings { nominal, ..named },
        Some(Err(error)) => {
            keys.check(false, "settings", || format!("settings: {error}"));
            MeterSettings::default()
        }
        None => MeterSettings { nominal, rocof_s: nominal.rocof_s(), ..MeterSettings::default() },
    };
    let settings = MeterSettings::from_keys(&mut keys, base);
    let refusal = meter_refusal(&settings, tick_hz);
    keys.check(refusal.is_none(), "nominal_hz", || {
        format!("{}; {}", refusal.unwrap_or_default(), settings.nominal)
    });
    keys.finish()?;
    Ok(settings)
}

/// Why no meter can be made of these settings.
fn meter_refusal(settings: &MeterSettings, tick_hz: u32) -> Option<String> {
    let made = || {
        let config = settings.config(tick_hz)?;
        settings.bursts(&config)?;
        engine::engine(settings, &config)?;
        Ok(config)
    };
    match made().map_err(|e: crate::settings::SettingsError| e.to_string()) {
        Ok(config) if settings.intervals => Intervals::new(&config, 10_000).err().map(|e| e.to_string()),
        made => made.err(),
    }
}

/// The most alone, or `[least, most]`.
fn within(keys: &mut Keys<'_>, key: &'static str, bounds: Bounds) -> Option<Within> {
    if !keys.has_list(key) {
        return keys.given(key, bounds).map(|most| (0.0, most));
    }
    let [least, most] = keys.row(key, [("least", (0.0, bounds.1)), ("most", bounds)])?;
    keys.check(least <= most, key, || {
        format!("{key} = [{least}, {most}]: expected the least first, then the most")
    });
    Some((least, most))
}

fn limits(mut keys: Keys<'_>) -> Result<Limits, Fault> {
    const SHARE: Bounds = (0.0, 1.0);
    const MHZ: Bounds = (1e-6, 1e7);
    const HZ_S: Bounds = (1e-6, 1e6);
    const RESPONSE_S: Bounds = (0.001, 1e3);
    let limits = Limits {
        from_s: keys.number("from_s", 0.0, TIME_S),
        max_error_mhz: within(&mut keys, "max_error_mhz", MHZ),
        rms_error_mhz: within(&mut keys, "rms_error_mhz", MHZ),
        max_instant_error_mhz: within(&mut keys, "max_instant_error_mhz", MHZ),
        max_rocof_error_hz_s: within(&mut keys, "max_rocof_error_hz_s", HZ_S),
        max_interval_error_mhz: within(&mut keys, "max_interval_error_mhz", MHZ),
        rms_over_bound: within(&mut keys, "rms_over_bound", (0.01, 1e6)),
        coverage: keys.row("coverage", [("least", SHARE), ("most", SHARE)]).map(Into::into),
        response: keys.row("response", [("error_mhz", MHZ), ("seconds", RESPONSE_S)]).map(Into::into),
        rocof_response: keys
            .row("rocof_response", [("error_hz_s", HZ_S), ("seconds", RESPONSE_S)])
            .map(Into::into),
        lock_s: keys.given("lock_s", TIME_S),
        false_readings: keys.given_whole("false_readings", (0, u32::MAX.into())).map(|n| n as u64),
        unknown_readings: within(&mut keys, "unknown_readings", (0.0, u32::MAX.into())),
    };
    let (least, most) = limits.coverage.unwrap_or_default();
    keys.check(least <= most, "coverage", || {
        format!("coverage = [{least}, {most}]: expected the least share first, then the most")
    });
    if let (Some((_, worst)), Some((_, rms))) = (limits.max_error_mhz, limits.rms_error_mhz) {
        keys.check(rms <= worst, "rms_error_mhz", || {
            format!("rms_error_mhz = {rms} is above max_error_mhz = {worst}, which no set of errors can be")
        });
    }
    keys.finish()?;
    Ok(limits)
}
