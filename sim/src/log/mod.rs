//! What a listener keeps: one CSV for each sensor and UTC day, lines whole.
//!
//! A file begins with a line that says what it is and whose, then the columns ([`row::COLUMNS`]), then a row for each reading in the order in
//! which they came. `utc` is when it came, by the listener's clock; `t_s` the sensor's own time, which alone knows when it was taken.

pub mod folder;
pub mod row;
pub mod utc;

use crate::wire::greeting::Name;

/// What the first line of every log begins with; the sensor's name follows.
const FIRST: &str = "# humtick log 1, sensor ";

/// The lines a log begins with.
fn head(name: &Name) -> String {
    format!("{FIRST}{name}\n{}\n", row::COLUMNS)
}

/// Whose log it is, by its first line without LF; `None` if it is no log.
pub fn sensor(line: &[u8]) -> Option<Name> {
    std::str::from_utf8(line).ok()?.trim_end_matches('\r').strip_prefix(FIRST)?.parse().ok()
}
