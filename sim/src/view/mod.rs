//! What a log says about months, in two passes and in memory that does not grow with the readings: ten-second means apart, 16 bytes each,
//! and minutes, 24 bytes each. The first pass finds out when readings were taken, which those that come later tell; the second does the rest.
//!
//! ```text
//! files -> [files] by sensor, in order of days -> rows -> [place] survey
//!                                              -> rows -> [place] in time -> [account] -> [page]
//! ```

mod account;
mod files;
mod page;
mod place;
mod supply;
mod ticks;
mod trend;

pub use account::{Account, Gap, GapKind, Happened};
pub use files::{ViewError, find};
pub use page::Page;
pub use place::{Places, Survey};
pub use supply::{Rule, Supply, Verdict};

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;

use crate::log::row::{COLUMNS, Row};

/// Goes through the file at `path` for the first time, to tell when readings were taken, and calls `bytes` with how many were read, now and
/// then.
///
/// # Errors
/// If the file cannot be read.
pub fn survey(path: &Path, survey: &mut Survey, bytes: impl FnMut(u64)) -> Result<(), ViewError> {
    lines(path, bytes, |row| {
        if let Some(row) = row {
            survey.take(&row);
        }
    })
}

/// Reads the file at `path` into `account`, and calls `bytes` with how many were read, now and then.
///
/// # Errors
/// If the file cannot be read. Lines that are no rows, torn ones say, are counted and left out.
pub fn read(path: &Path, account: &mut Account, bytes: impl FnMut(u64)) -> Result<(), ViewError> {
    lines(path, bytes, |row| match row {
        Some(row) => account.take(&row),
        None => account.refuse(),
    })
}

/// Gives each line of the file at `path` but its head to `take`: its row, if it is one.
fn lines(
    path: &Path,
    mut bytes: impl FnMut(u64),
    mut take: impl FnMut(Option<Row>),
) -> Result<(), ViewError> {
    let fault = |source| ViewError::Io { path: path.into(), source };
    let mut file = BufReader::with_capacity(1 << 18, File::open(path).map_err(fault)?);
    let mut line = Vec::new();
    let mut since = 0;
    loop {
        line.clear();
        let length = file.read_until(b'\n', &mut line).map_err(fault)?;
        if length == 0 {
            bytes(since);
            return Ok(());
        }
        since += length as u64;
        if since > 1 << 20 {
            bytes(since);
            since = 0;
        }
        // Without its end it may be another number.
        let text = line.strip_suffix(b"\n").map(|text| text.strip_suffix(b"\r").unwrap_or(text));
        if text.is_none_or(|text| !text.starts_with(b"#") && text != COLUMNS.as_bytes()) {
            take(text.and_then(Row::parse));
        }
    }
}
