use super::*;

fn options() -> InputOptions {
    InputOptions::default()
}

fn read(text: impl AsRef<[u8]>, options: &InputOptions) -> Result<Recording, InputError> {
    open(Path::new("pump.csv"), std::io::Cursor::new(text.as_ref().to_vec()), options)
}

/// Ticks, signed by polarity: falling edges are negative.
#[track_caller]
fn edges(text: impl AsRef<[u8]>) -> Vec<i64> {
    let signed = |edge: TimedEdge| match edge.polarity {
        Polarity::Rising => edge.ticks as i64,
        Polarity::Falling => -(edge.ticks as i64),
    };
    read(text, &options()).unwrap().edges.map(|edge| signed(edge.unwrap())).collect()
}

/// The first error, and that nothing comes after it.
#[track_caller]
fn error(text: impl AsRef<[u8]>) -> String {
    let mut edges = match read(text, &options()) {
        Err(error) => return error.to_string(),
        Ok(recording) => recording.edges,
    };
    let error = edges.find_map(Result::err).expect("the text is wrong somewhere");
    assert!(edges.next().is_none());
    error.to_string()
}

const TALLIED: &str = "# workshop outlet, tick_hz = 2000000, bits = 16\nraw,wraps,pending,level\n";
const BARE: &str = "# tick_hz = 2000000\n# bits = 16\nraw\n";

#[test]
fn a_tally_counts_from_its_own_zero() {
    assert_eq!(edges(format!("{TALLIED}40000,0,0,1\n14464,1,0,0\n")), [40_000, -80_000]);
}

#[test]
fn a_pending_overflow_counts_below_half_range_only() {
    // 32767 restarted before the capture; 32768 was captured before the counter came round.
    assert_eq!(edges(format!("{TALLIED}32767,2,1,1\n")), [3 * 65_536 + 32_767]);
    assert_eq!(edges(format!("{TALLIED}32768,2,1,1\n")), [2 * 65_536 + 32_768]);
    assert_eq!(
        edges("# tick_hz = 2000000, bits=32\nraw,wraps\n4294967295,4294967294\n"),
        [18_446_744_069_414_584_319_u64 as i64]
    );
}

#[test]
fn without_a_tally_gaps_are_added_from_the_first_edge() {
    assert_eq!(edges(format!("{BARE}60000\n34464\n34464\n8928\n")), [0, 40_000, 40_000, 80_000]);
    let recording = read(format!("{BARE}1\n"), &options()).unwrap();
    assert_eq!(recording.tick_hz, 2_000_000);
    assert_eq!(
        recording.assumptions,
        ["16-bit counter at 2 MHz", "no wraps column: a gap longer than 32.768 ms loses whole wraps"]
    );
}

#[test]
fn without_a_tally_a_period_must_fit_into_one_wrap() {
    let slow = InputOptions { longest_period_s: 0.032_767, ..options() };
    assert!(read(BARE, &slow).is_ok());
    let slower = InputOptions { longest_period_s: 0.032_768, ..options() };
    assert_eq!(
        read(BARE, &slower).err().unwrap().to_string(),
        "pump.csv: the 16-bit counter at 2 MHz wraps every 32.768 ms and a period can last 32.768 ms: without a \
         column wraps, whole wraps vanish. Record an overflow tally, use a slower tick, or give --nominal"
    );
    assert!(read(TALLIED, &slower).is_ok());
}

#[test]
fn ticks_are_taken_as_they_are() {
    assert_eq!(edges("#tick_hz=1000000\nticks,level\n7,1\n7,0\n20007,1\n"), [7, -7, 20_007]);
}

#[test]
fn seconds_are_rounded_to_the_scale() {
    assert_eq!(edges("seconds\n0\n0.020000004\n4.0000006e-2\n"), [0, 2_000_000, 4_000_001]);
    let slow = InputOptions { longest_period_s: 2.0, ..options() };
    let recording = read("seconds\n1.5\n", &slow).unwrap();
    assert_eq!(recording.tick_hz, 10_000_000);
    assert_eq!(recording.assumptions, ["seconds rounded to ticks of 10 MHz"]);
    assert_eq!(recording.edges.map(|edge| edge.unwrap().ticks).collect::<Vec<_>>(), [15_000_000]);
}

