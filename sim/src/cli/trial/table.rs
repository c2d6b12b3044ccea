//! A score as a table to read.

use std::io::{self, Write};

use humtick_sim::scenario::{CaptureKind, Scenario};
use humtick_sim::score::{Errors, Held, Score};

use crate::cli::plain;

/// Writes the whole.
pub fn write(out: &mut impl Write, scenario: &Scenario, score: &Score) -> io::Result<()> {
    writeln!(out, "{}\n", plain(&head(scenario)))?;
    errors(out, scenario, score)?;
    writeln!(out)?;
    shares(out, scenario, score)?;
    writeln!(out)?;
    counts(out, score)?;
    writeln!(out)?;
    verdict(out, &score.held(&scenario.limits))
}

/// What was simulated.
fn head(scenario: &Scenario) -> String {
    let (timer, meter) = (&scenario.timer, &scenario.meter);
    let readings = format!(
        "{}, {} s window, every {} s; clock within {} ppm",
        meter.estimator.name(),
        meter.window_s,
        meter.every_s,
        meter.clock_tolerance_ppm
    );
    if scenario.recording.is_some() {
        return format!(
            "{}: {:.3} s recorded around {} Hz; counter at {} MHz; {readings}",
            scenario.name,
            scenario.duration_s,
            scenario.nominal_hz,
            f64::from(timer.tick_hz) / 1e6
        );
    }
    let capture = match timer.capture {
        CaptureKind::Hardware => "hardware capture",
        CaptureKind::Interrupt => "stamped by interrupt",
    };
    format!(
        "{}: {} s at {} Hz, seed {}; {}-bit counter at {} MHz, {capture}; {readings}",
        scenario.name,
        scenario.duration_s,
        scenario.nominal_hz,
        scenario.seed,
        timer.bits,
        f64::from(timer.tick_hz) / 1e6
    )
}

fn errors(out: &mut impl Write, scenario: &Scenario, score: &Score) -> io::Result<()> {
    let unit = Unit::of(score);
    let head = format!("error, {}", unit.name);
    writeln!(out, "{head:<28}{:>12}{:>12}{:>12}", "bias", "rms", "worst")?;
    row(out, &unit, "against the window's truth", &score.window)?;
    row(out, &unit, "  whole windows alone", &score.whole)?;
    row(out, &unit, "against the middle's truth", &score.instant)?;
    row(out, &unit, "clock apart", &score.apart)?;
    if score.window.count > 0 {
        let clock = unit.figure(Some(score.clock_hz(scenario.nominal_hz)));
        writeln!(out, "{:<28}{clock:>12}", "  of the clock, all the time")?;
    }
    if let Some((worst, at)) = score.rocof.worst {
        let hz_s = |value: Option<f64>| value.map_or("-".into(), |value| format!("{value:.4}"));
        let [bias, rms, worst] = [score.rocof.bias(), score.rocof.rms(), Some(worst)].map(hz_s);
        writeln!(
            out,
            "{:<28}{bias:>12}{rms:>12}{worst:>12}  at {:.3} s",
            "rate of change, Hz/s",
            at.seconds()
        )?;
    }
    if score.intervals.count > 0 {
        row(out, &unit, "ten-second intervals", &score.intervals)?;
    }
    let ratio = match (score.over_bound(), score.doubt()) {
        (Some(ratio), _) => format!("  {ratio:.2} times that, clock apart"),
        (None, Some(doubt)) => format!("  does not hold: {doubt}"),
        (None, None) => String::new(),
    };
    let bound = unit.figure(score.bound_hz());
    // Under the column of the root mean squares.
    let ratio = if ratio.is_empty() { ratio } else { format!("{:12}{ratio}", "") };
    writeln!(out, "{:<28}{:>12}{bound:>12}{ratio}", "noise permits, whole window", "")?;
    if score.bound.noise_s.is_infinite() {
        return Ok(());
    }
    let us = |seconds: f64| seconds * 1e6;
    let b = &score.bound;
    writeln!(
        out,
        "  an edge's standard deviation: noise {:.3} us, latency {:.3} us, ticks {:.3} us",
        us(b.noise_s),
        us(b.latency_s),
        us(b.quantum_s)
    )
}

/// What errors are printed in: the unit that leaves the clock's part or the noise's a figure before the fourth decimal.
struct Unit {
    name: &'static str,
    per_hz: f64,
}

