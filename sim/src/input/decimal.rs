//! Decimal text to ticks without passing through a float: a double holds a Unix time only to 240 ns.

/// `text` times 10^`places`, rounded to the nearest whole number, halves up; the error completes "... is ...".
///
/// Takes digits with at most one point, a leading `+`, and an exponent (`20.153`, `.5`, `2.0153e1`).
pub(super) fn scaled(text: &[u8], places: u32) -> Result<u64, &'static str> {
    const NOT_DECIMAL: &str = "not a decimal number like 0.020153 or 2.0153e-2";
    const TOO_LARGE: &str = "too large for a 64-bit tick scale";
    if text.starts_with(b"-") {
        return Err("negative: times count upwards from zero");
    }
    let text = text.strip_prefix(b"+").unwrap_or(text);
    let (mantissa, exponent) = split_at(text, |b| b.eq_ignore_ascii_case(&b'e'));
    let exponent: i32 = match exponent {
        Some(e) => str::from_utf8(e).ok().and_then(|e| e.parse().ok()).ok_or(NOT_DECIMAL)?,
        None => 0,
    };
    let (whole, fraction) = split_at(mantissa, |b| *b == b'.');
    let fraction = fraction.unwrap_or_default();
    let digits = whole.len() + fraction.len();
    if digits == 0 {
        return Err(NOT_DECIMAL);
    }

    // A line is at most 65536 bytes, so none of these lengths comes near an i64's limit.
    let kept = whole.len() as i64 + i64::from(exponent) + i64::from(places);
    let mut value = 0_u64;
    for (place, byte) in (0_i64..).zip(whole.iter().chain(fraction)) {
        if !byte.is_ascii_digit() {
            return Err(NOT_DECIMAL);
        }
        let digit = u64::from(byte - b'0');
        if place < kept {
            value = value.checked_mul(10).and_then(|v| v.checked_add(digit)).ok_or(TOO_LARGE)?;
        } else if place == kept && digit >= 5 {
            value = value.checked_add(1).ok_or(TOO_LARGE)?;
        }
    }
    let zeros = u32::try_from((kept - digits as i64).max(0)).map_err(|_| TOO_LARGE)?;
    if value == 0 {
        return Ok(0);
    }
    10_u64.checked_pow(zeros).and_then(|power| value.checked_mul(power)).ok_or(TOO_LARGE)
}

/// What is before the first byte that `is`, and after it if there is one.
fn split_at(text: &[u8], is: impl Fn(&u8) -> bool) -> (&[u8], Option<&[u8]>) {
    match text.iter().position(is) {
        Some(at) => (&text[..at], Some(&text[at + 1..])),
        None => (text, None),
    }
}

#[cfg(test)]
mod tests {
    use super::scaled;
    use proptest::prelude::*;

    #[test]
    fn every_digit_counts_and_halves_go_up() {
        for (text, places, ticks) in [
            ("0.02", 8, 2_000_000),
            ("1720000000.12345678", 8, 172_000_000_012_345_678),
            ("0.0000000049", 8, 0),
            ("0.000000005", 8, 1),
            ("0.00000000049", 8, 0),
            ("0.0299999999999", 8, 3_000_000),
            (".5", 3, 500),
            ("5.", 3, 5_000),
            ("+2.0153e-2", 8, 2_015_300),
            ("2E3", 3, 2_000_000),
            ("9e-999999999", 8, 0),
            ("0e2000000000", 8, 0),
        ] {
            assert_eq!(scaled(text.as_bytes(), places), Ok(ticks), "{text}");
        }
    }

    #[test]
    fn what_is_no_time_is_refused() {
        for text in
            ["", ".", "e5", "1e", "1.2.3", "1,5", "nan", "inf", "0x10", "1e5e5", "++1", "1 2", "1e2.5"]
        {
            let error = scaled(text.as_bytes(), 8).unwrap_err();
            assert_eq!(error, "not a decimal number like 0.020153 or 2.0153e-2", "{text}");
        }
        assert_eq!(scaled(b"-0.1", 8), Err("negative: times count upwards from zero"));
        for text in ["1e12", "184467440737.09551616", "1e2000000000"] {
            assert_eq!(scaled(text.as_bytes(), 8), Err("too large for a 64-bit tick scale"), "{text}");
        }
        assert_eq!(scaled(b"184467440737.09551615", 8), Ok(u64::MAX));
    }

    proptest! {
        #[test]
        fn what_was_printed_comes_back(ticks in any::<u64>()) {
            let text = format!("{}.{:08}", ticks / 100_000_000, ticks % 100_000_000);
            prop_assert_eq!(scaled(text.as_bytes(), 8), Ok(ticks));
            prop_assert_eq!(scaled(format!("{ticks}e-8").as_bytes(), 8), Ok(ticks));
        }
    }
}
