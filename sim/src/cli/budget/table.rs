//! A budget in words and columns.

use std::io::{self, Write};

use humtick_sim::budget::{Board, Budget, Counter, Term, Uncertainty, Verdict};

/// Writes the whole budget for people, in at most 100 columns.
pub fn write(out: &mut impl Write, budget: &Budget, assumed: &[String]) -> io::Result<()> {
    let Budget { board, counter, .. } = budget;
    writeln!(
        out,
        "{} Hz, {} bits; signal of {} Hz, jitter {} rms; window {} s, every {} s",
        board.tick_hz,
        board.bits,
        board.nominal_hz,
        time(board.jitter_s),
        board.window_s,
        board.every_s
    )?;
    for line in assumed {
        writeln!(out, "assumed: {line}")?;
    }
    writeln!(out)?;
    for (what, figure) in reach(board, counter) {
        writeln!(out, "{what:<24}{figure}")?;
    }
    writeln!(
        out,
        "\nuncertainty in mHz, standard unless marked 95 %, and each term's share in the variance"
    )?;
    writeln!(
        out,
        "{:<13}{:>7}{:>8} |{:>9}{:>9}{:>9}{:>9}{:>9} |{:>6}{:>6}{:>6}{:>5}",
        "",
        "cycles",
        "loss dB",
        "quantis.",
        "jitter",
        "clock",
        "all",
        "95 % +-",
        "q %",
        "j %",
        "clk %",
        "dec."
    )?;
    for row in &budget.estimators {
        line(out, row)?;
    }
    for note in notes(budget) {
        writeln!(out, "{note}")?;
    }
    writeln!(out)?;
    match &budget.ten_seconds {
        None if counter.horizon_s <= 10.0 => {
            writeln!(
                out,
                "no ten-second reading (IEC 61000-4-30): ten seconds reach 2^31 ticks, use slower ticks"
            )?;
        }
        None => writeln!(out, "IEC 61000-4-30 is for 50 and 60 Hz mains, 42.5 to 69 Hz: nothing said of it")?,
        Some((over, verdicts)) => {
            writeln!(out, "ten-second reading of IEC 61000-4-30 (limits: values from memory; its influence")?;
            writeln!(out, "quantities, harmonics above all, are not looked at)")?;
            line(out, over)?;
            for verdict in verdicts {
                class(out, board, counter, verdict)?;
            }
        }
    }
    Ok(())
}

