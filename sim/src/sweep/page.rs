//! A sweep as one page: its picture, its figures, the scenario.

use std::fmt::Write;

use super::measure::Measure;
use super::solve::{Limit, Solution};
use super::tabulate::tables;
use super::{Sweep, picture};
use crate::report::STYLE;
use crate::report::html::{Figure, escaped};

/// What is to be known of a picture.
fn caption(sweep: &Sweep, measure: Measure, limit: Option<Limit>) -> String {
    let mut said = Vec::new();
    if sweep.plan.repeat > 1 {
        said.push(format!("Each place stands for {} seeds, the same everywhere.", sweep.plan.repeat));
    }
    if measure.is_error() {
        said.push(
            "What the noise permits is the standard deviation that no estimator gets below with such edges over a whole window (Cramer-Rao): white noise, \
             latency and ticks; no clock, no tones, no steps. It is left out where it does not hold: crossings have several edges, the noise is half \
             as steep as the voltage, or the voltage does not reach the threshold."
                .into(),
        );
    }
    if sweep.plan.vary.len() == 2 {
        said.push("A cross is a place where at least one seed gives no figure; a blank, where the noise sets no bound.".into());
    } else {
        said.push("Lines break where at least one seed gives no figure.".into());
    }
    said.extend(limit.map(|limit| format!("The line across is the limit, {limit}.")));
    said.join(" ")
}

/// The page, with the picture of `measure` and what was solved for.
pub fn page(sweep: &Sweep, measure: Measure, limit: Option<Limit>, solutions: &[Solution]) -> String {
    let plan = &sweep.plan;
    let name = escaped(&plan.scenario.name);
    let mut page = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n         <title>{name}: sweep</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n<h1>{name}</h1>\n<p>{}</p>\n",
        escaped(&sweep.subject())
    );
    for solution in solutions {
        let class = if solution.is_kept() { "verdict" } else { "verdict broken" };
        let across =
            plan.across(solution.series).map_or(String::new(), |name| format!("{}: ", escaped(name)));
        let sentences = solution.sentences();
        let mut sentences = sentences.iter().map(|sentence| escaped(sentence));
        // Writing to a string does not fail.
        let _ =
            writeln!(page, "<div class=\"{class}\">{across}{}\n<ul>", sentences.next().unwrap_or_default());
        sentences.for_each(|sentence| page.push_str(&format!("<li>{sentence}</li>\n")));
        page.push_str("</ul>\n</div>\n");
    }
    let figure = Figure {
        title: if plan.vary.len() == 2 { "Heat map" } else { "Measured and permitted" },
        caption: caption(sweep, measure, limit),
        keys: Vec::new(),
        svg: picture::svg(sweep, measure, limit).ok_or("no place has a figure"),
    };
    figure.write(&mut page);
    page.push_str("<h2>Figures</h2>\n");
    for table in tables(sweep, measure, limit) {
        let _ =
            writeln!(page, "<p>{}</p>\n<div class=\"picture\"><table>\n<thead><tr>", escaped(&table.title));
        for (i, head) in table.heads.iter().enumerate() {
            let class = if i == 0 { "" } else { " class=\"figure\"" };
            let _ = writeln!(page, "<th scope=\"col\"{class}>{}</th>", escaped(head));
        }
        page.push_str("</tr></thead>\n<tbody>\n");
        for row in &table.rows {
            page.push_str("<tr>");
            for (i, cell) in row.iter().enumerate() {
                let tag = if i == 0 { "th scope=\"row\"" } else { "td class=\"figure\"" };
                let _ = write!(page, "<{tag}>{}</{}>", escaped(cell), tag.get(..2).unwrap_or_default());
            }
            page.push_str("</tr>\n");
        }
        page.push_str("</tbody>\n</table></div>\n");
    }
    let _ = write!(
        page,
        "<h2>Scenario</h2>\n<pre>{}</pre>\n<footer>humtick {}. The same scenario, seeds and ranges give this page again.</footer>\n\
         </body>\n</html>\n",
        escaped(plan.text()),
        env!("CARGO_PKG_VERSION"),
    );
    page
}