#[test]
fn spelling_does_not_matter() {
    let text = "\u{feff}# cold store\r\n\r\n# TICK_HZ = 1000\r\n \"Level\" , TICKS,note\r\n\
                1, 5 ,\"door, open\"\r\n# among the rows\r\n\r\n\"0\",\"6\",\r\n1,7,shut";
    assert_eq!(edges(text), [5, -6, 7]);
    assert_eq!(read(text, &options()).unwrap().assumptions, ["ticks at 1 kHz", "column note ignored"]);
}

#[test]
fn columns_that_mean_nothing_here_are_ignored_by_name() {
    let recording = read("pending,seconds,wraps\n9,1,x\n", &options()).unwrap();
    assert_eq!(recording.assumptions[1..], ["column pending ignored", "column wraps ignored"]);
    assert_eq!(recording.edges.count(), 1);
}

#[test]
fn options_overrule_comments() {
    let told = InputOptions { tick_hz: Some(4_000_000), bits: Some(20), ..options() };
    let recording = read(format!("{TALLIED}1000000,1,0,1\n"), &told).unwrap();
    assert_eq!(recording.tick_hz, 4_000_000);
    assert_eq!(recording.assumptions, ["20-bit counter at 4 MHz, wraps tallied"]);
    let ticks: Vec<_> = recording.edges.map(|edge| edge.unwrap().ticks).collect();
    assert_eq!(ticks, [(1 << 20) + 1_000_000]);
}

#[test]
fn what_is_wrong_in_the_head_is_said() {
    for (text, expected) in [
        ("", ": the file is empty"),
        ("# tick_hz = 1000\n\n", ": no header line naming the columns"),
        ("seconds\n\n# nothing\n", ": no edges: no rows below the header"),
        (
            "\n12;1\n",
            ":2: no column gives the time: found \"12;1\"; expected a header of names separated by commas, one of them \
             raw, ticks or seconds",
        ),
        (
            "time,level\n",
            ":1: no column gives the time: found time, level; expected a header of names separated by \
             commas, one of them raw, ticks or seconds",
        ),
        ("raw,ticks\n", ":1: more than one of the columns raw, ticks and seconds: keep one"),
        ("raw,RAW\n", ":1: two columns are named raw"),
        ("ticks\n", ": column ticks needs the counter's rate: give --tick-hz N, or a line `# tick_hz = N`"),
        (
            "# tick_hz=1000\nraw\n",
            ": column raw needs the counter's width: give --bits N, or a line `# bits = N`",
        ),
        (
            "# tick_hz = 2 MHz\nticks\n",
            ":1: tick_hz is \"2 MHz\", expected a whole number from 1000 to 1000000000",
        ),
        ("#\n# bits = 7\n", ":2: bits is \"7\", expected a whole number from 8 to 32"),
        ("# bits = 33\n", ":1: bits is \"33\", expected a whole number from 8 to 32"),
        ("# tick_hz = 999\n", ":1: tick_hz is \"999\", expected a whole number from 1000 to 1000000000"),
    ] {
        assert_eq!(error(text), format!("pump.csv{expected}"), "{text:?}");
    }
    assert_eq!(error(b"\xFF\xFEr\0a\0w\0"), "pump.csv:1: not text in UTF-8; save the table as UTF-8 CSV");
    let told = InputOptions { bits: Some(40), ..options() };
    assert_eq!(
        read(BARE, &told).err().unwrap().to_string(),
        "pump.csv: --bits is \"40\", expected a whole number from 8 to 32"
    );
}

