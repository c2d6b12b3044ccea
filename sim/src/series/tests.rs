use super::*;
use proptest::prelude::*;

const LOG: &str = "log.csv";

fn of(text: impl AsRef<[u8]>, options: &SeriesOptions) -> Result<Series, InputError> {
    read(Path::new(LOG), text.as_ref(), options)
}

fn per_unit(column: &str) -> SeriesOptions {
    SeriesOptions { column: Some(column.into()), scale: Scale::PerUnit, ..SeriesOptions::default() }
}

#[track_caller]
fn refused(text: impl AsRef<[u8]>, options: &SeriesOptions, message: &str) {
    assert_eq!(of(text, options).unwrap_err().to_string(), message);
}

/// Readings a second apart, as `measure` writes them; `null` where zero.
fn json_lines(hertz: &[f64]) -> String {
    let mut text = "{\"kind\":\"header\",\"file\":\"a.csv\",\"tick_hz\":2000000,\"assumed\":[]}\n".to_owned();
    for (t, hz) in hertz.iter().enumerate() {
        let hz = if *hz == 0.0 { "null".to_owned() } else { hz.to_string() };
        text += &format!(
            "{{\"kind\":\"reading\",\"t_s\":{t}.5,\"span_s\":1.0,\"frequency_hz\":{hz},\"state\":\"locked\"}}\n"
        );
        text += &format!("{{\"kind\":\"event\",\"t_s\":{t}.6,\"event\":\"coasting\"}}\n");
    }
    text + "{\"kind\":\"summary\",\"edges\":3,\"frequency_hz\":50.0}\n"
}

#[test]
fn readings_as_json_lines_and_as_csv_are_one_series() {
    let options = SeriesOptions { scale: Scale::Nominal(50.0), ..SeriesOptions::default() };
    let json = of(json_lines(&[50.0, 50.5, 49.0, 50.0]), &options).unwrap();
    assert_eq!(json.fractions, [1.0, 1.01, 0.98, 1.0]);
    assert_eq!(json.interval_s, 1.0);
    assert_eq!(json.notes, ["readings, spacing 1 s", "all 4 values, no gap", "fractions of 50 Hz"]);
    let csv = "# a.csv: 50 ppm\nt_s,span_s,cycles,frequency_hz,state\n# 0.1 locked\n0.5,1,50,50.0,locked\n\
               1.5,1,50,50.5,locked\n2.5,1,49,49.0,locked\n3.5,1,50,50.0,locked\n# 200 edges\n";
    let csv = of(csv, &options).unwrap();
    assert_eq!((csv.fractions, csv.interval_s), (json.fractions, 1.0));
    assert_eq!(csv.notes[0], "column frequency_hz, spacing 1 s");
}

#[test]
fn without_a_nominal_frequency_the_mean_of_what_is_used_serves() {
    let series = of(json_lines(&[49.0, 50.0, 51.0, 0.0, 60.0]), &SeriesOptions::default()).unwrap();
    assert_eq!(series.fractions, [0.98, 1.0, 1.02]);
    assert_eq!(series.notes.last().unwrap(), "fractions of 50.000000 Hz, their mean");
}

#[test]
fn gaps_split_and_the_longest_stretch_is_told() {
    let notes = |text: &str, options: &SeriesOptions| {
        let series = of(text, options).unwrap();
        (series.fractions, series.notes[1].clone())
    };
    // A missing value, a missing row, both.
    let text = "second,y\n0,1\n1,2\n2,\n3,4\n4,5\n5,6\n7,8\n8,9\n9,NaN\n";
    let told = "longest unbroken stretch: 3 of 9 values, from 3 s on (gaps: 2, values missing: 2)";
    assert_eq!(notes(text, &per_unit("y")), (vec![4.0, 5.0, 6.0], told.into()));
    // The first of equals.
    let (values, _) = notes("second,y\n0,1\n1,2\n2,3\n3,\n4,4\n5,5\n6,6\n", &per_unit("y"));
    assert_eq!(values, [1.0, 2.0, 3.0]);
    // With a spacing given, rows are what counts.
    let options = SeriesOptions { interval_s: Some(2.0), ..per_unit("y") };
    let told = "longest unbroken stretch: 5 of 9 values, from value 4 on (gaps: 1, values missing: 2)";
    assert_eq!(notes(text, &options), (vec![4.0, 5.0, 6.0, 8.0, 9.0], told.into()));
    assert_eq!(of(text, &options).unwrap().interval_s, 2.0);
}

