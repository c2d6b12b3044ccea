//! The live screen of `humtick listen` as a user sees it.
#![cfg(unix)]

mod listening;
mod terminal;

use std::fs;

use listening::{Sender, line};
use terminal::Terminal;

/// What most windows are, and then some.
const WIDE: (u16, u16) = (120, 40);

fn start(size: (u16, u16), more: &[&str]) -> (Terminal, String) {
    let mut terminal = Terminal::start(size, &[&["--from", "tcp-listen:0"], more].concat());
    let at = terminal.at();
    (terminal, at)
}

/// A reading a second of the sensor's own time.
fn reading(second: u16, millihertz: u32) -> Vec<u8> {
    line(second, u32::from(second) * 1_000, Some(millihertz))
}

#[test]
fn each_sensor_has_a_row_that_follows_it() {
    let (mut terminal, at) = start(WIDE, &[]);
    assert!(terminal.rows().iter().any(|row| row.contains("nothing heard yet")));
    let (mut house, mut saw) = (Sender::new(&at, Some("house")), Sender::new(&at, Some("saw-mill")));
    (0..5).for_each(|second| house.send(&reading(second, 50_500)));
    let first = [
        ("Hz", "50.50000"),
        ("± 95 %", "0.00040"),
        ("state", "locked"),
        ("heard", "now"),
        ("lost", "0"),
        ("doubled", "0"),
        // Half a hertz in fifty, for four seconds.
        ("grid time", "+0.040 s in 4 s"),
    ];
    terminal.until(|t| t.shows("house", &first));
    saw.send(&line(0, 0, None));
    terminal.until(|t| {
        t.shows("saw-mill", &[("Hz", ""), ("± 95 %", ""), ("state", "seeking"), ("grid time", "")])
    });
    assert!(terminal.place(" 2 sensors, 2 connections").is_some(), "{}", terminal.text());
    // Three are missing, and what comes then comes twice.
    (0..2).for_each(|_| house.send(&line(8, 5_000, Some(50_600))));
    saw.send(&reading(1, 49_900));
    let then = [
        ("Hz", "50.60000"),
        ("± 95 %", "0.00040"),
        ("state", "locked"),
        ("lost", "3"),
        ("doubled", "1"),
        ("grid time", "+0.051 s in 5 s"),
    ];
    terminal.until(|t| t.shows("house", &then));
    terminal.until(|t| t.shows("saw-mill", &[("Hz", "49.90000"), ("state", "locked"), ("lost", "0")]));
    let happened = ["house: locked", "saw-mill: seeking", "house: 3 readings missing", "saw-mill: locked"];
    assert!(happened.iter().all(|what| terminal.place(what).is_some()), "{}", terminal.text());
    // One goes on and the other does not.
    let mut second = 2;
    terminal.until_while(
        |t| t.shows("house", &[("heard", "3 s")]) && t.shows("saw-mill", &[("heard", "now")]),
        || {
            saw.send(&reading(second, 49_900));
            second += 1;
        },
    );
    assert!(terminal.is_whole() && terminal.odd().is_empty(), "{:?}\n{}", terminal.odd(), terminal.text());
}

