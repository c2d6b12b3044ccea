//! Which values a key takes: `front_end.noise_percent=0.01..3:20:log`, `estimator=least-squares,hann`.

use super::{SweepError, key};

/// Steps where none are asked for.
const STEPS: usize = 11;

/// Values of one key, at most.
const MOST_STEPS: usize = 1_000;

/// A number that is varied.
#[derive(Clone, Debug, PartialEq)]
pub struct Vary {
    /// The key's full name.
    pub key: String,
    /// Its values from one end of the range to the other, at least two and no two the same; they may fall.
    pub values: Vec<f64>,
    /// Whether they are evenly spaced by ratio.
    pub log: bool,
    /// Whether the key takes whole numbers only.
    pub whole: bool,
}

impl Vary {
    /// `KEY=FROM..TO`, then in any order `:STEPS` and `:log`.
    ///
    /// # Errors
    /// Anything else, an unknown key, a range without length, a logarithmic one that is not all above zero, 1 step or more than 1000.
    pub fn parse(text: &str) -> Result<Self, SweepError> {
        let wrong = |what: &str| {
            let cut: String = text.chars().take(60).collect();
            SweepError::Key(format!("{cut}: {what}; expected KEY=FROM..TO, then :STEPS or :log or both"))
        };
        let (name, range) = text.split_once('=').ok_or_else(|| wrong("no ="))?;
        let key = key::resolve(name.trim())?;
        if key == "seed" {
            return Err(wrong("seeds are many by --repeat"));
        }
        let mut parts = range.split(':');
        let ends = parts.next().unwrap_or_default().split_once("..").ok_or_else(|| wrong("no FROM..TO"))?;
        let end = |text: &str| text.trim().parse().ok().filter(|end: &f64| end.is_finite());
        let (Some(from), Some(to)) = (end(ends.0), end(ends.1)) else {
            return Err(wrong("its ends are not both numbers"));
        };
        let (mut steps, mut log) = (None, false);
        for part in parts {
            match part.trim().parse::<usize>() {
                Ok(count) if steps.is_none() && (2..=MOST_STEPS).contains(&count) => steps = Some(count),
                Ok(_) => return Err(wrong(&format!("steps are 2 to {MOST_STEPS}, once"))),
                Err(_) if part.trim() == "log" && !log => log = true,
                Err(_) => return Err(wrong("neither a number of steps nor log")),
            }
        }
        if from == to {
            return Err(wrong("its range has no length"));
        }
        if log && (from <= 0.0 || to <= 0.0) {
            return Err(wrong("a logarithmic range lies above zero"));
        }
        let steps = steps.unwrap_or(STEPS);
        let values = (0..steps).map(|k| match k {
            0 => from,
            k if k == steps - 1 => to,
            k => between(from, to, k as f64 / (steps - 1) as f64, log),
        });
        Ok(Self { key, values: distinct(values.collect()), log, whole: false })
    }

    /// The same for a key that takes whole numbers only.
    pub(super) fn of_whole(self) -> Self {
        let rounded = self.values.iter().map(|value| value.round()).collect();
        Self { values: distinct(rounded), whole: true, ..self }
    }

    /// First and last value.
    pub fn ends(&self) -> (f64, f64) {
        let end = |value: Option<&f64>| value.copied().unwrap_or_default();
        (end(self.values.first()), end(self.values.last()))
    }

    /// A value between two of them that a person would write; `None` where there is none, or none worth a trial: two whole numbers without one between
    /// them, or less than half a percent of the larger or a ten-thousandth of the range apart.
    pub fn middle(&self, low: f64, high: f64) -> Option<f64> {
        let (from, to) = self.ends();
        let distance = (high - low).abs();
        // Even steps may cross zero, where half a percent is nothing.
        let least = if self.log { 0.0 } else { 1e-4 * (to - from).abs() };
        if distance <= least.max(0.005 * low.abs().max(high.abs())) {
            return None;
        }
        let middle = between(low, high, 0.5, self.log);
        let middle = if self.whole { middle.round() } else { middle };
        // Of whole numbers two apart, the one between them.
        let middle = if middle == low || middle == high { ((low + high) / 2.0).floor() } else { middle };
        (middle > low.min(high) && middle < low.max(high)).then_some(middle)
    }
}

fn distinct(mut values: Vec<f64>) -> Vec<f64> {
    values.dedup();
    values
}

/// The value `share` of the way, to as many digits as tell values apart: four of a ratio, a hundred-thousandth of a distance.
fn between(from: f64, to: f64, share: f64, log: bool) -> f64 {
    let (exact, unit) = if log {
        let exact = from * libm::pow(to / from, share);
        (exact, exact.abs() * 1e-3)
    } else {
        (from + (to - from) * share, (to - from).abs() * 1e-5)
    };
    // By decimal digits, so that 0.3 is 0.3.
    let decimals = -unit.log10().floor();
    match decimals {
        d if d > 300.0 || !d.is_finite() => exact,
        d if d >= 0.0 => format!("{exact:.*}", d as usize).parse().unwrap_or(exact),
        d => {
            let unit = libm::pow(10.0, -d);
            (exact / unit).round() * unit
        }
    }
}

/// Settings side by side.
#[derive(Clone, Debug, PartialEq)]
pub struct Across {
    /// The key's full name.
    pub key: String,
    /// Its values as they were given.
    pub values: Vec<String>,
}

