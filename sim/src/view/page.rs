//! The report of a log as one page: nothing is loaded and nothing runs.

use std::fmt::Write;

use super::account::{Account, GapKind};
use super::supply::Supply;
use super::ticks;
use crate::listen::headline;
use crate::log::utc;
use crate::report::STYLE;
use crate::report::chart::{Axis, SKY, svg};
use crate::report::html::{Figure, escaped};
use crate::report::over_time::Range;
use crate::stability::Phase;
use crate::stability::plot::{BLUE, VERMILLION, plain, power, whole_decades};

/// A page that grows by a sensor at a time.
#[derive(Debug)]
pub struct Page {
    body: String,
    supply: Supply,
}

impl Page {
    /// Of nothing yet; ten-second means are held to the limits of `supply`.
    pub const fn new(supply: Supply) -> Self {
        Self { body: String::new(), supply }
    }

    /// Adds a sensor whose rows have all been taken.
    pub fn add(&mut self, account: &Account) {
        let page = &mut self.body;
        let _ = writeln!(page, "<section>\n<h1>{}</h1>", escaped(account.name.as_str()));
        table(page, &figures(account));
        standard(page, account, self.supply);
        for figure in [trend(account), distribution(account), allan(account)] {
            figure.write(page);
        }
        gaps(page, account);
        events(page, account);
        page.push_str("</section>\n");
    }

    /// The whole of it.
    pub fn html(&self) -> String {
        format!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n<title>humtick: log</title>\n\
             <style>\n{STYLE}</style>\n</head>\n<body>\n{}<footer>humtick {}. Times are in UTC by the listener's clock.</footer>\n</body>\n\
             </html>\n",
            self.body,
            env!("CARGO_PKG_VERSION")
        )
    }
}

/// A moment to the second.
fn moment(ms: f64) -> String {
    let text = utc::text(ms as i64);
    text.get(..19).unwrap_or_default().replace('T', " ")
}

/// A length of time in the unit that people would take.
pub fn length(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.1} s"),
        s if s < 7_200.0 => format!("{:.1} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.1} h", s / 3_600.0),
        s => format!("{:.1} days", s / 86_400.0),
    }
}

type Line = (String, String, String);

fn line(label: &str, figure: String, remark: String) -> Line {
    (label.into(), figure, remark)
}

fn table(page: &mut String, lines: &[Line]) {
    page.push_str("<table>\n<tbody>\n");
    for (label, figure, remark) in lines {
        let _ = writeln!(
            page,
            "<tr><th scope=\"row\">{}</th><td class=\"figure\">{}</td><td class=\"remark\">{}</td></tr>",
            escaped(label),
            escaped(figure),
            escaped(remark)
        );
    }
    page.push_str("</tbody>\n</table>\n");
}

/// Moments and what there was at them.
fn list(page: &mut String, lines: &[(String, String)]) {
    page.push_str("<table>\n<tbody>\n");
    for (at, what) in lines {
        let _ = writeln!(page, "<tr><th scope=\"row\">{}</th><td>{}</td></tr>", escaped(at), escaped(what));
    }
    page.push_str("</tbody>\n</table>\n");
}

fn figures(account: &Account) -> Vec<Line> {
    let tally = account.tally();
    let (start, end) = account.span_s();
    let mut lines = vec![line(
        "Readings",
        tally.readings.to_string(),
        account.spacing_s().map_or(String::new(), |s| format!("one every {s:.3} s as a rule")),
    )];
    if tally.readings == 0 {
        return lines;
    }
    if account.mean_hz().is_some() {
        lines.push(line(
            "From",
            moment(start * 1e3),
            format!("to {}, {}", moment(end * 1e3), length(end - start)),
        ));
    }
    if let Some(mean) = account.mean_hz() {
        lines.push(line("Mean", format!("{mean:.5} Hz"), "of all readings".into()));
    }
    if let Some([least, most]) = account.extremes {
        lines.push(line("Least", format!("{:.4} Hz", least.0), moment(least.1)));
        lines.push(line("Most", format!("{:.4} Hz", most.0), moment(most.1)));
    }
    lines.push(line(
        "Lost on the way",
        tally.lost.to_string(),
        "by their numbers, as far as these have not turned over".into(),
    ));
    lines.push(line(
        "Doubled",
        tally.doubled.to_string(),
        "told by number and content, and left out here".into(),
    ));
    lines.push(line("Late", tally.late.to_string(), "came behind later ones".into()));
    lines.push(line("Restarts", tally.restarts.to_string(), "of the sensor".into()));
    if account.refused > 0 {
        lines.push(line(
            "Lines that are none",
            account.refused.to_string(),
            "torn or damaged, left out".into(),
        ));
    }
    lines
}

