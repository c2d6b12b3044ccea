//! A suite as one page, with a link to the page of each of its items. Nothing is loaded and nothing runs.

use std::fmt::Write;
use std::path::Path;

use super::baseline::{Change, Trend};
use super::{Outcome, Pages, Verdict};
use crate::report::{STYLE, escaped};

/// What the page is about.
#[derive(Clone, Copy, Debug)]
pub struct Overview<'a> {
    /// The folder that was asked for.
    pub folder: &'a Path,
    /// The settings that every meter had in place of its own.
    pub settings: Option<&'a Path>,
    /// What came of each item.
    pub outcomes: &'a [Outcome],
    /// The same against earlier ones; empty without.
    pub changes: &'a [Change],
    /// Where their pages are.
    pub pages: &'a Pages,
}

impl Overview<'_> {
    /// The page.
    pub fn page(&self) -> String {
        let folder = escaped(&self.folder.display().to_string());
        let mut page = format!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n<title>{folder}: suite</title>\n\
             <style>\n{STYLE}</style>\n</head>\n<body class=\"wide\">\n<h1>{folder}</h1>\n"
        );
        self.head(&mut page);
        self.faults(&mut page);
        self.table(&mut page);
        let _ = writeln!(
            page,
            "<footer>humtick {}. Errors are against the true frequency over each reading's window; the bar is the largest share that is \
             used of a limit on errors. One seed gives the same figures on every machine.</footer>\n</body>\n</html>",
            env!("CARGO_PKG_VERSION")
        );
        page
    }

    fn head(&self, page: &mut String) {
        let tried = self.outcomes.iter().filter_map(|o| o.figures.as_ref());
        // An empty sum is -0, which would be shown.
        let hours = tried.map(|f| f.duration_s).fold(0.0, |a, b| a + b);
        let settings = self.settings.map_or(String::new(), |path| {
            format!(", every meter with the settings of {}", escaped(&path.display().to_string()))
        });
        let _ = writeln!(page, "<p>{:.2} h simulated or replayed{settings}.</p>", hours / 3_600.0);
        let count = |verdict| self.outcomes.iter().filter(|outcome| outcome.verdict() == verdict).count();
        let (broken, unreadable) = (count(Verdict::Broken), count(Verdict::Unreadable));
        let all = self.outcomes.len();
        let _ = if broken + unreadable == 0 {
            let s = if all == 1 { "" } else { "s" };
            writeln!(page, "<p class=\"verdict\">All limits of {all} scenario{s} are kept.</p>")
        } else {
            writeln!(
                page,
                "<p class=\"verdict broken\">Of {all} scenarios {broken} broke a limit, {unreadable} could not be tried.</p>"
            )
        };
        let trend = |trend| self.changes.iter().filter(|change| change.trend == trend).count();
        if !self.changes.is_empty() {
            let _ = writeln!(
                page,
                "<p>Against the baseline: {} better, {} worse, {} the same within noise, {} unclear, {} new.</p>",
                trend(Trend::Better),
                trend(Trend::Worse),
                trend(Trend::Same),
                trend(Trend::Unclear),
                trend(Trend::New)
            );
        }
    }

    fn faults(&self, page: &mut String) {
        let at_fault: Vec<_> =
            self.outcomes.iter().enumerate().filter(|(_, outcome)| !outcome.faults().is_empty()).collect();
        if at_fault.is_empty() {
            return;
        }
        page.push_str("<h2>What broke</h2>\n");
        for (place, outcome) in at_fault {
            let _ = writeln!(page, "<h3>{}</h3>\n<ul>", self.link(place, outcome));
            for fault in outcome.faults() {
                let _ = writeln!(page, "<li>{}</li>", escaped(&fault));
            }
            let _ = writeln!(page, "</ul>");
            if outcome.figures.is_some() {
                let _ = writeln!(page, "<pre>{}</pre>", escaped(&outcome.replay(self.settings)));
            }
        }
    }

    fn link(&self, place: usize, outcome: &Outcome) -> String {
        let name = escaped(&outcome.name);
        match outcome.figures {
            Some(_) => format!("<a href=\"{}\">{name}</a>", escaped(self.pages.name(place))),
            None => name,
        }
    }

    fn table(&self, page: &mut String) {
        page.push_str(
            "<h2>All</h2>\n<div class=\"rows\">\n<table>\n<thead><tr><th scope=\"col\">scenario</th>\
             <th scope=\"col\" class=\"figure\">worst, mHz</th><th scope=\"col\" class=\"figure\">rms, mHz</th>\
             <th scope=\"col\" class=\"figure\">coverage, %</th><th scope=\"col\" class=\"figure\">lock, s</th>\
             <th scope=\"col\" class=\"figure\">false</th><th scope=\"col\">of its error limit</th><th scope=\"col\">verdict</th>",
        );
        if !self.changes.is_empty() {
            page.push_str("<th scope=\"col\">since the baseline</th>");
        }
        page.push_str("</tr></thead>\n<tbody>\n");
        for (place, outcome) in self.outcomes.iter().enumerate() {
            self.row(page, place, outcome);
        }
        page.push_str("</tbody>\n</table>\n</div>\n");
    }

    fn row(&self, page: &mut String, place: usize, outcome: &Outcome) {
        let [worst, rms, coverage, lock, false_readings] = outcome.cells();
        let _ = write!(page, "<tr><td class=\"name\">{}</td>", self.link(place, outcome));
        for cell in [worst, rms, coverage, lock, false_readings] {
            let _ = write!(page, "<td class=\"figure\">{}</td>", escaped(&cell));
        }
        let used = outcome.figures.as_ref().and_then(|figures| figures.used);
        let bar = used.map_or(String::new(), |used| {
            let (over, width) = if used > 1.0 { (" class=\"over\"", 100.0) } else { ("", 100.0 * used) };
            format!(
                "<span class=\"used\"><i{over} style=\"width:{width:.0}%\"></i></span>{:.0} %",
                100.0 * used
            )
        });
        let verdict = outcome.verdict();
        let class = if verdict >= Verdict::Broken { "fail" } else { "kept" };
        let _ = write!(
            page,
            "<td class=\"verdict-cell\">{bar}</td><td class=\"verdict-cell {class}\">{}</td>",
            verdict.name()
        );
        if let Some(change) = self.changes.get(place) {
            let colon = if change.why.is_empty() { "" } else { ": " };
            let class = if change.trend == Trend::Worse { "fail" } else { "kept" };
            let _ = write!(
                page,
                "<td><span class=\"{class}\">{}</span>{colon}{}</td>",
                change.trend.name(),
                escaped(&change.why)
            );
        }
        page.push_str("</tr>\n");
    }
}
