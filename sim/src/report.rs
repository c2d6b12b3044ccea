//! A trial as one page: its score, and pictures that explain it. Self-contained: nothing is loaded and nothing runs.
//!
//! Memory does not grow with the trial's length: what happened over time is kept as least and most of 600 columns.

pub(crate) mod chart;
mod crossing;
mod figures;
pub(crate) mod html;
pub(crate) mod over_time;
mod pictures;

pub use crossing::{Crossing, Trace};

use std::fmt::Write;

use crate::scenario::Scenario;
use crate::score::{Score, Scored};
use html::{Figure, escaped};
use over_time::OverTime;
use pictures::Clipped;

const STYLE: &str = include_str!("report/page.css");

/// A report while its trial runs.
#[derive(Clone, Debug)]
pub struct Report {
    over_time: OverTime,
}

impl Report {
    /// Of a trial of `scenario`, which has not begun.
    pub fn new(scenario: &Scenario) -> Self {
        Self { over_time: OverTime::new(scenario) }
    }

    /// Takes a reading, as the trial's observer sees it.
    pub fn take(&mut self, scored: &Scored) {
        self.over_time.take(scored);
    }

    /// The page of a trial that is over: of `scenario`, whose file reads `text`, with this `score`.
    pub fn page(&self, scenario: &Scenario, text: &str, score: &Score) -> String {
        let name = escaped(&scenario.name);
        let mut page = format!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n<title>{name}: trial</title>\n\
             <style>\n{STYLE}</style>\n</head>\n<body>\n<h1>{name}</h1>\n<p>{}</p>\n",
            escaped(&subject(scenario))
        );
        verdict(&mut page, scenario, score);
        page.push_str("<h2>Score</h2>\n<table>\n<tbody>\n");
        for row in figures::rows(scenario, score) {
            // Writing to a string does not fail.
            let _ = writeln!(
                page,
                "<tr><th scope=\"row\">{}</th><td class=\"figure\">{}</td><td class=\"remark\">{}</td></tr>",
                escaped(row.label),
                escaped(&row.figure),
                escaped(&row.remark)
            );
        }
        page.push_str("</tbody>\n</table>\n");
        for figure in self.figures(scenario, score) {
            figure.write(&mut page);
        }
        let _ = write!(
            page,
            "<h2>Scenario</h2>\n<pre>{}</pre>\n<footer>humtick {}, seed {}, {} s. The same scenario, seed and length give this \
             page again.</footer>\n</body>\n</html>\n",
            escaped(text),
            env!("CARGO_PKG_VERSION"),
            scenario.seed,
            scenario.duration_s
        );
        page
    }

    fn figures(&self, scenario: &Scenario, score: &Score) -> Vec<Figure> {
        let mut figures = Vec::new();
        crossings(&mut figures, scenario);
        let duration_s = scenario.duration_s;
        let clip = |clipped: Option<Clipped>, why| match clipped {
            Some(clipped) => (clipped.note(), Ok(clipped.svg)),
            None => (String::new(), Err(why)),
        };
        let (note, svg) = clip(
            pictures::frequency(&self.over_time, duration_s, scenario.nominal_hz),
            "there was no reading, known or unknown",
        );
        figures.push(Figure {
            title: "True and measured frequency",
            caption: format!(
                "The measured frequency should lie on the true one, and the true one within the band. Each place holds the least and the \
                 most of its time; curves break where nothing was known.{note}"
            ),
            keys: vec![(BLACK, "true, at the moment"), (BLUE, "measured"), (SKY, "95 % interval")],
            svg,
        });
        let (note, svg) =
            clip(pictures::error(&self.over_time, scenario, score), "no reading could be judged");
        figures.push(Figure {
            title: "Error",
            caption: format!(
                "Reading less the true frequency over the reading's own window. 19 of 20 readings should lie within the darker band, which is \
                 the reading's 95 % interval without what it allows for the clock, about the error that the clock really makes.{note}"
            ),
            keys: vec![(VERMILLION, "error"), (SKY, "95 % interval, clock apart"), (PALE, "95 % interval as stated")],
            svg,
        });
        let (below, above) = score.histogram_apart.outside;
        figures.push(Figure {
            title: "Errors in units of their uncertainty",
            caption: format!(
                "Where the stated uncertainty is right, the bars follow the curve: wider bars mean that readings promise too much, narrower \
                 ones that they promise too little (where the grid moves within a window, which looks like noise to it). The bars have the clock's tolerance taken off, the line has it as stated. {} readings lie \
                 outside the picture.",
                below + above
            ),
            keys: vec![(SKY, "clock apart"), (BLUE, "as stated"), (BLACK, "normal distribution")],
            svg: pictures::histogram(score).ok_or("no reading states an uncertainty"),
        });
        figures.push(Figure {
            title: "Allan deviation",
            caption: format!(
                "How much the frequency differs from one averaging time to the next. Where the readings lie above the truth the meter adds noise of \
                 its own, where both coincide it shows the grid; below the window of {} s readings overlap and look steadier than they are. A constant truth has no curve.",
                scenario.meter.window_s
            ),
            keys: vec![(GREY, "truth over the same windows (broad)"), (BLUE, "readings (dots)")],
            svg: pictures::allan(score).ok_or("too few readings in a row, or all alike"),
        });
        figures
    }
}

