//! A TOML table whose keys are asked for one by one: key, range and default stand in one place, and every fault knows its line.
//!
//! Reading never stops at a fault: it goes on with a value from the range, and [`Keys::finish`] tells the fault that explains the most.

use std::ops::Range;

use clap::ValueEnum;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Lowest and highest value of a number, both included.
pub(crate) type Bounds = (f64, f64);

/// What is wrong, and where.
#[derive(Clone, Debug)]
pub(crate) struct Fault {
    /// Byte of the text.
    at: usize,
    /// Key, what was found, what was expected.
    pub(crate) what: String,
}

impl Fault {
    pub(crate) fn new(at: usize, what: String) -> Self {
        Self { at, what }
    }

    /// Its line in `text`, counted from 1.
    pub(crate) fn line(&self, text: &str) -> usize {
        1 + text.bytes().take(self.at).filter(|b| *b == b'\n').count()
    }
}

/// One table of a file.
pub(crate) struct Keys<'a> {
    text: &'a str,
    /// What messages put before a key: `[grid] `, or nothing at the top of a file.
    name: String,
    at: usize,
    table: DeTable<'a>,
    /// Keys asked for, and where they are given.
    known: Vec<(&'static str, Option<usize>)>,
    faults: Vec<Fault>,
    /// Keys that must be given and are not. A mistyped one explains more.
    missing: Vec<Fault>,
}

impl<'a> Keys<'a> {
    /// The table that the whole of `text` is.
    pub(crate) fn parse(text: &'a str) -> Result<Self, Fault> {
        Ok(Self::of(text, document(text)?))
    }

    /// A table that was parsed from `text`.
    pub(crate) fn of(text: &'a str, table: DeTable<'a>) -> Self {
        Self::new(text, String::new(), 0, table)
    }

    fn new(text: &'a str, name: String, at: usize, table: DeTable<'a>) -> Self {
        Self { text, name, at, table, known: vec![], faults: vec![], missing: vec![] }
    }

    /// From here on messages say which `kind` of table it is.
    pub(crate) fn of_kind(&mut self, kind: impl ValueEnum) {
        self.name.extend(kind.to_possible_value().map(|word| format!("{}: ", word.get_name())));
    }

