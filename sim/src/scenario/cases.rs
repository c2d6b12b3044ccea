//! One file, many scenarios: its tables `[[cases]]` list values that keys of the others take in turn.
//!
//! ```toml
//! [[cases]]                              # the lists of one table go together: three cases
//! grid.offset_mhz = [-500, 0, 500]
//! limits.max_error_mhz = [2, 1, 2]
//!
//! [[cases]]                              # and every one of them with each row of the next: six
//! meter.estimator = ["end-to-end", "hann"]
//! ```
//!
//! A key is written as its tables say, from the top of the file; a number in it, counted from 1, is a place in a list:
//! `disturb.1.degrees`, `voltage.harmonics.2.1`. Values are put into the tables before these are read, so that each is checked as if
//! it stood there.

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{Instead, Scenario, ScenarioError, parse};
use crate::keys::{Fault, document, nearest};

/// One scenario of a file.
#[derive(Clone, Debug, PartialEq)]
pub struct Case {
    /// What tells it from the file's others, `offset_mhz=-500,estimator=hann`; nothing for a file without cases.
    pub label: String,
    /// What it comes to. Its name is the file's.
    pub scenario: Scenario,
}

/// Cases of one file, at most.
pub const MOST_CASES: usize = 10_000;

/// The cases in `text`, in the order of its lists, the last list's values changing fastest; one without a label if there is no table
/// `[[cases]]`. `path` and `instead` are as in [`Scenario::from_toml_with`].
///
/// # Errors
/// As there, with the line of the value that is wrong; a list that is none, lists of different lengths in one table, a place in a list that
/// is not there, two cases of one label, more than [`MOST_CASES`] cases.
pub fn cases(text: &str, path: &Path, instead: Instead) -> Result<Vec<Case>, ScenarioError> {
    read(text, path, instead).map_err(|fault| ScenarioError::Line {
        path: path.into(),
        line: fault.line(text),
        what: fault.what,
    })
}

/// The scenario file `text` with `value`, as TOML writes it, for `key`, as [`cases`] takes it: a table `[[cases]]` of one row is put behind
/// it. The line of an error in the value is one behind the file's last.
pub fn with_value(text: &str, key: &str, value: &str) -> String {
    format!("{text}\n[[cases]]\nlabel = [\"\"]\n{key} = [{value}]\n")
}

/// The one of a file's `cases` that is called `label`; without a label the only one.
///
/// # Errors
/// If there is none, or several to choose from: which there are.
pub fn choose(mut cases: Vec<Case>, label: Option<&str>) -> Result<Case, String> {
    let place = match label {
        None => (cases.len() == 1).then_some(0),
        Some(label) => cases.iter().position(|case| case.label == label),
    };
    if let Some(place) = place {
        return Ok(cases.swap_remove(place));
    }
    let labels = || cases.iter().map(|case| case.label.as_str());
    let listed = labels().collect::<Vec<_>>().join("; ");
    Err(match label {
        None => format!("has {} cases: choose one with --case: {listed}", cases.len()),
        Some(_) if labels().all(str::is_empty) => "has no cases: leave --case out".into(),
        Some(asked) => {
            format!("no case is called {asked:?};{} There are: {listed}", nearest(labels(), asked))
        }
    })
}

/// A key and the values it takes.
struct Varied<'a> {
    key: String,
    at: Range<usize>,
    values: Vec<Spanned<DeValue<'a>>>,
}

/// Lists that go together.
struct Together<'a> {
    lists: Vec<Varied<'a>>,
    labels: Vec<String>,
}

impl<'a> Together<'a> {
    fn put(&self, document: &mut DeTable<'a>, row: usize) -> Result<(), Fault> {
        self.lists.iter().try_for_each(|list| match list.values.get(row) {
            Some(value) => put(document, &list.key.split('.').collect::<Vec<_>>(), list, value),
            None => Ok(()),
        })
    }
}