/// What the counter reaches, in words.
pub fn reach(board: &Board, counter: &Counter) -> [(&'static str, String); 8] {
    let tally = if board.nominal_hz > counter.lowest_untallied_hz {
        format!("above {} Hz", short(counter.lowest_untallied_hz, 5))
    } else {
        format!(
            "only above {} Hz: this signal needs the tally for every period",
            short(counter.lowest_untallied_hz, 5)
        )
    };
    let counts = if counter.counts_low == counter.counts_high {
        format!("{} counts", counter.counts_low)
    } else {
        format!("{} and {} counts by turns", counter.counts_low, counter.counts_high)
    };
    let edges = counter.edges_hz;
    [
        ("counter wraps every", time(counter.wrap_s)),
        ("without overflow tally", tally),
        ("one period", format!("{counts}; {} mHz a count", mhz(counter.hz_per_count).trim())),
        (
            "stamps",
            format!(
                "compare up to {} apart (2^31 ticks), repeat after {}",
                time(counter.horizon_s),
                time(counter.repeat_s)
            ),
        ),
        (
            "interrupt may be late",
            format!(
                "{} by the rule of halves, {} by the rule of distance",
                time(counter.late_halves_s),
                time(counter.late_distance_s)
            ),
        ),
        (
            "captures to serve",
            format!(
                "{} a second, {} of both polarities; chatter of 10 edges each makes {},",
                short(edges, 6),
                short(2.0 * edges, 6),
                short(10.0 * edges, 6)
            ),
        ),
        ("", "in bursts: an edge that comes before the last was read is lost".into()),
        (
            "clock",
            format!(
                "+-{} ppm: +-{} mHz, {} s a day",
                board.clock_tolerance_ppm,
                mhz(counter.clock_limit_hz).trim(),
                short(counter.clock_s_per_day, 3)
            ),
        ),
    ]
}

fn line(out: &mut impl Write, row: &Uncertainty) -> io::Result<()> {
    writeln!(
        out,
        "{:<13}{:>7}{:>8.2} |{:>9}{:>9}{:>9}{:>9}{:>9} |{:>6.1}{:>6.1}{:>6.1}{:>5}",
        row.estimator,
        row.cycles,
        row.noise_loss_db,
        mhz(row.quantisation_hz),
        mhz(row.jitter_hz),
        mhz(row.clock_hz),
        mhz(row.u_hz),
        mhz(row.u95_hz),
        row.quantisation_percent,
        row.jitter_percent,
        row.clock_percent,
        row.decimals.max(0)
    )
}

/// What the figures do not say by themselves.
pub fn notes(budget: &Budget) -> Vec<String> {
    let Budget { board, counter, estimators, .. } = budget;
    let mut notes = vec![];
    if estimators.iter().any(|row| row.bound_hz.is_some()) {
        notes.push(format!(
            "Jitter is below half a tick ({}): quantisation is a pattern that no averaging takes away. Its",
            time(0.5 / f64::from(board.tick_hz))
        ));
        notes.push("guaranteed bound B stands in: B/sqrt(3) as the term, and 95 % never below B.".into());
    }
    let cycles = estimators.iter().map(|row| row.cycles);
    if let (Some(least), Some(most)) = (cycles.clone().min(), cycles.max())
        && (least < most || (most as f64) < (board.window_s * board.nominal_hz).round())
    {
        notes.push(
            "The core holds no more crossings than the cycles shown: those windows are shorter.".into(),
        );
    }
    if counter.overlap_percent > 0.0 {
        notes.push(format!(
            "Successive readings share {} % of their window: averaging them gains little.",
            short(counter.overlap_percent, 3)
        ));
    }
    if let Some(decimals) = counter.clock_decimals.filter(|_| board.clock_tolerance_ppm >= 1_000.0) {
        let meaningless = match decimals {
            ..0 => "all decimals and whole hertz too".to_owned(),
            0 => "all decimals".to_owned(),
            1 => "all decimals after the first".to_owned(),
            more => format!("all decimals after the first {more}"),
        };
        let percent = short(board.clock_tolerance_ppm / 1e4, 3);
        notes.push(format!(
            "WARNING: at +-{percent} % of clock (ceramic resonator, RC oscillator) {meaningless}"
        ));
        notes.push(
            "mean nothing until it is trimmed against a known frequency or disciplined by one pulse a second."
                .into(),
        );
    }
    notes
}

/// One class of IEC 61000-4-30, in words.
fn class(out: &mut impl Write, board: &Board, counter: &Counter, verdict: &Verdict) -> io::Result<()> {
    let limit = short(verdict.limit_hz * 1e3, 3);
    write!(out, "class {} ({limit} mHz): ", verdict.class)?;
    let error = mhz(verdict.error_hz);
    match verdict.stopped_by {
        None => {
            write!(out, "within reach, error at most {} mHz", error.trim())?;
            match verdict.clock_ppm_at_most {
                Some(ppm) => writeln!(out, "; a clock within {} ppm would do", short(ppm, 4))?,
                None => writeln!(out)?,
            }
        }
        Some(term) => {
            writeln!(out, "OUT OF REACH, error up to {} mHz", error.trim())?;
            writeln!(out, "    {}", cure(term, verdict))?;
        }
    }
    if !verdict.day_within_reach {
        writeln!(
            out,
            "    its ten-second marks must not drift over {} s a day, and +-{} ppm are {} s: synchronise them",
            short(verdict.day_limit_s, 3),
            board.clock_tolerance_ppm,
            short(counter.clock_s_per_day, 3)
        )?;
    }
    Ok(())
}

/// What stops a class, and what would be needed.
fn cure(term: Term, verdict: &Verdict) -> String {
    let (what, needed) = match term {
        Term::Clock => (
            "the clock",
            verdict
                .clock_ppm_at_most
                .map(|ppm| format!("a clock within {} ppm: trim, discipline or replace it", short(ppm, 4))),
        ),
        Term::Jitter => (
            "jitter",
            verdict
                .jitter_s_at_most
                .map(|s| format!("edges good to {}: a steeper or cleaner signal", time(s))),
        ),
        Term::Quantisation => (
            "quantisation",
            verdict.tick_hz_at_least.map(|hz| format!("a counter of {} Hz or more", hz.ceil())),
        ),
    };
    match needed {
        Some(needed) => format!("stopped by {what}; needed: {needed}"),
        None => format!("stopped by {what} most, and by the others too: better all of them"),
    }
}

/// A number with so many significant digits, without zeros behind.
fn short(value: f64, digits: i32) -> String {
    if value == 0.0 {
        return "0".into();
    }
    let decimals = (digits - 1 - value.abs().log10().floor() as i32).clamp(0, 12) as usize;
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').into() } else { text }
}

/// Hertz in millihertz: four digits, less of what is below a thousandth.
fn mhz(hertz: f64) -> String {
    match hertz * 1e3 {
        0.0 => "0".into(),
        value if value < 1e-3 => format!("{value:.1e}"),
        value if value < 1.0 => format!("{value:.5}"),
        value => {
            let decimals = (3 - value.log10().floor() as i32).max(0) as usize;
            format!("{value:.decimals$}")
        }
    }
}

/// Seconds in the unit that suits them.
fn time(seconds: f64) -> String {
    let (unit, size) = [
        ("d", 86_400.0),
        ("h", 3_600.0),
        ("min", 60.0),
        ("s", 1.0),
        ("ms", 1e-3),
        ("us", 1e-6),
        ("ns", 1e-9),
        ("ps", 1e-12),
    ]
    .into_iter()
    .find(|(_, size)| seconds >= *size)
    .unwrap_or(("s", 1.0));
    format!("{} {unit}", short(seconds / size, 5))
}
