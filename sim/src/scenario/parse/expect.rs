//! `expect.toml`, beside a recording: what is known of it, the meter it goes through, and what the readings are held to.

use std::fs;
use std::path::{Path, PathBuf};

use humtick::limit::{MAX_TICK_HZ, MIN_TICK_HZ};

use super::super::{Instead, Recorded, Scenario, ScenarioError};
use super::{Frame, LASTING_S};
use crate::front_end::{FrontEnd, Threshold};
use crate::input::{self, InputError, InputOptions};
use crate::keys::{Fault, Keys};

/// What a file of expectations is called, or what its name ends in behind a dot.
const NAME: &str = "expect.toml";

/// Endings of recordings.
const ENDINGS: [&str; 4] = ["csv", "vcd", "wav", "cfg"];

impl Scenario {
    /// Whether a file of this name holds expectations of a recording: `expect.toml`, or `NAME.expect.toml`.
    pub fn is_expectation(path: &Path) -> bool {
        path.file_name().and_then(|name| name.to_str()).is_some_and(|name| stem(name).is_some())
    }

    /// As [`Scenario::from_toml_with`], of a recording in place of a board. `path` is `NAME.expect.toml` beside `NAME.csv` (or `.vcd`, `.wav`,
    /// `.cfg`), or `expect.toml` in a folder with one recording.
    ///
    /// Of a scenario's tables there are `[grid]`, which is what the frequency is known to have been (a generator's, or a series beside it whose times
    /// count from the recording's start, such as readings that were accepted), `[meter]` and `[limits]`; `[recording]` takes what `humtick measure` takes as options. The recording is read through once for its
    /// length.
    ///
    /// # Errors
    /// As there; no recording, or several of them; a recording that cannot be read.
    pub fn expected(text: &str, path: &Path, instead: Instead) -> Result<Self, ScenarioError> {
        let fault = |fault: Fault| ScenarioError::Line {
            path: path.into(),
            line: fault.line(text),
            what: fault.what,
        };
        let recording = beside(path)?;
        let mut keys = Keys::parse(text).map_err(fault)?;
        let name = keys
            .line("name")
            .unwrap_or_else(|| recording.file_name().unwrap_or_default().to_string_lossy().into_owned());
        let nominal_hz = keys.number("nominal_hz", 50.0, (0.5, 10_000.0));
        if !keys.has("grid") {
            keys.need("[grid]", "what the frequency is known to have been, as in a scenario: a generator's, or readings that were accepted");
        }
        let [grid, input, meter, limits] =
            ["grid", "recording", "meter", "limits"].map(|key| keys.table(key));
        keys.finish().map_err(fault)?;
        let mut frame = Frame { path, duration_s: LASTING_S.1, nominal_hz, recorded: true };
        let input = self::input(input).map_err(fault)?;
        let limits = super::limits(limits).map_err(fault)?;
        // The rate is the recording's: here any will do, as for a file of settings.
        let meter = super::meter(meter, &frame, 2_000_000).map_err(fault)?;
        let (tick_hz, ticks) = length(&recording, input.clone().for_meter(&meter))?;
        // By a clock that is off by what the meter is told of it. The last edge is in it.
        let rate = f64::from(tick_hz) * (1.0 + meter.clock_ppm * 1e-6);
        let all_s = (ticks + 1) as f64 / rate;
        frame.duration_s = instead.duration_s.unwrap_or(all_s).min(all_s);
        let mut scenario = Self::from_toml("", path)?;
        scenario.grid = super::grid::read(grid, &frame).map_err(fault)?;
        (scenario.timer.tick_hz, scenario.timer.clock_ppm) = (tick_hz, meter.clock_ppm);
        let recording = Some(Recorded { path: recording, input });
        Ok(Self { name, duration_s: frame.duration_s, nominal_hz, meter, limits, recording, ..scenario })
    }
}

/// What stands before [`NAME`], without the dot between; `None` of another file.
fn stem(name: &str) -> Option<&str> {
    match name.strip_suffix(NAME)? {
        "" => Some(""),
        stem => stem.strip_suffix('.').filter(|stem| !stem.is_empty()),
    }
}

/// The recording that `path` speaks of.
fn beside(path: &Path) -> Result<PathBuf, ScenarioError> {
    let io = |source| ScenarioError::Io { path: path.into(), source };
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let stem = stem(&name).unwrap_or_default();
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).map_err(io)? {
        let file = entry.map_err(io)?.path();
        let ending = file.extension().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
        let same = stem.is_empty() || file.file_stem().is_some_and(|own| own == stem);
        if same && ENDINGS.contains(&ending.as_str()) {
            found.push(file);
        }
    }
    let all =
        if stem.is_empty() { "recording".to_owned() } else { format!("{stem}.csv, .vcd, .wav or .cfg") };
    match (found.pop(), found.len()) {
        (Some(only), 0) => Ok(only),
        (one, others) => {
            let what = if one.is_some() {
                format!(
                    "there are {} recordings beside it, expected one: give each a file of its own, called as the recording is with \
                     .{NAME} in place of its ending",
                    others + 1
                )
            } else {
                format!("there is no {all} beside it")
            };
            Err(ScenarioError::Recording(InputError::file(path, what)))
        }
    }
}