    /// Whether `key` is in the file; asking does not make it known.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key) || self.known.iter().any(|(k, at)| *k == key && at.is_some())
    }

    /// Makes `key` known, which has been taken out before.
    pub(crate) fn taken_out(&mut self, key: &'static str) {
        self.known.push((key, None));
    }

    fn take(&mut self, key: &'static str) -> Option<Spanned<DeValue<'a>>> {
        let entry = self.table.remove_entry(key);
        self.known.push((key, entry.as_ref().map(|(key, _)| key.span().start)));
        entry.map(|(_, value)| value)
    }

    fn found(&self, span: Range<usize>) -> String {
        let line = self.text.get(span).unwrap_or_default().lines().next().unwrap_or_default();
        let cut: String = line.chars().take(40).collect();
        if cut.len() < line.len() { cut + "..." } else { cut }
    }

    /// Notes that the value of `key` at `span` is not what is `expected`.
    fn refuse(&mut self, key: &str, span: Range<usize>, expected: &str) {
        let what = format!("{}{key} = {} {expected}", self.name, self.found(span.clone()));
        self.faults.push(Fault { at: span.start, what });
    }

    /// Notes that values do not go together, at the line of `key` if it is given; not where a value was refused already.
    pub(crate) fn check(&mut self, holds: bool, key: &str, what: impl FnOnce() -> String) {
        if holds || !self.faults.is_empty() || !self.missing.is_empty() {
            return;
        }
        let given = self.known.iter().filter(|(k, _)| *k == key).find_map(|(_, at)| *at);
        let what = format!("{}{}", self.name, what());
        self.faults.push(Fault { at: given.unwrap_or(self.at), what });
    }

    /// Notes that `key` must be given.
    pub(crate) fn need(&mut self, key: &str, expected: &str) {
        let what = format!("{}{key} is missing: expected {expected}", self.name);
        self.missing.push(Fault { at: self.at, what });
    }

    fn within(
        &mut self,
        key: &str,
        span: Range<usize>,
        value: Option<f64>,
        (low, high): Bounds,
    ) -> Option<f64> {
        match value {
            Some(value) if (low..=high).contains(&value) => return Some(value),
            Some(_) => self.refuse(key, span, &format!("is outside {low} to {high}")),
            None => self.refuse(key, span, &format!("is not a number; expected {low} to {high}")),
        }
        None
    }

    /// The number `key`, if it is given.
    pub(crate) fn given(&mut self, key: &'static str, bounds: Bounds) -> Option<f64> {
        let value = self.take(key)?;
        self.within(key, value.span(), number(value.get_ref()), bounds)
    }

    /// The number `key`.
    pub(crate) fn number(&mut self, key: &'static str, default: f64, bounds: Bounds) -> f64 {
        self.given(key, bounds).unwrap_or(default)
    }

    /// The number `key`, which must be given.
    pub(crate) fn required(&mut self, key: &'static str, bounds: Bounds) -> f64 {
        if !self.has(key) {
            self.need(key, &format!("{} to {}", bounds.0, bounds.1));
        }
        self.number(key, bounds.0, bounds)
    }

    /// The whole number `key`.
    pub(crate) fn whole<T: TryFrom<i128>>(
        &mut self,
        key: &'static str,
        default: T,
        (low, high): (u64, u64),
    ) -> T {
        self.given_whole(key, (low, high)).and_then(|value| value.try_into().ok()).unwrap_or(default)
    }

    /// The whole number `key`, if it is given.
    pub(crate) fn given_whole(&mut self, key: &'static str, (low, high): (u64, u64)) -> Option<i128> {
        let value = self.take(key)?;
        let expected = match whole(value.get_ref()) {
            Some(value) if (i128::from(low)..=i128::from(high)).contains(&value) => return Some(value),
            Some(_) => format!("is outside {low} to {high}"),
            None => format!("is not a whole number; expected {low} to {high}"),
        };
        self.refuse(key, value.span(), &expected);
        None
    }

    /// The truth value `key`.
    pub(crate) fn flag(&mut self, key: &'static str, default: bool) -> bool {
        let Some(value) = self.take(key) else { return default };
        value.get_ref().as_bool().unwrap_or_else(|| {
            self.refuse(key, value.span(), "is neither true nor false");
            default
        })
    }

    /// The text `key`, if it is given: a line of at most 200 characters.
    pub(crate) fn line(&mut self, key: &'static str) -> Option<String> {
        let value = self.take(key)?;
        let fits = |text: &&str| {
            !text.is_empty() && text.chars().count() <= 200 && !text.chars().any(char::is_control)
        };
        let text = value.get_ref().as_str().filter(fits).map(str::to_owned);
        if text.is_none() {
            self.refuse(key, value.span(), "is not text; expected a line of 1 to 200 characters in quotes");
        }
        text
    }

    /// Whether `key` holds text.
    pub(crate) fn has_text(&self, key: &str) -> bool {
        self.table.get(key).is_some_and(|value| value.get_ref().is_str())
    }

    /// Whether `key` holds a list.
    pub(crate) fn has_list(&self, key: &str) -> bool {
        self.table.get(key).is_some_and(|value| value.get_ref().is_array())
    }

    /// Whether `key` holds a table.
    pub(crate) fn has_table(&self, key: &str) -> bool {
        self.table.get(key).is_some_and(|value| value.get_ref().is_table())
    }

    /// The word `key`, if it is given.
    pub(crate) fn given_word<T: ValueEnum>(&mut self, key: &'static str) -> Option<T> {
        let value = self.take(key)?;
        let word = value.get_ref().as_str();
        let choice = word.and_then(|word| T::from_str(word, false).ok());
        if choice.is_none() {
            let near = word.map_or(String::new(), |word| nearest(words::<T>().iter(), word));
            self.refuse(
                key,
                value.span(),
                &format!("is not one of the words it may be;{near} Expected {}", listed::<T>()),
            );
        }
        choice
    }

    /// The word `key`.
    pub(crate) fn word<T: ValueEnum>(&mut self, key: &'static str, default: T) -> T {
        self.given_word(key).unwrap_or(default)
    }

    /// One row of numbers, each with its name: `key = [low, high]`.
    pub(crate) fn row<const N: usize>(
        &mut self,
        key: &'static str,
        columns: [(&str, Bounds); N],
    ) -> Option<[f64; N]> {
        let value = self.take(key)?;
        self.cells(key, &value, &columns)
    }

    /// Rows of numbers: `key = [[order, percent], ...]`.
    pub(crate) fn rows<const N: usize>(
        &mut self,
        key: &'static str,
        columns: [(&str, Bounds); N],
        most: usize,
    ) -> Option<Vec<[f64; N]>> {
        let value = self.take(key)?;
        match value.get_ref().as_array() {
            Some(rows) if rows.len() <= most => {
                Some(rows.iter().filter_map(|row| self.cells(key, row, &columns)).collect())
            }
            _ => {
                let names = columns.map(|(name, _)| name).join(", ");
                self.refuse(
                    key,
                    value.span(),
                    &format!("is not a list of up to {most} rows [[{names}], ...]"),
                );
                None
            }
        }
    }

    fn cells<const N: usize>(
        &mut self,
        key: &'static str,
        row: &Spanned<DeValue<'a>>,
        columns: &[(&str, Bounds); N],
    ) -> Option<[f64; N]> {
        let Some(cells) = row.get_ref().as_array().filter(|cells| cells.len() == N) else {
            let names = columns.map(|(name, (low, high))| format!("{name} {low} to {high}")).join(", ");
            self.refuse(key, row.span(), &format!("is not a row [{names}]"));
            return None;
        };
        let mut values = [0.0; N];
        for ((value, cell), (name, bounds)) in values.iter_mut().zip(cells.iter()).zip(columns) {
            *value = self.within(&format!("{key}, {name}"), cell.span(), number(cell.get_ref()), *bounds)?;
        }
        Some(values)
    }

    /// The table `key`, empty if it is not given.
    pub(crate) fn table(&mut self, key: &'static str) -> Self {
        let name = match self.name.trim_end().trim_matches(['[', ']']) {
            "" => format!("[{key}] "),
            parent => format!("[{parent}.{key}] "),
        };
        let (text, at) = (self.text, self.at);
        let Some(value) = self.take(key) else { return Self::new(text, name, at, DeTable::new()) };
        let span = value.span();
        match value.into_inner() {
            DeValue::Table(table) => Self::new(text, name, span.start, table),
            _ => {
                self.refuse(
                    key,
                    span.clone(),
                    &format!("is not a table; begin one with {}", name.trim_end()),
                );
                Self::new(text, name, span.start, DeTable::new())
            }
        }
    }

    /// The tables `[[key]]` in the order of the file.
    pub(crate) fn tables(&mut self, key: &'static str) -> Vec<Self> {
        let Some(value) = self.take(key) else { return vec![] };
        let span = value.span();
        let tables: Option<Vec<Self>> = match value.into_inner() {
            DeValue::Array(list) => list
                .into_iter()
                .map(|value| {
                    let at = value.span().start;
                    match value.into_inner() {
                        DeValue::Table(table) => Some(Self::new(self.text, format!("[[{key}]] "), at, table)),
                        _ => None,
                    }
                })
                .collect(),
            _ => None,
        };
        tables.unwrap_or_else(|| {
            self.refuse(key, span, &format!("is not a list of tables; begin each with [[{key}]]"));
            vec![]
        })
    }

    /// All keys have been asked for.
    ///
    /// # Errors
    /// The first value that was refused; then the first key that was never asked for; then the first that is missing.
    pub(crate) fn finish(mut self) -> Result<(), Fault> {
        let first = |faults: Vec<Fault>| faults.into_iter().min_by_key(|fault| fault.at);
        let known: Vec<_> = self.known.iter().map(|(key, _)| *key).collect();
        let unknown = |(key, _): (&Spanned<_>, _)| {
            let found: &std::borrow::Cow<'_, str> = key.get_ref();
            let cut: String = found.chars().take(40).collect();
            let near = nearest(known.iter(), found);
            let what = format!("{}unknown key {cut:?};{near} Known: {}", self.name, known.join(", "));
            Fault { at: key.span().start, what }
        };
        let unknown = self.table.iter().map(unknown).min_by_key(|fault| fault.at);
        let refused = first(std::mem::take(&mut self.faults));
        refused.or(unknown).or_else(|| first(self.missing)).map_or(Ok(()), Err)
    }

    /// Some keys could not be asked for, since a value that decides on them is wrong or missing.
    pub(crate) fn give_up(self) -> Fault {
        let first = self.faults.into_iter().chain(self.missing).min_by_key(|fault| fault.at);
        first.unwrap_or(Fault { at: self.at, what: format!("{}cannot be read", self.name) })
    }
}

