use super::*;

fn read(text: impl AsRef<[u8]>, signal: Option<&str>) -> Result<Recording, InputError> {
    let options = InputOptions { signal: signal.map(str::to_owned), ..InputOptions::default() };
    open(Path::new("pump.vcd"), std::io::Cursor::new(text.as_ref().to_vec()), &options)
}

/// Ticks, signed by polarity: falling edges are negative.
#[track_caller]
fn edges(text: impl AsRef<[u8]>, signal: Option<&str>) -> Vec<i64> {
    let signed = |edge: TimedEdge| match edge.polarity {
        Polarity::Rising => edge.ticks as i64,
        Polarity::Falling => -(edge.ticks as i64),
    };
    read(text, signal).unwrap().edges.map(|edge| signed(edge.unwrap())).collect()
}

/// The first error, and that nothing comes after it.
#[track_caller]
fn error(text: impl AsRef<[u8]>, signal: Option<&str>) -> String {
    let mut edges = match read(text, signal) {
        Err(error) => return error.to_string(),
        Ok(recording) => recording.edges,
    };
    let error = edges.find_map(Result::err).expect("the text is wrong somewhere");
    assert!(edges.next().is_none());
    error.to_string()
}

const ONE: &str = "$timescale 1 us $end\n$var wire 1 ! OUTLET $end\n$enddefinitions $end\n";

/// Two rooms, each with a signal MAINS, the workshop's known under a second name too; and a bus.
const ROOMS: &str = "$timescale 1us $end
$scope module plant $end
$var wire 1 w MAINS $end
$scope module workshop $end $var wire 1 w MAINS $end $var wire 4 b ROTOR $end $upscope $end
$scope module store $end $var reg 1 s MAINS $end $var wire 1 d DOOR [3] $end $upscope $end
$upscope $end
$var real 64 r VOLTS $end
$enddefinitions $end
#0 0w 0s 0d b0000 b r1.5 r
#1 1w
#2 1s
#3 1d
";

#[test]
fn changes_of_level_are_edges_and_the_first_level_is_not() {
    assert_eq!(edges(format!("{ONE}$dumpvars 1! $end #5 1! #7 0! #7 1! #9\n0!"), None), [-7, 7, -9]);
    assert_eq!(edges(format!("{ONE}#3 1! #4 0!"), None), [-4]);
    assert_eq!(edges(format!("{ONE}#0 b0 ! #4 b1 !\r\n"), None), [4]);
}

#[test]
fn unknown_is_no_level() {
    assert_eq!(edges(format!("{ONE}#0 x! #1 0! #2 x! #3 1! #4 z! #5 1! #6 Z! #7 0!"), None), [3, -7]);
}

#[test]
fn blocks_of_states_make_no_edges() {
    assert_eq!(
        edges(format!("{ONE}#0 0! #1 $dumpoff x! $end #8 $dumpon 1! $end #9 0! #10 1!"), None),
        [-9, 10]
    );
    // A block that is never closed ends with the next time stamp.
    assert_eq!(edges(format!("{ONE}$dumpvars 0! #1 1!"), None), [1]);
}

#[test]
fn the_timescale_gives_the_ticks() {
    for (timescale, stamp, tick_hz, ticks) in [
        ("100 s", 3, 1_000, 300_000),
        ("1 s", 3, 1_000, 3_000),
        ("10 ms", 3, 1_000, 30),
        ("1 ms", 3, 1_000, 3),
        ("100us", 3, 10_000, 3),
        ("10 ns", 3, 100_000_000, 3),
        ("1 ns", 39, 100_000_000, 3),
        ("100 ps", 399, 100_000_000, 3),
        ("1 fs", 39_999_999, 100_000_000, 3),
    ] {
        let text = ONE.replace("1 us", timescale) + &format!("#0 0! #{stamp} 1!");
        let recording = read(&text, None).unwrap();
        assert_eq!(recording.tick_hz, tick_hz, "{timescale}");
        assert_eq!(edges(&text, None), [ticks], "{timescale}");
    }
}

#[test]
fn what_was_assumed_is_said() {
    assert_eq!(read(ONE, None).unwrap().assumptions, ["signal OUTLET", "timescale 1 us"]);
    let fine = ONE.replace("1 us", "100 ps");
    assert_eq!(
        read(fine, None).unwrap().assumptions,
        ["signal OUTLET", "timescale 100 ps", "times rounded down to ticks of 100 MHz"]
    );
}