fn input(mut keys: Keys<'_>) -> Result<InputOptions, Fault> {
    let usual = FrontEnd::default();
    let options = InputOptions {
        tick_hz: keys.given_whole("tick_hz", (MIN_TICK_HZ.into(), MAX_TICK_HZ.into())).map(|hz| hz as u32),
        bits: keys.given_whole("bits", (8, 32)).map(|bits| bits as u32),
        signal: keys.line("signal"),
        channel: keys.line("channel"),
        front_end: FrontEnd {
            follow_mean: keys.word("threshold", Threshold::Mean) == Threshold::Mean,
            lowpass_hz: keys.given("lowpass_hz", (0.1, 1e7)),
            hysteresis_percent: keys.number("hysteresis_percent", usual.hysteresis_percent, (0.0, 100.0)),
        },
        ..InputOptions::default()
    };
    keys.finish()?;
    Ok(options)
}

/// Ticks a second, and how many the recording lasts.
fn length(path: &Path, options: InputOptions) -> Result<(u32, u64), InputError> {
    let recording = input::open(path, &options)?;
    let (tick_hz, mut last) = (recording.tick_hz, 0);
    for edge in recording.edges {
        last = edge?.ticks;
    }
    Ok((tick_hz, last.max(recording.end.ticks())))
}

#[cfg(test)]
mod tests {
    use super::*;

    const EDGES: &str = "# tick_hz = 1000\nticks\n20\n40\n60\n";

    fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for (name, text) in files {
            fs::write(folder.path().join(name), text).unwrap();
        }
        folder
    }

    #[test]
    fn names_of_expectations() {
        for name in ["expect.toml", "a/expect.toml", "saw.expect.toml", "16.7.expect.toml"] {
            assert!(Scenario::is_expectation(Path::new(name)), "{name}");
        }
        for name in ["saw.toml", ".expect.toml", "unexpect.toml", "expect.toml/saw.toml", ""] {
            assert!(!Scenario::is_expectation(Path::new(name)), "{name}");
        }
    }

    #[test]
    fn a_recording_gives_rate_and_length() {
        let folder = folder(&[("saw.csv", EDGES), ("drill.csv", EDGES)]);
        let path = folder.path().join("saw.expect.toml");
        let text = "[grid]\noffset_mhz = 3\n[meter]\nclock_ppm = 1000\n[limits]\nlock_s = 2\n";
        let scenario = Scenario::expected(text, &path, Instead::default()).unwrap();
        assert_eq!((scenario.name.as_str(), scenario.timer.tick_hz), ("saw.csv", 1_000));
        assert_eq!((scenario.grid.offset_mhz, scenario.limits.lock_s), (3.0, Some(2.0)));
        assert!((scenario.duration_s - 0.061 / 1.001).abs() < 1e-12, "{}", scenario.duration_s);
        assert_eq!(scenario.recording.unwrap().path, folder.path().join("saw.csv"));
        let shorter = Instead { duration_s: Some(0.05), ..Instead::default() };
        assert_eq!(Scenario::expected(text, &path, shorter).unwrap().duration_s, 0.05);
    }

    #[test]
    fn what_is_wrong_is_named() {
        let folder = folder(&[("saw.csv", EDGES), ("drill.csv", EDGES), ("torn.csv", "ticks\n")]);
        let said = |name: &str, text: &str| {
            Scenario::expected(text, &folder.path().join(name), Instead::default()).unwrap_err().to_string()
        };
        assert!(said("expect.toml", "").contains("expect.toml: there are 3 recordings beside it"));
        assert!(said("pump.expect.toml", "").contains("there is no pump.csv, .vcd, .wav or .cfg beside it"));
        assert!(
            said("saw.expect.toml", "").contains("saw.expect.toml:1: [grid] is missing: expected what the")
        );
        let front = said("saw.expect.toml", "\n[front_end]\n");
        assert!(front.contains("saw.expect.toml:2: unknown key \"front_end\""), "{front}");
        assert!(
            said("saw.expect.toml", "[grid]\n[recording]\nbits = 7")
                .contains(":3: [recording] bits = 7 is outside")
        );
        assert!(said("torn.expect.toml", "[grid]").contains("torn.csv"));
    }
}
