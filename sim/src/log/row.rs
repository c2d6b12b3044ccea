//! A reading as a line of a log.

use humtick::link::Record;
use humtick::{Frequency, State};

use super::utc;
use crate::entry::state_name;

/// The columns. An empty cell is not known.
pub const COLUMNS: &str = "utc,t_s,sequence,state,frequency_hz,u95_hz,rocof_hz_s,missed,rejected";

/// A reading and when it came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Row {
    /// When it came, by the listener's clock: milliseconds since 1970.
    pub utc_ms: i64,
    /// What it says.
    pub record: Record,
}

impl Row {
    /// Appends the row's line, LF included. Nothing is rounded: frequencies have six decimals, or nine where a compact frame gave more.
    pub fn write(&self, to: &mut Vec<u8>) {
        let Record { sequence, time_ms, state, frequency, uncertainty, rocof, missed, rejected } =
            self.record;
        to.extend_from_slice(utc::text(self.utc_ms).as_bytes());
        let name = state_name(state);
        let time = format!(",{}.{:03},{sequence},{name},", time_ms / 1_000, time_ms % 1_000);
        to.extend_from_slice(time.as_bytes());
        decimal(to, frequency.map(|f| i128::from(f.nanohertz())), 6);
        to.push(b',');
        decimal(to, uncertainty.map(|f| i128::from(f.nanohertz())), 6);
        to.push(b',');
        decimal(to, rocof.map(i128::from), 4);
        to.extend_from_slice(format!(",{missed},{rejected}\n").as_bytes());
    }

    /// The row of a line without its LF; `None` if it is none, a torn one say. Cells behind the last known one are left alone.
    pub fn parse(line: &[u8]) -> Option<Self> {
        let mut cells = line.split(|b| *b == b',');
        let utc_ms = utc::parse(cells.next()?)?;
        let time_ms = u32::try_from(billionths(cells.next()?)?? / 1_000_000).ok()?;
        let sequence = whole(cells.next()?)?;
        let state = match cells.next()? {
            b"seeking" => State::Seeking,
            b"locked" => State::Locked,
            b"coasting" => State::Coasting,
            b"lost" => State::Lost,
            _ => return None,
        };
        let mut hertz = || -> Option<Option<Frequency>> {
            let value = billionths(cells.next()?)?;
            value.map_or(Some(None), |v| u64::try_from(v).ok().map(|v| Some(Frequency::from_nanohertz(v))))
        };
        let (frequency, uncertainty) = (hertz()?, hertz()?);
        let rocof = billionths(cells.next()?)?;
        let (missed, rejected) = (whole(cells.next()?)?, whole(cells.next()?)?);
        let record = Record { sequence, time_ms, state, frequency, uncertainty, rocof, missed, rejected };
        Some(Self { utc_ms, record })
    }
}

/// Billionths as a decimal with `least` decimals, or nine where these do not hold it.
fn decimal(to: &mut Vec<u8>, value: Option<i128>, least: usize) {
    let Some(value) = value else { return };
    let (sign, size) = (if value < 0 { "-" } else { "" }, value.unsigned_abs());
    let (whole, rest) = (size / 1_000_000_000, size % 1_000_000_000);
    let unit = 10u128.pow(9 - least as u32);
    let text = if rest.is_multiple_of(unit) {
        format!("{sign}{whole}.{:0least$}", rest / unit)
    } else {
        format!("{sign}{whole}.{rest:09}")
    };
    to.extend_from_slice(text.as_bytes());
}

/// A decimal in billionths: the inner `None` for an empty cell, the outer for what is no decimal of up to nine places or beyond 64 bits.
fn billionths(cell: &[u8]) -> Option<Option<i64>> {
    let (negative, digits) = match cell {
        [] => return Some(None),
        [b'-', digits @ ..] => (true, digits),
        digits => (false, digits),
    };
    let (mut value, mut places, mut point) = (0i64, 0u32, false);
    for byte in digits {
        match byte {
            b'0'..=b'9' => {
                value = value.checked_mul(10)?.checked_add(i64::from(byte - b'0'))?;
                places += u32::from(point);
            }
            b'.' if !point && !digits.starts_with(b".") => point = true,
            _ => return None,
        }
    }
    // No digits, or none behind a point.
    if digits.is_empty() || (point && places == 0) {
        return None;
    }
    let value = value.checked_mul(10i64.pow(9u32.checked_sub(places)?))?;
    Some(Some(if negative { -value } else { value }))
}

