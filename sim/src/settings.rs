//! Settings of a meter in a user's units: checked, with the nearest known key for a mistyped one.

use std::path::{Path, PathBuf};

use humtick::limit::{
    MAX_CLOCK_PPB, MAX_COAST, MAX_GATE_FACTOR, MAX_GATE_FLOOR_PPM, MAX_HOLDOFF_PERMILLE, MIN_COAST,
    MIN_GATE_FACTOR,
};
use humtick::{Bursts, Config, Frequency, Pick, Polarity, TickRate, Ticks};

use crate::keys::{Bounds, Keys};

mod changes;
pub mod named;

pub use changes::Changes;

/// Which estimator a meter uses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum EstimatorKind {
    /// The last single period.
    LastPeriod,
    /// First and last crossing of the window over the cycles between them.
    EndToEnd,
    /// Mean of the window's last half against its first half.
    Triangular,
    /// Least-squares line through all crossings of the window.
    LeastSquares,
    /// Biweight taper.
    Biweight,
    /// Hann taper.
    Hann,
    /// Kaiser taper, beta 6.
    Kaiser,
}

impl EstimatorKind {
    /// The name on the command line and in files.
    pub const fn name(self) -> &'static str {
        match self {
            Self::LastPeriod => "last-period",
            Self::EndToEnd => "end-to-end",
            Self::Triangular => "triangular",
            Self::LeastSquares => "least-squares",
            Self::Biweight => "biweight",
            Self::Hann => "hann",
            Self::Kaiser => "kaiser",
        }
    }
}

/// Which edges begin a cycle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum PolarityKind {
    /// Upward crossings.
    Rising,
    /// Downward crossings.
    Falling,
    /// Both, as two interleaved chains: DC and even harmonics cancel.
    Both,
}

impl PolarityKind {
    /// Whether edges of `polarity` are used.
    pub fn uses(self, polarity: Polarity) -> bool {
        self == Self::Both || polarity == self.first()
    }

    /// The polarity whose crossings number the cycles.
    pub const fn first(self) -> Polarity {
        match self {
            Self::Rising | Self::Both => Polarity::Rising,
            Self::Falling => Polarity::Falling,
        }
    }
}

/// Which instant of a burst of edges stands for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum BurstKind {
    /// The first edge, at once.
    First,
    /// Half way between the first edge and the last.
    Middle,
    /// The mean of all edges.
    Mean,
}

/// Frequencies that can be asked for.
const NOMINAL_HZ: Bounds = (0.1, 100_000.0);

/// The frequency range in which a meter looks for a period.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Nominal {
    /// Mains of either kind: 40 to 70 Hz.
    Auto,
    /// Around this many hertz: four fifths of it to five quarters.
    Hertz(f64),
}

impl std::str::FromStr for Nominal {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if text == "auto" {
            return Ok(Self::Auto);
        }
        match text.parse::<f64>() {
            Ok(hz) if (NOMINAL_HZ.0..=NOMINAL_HZ.1).contains(&hz) => Ok(Self::Hertz(hz)),
            _ => Err("expected auto, or hertz from 0.1 to 100000".into()),
        }
    }
}

impl Nominal {
    /// Lowest and highest frequency in hertz.
    pub fn range_hz(self) -> (f64, f64) {
        match self {
            Self::Auto => (40.0, 70.0),
            Self::Hertz(hz) => (hz * 0.8, hz * 1.25),
        }
    }
}

impl Nominal {
    /// Window for the rate of change, in seconds: 0.409, or twenty cycles where they last longer.
    pub fn rocof_s(self) -> f64 {
        match self {
            Self::Hertz(hz) if hz < 50.0 => 20.45 / hz,
            _ => 0.409,
        }
    }
}

impl std::fmt::Display for Nominal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (low, high) = self.range_hz();
        match self {
            Self::Auto => write!(f, "nominal found by itself, {low} to {high} Hz"),
            Self::Hertz(hz) => write!(f, "nominal {hz} Hz, {low} to {high} Hz"),
        }
    }
}