#[test]
fn an_alarm_is_seen_and_seen_to_be_over() {
    let (mut terminal, at) = start(WIDE, &["--limits", "49.8..50.2"]);
    let mut sensors = ["house", "saw-mill"].map(|name| Sender::new(&at, Some(name)));
    sensors.iter_mut().for_each(|sensor| sensor.send(&reading(0, 50_000)));
    let is_quiet = |t: &Terminal| {
        t.shows("house", &[("state", "locked")])
            && t.shows("saw-mill", &[("state", "locked")])
            && t.place("outside limits").is_none()
    };
    terminal.until(is_quiet);
    // Outside by so little that rounding to tenths would not show it.
    sensors[1].send(&reading(1, 49_799));
    terminal.until(|t| t.shows("saw-mill", &[("Hz", "49.79900"), ("state", "outside!")]));
    assert!(terminal.shows("house", &[("state", "locked")]));
    for alarm in ["1 outside limits", "saw-mill: outside 49.8..50.2 Hz: 49.7990"] {
        let (row, column) = terminal.place(alarm).unwrap_or_else(|| panic!("{}", terminal.text()));
        let cell = terminal.screen().cell(row, column).unwrap();
        assert!(cell.bold() && cell.inverse(), "{alarm}");
    }
    let row = terminal.place("outside!").unwrap().0;
    assert!(terminal.screen().cell(row, 1).unwrap().bold());
    sensors[1].send(&reading(2, 49_700));
    sensors[1].send(&reading(3, 50_000));
    terminal.until(is_quiet);
    let over = "saw-mill: no longer outside 49.8..50.2 Hz; farthest 49.7000";
    let (row, column) = terminal.place(over).unwrap_or_else(|| panic!("{}", terminal.text()));
    assert!(!terminal.screen().cell(row, column).unwrap().inverse());
}

#[test]
fn a_sensor_that_stops_is_silent_until_it_is_heard_again() {
    let (mut terminal, at) = start(WIDE, &[]);
    let mut sensors = ["house", "saw-mill"].map(|name| Sender::new(&at, Some(name)));
    (0..2).for_each(|second| sensors[0].send(&line(second, u32::from(second) * 100, Some(50_000))));
    terminal.until(|t| t.shows("house", &[("state", "locked")]));
    let mut tenth = 0;
    let mut saws_on = || {
        sensors[1].send(&line(tenth, u32::from(tenth) * 100, Some(50_000)));
        tenth += 1;
    };
    terminal.until_while(|t| t.shows("house", &[("state", "silent")]), &mut saws_on);
    // The last value stands there, and how old it is.
    assert_eq!(terminal.cell("house", "Hz").as_deref(), Some("50.00000"));
    let heard = terminal.cell("house", "heard").unwrap();
    let seconds: u32 = heard.strip_suffix(" s").unwrap_or_else(|| panic!("{heard}")).parse().unwrap();
    assert!(seconds >= 5, "{heard}");
    let (row, column) = terminal.place("house: silent").unwrap_or_else(|| panic!("{}", terminal.text()));
    assert!(terminal.screen().cell(row, column).unwrap().inverse());
    terminal.until_while(|t| t.shows("saw-mill", &[("state", "locked"), ("heard", "now")]), &mut saws_on);
    sensors[0].send(&line(2, 9_000, Some(50_001)));
    terminal.until(|t| t.shows("house", &[("state", "locked"), ("Hz", "50.00100"), ("heard", "now")]));
    assert!(terminal.place("house: heard again after ").is_some(), "{}", terminal.text());
}

/// Names, lines and readings that nobody in their right mind sends: nothing but the program writes to the terminal.
#[test]
fn hostile_input_writes_nothing_to_the_terminal() {
    const WORD: &str = "INTRUDER";
    let escapes = [
        "\u{1b}[2J\u{1b}[H",
        "\u{1b}]0;INTRUDER\u{7}",
        "\u{1b}]52;c;SU5UUlVERVI=\u{7}",
        "\u{1b}[?1049l",
        "\u{1b}[8;5;5t",
        "\u{1b}c",
        "\u{9b}31m",
        "\u{7}\u{8}\r\u{b}\u{c}",
        "\u{202e}\u{2066}",
    ];
    let (mut terminal, at) = start(WIDE, &[]);
    let mut good = Sender::new(&at, Some("house"));
    good.send(&reading(0, 50_000));
    let mut senders = Vec::new();
    for escape in escapes {
        let mut sender = Sender::new(&at, None);
        sender.send(format!("name {WORD}{escape}{WORD}\n").as_bytes());
        // As many as it takes to be told of, and then what is a reading after all, so that the sensor has a row.
        (0..12).for_each(|_| sender.send(format!("h1 0 0.000 L {escape}{WORD} {escape}\n").as_bytes()));
        sender.send(&[0x1b, b'[', 0x9b, 0x90, 0xff, 0xfe, b'\n']);
        sender.send(&reading(0, u32::MAX));
        senders.push(sender);
    }
    let mut long = Sender::new(&at, Some(&"W".repeat(48)));
    long.send(&reading(0, 1));
    let last = format!("127.0.0.1-{}", escapes.len());
    let mut is_intruded = false;
    terminal.until(|t| {
        is_intruded |= t.text().contains(WORD);
        t.cell(&last, "state").is_some() && t.cell(&"W".repeat(24), "state").is_some()
    });
    // One that never says anything better.
    let mut hopeless = Sender::new(&at, None);
    (0..10).for_each(|_| hopeless.send(escapes.concat().as_bytes()));
    terminal.until(|t| {
        is_intruded |= t.text().contains(WORD);
        t.place("127.0.0.1: 10 lines came and none is a reading").is_some()
    });
    good.send(&reading(1, 50_001));
    terminal.until(|t| {
        is_intruded |= t.text().contains(WORD);
        t.shows("house", &[("Hz", "50.00100")])
    });
    assert!(!is_intruded);
    assert!(terminal.odd().is_empty(), "{:?}", terminal.odd());
    assert!(terminal.is_whole() && terminal.screen().alternate_screen(), "{}", terminal.text());
}