/// A whole number up to 65,535.
fn whole(cell: &[u8]) -> Option<u16> {
    if cell.is_empty() || cell.len() > 5 {
        return None;
    }
    let digit = |all: u32, b: &u8| b.is_ascii_digit().then(|| all * 10 + u32::from(b - b'0'));
    u16::try_from(cell.iter().try_fold(0, digit)?).ok()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn line(row: &Row) -> String {
        let mut to = Vec::new();
        row.write(&mut to);
        String::from_utf8(to).unwrap()
    }

    #[test]
    fn a_row_reads_as_it_is_meant() {
        let record = Record {
            sequence: 4711,
            time_ms: 1_234_567,
            state: State::Locked,
            frequency: Some(Frequency::from_nanohertz(50_003_127_000)),
            uncertainty: Some(Frequency::from_nanohertz(411_008)),
            rocof: Some(-12_300_000),
            missed: 0,
            rejected: 2,
        };
        let row = Row { utc_ms: 1_774_749_598_250, record };
        let text = "2026-03-29T01:59:58.250Z,1234.567,4711,locked,50.003127,0.000411008,-0.0123,0,2\n";
        assert_eq!(line(&row), text);
        let unknown = Record {
            state: State::Lost,
            frequency: None,
            uncertainty: None,
            rocof: None,
            rejected: 65_535,
            ..record
        };
        let text = "2026-03-29T01:59:58.250Z,1234.567,4711,lost,,,,0,65535\n";
        assert_eq!(line(&Row { record: unknown, ..row }), text);
    }

    #[test]
    fn what_is_no_row_is_none() {
        let good = "2026-03-29T01:59:58.250Z,1234.567,4711,locked,50.003127,0.000412,-0.0123,0,2";
        assert!(Row::parse(good.as_bytes()).is_some());
        // Cells that a later version adds.
        assert!(Row::parse(format!("{good},7").as_bytes()).is_some());
        for end in 0..good.len() - 1 {
            assert_eq!(Row::parse(&good.as_bytes()[..end]), None, "{}", &good[..end]);
        }
        for (from, to) in [
            ("locked", "asleep"),
            ("50.003127", "50."),
            ("50.003127", ".5"),
            ("50.003127", "-50.003127"),
            ("50.003127", "50.0031270001"),
            ("4711", "65536"),
            ("4711", "+1"),
            ("1234.567", ""),
        ] {
            assert_eq!(Row::parse(good.replace(from, to).as_bytes()), None, "{to}");
        }
    }

    proptest! {
        #[test]
        fn rows_read_back(
            utc_ms in 0i64..4_000_000_000_000,
            sequence: u16,
            time_ms: u32,
            state in 0usize..4,
            frequency in prop::option::of(0u64..1 << 62),
            uncertainty in prop::option::of(0u64..1 << 62),
            rocof in prop::option::of(-(1i64 << 62)..1 << 62),
            missed: u16,
            rejected: u16,
        ) {
            let state = [State::Seeking, State::Locked, State::Coasting, State::Lost][state];
            let of = |f: Option<u64>| f.map(Frequency::from_nanohertz);
            let (frequency, uncertainty) = (of(frequency), of(uncertainty));
            let record = Record { sequence, time_ms, state, frequency, uncertainty, rocof, missed, rejected };
            let row = Row { utc_ms, record };
            prop_assert_eq!(Row::parse(line(&row).trim_end().as_bytes()), Some(row));
        }

        #[test]
        fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..120)) {
            let _ = Row::parse(&bytes);
        }
    }
}