/// Everything a meter can be told, in hertz, seconds, fractions and ppm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeterSettings {
    /// Where to look for a period.
    pub nominal: Nominal,
    /// How a period is taken from the window.
    pub estimator: EstimatorKind,
    /// Which edges begin a cycle.
    pub polarity: PolarityKind,
    /// Window in seconds, 0.001 to 1000.
    pub window_s: f64,
    /// Seconds from reading to reading, 0.001 to 1000.
    pub every_s: f64,
    /// Window for the rate of change of frequency in seconds, 0.001 to 1000; twenty cycles at 50 Hz, twenty-five at 60, unless said.
    pub rocof_s: f64,
    /// Which instant of a burst is taken.
    pub burst: BurstKind,
    /// Longest burst as a fraction of the shortest period, 0.001 to 0.4.
    pub burst_span: f64,
    /// Whether ten-second intervals after IEC 61000-4-30 are read as well.
    pub intervals: bool,
    /// Dead time after an accepted edge, as a fraction of the shortest period, 0 to 0.9.
    pub holdoff: f64,
    /// Half width of the gate in multiples of the mean absolute deviation, 3 to 50.
    pub gate_factor: u8,
    /// Least half width of the gate as a fraction of the shortest period, 0 to 0.25.
    pub gate_floor: f64,
    /// Cycles without a crossing after which the signal is lost, 4 to 250.
    pub coast_cycles: u8,
    /// Known error of the capture clock in ppm, -100000 to 100000; +100 counts 100 ppm too many.
    pub clock_ppm: f64,
    /// What the clock may be off beyond that, in ppm, 0 to 100000.
    pub clock_tolerance_ppm: f64,
}

impl Default for MeterSettings {
    fn default() -> Self {
        Self {
            nominal: Nominal::Auto,
            estimator: EstimatorKind::LeastSquares,
            polarity: PolarityKind::Rising,
            window_s: 1.0,
            every_s: 0.1,
            rocof_s: 0.409,
            burst: BurstKind::First,
            burst_span: 0.1,
            intervals: false,
            holdoff: 0.5,
            gate_factor: 6,
            gate_floor: 0.0005,
            coast_cycles: 25,
            clock_ppm: 0.0,
            clock_tolerance_ppm: 50.0,
        }
    }
}

/// Settings that cannot be used: the file and line if they came from a file, what was expected.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The settings file cannot be read.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A line of a settings file is wrong.
    #[error("{}:{line}: {what}", path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// Line counted from 1.
        line: usize,
        /// What was found and what was expected.
        what: String,
    },
    /// A value is outside its range, or the values do not fit together.
    #[error("{0}")]
    Value(String),
}

impl MeterSettings {
    /// The settings in a TOML file, defaults for what it does not name; or, where no file is called so, those that come with the program under its name ([`named`]).
    ///
    /// # Errors
    /// With file and line: not TOML, an unknown key (the nearest known one is named), a value of the wrong type or outside its
    /// range.
    pub fn from_file(path: &Path) -> Result<Self, SettingsError> {
        Ok(Changes::from_file(path)?.over(Self::default()))
    }

    /// As [`MeterSettings::from_file`], from `text`; `path` is for the messages.
    ///
    /// # Errors
    /// As there.
    pub fn from_toml(text: &str, path: &Path) -> Result<Self, SettingsError> {
        Ok(Changes::from_toml(text, path)?.over(Self::default()))
    }

    /// What `keys` say, `base` for what they do not.
    pub(crate) fn from_keys(keys: &mut Keys<'_>, base: Self) -> Self {
        let nominal = keys.given("nominal_hz", NOMINAL_HZ).map_or(base.nominal, Nominal::Hertz);
        // A window that `base` has by default is the default here too.
        let is_default = base.rocof_s == base.nominal.rocof_s();
        let mut settings = Self {
            nominal,
            rocof_s: if is_default { nominal.rocof_s() } else { base.rocof_s },
            estimator: keys.word("estimator", base.estimator),
            polarity: keys.word("polarity", base.polarity),
            burst: keys.word("burst", base.burst),
            intervals: keys.flag("intervals", base.intervals),
            ..base
        };
        for (key, value, bounds) in settings.numbers() {
            *value = keys.number(key, *value, bounds);
        }
        for (key, value, (low, high)) in settings.counts() {
            *value = keys.whole(key, *value, (low.into(), high.into()));
        }
        settings
    }

