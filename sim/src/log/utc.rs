//! Moments as people write them: `2026-03-29T01:59:58.250Z`, to a millisecond, in UTC.

use std::time::{SystemTime, UNIX_EPOCH};

/// Milliseconds of a day.
pub const DAY_MS: i64 = 86_400_000;

/// Bytes of a moment as text.
pub const LEN: usize = 24;

/// Milliseconds since 1970 by the system's clock, leap seconds not counted.
pub fn now_ms() -> i64 {
    let part = |d: std::time::Duration| i64::try_from(d.as_millis()).unwrap_or(i64::MAX);
    match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(after) => part(after),
        Err(before) => -part(before.duration()),
    }
}

/// Year, month and day of a day counted from 1970-01-01, in the Gregorian calendar: years of 400 make 146,097 days and begin in
/// March, so that the leap day is the last.
fn date(day: i64) -> (i64, i64, i64) {
    let from_march = day + 719_468;
    let (era, in_era) = (from_march.div_euclid(146_097), from_march.rem_euclid(146_097));
    let year = (in_era - in_era / 1_460 + in_era / 36_524 - in_era / 146_096) / 365;
    let in_year = in_era - (365 * year + year / 4 - year / 100);
    let month = (5 * in_year + 2) / 153;
    let day = in_year - (153 * month + 2) / 5 + 1;
    let month = if month < 10 { month + 3 } else { month - 9 };
    (era * 400 + year + i64::from(month <= 2), month, day)
}

/// The day of a date, counted from 1970-01-01.
fn day(year: i64, month: i64, day: i64) -> i64 {
    let year = year - i64::from(month <= 2);
    let (era, year) = (year.div_euclid(400), year.rem_euclid(400));
    let in_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    era * 146_097 + year * 365 + year / 4 - year / 100 + in_year - 719_468
}

/// `2026-03-29`; years have four figures from 0 to 9999.
pub fn date_text(utc_ms: i64) -> String {
    let (year, month, day) = date(utc_ms.div_euclid(DAY_MS));
    format!("{year:04}-{month:02}-{day:02}")
}

/// `2026-03-29T01:59:58.250Z`.
pub fn text(utc_ms: i64) -> String {
    let in_day = utc_ms.rem_euclid(DAY_MS);
    let (hour, minute) = (in_day / 3_600_000, in_day / 60_000 % 60);
    let (second, ms) = (in_day / 1_000 % 60, in_day % 1_000);
    format!("{}T{hour:02}:{minute:02}:{second:02}.{ms:03}Z", date_text(utc_ms))
}

/// What [`text`] wrote, for years 0 to 9999; nothing else.
pub fn parse(text: &[u8]) -> Option<i64> {
    let text: &[u8; LEN] = text.try_into().ok()?;
    let marks = [(4, b'-'), (7, b'-'), (10, b'T'), (13, b':'), (16, b':'), (19, b'.'), (23, b'Z')];
    if marks.iter().any(|(place, mark)| text[*place] != *mark) {
        return None;
    }
    let number = |place: std::ops::Range<usize>| {
        text[place].iter().try_fold(0i64, |all, b| b.is_ascii_digit().then(|| all * 10 + i64::from(b - b'0')))
    };
    let (year, month, of_month) = (number(0..4)?, number(5..7)?, number(8..10)?);
    let (hour, minute, second, ms) = (number(11..13)?, number(14..16)?, number(17..19)?, number(20..23)?);
    if !(1..=12).contains(&month) || !(1..=31).contains(&of_month) || hour > 23 || minute > 59 || second > 59
    {
        return None;
    }
    Some(day(year, month, of_month) * DAY_MS + hour * 3_600_000 + minute * 60_000 + second * 1_000 + ms)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_read_back() {
        for (ms, written) in [
            (0, "1970-01-01T00:00:00.000Z"),
            (-1, "1969-12-31T23:59:59.999Z"),
            (951_782_400_000, "2000-02-29T00:00:00.000Z"),
            (1_774_749_598_250, "2026-03-29T01:59:58.250Z"),
            (4_107_542_399_999, "2100-02-28T23:59:59.999Z"),
        ] {
            assert_eq!(text(ms), written);
            assert_eq!(parse(written.as_bytes()), Some(ms));
        }
    }

    #[test]
    fn every_day_of_eight_centuries_follows_the_one_before() {
        let mut last = date(-150_000);
        for number in -149_999..150_000 {
            let (year, month, of_month) = date(number);
            assert_eq!(day(year, month, of_month), number);
            let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
            let next = if of_month > 1 {
                (year, month, of_month - 1)
            } else if month == 1 {
                (year - 1, 12, 31)
            } else {
                let before = match month - 1 {
                    2 => 28 + i64::from(leap),
                    4 | 6 | 9 | 11 => 30,
                    _ => 31,
                };
                (year, month - 1, before)
            };
            assert_eq!(last, next);
            last = (year, month, of_month);
        }
    }

    #[test]
    fn what_is_no_moment_is_none() {
        for text in [
            "",
            "2026-03-29",
            "2026-13-29T01:59:58.250Z",
            "2026-03-29T24:59:58.250Z",
            "2026-03-29 01:59:58.250Z",
        ] {
            assert_eq!(parse(text.as_bytes()), None, "{text}");
        }
    }
}