#[test]
fn steps_may_wander_by_a_cycle_and_that_is_told() {
    let log =
        |times: [f64; 6]| times.iter().fold("t_s,y\n".to_owned(), |text, t| text + &format!("{t},1.5\n"));
    let series = of(log([0.0, 0.1, 0.2, 0.28, 0.4, 0.5]), &per_unit("y")).unwrap();
    assert_eq!((series.fractions.len(), series.interval_s), (6, 0.1));
    assert!(series.notes.contains(&"steps of 0.08 to 0.12 s taken as even".into()), "{:?}", series.notes);
    // 0.17 s is nearer to two steps of 0.1 s than to one.
    let series = of(log([0.0, 0.1, 0.2, 0.37, 0.47, 0.56]), &per_unit("y")).unwrap();
    assert_eq!(series.fractions.len(), 3);
}

#[test]
fn windows_that_overlap_or_leave_time_out_are_told() {
    let note = |span: &str| {
        let text = format!("t_s,span_s,frequency_hz\n0,{span},50\n10,{span},50\n20,{span},50\n");
        of(text, &SeriesOptions::default()).unwrap().notes[2].clone()
    };
    assert_eq!(note("30"), "windows of 30 s overlap: deviations at shorter averaging times read low");
    assert_eq!(note("1"), "windows of 1 s leave dead time between them, not corrected for");
    assert_eq!(note("10.01"), "fractions of 50.000000 Hz, their mean");
}

#[test]
fn columns_are_named_or_known() {
    let named = SeriesOptions { time_column: Some("when".into()), ..per_unit("Saw Hz") };
    let text = "when, \"saw hz\" ,second\n5,-0.1,0\n7,+2e-1,0\n9,.3,0\n";
    let series = of(text, &named).unwrap();
    assert_eq!((series.fractions, series.interval_s), (vec![-0.1, 0.2, 0.3], 2.0));
    for name in ["t_s", "Time_s", "second", "seconds"] {
        assert!(of(format!("{name},y\n0,1\n1,1\n2,1\n"), &per_unit("y")).is_ok(), "{name}");
    }

    let default = SeriesOptions::default();
    refused(
        "a,b c\n",
        &default,
        "log.csv:1: no column frequency_hz: name the frequency's with --column NAME; found a, \"b c\"",
    );
    refused("a,b\n", &per_unit("c"), "log.csv:1: no column is named c: found a, b");
    refused("a,A\n", &per_unit("a"), "log.csv:1: two columns are named a");
    refused(
        "\n# grid\na,y\n",
        &per_unit("y"),
        "log.csv:3: no column t_s, time_s, second or seconds: give --interval SECONDS or --time-column NAME; found a, y",
    );
    refused(
        "a,y\n",
        &SeriesOptions { time_column: Some("t".into()), ..per_unit("y") },
        "log.csv:1: no column is named t: found a, y",
    );
    refused(
        json_lines(&[50.0]),
        &per_unit("y"),
        "log.csv:1: --column and --time-column name columns of a CSV; this file is JSON Lines",
    );
}