#[test]
fn signals_are_chosen_by_path_or_name() {
    assert_eq!(edges(ROOMS, Some("plant.MAINS")), [1]);
    assert_eq!(edges(ROOMS, Some("plant.workshop.MAINS")), [1]);
    assert_eq!(edges(ROOMS, Some("plant.store.MAINS")), [2]);
    assert_eq!(edges(ROOMS, Some("DOOR[3]")), [3]);
    let top =
        "$timescale 1 us $end $var wire 1 ! A $end $scope module m $end $var wire 1 \" A $end $upscope $end
        $enddefinitions $end #0 0! 0\" #1 1! #2 1\"";
    assert_eq!(edges(top, Some("A")), [1]);
    assert_eq!(edges(top, Some("m.A")), [2]);
    let twice =
        "$timescale 1 us $end $var wire 1 ! A $end $scope module m $end $var wire 1 ! B $end $upscope $end
        $enddefinitions $end #0 0! #1 1!";
    assert_eq!(edges(twice, None), [1]);
}

#[test]
fn a_choice_that_is_none_lists_the_signals() {
    let all = "plant.MAINS, plant.workshop.MAINS, plant.store.MAINS, plant.store.DOOR[3]";
    for (signal, expected) in [
        (None, format!("several signals: choose one with --signal NAME: {all}")),
        (
            Some("MAINS"),
            "several signals are named MAINS: give the whole path to --signal: plant.MAINS, plant.workshop.MAINS, \
             plant.store.MAINS"
                .into(),
        ),
        (Some("mains"), format!("no signal mains; there are: {all}")),
        (Some("VOLTS"), format!("no signal VOLTS; there are: {all}")),
        (Some("ROTOR"), "signal ROTOR is 4 bits wide, expected a single bit".into()),
    ] {
        assert_eq!(error(ROOMS, signal), format!("pump.vcd: {expected}"));
    }
    let bus = "$timescale 1 us $end $var wire 8 ! A $end $enddefinitions $end";
    assert_eq!(error(bus, None), "pump.vcd: no single-bit signal in this file");
    let many: String = (0..14).map(|n| format!("$var wire 1 {n} s{n} $end ")).collect();
    assert_eq!(
        error(format!("$timescale 1 us $end {many}$enddefinitions $end"), None),
        "pump.vcd: several signals: choose one with --signal NAME: s0, s1, s2, s3, s4, s5, s6, s7, s8, s9, s10, s11, \
         and 2 more"
    );
}

#[test]
fn what_is_wrong_is_said_with_its_line() {
    for (text, expected) in [
        (String::new(), ": ends before $enddefinitions: cut short, or not a value change dump"),
        ("\nraw,level\n".into(), ":2: invalid float literal: not a value change dump after IEEE 1364"),
        ("$timescale 5 ns $end".into(), ":1: $timescale 5 ns: the number must be 1, 10 or 100"),
        ("\n\n#0\n".into(), ":3: values before $enddefinitions"),
        (ONE.into(), ": no edges: signal OUTLET never changes between 0 and 1"),
        (format!("{ONE}#0\n0!\n#7\n1!\n#6\n0!\n"), ":8: time runs backwards: #6 after #7"),
        (
            format!("{ONE}#0\n0!\n#3.2\n1!\n"),
            ":6: invalid digit found in string: time stamps and widths are whole numbers in a value change dump",
        ),
        (
            format!("{ONE}#0 0!\n\n?!\n"),
            ":6: unexpected character at start of command: not a value change dump after IEEE 1364",
        ),
        (format!("{ONE}#0 0!\n$comment\nno end\n"), ":7: the file ends inside a command: is it cut short?"),
        (
            ONE.replace("1 us", "1 s") + "#0 0!\n#18446744073709552\n1!",
            ":6: #18446744073709552 is beyond a 64-bit tick scale",
        ),
        (
            "$var wire 1 ! A $end $enddefinitions $end #0 0! #1 1!".into(),
            ": no $timescale, so the length of a time unit is not known: add one",
        ),
        (
            "$var wire 1 ! A $end $enddefinitions $end\n#0 0!\n#1.5 1!".into(),
            ":3: invalid digit found in string: time stamps and widths are whole numbers in a value change dump",
        ),
        (
            format!("{ONE}$comment {}", "x".repeat(1 << 20)),
            ":4: a command longer than 1048576 bytes: is an $end missing?",
        ),
    ] {
        assert_eq!(error(&text, None), format!("pump.vcd{expected}"), "{}", &text[..text.len().min(200)]);
    }
}