/// The table that the whole of `text` is, as it was parsed.
pub(crate) fn document(text: &str) -> Result<DeTable<'_>, Fault> {
    let table = DeTable::parse(text).map_err(|error| Fault {
        at: error.span().map_or(0, |span| span.start),
        // The parser lists what it expected on a second line.
        what: error.message().replace('\n', "; "),
    })?;
    Ok(table.into_inner())
}

fn number(value: &DeValue) -> Option<f64> {
    match value {
        DeValue::Integer(_) => whole(value).map(|n| n as f64),
        DeValue::Float(float) => float.as_str().parse().ok(),
        _ => None,
    }
}

/// A whole number, `2e6` included.
fn whole(value: &DeValue) -> Option<i128> {
    match value {
        DeValue::Integer(integer) => i128::from_str_radix(integer.as_str(), integer.radix()).ok(),
        // A double holds every whole number up to 2^53.
        DeValue::Float(_) => {
            number(value).filter(|n| n.fract() == 0.0 && n.abs() <= 53f64.exp2()).map(|n| n as i128)
        }
        _ => None,
    }
}

fn words<T: ValueEnum>() -> Vec<String> {
    let values = T::value_variants().iter().filter_map(ValueEnum::to_possible_value);
    values.map(|value| value.get_name().to_owned()).collect()
}

/// The words that a `T` may be.
pub(crate) fn listed<T: ValueEnum>() -> String {
    words::<T>().join(", ")
}

/// Names the one that is most like `found`.
pub(crate) fn nearest<S: AsRef<str>>(known: impl Iterator<Item = S>, found: &str) -> String {
    // Beyond 40 characters nothing is alike, and the comparison takes the square of the length.
    let cut: String = found.chars().take(40).collect();
    let likeness = |a: &S| strsim::jaro_winkler(a.as_ref(), &cut);
    known
        .max_by(|a, b| likeness(a).total_cmp(&likeness(b)))
        .map_or_else(String::new, |key| format!(" did you mean {}?", key.as_ref()))
}