#[test]
fn errors_say_where_and_what() {
    let default = SeriesOptions::default();
    let row = |row: &str| format!("t_s,frequency_hz\n0,50\n{row}\n");
    for (wrong, message) in [
        ("1", "log.csv:3: 1 cells, but the header names 2 columns"),
        ("1,fifty", "log.csv:3: column frequency_hz: fifty is not a number like 50.0012"),
        ("1,inf", "log.csv:3: column frequency_hz: inf is not a number like 50.0012"),
        (
            "1,0",
            "log.csv:3: frequency_hz is 0, expected hertz from 1e-9 to 1e12 (for fractions give --per-unit); leave out what is unknown",
        ),
        ("noon,50", "log.csv:3: column time: noon is not a number like 50.0012"),
        (",50", "log.csv:3: the cell of the time column is empty"),
        ("0,50", "log.csv:3: time 0 s does not come after 0 s: expected one record in order of time"),
        ("2e12,50", "log.csv:3: time 2000000000000 s: expected at most 1e12 s either way"),
    ] {
        refused(row(wrong), &default, message);
    }
    refused(
        "second,y\n0,2e12\n",
        &per_unit("y"),
        "log.csv:2: y is 2000000000000, expected a number from -1e12 to 1e12 (--per-unit); leave out what is unknown",
    );
    refused("", &default, "log.csv: the file is empty");
    refused("# nothing\n", &default, "log.csv: no header line and no readings");
    refused(
        row("5,"),
        &default,
        "log.csv: the longest stretch evenly spaced (usual step 5 s) has 1 of 2 values, 1 of them missing; three are the least",
    );
    refused(
        "t_s,frequency_hz\n0,50\n1e-12,50\n2e-12,50\n",
        &default,
        "log.csv: the spacing is 0.000000000001 s, expected at least 1e-9 s: are the times in seconds?",
    );
    let no_time = "{\"kind\":\"reading\",\"frequency_hz\":50.0}";
    refused(no_time, &default, "log.csv:1: no time: expected seconds, or give --interval SECONDS");
    let error = of("{\"kind\":\"event\"}\n{\"kind\":\n", &default).unwrap_err().to_string();
    assert!(
        error.starts_with("log.csv:2: not a record as `humtick measure --format jsonl` writes: "),
        "{error}"
    );
    for (interval_s, scale, name) in
        [(Some(0.0), Scale::Mean, "--interval is 0"), (None, Scale::Nominal(f64::NAN), "--nominal is NaN")]
    {
        let options = SeriesOptions { interval_s, scale, ..SeriesOptions::default() };
        refused("", &options, &format!("{name}, expected a number from 1e-9 to 1e12"));
    }
}

/// Whatever comes out can be worked with.
fn judge(bytes: &[u8]) {
    for interval_s in [None, Some(1.0)] {
        for scale in [Scale::Mean, Scale::Nominal(50.0), Scale::PerUnit] {
            let options = SeriesOptions { interval_s, scale, ..SeriesOptions::default() };
            let Ok(series) = of(bytes, &options) else { continue };
            let phase = stability::Phase::from_fractional(&series.fractions, series.interval_s).unwrap();
            let d = phase.deviations(phase.longest()).unwrap();
            assert!(d.oadev.value.is_finite() && d.mdev.value.is_finite() && d.tdev_s.is_finite(), "{d:?}");
        }
    }
}

proptest! {
    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        judge(&bytes);
    }

    #[test]
    fn no_spoilt_log_panics(
        json in any::<bool>(),
        hits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..6),
        cut in any::<prop::sample::Index>(),
    ) {
        let mut bytes = if json {
            json_lines(&[50.0, 50.1, 0.0, 49.9, 50.0, 50.2, 50.1]).into_bytes()
        } else {
            b"t_s,span_s,frequency_hz\n0,1,50\n1,1,50.1\n2,1,\n3,1,50.2\n4,1,50\n5,1,49.9\n6,1,1e2\n".to_vec()
        };
        for (place, byte) in hits {
            let place = place.index(bytes.len());
            bytes[place] = byte;
        }
        judge(&bytes);
        judge(&bytes[..cut.index(bytes.len())]);
    }

    #[test]
    fn rows_of_any_numbers_do_not_panic(
        rows in prop::collection::vec((-1e13..1e13f64, any::<f64>()), 0..20),
    ) {
        let mut text = "t_s,frequency_hz\n".to_owned();
        let mut rows = rows;
        rows.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (t, f) in rows {
            text += &format!("{t},{f:e}\n");
        }
        judge(text.as_bytes());
    }
}
