//! A suite as JUnit XML, which servers of continuous integration read.

use std::fmt::Write;
use std::path::Path;

use super::{Outcome, Verdict};
use crate::report::escaped;

/// The document: a `testcase` an outcome, with a `failure` where a limit is broken and an `error` where it could not be tried. `folder` names
/// the suite, `settings` is the file that it was given. It says no times: the same outcomes give the same document.
pub fn document(folder: &Path, settings: Option<&Path>, outcomes: &[Outcome]) -> String {
    let name = escaped(&folder.display().to_string());
    let count = |verdict| outcomes.iter().filter(|outcome| outcome.verdict() == verdict).count();
    let (all, broken, unreadable) = (outcomes.len(), count(Verdict::Broken), count(Verdict::Unreadable));
    let counts = format!("tests=\"{all}\" failures=\"{broken}\" errors=\"{unreadable}\"");
    let mut text = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<testsuites {counts}>\n<testsuite name=\"{name}\" {counts} skipped=\"0\">\n"
    );
    for outcome in outcomes {
        case(&mut text, settings, outcome);
    }
    text.push_str("</testsuite>\n</testsuites>\n");
    text
}

fn case(text: &mut String, settings: Option<&Path>, outcome: &Outcome) {
    // Servers show the class as a folder.
    let (class, name) = outcome.name.rsplit_once('/').unwrap_or(("scenarios", &outcome.name));
    // Writing to a string does not fail.
    let _ = write!(
        text,
        "<testcase classname=\"{}\" name=\"{}\" file=\"{}\"",
        escaped(class),
        escaped(name),
        escaped(&outcome.file.display().to_string())
    );
    let element = match outcome.verdict() {
        Verdict::Broken => "failure",
        Verdict::Unreadable => "error",
        Verdict::Kept | Verdict::Unlimited => return text.push_str("/>\n"),
    };
    let faults = outcome.faults();
    let first = faults.first().map_or("", String::as_str);
    let (kind, mut told) = (outcome.verdict().name().to_lowercase(), faults.join("\n"));
    if outcome.figures.is_some() {
        let _ = write!(told, "\nreplay: {}", outcome.replay(settings));
    }
    let _ = writeln!(
        text,
        ">\n<{element} type=\"{kind}\" message=\"{}\">{}</{element}>\n</testcase>",
        escaped(first),
        escaped(&told)
    );
}