    /// Key, value and range of each number.
    fn numbers(&mut self) -> [(&'static str, &mut f64, Bounds); 8] {
        let clock_ppm = f64::from(MAX_CLOCK_PPB) / 1e3;
        [
            ("window_s", &mut self.window_s, (0.001, 1_000.0)),
            ("every_s", &mut self.every_s, (0.001, 1_000.0)),
            ("rocof_s", &mut self.rocof_s, (0.001, 1_000.0)),
            ("burst_span", &mut self.burst_span, (0.001, 0.4)),
            ("holdoff", &mut self.holdoff, (0.0, f64::from(MAX_HOLDOFF_PERMILLE) / 1e3)),
            ("gate_floor", &mut self.gate_floor, (0.0, f64::from(MAX_GATE_FLOOR_PPM) / 1e6)),
            ("clock_ppm", &mut self.clock_ppm, (-clock_ppm, clock_ppm)),
            ("clock_tolerance_ppm", &mut self.clock_tolerance_ppm, (0.0, clock_ppm)),
        ]
    }

    /// Key, value and range of each whole number.
    fn counts(&mut self) -> [(&'static str, &mut u8, (u8, u8)); 2] {
        [
            ("gate_factor", &mut self.gate_factor, (MIN_GATE_FACTOR, MAX_GATE_FACTOR)),
            ("coast_cycles", &mut self.coast_cycles, (MIN_COAST, MAX_COAST)),
        ]
    }

    /// What is wrong with the first value outside its range.
    fn out_of_range(&self) -> Option<String> {
        let nominal = match self.nominal {
            Nominal::Auto => 50.0,
            Nominal::Hertz(hz) => hz,
        };
        let (mut numbers, mut counts) = (*self, *self);
        let numbers = numbers.numbers().map(|(key, value, bounds)| (key, *value, bounds));
        let counts = counts
            .counts()
            .map(|(key, value, (low, high))| (key, f64::from(*value), (f64::from(low), f64::from(high))));
        [("nominal_hz", nominal, NOMINAL_HZ)]
            .into_iter()
            .chain(numbers)
            .chain(counts)
            .find(|(_, value, (low, high))| !(*low..=*high).contains(value))
            .map(|(key, value, (low, high))| format!("{key} = {value} is outside {low} to {high}"))
    }

    /// The core's configuration for a counter of `tick_hz`.
    ///
    /// # Errors
    /// A value outside its range, or values that do not fit the tick rate; the message says which and what to do.
    pub fn config(&self, tick_hz: u32) -> Result<Config, SettingsError> {
        if let Some(what) = self.out_of_range() {
            return Err(SettingsError::Value(what));
        }
        let rate = TickRate::from_hz(tick_hz).ok_or_else(|| {
            SettingsError::Value(format!("a tick rate of {tick_hz} Hz is outside 1 kHz to 1 GHz"))
        })?;
        let (low, high) = self.nominal.range_hz();
        Ok(Config {
            lowest: Frequency::from_nanohertz(scaled(low, 1e9)),
            highest: Frequency::from_nanohertz(scaled(high, 1e9)),
            polarity: self.polarity.first(),
            holdoff_permille: scaled(self.holdoff, 1e3) as u16,
            gate_factor: self.gate_factor,
            gate_floor_ppm: scaled(self.gate_floor, 1e6) as u32,
            coast_cycles: self.coast_cycles,
            window_ms: scaled(self.window_s, 1e3) as u32,
            every_ms: scaled(self.every_s, 1e3) as u32,
            rocof_ms: scaled(self.rocof_s, 1e3) as u32,
            clock_ppb: (self.clock_ppm * 1e3).round() as i32,
            clock_tolerance_ppb: scaled(self.clock_tolerance_ppm, 1e3) as u32,
            ..Config::mains(rate)
        })
    }
}

impl MeterSettings {
    /// The stage that gathers bursts, if one is needed.
    ///
    /// # Errors
    /// A span that is no whole number of ticks that the core takes.
    pub fn bursts(&self, config: &Config) -> Result<Option<Bursts>, SettingsError> {
        let pick = match self.burst {
            BurstKind::First => return Ok(None),
            BurstKind::Middle => Pick::Middle,
            BurstKind::Mean => Pick::Mean,
        };
        let span = self.burst_span / self.nominal.range_hz().1 * f64::from(config.rate.hz());
        Bursts::new(pick, Ticks::new(span.round() as u32)).map(Some).map_err(|_| {
            SettingsError::Value(format!(
                "burst_span = {} is {span:.1} ticks, outside 1 to 16777215",
                self.burst_span
            ))
        })
    }
}

/// A checked, non-negative `value` times `unit`, to the nearest integer.
fn scaled(value: f64, unit: f64) -> u64 {
    (value * unit).round() as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keys::listed;

    fn refusal(text: &str) -> String {
        MeterSettings::from_toml(text, Path::new("cellar.toml")).unwrap_err().to_string()
    }

    #[test]
    fn an_empty_file_gives_the_defaults_and_keys_replace_them() {
        let read = |text| MeterSettings::from_toml(text, Path::new("x")).unwrap();
        assert_eq!(read(""), MeterSettings::default());
        let settings =
            read("estimator = \"end-to-end\"\nwindow_s = 10.0\nnominal_hz = 60\npolarity = \"falling\"");
        assert_eq!(settings.estimator, EstimatorKind::EndToEnd);
        assert_eq!(settings.nominal, Nominal::Hertz(60.0));
        assert_eq!((settings.window_s, settings.polarity), (10.0, PolarityKind::Falling));
    }

    #[test]
    fn errors_name_file_line_key_and_what_was_expected() {
        let unknown = refusal("window_s = 1.0\nholdof = 0.5\n");
        assert!(
            unknown.starts_with("cellar.toml:2: unknown key \"holdof\"; did you mean holdoff?"),
            "{unknown}"
        );
        assert_eq!(refusal("\n\nholdoff = 1.5\n"), "cellar.toml:3: holdoff = 1.5 is outside 0 to 0.9");
        assert!(
            refusal("\nwindow_s = \"long\"\n")
                .contains(":2: window_s = \"long\" is not a number; expected 0.001")
        );
        assert!(refusal("estimator = \"best\"").contains("Expected last-period, end-to-end, triangular"));
        assert!(refusal("estimator = \"leastsquare\"").contains("did you mean least-squares?"));
        assert!(refusal("\n\nintervals = 1").contains(":3: intervals = 1 is neither true nor false"));
        assert!(refusal("coast_cycles = 2.5").contains("is not a whole number; expected 4 to 250"));
        assert!(refusal("window_s = \n").starts_with("cellar.toml:1: "));
        assert!(refusal("window_s = nan").contains("window_s = nan is outside 0.001 to 1000"));
    }

    #[test]
    fn the_core_accepts_the_defaults_as_its_own() {
        let config = MeterSettings::default().config(2_000_000).unwrap();
        assert_eq!(config, Config::mains(TickRate::from_hz(2_000_000).unwrap()));
    }

    /// The table in the README has a row for every key, with its default and its range.
    #[test]
    fn the_readme_lists_every_key() {
        let readme =
            std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../README.md")).unwrap();
        let row =
            |key: &str| readme.lines().find(|line| line.starts_with(&format!("| `{key}` |"))).expect(key);
        let unknown = refusal("x = 1");
        let known = unknown.split("Known: ").nth(1).unwrap().split(", ");
        assert_eq!(known.inspect(|key| assert!(row(key).matches('|').count() == 5, "{key}")).count(), 15);
        let mut settings = MeterSettings::default();
        for (key, value, (low, high)) in settings.numbers() {
            assert!(row(key).contains(&format!("| {value} | {low} to {high} |")), "{key}");
        }
        for (key, value, (low, high)) in settings.counts() {
            assert!(row(key).contains(&format!("| {value} | {low} to {high} |")), "{key}");
        }
        assert!(row("nominal_hz").contains(&format!("| {} to {} |", NOMINAL_HZ.0, NOMINAL_HZ.1)));
        for (key, words) in [
            ("estimator", listed::<EstimatorKind>()),
            ("polarity", listed::<PolarityKind>()),
            ("burst", listed::<BurstKind>()),
        ] {
            assert!(words.split(", ").all(|word| row(key).contains(&format!("`\"{word}\"`"))), "{key}");
        }
    }
}