#[test]
fn a_small_terminal_and_another_size_break_nothing() {
    let (mut terminal, at) = start((40, 10), &["--limits", "49.8..50.2"]);
    let mut sensors = ["house", "saw-mill"].map(|name| Sender::new(&at, Some(name)));
    // More than there is room for, of all that may be long.
    sensors.iter_mut().for_each(|sensor| sensor.send(&reading(0, 49_000)));
    // What is needed most, without a figure or a word that is cut.
    let least = [("Hz", "49.00000"), ("± 95 %", "0.00040"), ("state", "outside!")];
    terminal.until(|t| t.shows("house", &least) && t.shows("saw-mill", &least));
    assert!(terminal.is_whole(), "{}", terminal.text());
    for (round, size) in
        [(100, 30), (80, 24), (40, 10), (200, 60), (41, 11), (120, 40)].into_iter().enumerate()
    {
        terminal.resize(size);
        terminal.until(Terminal::is_whole);
        // It goes on: what comes now is seen in this size.
        let millihertz = 51_000 + 1_000 * round as u32;
        sensors[0].send(&reading(1 + round as u16, millihertz));
        let text = format!("{}.00000", millihertz / 1_000);
        terminal.until(|t| t.is_whole() && t.shows("house", &[("Hz", &text)]));
    }
    // Smaller than any use.
    for size in [(20, 5), (3, 2), (1, 1), (2, 60), (300, 1)] {
        terminal.resize(size);
        let begun = terminal.written.len();
        terminal.until(|t| t.written.len() > begun);
    }
    terminal.resize(WIDE);
    sensors[0].send(&reading(9, 50_009));
    terminal.until(|t| t.is_whole() && t.shows("house", &[("Hz", "50.00900")]));
    assert!(terminal.odd().is_empty(), "{:?}", terminal.odd());
    terminal.press(b"q");
    assert_eq!(terminal.wait().code(), Some(0));
}

/// In a window as it first opens every column is there, and the trend of the sensor that is chosen leaves room for the others.
#[test]
fn an_ordinary_window_has_room_for_all_that_matters() {
    let (mut terminal, at) = start((80, 24), &[]);
    let mut sensors = ["house", "saw-mill"].map(|name| Sender::new(&at, Some(name)));
    for sensor in &mut sensors {
        (0..5).for_each(|second| sensor.send(&reading(second, 50_500)));
    }
    let figures = [
        ("Hz", "50.50000"),
        ("± 95 %", "0.00040"),
        ("state", "locked"),
        ("heard", "now"),
        ("lost", "0"),
        ("doubled", "0"),
        ("grid time", "+0.040 s in 4 s"),
    ];
    terminal.until(|t| t.shows("house", &figures) && t.shows("saw-mill", &figures));
    assert!(terminal.is_whole() && terminal.chosen().is_some(), "{}", terminal.text());
    // Of so many there is room for none's trend.
    let mut more: Vec<_> = (0..8).map(|number| Sender::new(&at, Some(&format!("house-{number}")))).collect();
    more.iter_mut().for_each(|sensor| sensor.send(&reading(0, 50_000)));
    terminal.until(|t| (0..8).all(|number| t.cell(&format!("house-{number}"), "Hz").is_some()));
    assert!(terminal.is_whole() && terminal.chosen().is_none(), "{}", terminal.text());
}