const BLACK: &str = "#000";
const GREY: &str = "#808080";
const BLUE: &str = "#0072b2";
const VERMILLION: &str = "#d55e00";
const PALE: &str = "#d4ecf9";
const SKY: &str = "#56b4e9";

/// What was simulated.
fn subject(scenario: &Scenario) -> String {
    let (timer, meter) = (&scenario.timer, &scenario.meter);
    format!(
        "{} s of simulated mains at {} Hz, seed {}; a {}-bit counter at {} Hz; readings by {} over {} s, every {} s.",
        scenario.duration_s,
        pictures::short(scenario.nominal_hz),
        scenario.seed,
        timer.bits,
        timer.tick_hz,
        meter.estimator.name(),
        meter.window_s,
        meter.every_s
    )
}

fn verdict(page: &mut String, scenario: &Scenario, score: &Score) {
    let broken = score.broken(&scenario.limits);
    if score.lock_s.is_none() {
        page.push_str("<p class=\"verdict broken\">The meter never locked.</p>\n");
    }
    if scenario.limits == crate::scenario::Limits::default() {
        page.push_str("<p class=\"verdict\">The scenario sets no limits.</p>\n");
    } else if broken.is_empty() {
        page.push_str("<p class=\"verdict\">All limits of the scenario are kept.</p>\n");
    } else {
        page.push_str("<div class=\"verdict broken\">Limits broken:\n<ul>\n");
        for limit in broken {
            let _ = writeln!(page, "<li>{}</li>", escaped(&limit));
        }
        page.push_str("</ul>\n</div>\n");
    }
}

/// The crossing with the most edges, and the cycle around it.
fn crossings(figures: &mut Vec<Figure>, scenario: &Scenario) {
    let keys = vec![
        (BLUE, "voltage at the comparator"),
        (VERMILLION, "thresholds (lines), falling edges (dots)"),
        (BLACK, "rising edges (triangles)"),
    ];
    let crossing = Crossing::of(scenario);
    let why = "the comparator gives no edge in the first cycles";
    let caption = crossing.as_ref().map_or(String::new(), |crossing| {
        let (of, at) = (crossing.of, crossing.close.middle.seconds());
        let which = match crossing.edges {
            1 => format!("Each of the first {of} crossings has one edge; this one is at {at:.4} s."),
            most => format!("Of the first {of} crossings this one, at {at:.4} s, has the most edges: {most}."),
        };
        format!(
            "The comparator goes high where the voltage exceeds the upper threshold and low where it falls below the lower; every such place is an \
             edge. {which}"
        )
    });
    figures.push(Figure {
        title: "A crossing",
        caption,
        keys: keys.clone(),
        svg: crossing.as_ref().and_then(|c| pictures::trace(&c.close)).ok_or(why),
    });
    figures.push(Figure {
        title: "A cycle",
        caption:
            "The same crossing in its cycle: the form of the voltage, and where else the comparator switches."
                .into(),
        keys,
        svg: crossing.as_ref().and_then(|c| pictures::trace(&c.cycle)).ok_or(why),
    });
}
