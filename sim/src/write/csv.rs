//! Captures as a table, as a board's serial port might have printed them: what [`crate::input`] reads from a `.csv`.

use std::io::{self, Write};

use humtick::Polarity;

use crate::scenario::Timer;
use crate::timer::Handed;

/// Writes comment lines with the tick rate and the width of the counter, the header `raw,wraps,pending,level`, and a row for each of
/// `captures`: stamp, overflow tally in full, overflow flag (1 for pending), 1 for rising and 0 for falling. Nothing is rounded. Returns the
/// number of rows.
///
/// Rows are what the board saw: where it has mistaken a wrap, so will a reader, and may find that time runs backwards.
///
/// # Errors
/// Those of `to`.
pub fn captures(
    mut to: impl Write,
    timer: &Timer,
    captures: impl IntoIterator<Item = Handed>,
) -> io::Result<u64> {
    write!(to, "# tick_hz = {}\n# bits = {}\nraw,wraps,pending,level\n", timer.tick_hz, timer.bits)?;
    let mut rows = 0;
    for Handed { capture, tally, .. } in captures {
        let level = u8::from(capture.polarity == Polarity::Rising);
        writeln!(to, "{},{tally},{},{level}", capture.raw, u8::from(capture.pending))?;
        rows += 1;
    }
    Ok(rows)
}