#[test]
fn what_is_wrong_in_a_row_is_said_with_its_line() {
    let seconds = "# note\r\n\r\nseconds\r\n1\r\n# note\r\n";
    let ticks = "# tick_hz = 1000\nticks,level\n5,1\n\n";
    for (head, row, expected) in [
        (TALLIED, "1,2,0", "3: 3 cells, but the header names 4 columns"),
        (TALLIED, "1,2,0,1,", "3: 5 cells, but the header names 4 columns"),
        (TALLIED, ",2,0,1", "3: the cell of column raw is empty"),
        (
            TALLIED,
            "65536,2,0,1",
            "3: column raw: 65536 is beyond a 16-bit counter, 0 to 65535: check the width",
        ),
        (TALLIED, "-1,2,0,1", "3: column raw: \"-1\" is not a whole number from 0 to 65535"),
        (TALLIED, "1,x,0,1", "3: column wraps: x is not a whole number from 0 to 281474976710654"),
        (
            TALLIED,
            "1,281474976710655,0,1",
            "3: column wraps: 281474976710655 is not a whole number from 0 to 281474976710654",
        ),
        (TALLIED, "1,2,,1", "3: the cell of column pending is empty"),
        (TALLIED, "1,2,2,1", "3: column pending: 2 is neither 0 nor 1"),
        (TALLIED, "1,2,0,high", "3: column level: high is neither 0 nor 1"),
        (TALLIED, "9,4,0,1\n9,2,0,1", "4: time runs backwards: tick 131081 after tick 262153"),
        (BARE, "70000", "4: column raw: 70000 is beyond a 16-bit counter, 0 to 65535: check the width"),
        (ticks, "4,1", "5: time runs backwards: tick 4 after tick 5"),
        (
            ticks,
            "18446744073709551616,1",
            "5: column ticks: 18446744073709551616 is not a whole number from 0 to 18446744073709551615",
        ),
        (ticks, "7.0,1", "5: column ticks: \"7.0\" is not a whole number from 0 to 18446744073709551615"),
        (seconds, "0.9", "6: time runs backwards: tick 90000000 after tick 100000000"),
        (seconds, "nan", "6: column seconds: nan is not a decimal number like 0.020153 or 2.0153e-2"),
        (seconds, "inf", "6: column seconds: inf is not a decimal number like 0.020153 or 2.0153e-2"),
        (seconds, "-1", "6: column seconds: \"-1\" is negative: times count upwards from zero"),
        (seconds, "1e300", "6: column seconds: 1e300 is too large for a 64-bit tick scale"),
        (
            seconds,
            "\"1\"2",
            "6: column seconds: \"\\\"1\\\"2\" is not a decimal number like 0.020153 or 2.0153e-2",
        ),
    ] {
        assert_eq!(error(format!("{head}{row}\n")), format!("pump.csv:{expected}"));
    }
    assert_eq!(
        error([BARE.as_bytes(), b"12\xFF\n"].concat()),
        "pump.csv:4: column raw: \"12\u{fffd}\" is not a whole number from 0 to 65535; it is not text in UTF-8"
    );
}

/// Row (a) has a wrap too many, since it was tallied before the capture was read; row (b) one too few.
#[test]
fn a_row_with_a_mistaken_wrap_is_left_out_and_counted() {
    let quick = read(format!("{TALLIED}20000,0,0,1\n40000,1,0,1\n60000,0,0,1\n"), &options()).unwrap();
    assert_eq!(quick.edges.map(|edge| edge.unwrap().ticks).collect::<Vec<_>>(), [20_000, 60_000]);
    for (rows, expected) in [
        ("40000,0,0,1\n14464,1,0,1\n54464,2,0,1\n28928,2,0,1\n", [40_000, 80_000, 160_000]), // (a)
        ("40000,0,0,1\n14464,1,0,1\n28,1,0,1\n40028,2,0,1\n", [40_000, 80_000, 171_100]),    // (b)
    ] {
        let recording = read(format!("{TALLIED}{rows}"), &options()).unwrap();
        let end = recording.end.clone();
        let ticks: Vec<_> = recording.edges.map(|edge| edge.unwrap().ticks).collect();
        assert_eq!((ticks, end.torn()), (expected.to_vec(), 1));
    }
}