fn standard(page: &mut String, account: &Account, supply: Supply) {
    page.push_str("<h2>Ten-second means</h2>\n");
    let Some(nominal) = account.nominal_hz() else {
        page.push_str("<p>There was no reading with a frequency.</p>\n");
        return;
    };
    let count = account.means.len();
    let partial = match account.partial {
        0 => String::new(),
        1 => {
            "; one ten seconds had too few readings, or was there twice since a clock was set back, and does not count".into()
        }
        more => format!("; {more} had too few readings, or were there twice since a clock was set back, and do not count"),
    };
    let _ = writeln!(
        page,
        "<p>{count} means of the readings in ten seconds, beginning at whole tens of seconds by the listener's clock{partial}. The standard counts \
         cycles between such marks (IEC 61000-4-30); means of readings that overlap weight the ends a little less.</p>"
    );
    if nominal != 50.0 {
        let _ = writeln!(page, "<p>EN 50160 is for supplies of 50 Hz; this one has {nominal} Hz.</p>");
        return;
    }
    let verdicts = supply.verdicts(&account.means);
    if verdicts.is_empty() {
        return;
    }
    let class = if verdicts.iter().all(super::Verdict::is_kept) { "verdict" } else { "verdict broken" };
    let _ = writeln!(page, "<div class=\"{class}\">EN 50160, {}:\n<ul>", supply.name());
    for verdict in verdicts {
        let (rule, kept) = (verdict.rule, if verdict.is_kept() { "kept" } else { "broken" });
        let _ = writeln!(
            page,
            "<li>{} to {} Hz for {} % ({}): {kept}, {:.3} % of what is in the log within</li>",
            rule.low_hz,
            rule.high_hz,
            // 0.995 has no exact double.
            (rule.share * 1e4).round() / 1e2,
            rule.over,
            // Cut off, so that what is broken does not look kept.
            (verdict.share() * 1e5).floor() / 1e3
        );
    }
    page.push_str("</ul>\n</div>\n");
}

/// Millihertz about a range, with some room.
fn millihertz(low: f64, high: f64, nominal: f64) -> Axis {
    let spare = ((high - low) * 0.05).max(0.05);
    Axis::even(low - spare..high + spare, format!("frequency less {nominal} Hz, mHz"), 6)
}

fn trend(account: &Account) -> Figure {
    let nominal = account.nominal_hz().unwrap_or_default();
    let stretches = account.course.stretches();
    let all = stretches.iter().flatten().map(|(_, column)| column.range).reduce(Range::and);
    let svg = all.and_then(|all| {
        let (start, end) = account.span_s();
        // One reading alone has no length.
        let end = end.max(start + 1.0);
        svg(ticks::axis(start, end), millihertz(all.low * 1e3, all.high * 1e3, nominal), |chart| {
            for stretch in &stretches {
                let scaled: Vec<_> = stretch
                    .iter()
                    .map(|(t, c)| (*t, Range { low: c.range.low * 1e3, high: c.range.high * 1e3 }))
                    .collect();
                chart.envelope(&scaled, SKY, 0.5, 1)?;
                chart.curve(stretch.iter().map(|(t, c)| (*t, c.mean() * 1e3)), BLUE, 1)?;
            }
            Ok(())
        })
    });
    Figure {
        title: "Trend",
        caption: "Least, mean and most of the readings at each place. Curves break where there was nothing for a whole place; shorter gaps are in the \
                  table below."
            .into(),
        keys: vec![("#0072b2", "mean"), ("#56b4e9", "least to most")],
        svg: svg.ok_or("there was no reading with a frequency"),
    }
}

fn distribution(account: &Account) -> Figure {
    let all: u64 = account.bins.iter().sum();
    let middle = account.bins.len() as f64 / 2.0;
    let place = |wanted: u64| {
        let mut sum = 0;
        account.bins.iter().position(|count| {
            sum += count;
            sum > wanted
        })
    };
    // All but one in a thousand at either end.
    let ends = all.checked_sub(1).and_then(|most| place(all / 1_000).zip(place(most - all / 1_000)));
    let mut beyond = account.beyond;
    let svg = ends.and_then(|(first, last)| {
        // At most 200 bars, each of whole millihertz.
        let wide = (last - first) / 200 + 1;
        let (first, last) = (first - first % wide, last + 1);
        beyond += all - account.bins.get(first..last)?.iter().sum::<u64>();
        let bars: Vec<_> =
            account.bins.get(first..last)?.chunks(wide).map(|bins| bins.iter().sum::<u64>()).collect();
        let share = |count: u64| 100.0 * count as f64 / (all + account.beyond) as f64;
        let top = bars.iter().copied().max().map(share)?;
        // Bins are about their middle.
        let at = |bar: usize| (first + bar * wide) as f64 - middle - 0.5;
        let nominal = account.nominal_hz().unwrap_or_default();
        let x = Axis::even(at(0)..at(bars.len()), format!("frequency less {nominal} Hz, mHz"), 8);
        let y = Axis::even(0.0..top * 1.08, format!("readings in {wide} mHz, %"), 6);
        svg(x, y, |chart| {
            bars.iter()
                .enumerate()
                .try_for_each(|(k, count)| chart.bar(at(k)..at(k + 1), 0.0..share(*count), BLUE))
        })
    });
    Figure {
        title: "Distribution",
        caption: format!("How often readings lie where. {beyond} lie outside the picture."),
        keys: vec![("#0072b2", "readings")],
        svg: svg.ok_or("there was no reading near the nominal frequency"),
    }
}