impl Unit {
    fn of(score: &Score) -> Self {
        match score.apart.rms() {
            Some(rms) if rms < 1e-8 => Self { name: "nHz", per_hz: 1e9 },
            Some(rms) if rms < 1e-5 => Self { name: "uHz", per_hz: 1e6 },
            _ => Self { name: "mHz", per_hz: 1e3 },
        }
    }

    fn figure(&self, hz: Option<f64>) -> String {
        hz.map_or("-".into(), |hz| format!("{:.4}", hz * self.per_hz))
    }
}

fn row(out: &mut impl Write, unit: &Unit, label: &str, errors: &Errors) -> io::Result<()> {
    let (worst, at) = match errors.worst {
        Some((worst, at)) => (Some(worst), format!("  at {:.3} s", at.seconds())),
        None => (None, String::new()),
    };
    let [bias, rms, worst] = [errors.bias(), errors.rms(), worst].map(|hz| unit.figure(hz));
    writeln!(out, "{label:<28}{bias:>12}{rms:>12}{worst:>12}{at}")
}

fn shares(out: &mut impl Write, scenario: &Scenario, score: &Score) -> io::Result<()> {
    let percent = |share: Option<f64>| share.map_or("-".into(), |share| format!("{:.2}", share * 100.0));
    let tolerance = scenario.meter.clock_tolerance_ppm;
    let told = if tolerance > 0.0 {
        format!("  of {} readings; {tolerance} ppm for the clock are in it", score.coverage.judged)
    } else {
        format!("  of {} readings", score.coverage.judged)
    };
    line(out, "95 % interval holds truth, %", &percent(score.coverage.share()), &told)?;
    let apart = &score.coverage_apart;
    let (low, high) = apart.expected();
    let expected = format!(
        "  {:.1} to {:.1} by chance, over {:.0} windows without overlap",
        low * 100.0,
        high * 100.0,
        apart.independent
    );
    let expected = if apart.judged > 0 { &expected } else { "" };
    line(out, "  clock apart, %", &percent(apart.share()), expected)?;
    let seconds = |s: Option<f64>| s.map_or("-".into(), |s| format!("{s:.3}"));
    line(out, "first lock, s", &seconds(score.lock_s), if score.lock_s.is_none() { "  never" } else { "" })?;
    let settling = &score.settling;
    if settling.steps == 0 {
        return line(out, "settling, s", "-", "  no step of frequency or phase, no dip");
    }
    let unnoticed = match settling.unnoticed {
        0 => String::new(),
        all if all == settling.steps => "; no reading left its interval".into(),
        some => format!("; after {some} no reading left its interval"),
    };
    let settled = format!("  mean, after {} of {} steps{unnoticed}", settling.settled, settling.steps);
    line(out, "settling, s", &seconds(settling.mean_s()), &settled)?;
    let Some((worst, at)) = settling.worst.filter(|(worst, _)| *worst > 0.0) else { return Ok(()) };
    line(out, "  worst", &seconds(Some(worst)), &format!("  after {:.3} s", at.seconds()))
}

fn counts(out: &mut impl Write, score: &Score) -> io::Result<()> {
    let unknown = format!("  {} of them unknown", score.unknown);
    line(out, "readings", &score.readings.to_string(), &unknown)?;
    let first = score.first_false.map_or(String::new(), |at| format!("  the first at {:.3} s", at.seconds()));
    line(out, "false readings", &score.false_readings.to_string(), &first)?;
    let counts = &score.counts;
    let per = format!("  {:.4} a true crossing", score.edges_per_crossing);
    line(out, "edges", &counts.edges.to_string(), &per)?;
    let missed = format!("  {} cycles without one", score.missed);
    line(out, "crossings taken", &counts.crossings.to_string(), &missed)?;
    let rejected = counts.too_soon + counts.off_expected + counts.ambiguous;
    let reasons = format!(
        "  {} too soon, {} off the expected time, {} ambiguous",
        counts.too_soon, counts.off_expected, counts.ambiguous
    );
    line(out, "edges rejected", &rejected.to_string(), &reasons)?;
    if let Some(overruns) = score.overruns {
        line(out, "captures overrun", &overruns.to_string(), "")?;
    }
    line(out, "wraps mistaken", &score.mistaken.to_string(), "")
}

fn line(out: &mut impl Write, label: &str, figure: &str, remark: &str) -> io::Result<()> {
    writeln!(out, "{label:<28}{figure:>12}{remark}")
}