fn read(text: &str, path: &Path, instead: Instead) -> Result<Vec<Case>, Fault> {
    let mut document = document(text)?;
    let tables = match document.remove("cases") {
        None => vec![],
        Some(value) => tables(text, value)?,
    };
    let first = tables.first().and_then(|table| table.lists.first()).map_or(0, |list| list.at.start);
    let count = tables.iter().try_fold(1usize, |count, table| count.checked_mul(table.labels.len()));
    let Some(count) = count.filter(|count| *count <= MOST_CASES) else {
        return Err(Fault::new(first, format!("[[cases]] come to more than {MOST_CASES}")));
    };
    let mut labels = BTreeSet::new();
    (0..count)
        .map(|number| {
            let (mut document, mut label) = (document.clone(), vec![]);
            let mut below = count;
            for table in &tables {
                below /= table.labels.len();
                let row = number / below % table.labels.len();
                table.put(&mut document, row)?;
                label.extend(table.labels.get(row).filter(|own| !own.is_empty()).map(String::as_str));
            }
            let label = label.join(",");
            if !labels.insert(label.clone()) {
                let what = format!("[[cases]] {label:?} comes twice: tell them apart with a list label");
                return Err(Fault::new(first, what));
            }
            Ok(Case { label, scenario: parse::scenario(text, document, path, instead)? })
        })
        .collect()
}

fn tables<'a>(text: &str, value: Spanned<DeValue<'a>>) -> Result<Vec<Together<'a>>, Fault> {
    let at = value.span().start;
    let wrong = || Fault::new(at, "cases are not a list of tables; begin each with [[cases]]".into());
    let DeValue::Array(tables) = value.into_inner() else { return Err(wrong()) };
    tables.into_iter().map(|table| together(text, table)).collect()
}

fn together<'a>(text: &str, table: Spanned<DeValue<'a>>) -> Result<Together<'a>, Fault> {
    let at = table.span().start;
    let DeValue::Table(mut table) = table.into_inner() else {
        return Err(Fault::new(at, "[[cases]] holds something else than tables".into()));
    };
    let labels =
        table.remove_entry("label").map(|(key, value)| list("label", key.span(), value)).transpose()?;
    let mut lists = vec![];
    flatten("", table, &mut lists)?;
    // As they stand in the file.
    lists.sort_by_key(|list| list.at.start);
    let Some(first) = lists.first() else {
        return Err(Fault::new(at, "[[cases]] is empty: expected keys with lists of values".into()));
    };
    let rows = first.values.len();
    for list in lists.iter().chain(&labels) {
        if list.values.len() != rows {
            let what = format!(
                "[[cases]] {} has {} values, and {} has {rows}: lists of one table go together, row by row",
                list.key,
                list.values.len(),
                first.key
            );
            return Err(Fault::new(list.at.start, what));
        }
    }
    let labels = match labels {
        Some(labels) => labels.values.iter().map(word).collect::<Result<_, _>>()?,
        None => (0..rows).map(|row| label(text, &lists, row)).collect(),
    };
    Ok(Together { lists, labels })
}

/// A label that was given.
fn word(value: &Spanned<DeValue<'_>>) -> Result<String, Fault> {
    let fits = |text: &&str| text.chars().count() <= 200 && !text.chars().any(char::is_control);
    value.get_ref().as_str().filter(fits).map(str::to_owned).ok_or_else(|| {
        Fault::new(
            value.span().start,
            "[[cases]] label: expected a line of up to 200 characters in quotes".into(),
        )
    })
}