/// Overlapping Allan deviations of evenly spaced fractions, those above zero.
fn deviations(fractions: &[f64], spacing_s: f64) -> Vec<(f64, f64)> {
    let Ok(phase) = Phase::from_fractional(fractions, spacing_s) else { return Vec::new() };
    let rows = phase.octaves().into_iter().filter_map(|m| phase.deviations(m));
    // Few terms scatter so much that they mislead.
    let rows = rows.filter(|row| row.oadev.value > 0.0 && row.oadev.terms >= 10);
    rows.map(|row| (row.tau_s.log10(), row.oadev.value.log10())).collect()
}

fn allan(account: &Account) -> Figure {
    let readings = deviations(account.longest(), account.spacing_s().unwrap_or_default());
    let means = deviations(&account.longest_means(), 10.0);
    let all = || readings.iter().chain(&means);
    let decades = |of: fn(&(f64, f64)) -> f64| whole_decades(all().map(|point| 10f64.powf(of(point))));
    let svg = decades(|p| p.0).zip(decades(|p| p.1)).and_then(|((left, right), (low, high))| {
        let x = Axis::decades(left, right, "averaging time, s", plain);
        let y = Axis::decades(low, high, "deviation, fraction of the frequency", power);
        svg(x, y, |chart| {
            chart.curve(readings.iter().copied(), BLUE, 2)?;
            readings.iter().try_for_each(|at| chart.dot(*at, BLUE))?;
            chart.curve(means.iter().copied(), VERMILLION, 2)?;
            means.iter().try_for_each(|at| chart.triangle(*at, VERMILLION))
        })
    });
    Figure {
        title: "Allan deviation",
        caption: format!(
            "How much the frequency differs from one averaging time to the next, overlapping, after NIST SP 1065: of the longest stretch of \
             readings without a gap, {} of them at most, and of the longest stretch of ten-second means. Readings whose windows overlap look steadier than they \
             are.",
            account.longest().len()
        ),
        keys: vec![("#0072b2", "readings (dots)"), ("#d55e00", "ten-second means (triangles)")],
        svg: svg.ok_or("too few readings in a row, or all alike"),
    }
}

fn gaps(page: &mut String, account: &Account) {
    page.push_str("<h2>Gaps</h2>\n");
    let kinds = ["no signal", "sensor started anew", "lost on the way", "sensor gave none"];
    let lines: Vec<_> = kinds
        .into_iter()
        .zip(account.gap_sums)
        .filter(|(_, (count, _))| *count > 0)
        .map(|(kind, (count, seconds))| {
            let gaps = if count == 1 { "1 gap".into() } else { format!("{count} gaps") };
            line(kind, gaps, format!("{} in all", length(seconds)))
        })
        .collect();
    if lines.is_empty() {
        page.push_str("<p>None.</p>\n");
        return;
    }
    table(page, &lines);
    if account.gap_sums.iter().map(|sum| sum.0).sum::<u64>() > account.gaps.len() as u64 {
        let _ = writeln!(page, "<p>The longest {}:</p>", account.gaps.len());
    }
    let row = |gap: &super::Gap| {
        let why = match gap.kind {
            GapKind::NoSignal => "no signal".into(),
            GapKind::Restart => "the sensor started anew".into(),
            GapKind::Lost(1) => "1 reading lost on the way".into(),
            GapKind::Lost(count) => format!("{count} readings lost on the way, by their numbers"),
            GapKind::Silent => "the sensor gave no reading".into(),
        };
        line(&moment(gap.from_ms), length(gap.length_s), why)
    };
    table(page, &account.gaps.iter().map(row).collect::<Vec<_>>());
}

fn events(page: &mut String, account: &Account) {
    page.push_str("<h2>Events</h2>\n");
    let rows: Vec<_> = account
        .happened
        .iter()
        .filter_map(|event| Some((moment(event.at_ms), headline(&event.news)?.0)))
        .collect();
    if account.events > rows.len() as u64 {
        let _ = writeln!(page, "<p>{} events; the first {}:</p>", account.events, rows.len());
    }
    list(page, &rows);
}