/// Broken limits first; of those that are kept, how much of the most is used up.
fn verdict(out: &mut impl Write, limits: &[Held]) -> io::Result<()> {
    if limits.is_empty() {
        return writeln!(out, "limits: none given");
    }
    let (kept, broken): (Vec<_>, Vec<_>) = limits.iter().partition(|limit| limit.kept);
    writeln!(out, "limits: {} of {} kept", kept.len(), limits.len())?;
    broken.iter().try_for_each(|limit| writeln!(out, "  broken: {}", limit.text))?;
    kept.iter().try_for_each(|limit| {
        let used = limit.used.map_or(String::new(), |used| format!(", {:.0} % of it", 100.0 * used));
        writeln!(out, "  kept: {}{used}", limit.text)
    })
}

#[cfg(test)]
pub mod tests {
    use std::path::Path;

    use humtick::{Edge, Stamp};
    use humtick_sim::course::{Course, Part};
    use humtick_sim::moment::Moment;
    use humtick_sim::random::{Random, Use};
    use humtick_sim::trial::{self, Handed};

    use humtick_sim::scenario::Limits;

    use super::*;

    pub fn scenario() -> Scenario {
        let text = "name = 'saw, \"start\"'\nseed = 7\n[timer]\nclock_ppm = 12.0\n[limits]\nmax_error_mhz = 3.0\nlock_s = 0.01\n";
        Scenario::from_toml(text, Path::new("saw.toml")).unwrap()
    }

    pub fn steady() -> Course {
        Course::new(vec![Part::Constant(50.0)])
    }

    /// A minute of rising edges, each off by 3 us, 12 ppm too many ticks.
    pub fn noisy_minute() -> (Scenario, Score) {
        let scenario = scenario();
        let mut random = Random::new(scenario.seed, Use::Noise, 0);
        let edges = (1..3_000).map(|k| {
            let at = Moment::from_s(f64::from(k) / 50.0 + 3e-6 * random.normal());
            let ticks = at.seconds() * 2e6 * (1.0 + 12e-6);
            Handed { edge: Edge::rising(Stamp::new(ticks as u32)), at, read: at.later(1e-5), mistaken: false }
        });
        let score = trial::run(&scenario, steady(), edges, |_| {}).unwrap();
        (scenario, score)
    }

    fn table(scenario: &Scenario, score: &Score) -> String {
        let mut out = Vec::new();
        write(&mut out, scenario, score).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn a_minute_as_a_table() {
        let (scenario, mut score) = noisy_minute();
        score.overruns = Some(3);
        let text = table(&scenario, &score);
        let row = |label: &str| text.lines().find(|line| line.starts_with(label)).unwrap().to_owned();
        let figures = |label: &str| -> Vec<f64> {
            row(label)[28..].split_whitespace().filter_map(|word| word.parse().ok()).collect()
        };
        assert!(text.starts_with("saw, \"start\": 60 s at 50 Hz, seed 7; 16-bit counter at 2 MHz, hardware capture; least-squares, 1 s window"));
        assert!((figures("against the window's truth")[0] + 0.6).abs() < 0.05, "{text}");
        assert!(figures("clock apart")[0].abs() < 0.05);
        assert_eq!(figures("  of the clock"), [-0.6]);
        assert_eq!(figures("edges ")[..2], [2_999.0, 0.9997]);
        assert_eq!(figures("captures overrun"), [3.0]);
        assert_eq!(figures("false readings"), [0.0]);
        assert!(row("95 % interval").ends_with("50 ppm for the clock are in it"));
        assert!(row("settling").contains("no step"));
        assert!(
            text.contains("limits: 1 of 2 kept\n  broken: lock_s = 0.01: locked after 0.080 s\n  kept: max_error_mhz = 3: "),
            "{text}"
        );
        let worst = figures("against the window's truth")[2].abs();
        assert!(text.ends_with(&format!(", {:.0} % of it\n", worst / 0.03)), "{text}");
        assert!(text.lines().skip(1).all(|line| line.len() <= 110 && line.trim_end() == line), "{text}");
    }

    #[test]
    fn nothing_read() {
        let mut scenario = scenario();
        scenario.limits = Limits::default();
        let score = trial::run(&scenario, steady(), [], |_| {}).unwrap();
        let text = table(&scenario, &score);
        assert!(!text.contains("NaN") && !text.contains("inf"), "{text}");
        assert!(text.contains("first lock, s                          -  never\n"), "{text}");
        assert!(text.ends_with("limits: none given\n"));
    }
}