/// What tells a row from the others; the limits it is held to do not.
fn label(text: &str, lists: &[Varied<'_>], row: usize) -> String {
    let tells = |list: &&Varied<'_>| !list.key.starts_with("limits.");
    let one = |list: &Varied<'_>| {
        let span = list.values.get(row).map_or(0..0, Spanned::span);
        let value = text.get(span).unwrap_or_default().trim_matches(['"', '\'']);
        format!("{}={}", label_of(&list.key), value.split_whitespace().collect::<Vec<_>>().join(" "))
    };
    let any = lists.iter().any(|list| tells(&list));
    lists.iter().filter(|list| !any || tells(list)).map(one).collect::<Vec<_>>().join(",")
}

/// The last name in a key, and the places behind it: `harmonics.1.2` of `voltage.harmonics.1.2`.
fn label_of(key: &str) -> &str {
    let places = key.trim_end_matches(|c: char| c == '.' || c.is_ascii_digit()).len();
    let begin = key.get(..places).and_then(|names| names.rfind('.')).map_or(0, |dot| dot + 1);
    key.get(begin..).unwrap_or_default()
}

fn flatten<'a>(before: &str, table: DeTable<'a>, lists: &mut Vec<Varied<'a>>) -> Result<(), Fault> {
    for (key, value) in table {
        let (at, name) = (key.span(), format!("{before}{}", key.get_ref()));
        match value.get_ref() {
            DeValue::Table(_) => {
                if let DeValue::Table(inner) = value.into_inner() {
                    flatten(&format!("{name}."), inner, lists)?;
                }
            }
            _ => lists.push(list(&name, at, value)?),
        }
    }
    Ok(())
}

fn list<'a>(key: &str, at: Range<usize>, value: Spanned<DeValue<'a>>) -> Result<Varied<'a>, Fault> {
    match value.into_inner() {
        DeValue::Array(values) if !values.is_empty() => {
            Ok(Varied { key: key.into(), at, values: values.into_iter().collect() })
        }
        _ => Err(Fault::new(
            at.start,
            format!("[[cases]] {key} is not a list of values: expected {key} = [...]"),
        )),
    }
}

/// Puts `value` where `parts` of the key lead.
fn put<'a>(
    table: &mut DeTable<'a>,
    parts: &[&str],
    list: &Varied<'a>,
    value: &Spanned<DeValue<'a>>,
) -> Result<(), Fault> {
    let [name, rest @ ..] = parts else { return Ok(()) };
    if rest.is_empty() {
        // With its key, so that faults are told at its line.
        table.remove(*name);
        table.insert(Spanned::new(list.at.clone(), (*name).to_owned().into()), value.clone());
        return Ok(());
    }
    let is_place = |part: &&str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit());
    if !table.contains_key(*name) && rest.first().is_some_and(is_place) {
        let what = format!("[[cases]] {}: the file has no list {name}, and so no place in it", list.key);
        return Err(Fault::new(list.at.start, what));
    }
    let key = Spanned::new(list.at.clone(), (*name).to_owned().into());
    let empty = || Spanned::new(list.at.clone(), DeValue::Table(DeTable::new()));
    put_into(table.entry(key).or_insert_with(empty), rest, list, value)
}

fn put_into<'a>(
    place: &mut Spanned<DeValue<'a>>,
    parts: &[&str],
    list: &Varied<'a>,
    value: &Spanned<DeValue<'a>>,
) -> Result<(), Fault> {
    let [name, rest @ ..] = parts else {
        *place = value.clone();
        return Ok(());
    };
    let wrong = |what: String| Err(Fault::new(list.at.start, format!("[[cases]] {}: {what}", list.key)));
    match place.get_mut() {
        DeValue::Table(table) => put(table, parts, list, value),
        DeValue::Array(array) => {
            let length = array.len();
            let found = name.parse::<usize>().ok().and_then(|number| array.get_mut(number.checked_sub(1)?));
            match found {
                Some(inner) => put_into(inner, rest, list, value),
                None => {
                    wrong(format!("there is no place {name} in a list of {length}: expected 1 to {length}"))
                }
            }
        }
        _ => wrong(format!("there is no {name} in what is one value")),
    }
}

#[cfg(test)]
mod tests;