#[test]
fn keys_choose_among_more_sensors_than_there_is_room_for() {
    let (mut terminal, at) = start(WIDE, &[]);
    let mut sensors = Vec::new();
    for number in 0..20 {
        let mut sensor = Sender::new(&at, Some(&format!("house-{number}")));
        sensor.send(&reading(0, 50_000));
        sensors.push(sensor);
        terminal.until(|t| t.place(&format!(" of {} ─", number + 1)).is_some());
    }
    let chosen = |t: &Terminal| {
        let (row, _) = t.place(&format!("│{}", t.chosen()?))?;
        Some((t.chosen()?, t.screen().cell(row, 1)?.inverse()))
    };
    for (keys, want) in [
        (&b""[..], 0),
        (b"j", 1),
        (b"\x1b[B\x1b[B", 3),
        (b"k", 2),
        (b"\x1b[A", 1),
        (b"\x1b[F", 19),
        (b"\x1b[5~", 9),
        (b"\x1b[H", 0),
        (b"k", 0),
        (b"\x1b[6~", 10),
    ] {
        terminal.press(keys);
        terminal.until(|t| chosen(t) == Some((format!("house-{want}"), true)));
    }
}

/// However it is ended, the terminal is as it was, and what there was to be heard stands on it.
#[test]
fn the_terminal_is_given_back() {
    for way in ["q", "\u{1b}", "\u{3}", "SIGINT", "SIGTERM", "--seconds"] {
        let seconds = if way == "--seconds" { &["--seconds", "3"][..] } else { &[] };
        let (mut terminal, at) = start(WIDE, seconds);
        let mut sensor = Sender::new(&at, Some("house"));
        (0..3).for_each(|second| sensor.send(&reading(second, 50_000)));
        terminal.until(|t| t.shows("house", &[("state", "locked")]));
        assert!(terminal.is_taken_over(), "{way}");
        match way {
            "--seconds" => {}
            signal if signal.starts_with("SIG") => terminal.signal(signal),
            key => terminal.press(key.as_bytes()),
        }
        assert_eq!(terminal.wait().code(), Some(0), "{way}");
        terminal.assert_given_back();
        let rows = terminal.rows();
        let sums: Vec<_> =
            rows.iter().find(|row| row.starts_with("house ")).unwrap().split_whitespace().collect();
        assert_eq!(sums[1..7], ["3", "0", "0", "0", "0", "0"], "{way}");
        assert!(rows.iter().any(|row| row.starts_with("1 sensor in ")), "{way}: {rows:?}");
        // Nothing of the screen is left between.
        assert!(
            terminal.place("what happened").is_none() && terminal.odd().is_empty(),
            "{}",
            terminal.text()
        );
    }
}

/// A window that is closed takes the listener with it, but nothing that it has heard.
#[test]
fn a_terminal_that_goes_ends_the_listener_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let (mut terminal, at) = start(WIDE, &["--log", folder.path().to_str().unwrap()]);
    let mut sensor = Sender::new(&at, Some("house"));
    (0..100).for_each(|second| sensor.send(&reading(second, 50_000)));
    terminal.until(|t| t.shows("house", &[("grid time", "+0.000 s in 99 s")]));
    let status = terminal.hang_up().wait();
    assert_eq!(status.code(), Some(0), "{status}");
    let files = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().path());
    let text: String = files.map(|path| fs::read_to_string(path).unwrap()).collect();
    assert_eq!(text.lines().filter(|line| line.contains(",locked,")).count(), 100);
}
