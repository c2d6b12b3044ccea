//! Keys of a scenario by name: `front_end.noise_percent`, `disturb.1.degrees`, or `noise_percent` where only one table has it.

use super::SweepError;
use crate::keys::nearest;
use crate::scenario::template::TEMPLATE;

/// Keys of the template with the tables they are in, each once; of a disturbance without its number.
fn known() -> Vec<String> {
    let mut table = String::new();
    let mut known: Vec<String> = Vec::new();
    for line in TEMPLATE.lines() {
        let line = line.strip_prefix('#').unwrap_or(line);
        if let Some(header) = line.strip_prefix('[') {
            let name = header.trim_start_matches('[').split(']').next().unwrap_or_default();
            table = format!("{name}.");
            continue;
        }
        let Some((key, value)) = line.split_once(" = ") else { continue };
        // Cases are values of the others.
        if table == "cases." || key.is_empty() || !key.bytes().all(|b| b.is_ascii_lowercase() || b == b'_') {
            continue;
        }
        let mut add = |key: String| {
            if !known.contains(&key) {
                known.push(key);
            }
        };
        add(format!("{table}{key}"));
        // A table in one line has keys of its own.
        let inner = value.strip_prefix('{').unwrap_or_default();
        inner.split(',').filter_map(|pair| pair.split_once(" = ")).for_each(|(inner, _)| {
            add(format!("{table}{key}.{}", inner.trim()));
        });
    }
    known
}

/// Whether a part of a key is a place in a list.
fn is_place(part: &str) -> bool {
    !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit())
}

/// The full name of the key that is meant by `given`.
///
/// # Errors
/// A key that no table has, with the nearest one; a bare name that two tables have, with both.
pub fn resolve(given: &str) -> Result<String, SweepError> {
    let known = known();
    let names: Vec<_> = given.split('.').filter(|part| !is_place(part)).collect();
    let plain = names.join(".");
    let is_whole = !names.is_empty() && given.split('.').all(|part| !part.is_empty());
    let last = |key: &String| key.rsplit('.').next().unwrap_or_default().to_owned();
    if is_whole && known.contains(&plain) {
        // A disturbance is one of a list.
        if plain.starts_with("disturb.") && !given.split('.').nth(1).is_some_and(is_place) {
            return Err(SweepError::Key(format!(
                "{given}: which disturbance? Its number in the file comes second: disturb.1.{}",
                last(&plain)
            )));
        }
        return Ok(given.into());
    }
    let is_bare = names.first().is_some_and(|name| given.split('.').next() == Some(*name));
    let homes: Vec<_> =
        known.iter().filter(|key| is_whole && is_bare && names.len() == 1 && last(key) == names[0]).collect();
    match homes.as_slice() {
        [only] if !only.starts_with("disturb.") => {
            let table = only.rsplit_once('.').map_or("", |(table, _)| table);
            Ok(format!("{table}.{given}"))
        }
        [] => {
            let near = if names.len() > 1 {
                nearest(known.iter(), &plain)
            } else {
                // By the name alone, and then with its table.
                let near = nearest(known.iter().map(last), &plain);
                let near = near.trim_start_matches(" did you mean ").trim_end_matches('?');
                known
                    .iter()
                    .find(|key| last(key) == near)
                    .map_or(String::new(), |key| format!(" did you mean {key}?"))
            };
            let cut: String = given.chars().take(60).collect();
            Err(SweepError::Key(format!("{cut}: unknown key;{near} `humtick scenario` prints all")))
        }
        several => {
            let names: Vec<_> = several.iter().map(|key| key.replace("disturb.", "disturb.1.")).collect();
            Err(SweepError::Key(format!("{given}: which one? {}", names.join(", "))))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_found_with_or_without_their_table() {
        for (given, meant) in [
            ("front_end.noise_percent", "front_end.noise_percent"),
            ("noise_percent", "front_end.noise_percent"),
            ("estimator", "meter.estimator"),
            ("window_s", "meter.window_s"),
            ("duration_s", "duration_s"),
            ("nominal_hz", "nominal_hz"),
            ("meter.nominal_hz", "meter.nominal_hz"),
            ("latency_us.2", "timer.latency_us.2"),
            ("voltage.harmonics.3.1", "voltage.harmonics.3.1"),
            ("voltage.flicker.hz", "voltage.flicker.hz"),
            ("disturb.2.residual_percent", "disturb.2.residual_percent"),
        ] {
            assert_eq!(resolve(given).unwrap(), meant);
        }
    }

    #[test]
    fn what_is_no_key_is_told_with_the_nearest() {
        let refusal = |given: &str| resolve(given).unwrap_err().to_string();
        assert!(refusal("front_end.noise_pct").contains("did you mean front_end.noise_percent?"));
        assert!(refusal("noise_pct").contains("did you mean front_end.noise_percent?"));
        assert!(refusal("frontend.noise_percent").contains("did you mean front_end.noise_percent?"));
        assert_eq!(refusal("clock_ppm"), "clock_ppm: which one? timer.clock_ppm, meter.clock_ppm");
        assert!(refusal("disturb.degrees").ends_with("disturb.1.degrees"));
        assert!(refusal("residual_percent").ends_with("disturb.1.residual_percent"));
        for given in
            ["", ".", "1", "a.", "front_end..noise_percent", "1.noise_percent", "x]\n[y", "window_s\n"]
        {
            assert!(refusal(given).contains("unknown key"), "{given:?}");
        }
    }
}