impl Across {
    /// `KEY=VALUE,VALUE,...`
    ///
    /// # Errors
    /// Anything else, an unknown key, a value twice.
    pub fn parse(text: &str) -> Result<Self, SweepError> {
        let wrong = |what: &str| {
            let cut: String = text.chars().take(60).collect();
            SweepError::Key(format!("{cut}: {what}; expected KEY=VALUE,VALUE,..."))
        };
        let (name, values) = text.split_once('=').ok_or_else(|| wrong("no ="))?;
        let key = key::resolve(name.trim())?;
        if key == "seed" {
            return Err(wrong("seeds are many by --repeat"));
        }
        let values: Vec<String> = values.split(',').map(|value| value.trim().to_owned()).collect();
        let fits = |value: &String| !value.is_empty() && !value.chars().any(char::is_control);
        if !values.iter().all(fits) {
            return Err(wrong("a value is missing"));
        }
        let twice = values.iter().enumerate().find(|(i, value)| values[..*i].contains(value));
        if let Some((_, value)) = twice {
            return Err(wrong(&format!("{value} comes twice")));
        }
        if values.len() > 20 {
            return Err(wrong("more than 20 values"));
        }
        Ok(Self { key, values })
    }
}

/// `value` as TOML writes it: a number or a truth value as it is, else text.
pub(super) fn toml(value: &str) -> String {
    match value.parse::<f64>() {
        Ok(number) if number.is_finite() => number_as_toml(number),
        _ if matches!(value, "true" | "false") => value.into(),
        _ => toml::Value::String(value.into()).to_string(),
    }
}

/// Where it is whole without a point, as keys for whole numbers take it.
pub(super) fn number_as_toml(number: f64) -> String {
    // Integers of TOML end at 2^63; what is whole above 2^53 is a double by chance.
    if number.fract() == 0.0 && number.abs() > 9e15 { format!("{number:e}") } else { number.to_string() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn values(text: &str) -> Vec<f64> {
        Vary::parse(text).unwrap().values
    }

    #[test]
    fn ranges_and_steps() {
        assert_eq!(values("noise_percent=0..1:6"), [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]);
        assert_eq!(values("noise_percent=0.1..10:log:5"), [0.1, 0.3162, 1.0, 3.162, 10.0]);
        assert_eq!(values("noise_percent = 3..1:3"), [3.0, 2.0, 1.0]);
        assert_eq!(values("timer.clock_ppm=-100..100:3"), [-100.0, 0.0, 100.0]);
        assert_eq!(values("window_s=.1...5:2"), [0.1, 0.5]);
        assert_eq!(values("tick_hz=1e5..1e7:log:3"), [1e5, 1e6, 1e7]);
        assert_eq!(values("noise_percent=0..1").len(), STEPS);
        let whole = Vary::parse("bits=8..11:7").unwrap().of_whole();
        assert!(whole.whole && whole.values == [8.0, 9.0, 10.0, 11.0], "{whole:?}");
    }

    #[test]
    fn what_is_no_range_is_refused() {
        for (text, why) in [
            ("noise_percent", "no ="),
            ("noise_percent=1", "no FROM..TO"),
            ("noise_percent=1..x", "not both numbers"),
            ("noise_percent=1..inf", "not both numbers"),
            ("noise_percent=1..1", "no length"),
            ("noise_percent=0..1:log", "above zero"),
            ("noise_percent=0..1:1", "2 to 1000"),
            ("noise_percent=0..1:1001", "2 to 1000"),
            ("noise_percent=0..1:5:5", "2 to 1000"),
            ("noise_percent=0..1:lin", "neither"),
            ("seed=1..9", "--repeat"),
            ("noise_pct=0..1", "did you mean front_end.noise_percent?"),
        ] {
            let message = Vary::parse(text).unwrap_err().to_string();
            assert!(message.contains(why), "{message}");
        }
    }

    #[test]
    fn a_middle_is_between_or_there_is_none() {
        let log = Vary::parse("noise_percent=0.01..10:log").unwrap();
        assert_eq!(log.middle(1.0, 4.0), Some(2.0));
        assert_eq!((log.middle(1.0, 1.004), log.middle(4.0, 1.0)), (None, Some(2.0)));
        let even = Vary::parse("clock_wander_ppb=0..100").unwrap();
        assert_eq!((even.middle(0.0, 10.0), even.middle(0.0, 0.009)), (Some(5.0), None));
        let whole = Vary::parse("bits=8..32").unwrap().of_whole();
        assert_eq!(
            (whole.middle(8.0, 11.0), whole.middle(8.0, 10.0), whole.middle(8.0, 9.0)),
            (Some(10.0), Some(9.0), None)
        );
        let ticks = Vary { log: true, ..Vary::parse("tick_hz=1000..1e9").unwrap().of_whole() };
        assert_eq!((ticks.middle(2e6, 2.009e6), ticks.middle(2e6, 2.02e6)), (None, Some(2.01e6)));
    }

    #[test]
    fn settings_side_by_side() {
        let across = Across::parse("estimator=least-squares, hann").unwrap();
        assert_eq!((across.key.as_str(), across.values.len()), ("meter.estimator", 2));
        for (text, why) in
            [("estimator", "no ="), ("estimator=a,", "missing"), ("estimator=a,b,a", "a comes twice")]
        {
            assert!(Across::parse(text).unwrap_err().to_string().contains(why));
        }
        assert_eq!(
            [toml("hann"), toml("1e3"), toml("0.25"), toml("true"), toml("a\"b")],
            ["\"hann\"", "1000", "0.25", "true", "'a\"b'"]
        );
    }
}
