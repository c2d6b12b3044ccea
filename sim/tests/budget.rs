//! `humtick budget`: figures worked out by hand, the program as its users meet it.

use std::process::{Command, Output};

use humtick_sim::budget::{Board, Budget, Oscillator, Term, Uncertainty};
use proptest::prelude::*;
use serde_json::Value;

/// 16 MHz / 8, 16 bits, at 50 Hz.
const BOARD: Board = Board {
    tick_hz: 2_000_000,
    bits: 16,
    nominal_hz: 50.0,
    window_s: 1.0,
    every_s: 0.1,
    jitter_s: 0.0,
    clock_tolerance_ppm: 20.0,
};

fn budget(board: Board) -> Budget {
    board.budget().unwrap()
}

fn row(budget: &Budget, estimator: &str) -> Uncertainty {
    *budget.estimators.iter().find(|row| row.estimator == estimator).unwrap()
}

/// `value` to within half of the last of `digits` decimals.
#[track_caller]
fn rounds_to(value: f64, expected: f64, decimals: i32) {
    assert!((value - expected).abs() <= 0.5001 * 10f64.powi(-decimals), "{value} for {expected}");
}

#[test]
fn a_16_bit_counter_of_2_mhz_at_60_hz() {
    let counter = budget(Board { nominal_hz: 60.0, ..BOARD }).counter;
    assert_eq!((counter.counts_low, counter.counts_high), (33_333, 33_334));
    rounds_to(counter.hz_per_count, 1.8e-3, 9);
    rounds_to(counter.wrap_s, 32.768e-3, 9);
    rounds_to(counter.late_halves_s, 16.384e-3, 9);
    rounds_to(counter.late_distance_s, 32.768e-3, 9);
    rounds_to(counter.lowest_untallied_hz, 30.52, 2);
    rounds_to(counter.repeat_s, 2147.48, 2);
    rounds_to(counter.horizon_s / 60.0, 17.9, 1);
    rounds_to(counter.clock_s_per_day, 1.73, 2);
    rounds_to(counter.overlap_percent, 90.0, 9);
    let even = budget(BOARD).counter;
    assert_eq!((even.counts_low, even.counts_high), (40_000, 40_000));
    rounds_to(even.clock_limit_hz, 1e-3, 9);
}

/// 72 MHz with 16 bits wraps every 0.910 ms, 84 MHz with 32 bits every 51.13 s.
#[test]
fn other_counters_wrap_as_they_should() {
    rounds_to(budget(Board { tick_hz: 72_000_000, ..BOARD }).counter.wrap_s, 0.910e-3, 6);
    rounds_to(budget(Board { tick_hz: 84_000_000, bits: 32, ..BOARD }).counter.wrap_s, 51.13, 2);
}

/// Standard uncertainty in mHz of jitter alone at 50 Hz, from 2 f^2 s^2/(N-1)^2 and 12 f^2 s^2/(N(N^2-1)) by hand.
#[test]
fn jitter_of_1_and_20_us_in_mains_units() {
    for (jitter_s, one_cycle, pi_1, omega_1, pi_10, omega_10, digits) in [
        (1e-6, 3.54, 0.0707, 0.0238, 0.00707, 0.00077, [2, 4, 4, 5, 5]),
        (20e-6, 70.7, 1.414, 0.476, 0.141, 0.0154, [1, 3, 3, 3, 4]),
    ] {
        let second = budget(Board { jitter_s, ..BOARD });
        let ten = budget(Board { jitter_s, window_s: 10.0, ..BOARD });
        let mhz = |budget: &Budget, name: &str| 1e3 * row(budget, name).jitter_hz;
        rounds_to(mhz(&second, "last-period"), one_cycle, digits[0]);
        rounds_to(mhz(&second, "end-to-end"), pi_1, digits[1]);
        rounds_to(mhz(&second, "least-squares"), omega_1, digits[2]);
        rounds_to(mhz(&ten, "end-to-end"), pi_10, digits[3]);
        rounds_to(mhz(&ten, "least-squares"), omega_10, digits[4]);
    }
}

/// Half a microsecond a tick: q/(sqrt 6 tau) is 10.2 uHz over one second and 1.02 uHz over ten; the clock's 20 ppm 0.577 mHz.
#[test]
fn quantisation_and_clock_by_hand() {
    let dithered = budget(Board { jitter_s: 1e-6, ..BOARD });
    let over = row(&dithered, "end-to-end");
    rounds_to(over.quantisation_hz * 1e6, 10.2, 1);
    rounds_to(over.clock_hz * 1e3, 0.577, 3);
    assert_eq!(over.bound_hz, None);
    rounds_to(dithered.ten_seconds.unwrap().0.quantisation_hz * 1e6, 1.02, 2);
    // 1.25 mHz a tick at 50 Hz, and B is q/50 end to end, 1.5 q/51 least squares, q/26 triangular (25 and 26 of 51 crossings).
    let undithered = budget(BOARD);
    for (name, bound) in
        [("end-to-end", 1.0 / 50.0), ("least-squares", 1.5 / 51.0), ("triangular", 1.0 / 26.0)]
    {
        let row = row(&undithered, name);
        rounds_to(row.bound_hz.unwrap() * 1e3, 1.25 * bound, 9);
        rounds_to(row.quantisation_hz * 1e3, 1.25 * bound / 3f64.sqrt(), 9);
    }
    let without_clock = budget(Board { clock_tolerance_ppm: 0.0, ..BOARD });
    for row in &without_clock.estimators {
        assert!(row.u95_hz >= row.bound_hz.unwrap(), "{row:?}");
    }
}

#[test]
fn the_clock_at_its_tolerance_alone_makes_95_percent_of_it() {
    let row = row(&budget(Board { clock_tolerance_ppm: 5_000.0, ..BOARD }), "least-squares");
    rounds_to(row.u95_hz, 0.95 * 0.25, 4);
    assert_eq!(row.decimals, 0);
}

#[test]
fn classes_of_the_ten_second_reading() {
    let at = |clock_tolerance_ppm, jitter_s| {
        let board = Board { clock_tolerance_ppm, jitter_s, ..BOARD };
        budget(board).ten_seconds.unwrap().1
    };
    let [a, s] = at(20.0, 20e-6);
    assert!(a.within_reach && s.within_reach && a.stopped_by.is_none());
    // 1.73 s a day: more than class A's one second, less than class S's five.
    assert!(!a.day_within_reach && s.day_within_reach);
    // 1 mHz of clock, and 1.96 times 0.141 mHz.
    rounds_to(a.error_hz * 1e3, 1.277, 2);
    // A ceramic resonator: 250 mHz. Class A leaves 200 ppm less the rest.
    let [a, s] = at(5_000.0, 20e-6);
    assert!(!a.within_reach && !s.within_reach);
    assert_eq!((a.stopped_by, s.stopped_by), (Some(Term::Clock), Some(Term::Clock)));
    rounds_to(a.clock_ppm_at_most.unwrap(), 194.5, 1);
    assert_eq!(a.jitter_s_at_most, None);
    // 0.9 ms of jitter are 1.96 * 6.4 mHz: class A is out of reach, and what would do is within it.
    let [a, s] = at(20.0, 0.9e-3);
    assert_eq!((a.stopped_by, s.stopped_by), (Some(Term::Jitter), None));
    let most = a.jitter_s_at_most.unwrap();
    assert!(at(20.0, most * 0.999)[0].within_reach && !at(20.0, most * 1.001)[0].within_reach);
    let most = s.clock_ppm_at_most.unwrap();
    assert!(at(most - 0.1, 0.9e-3)[1].within_reach && !at(most + 0.1, 0.9e-3)[1].within_reach);
    // Class A ends at 42.5 and 69 Hz.
    assert!(budget(Board { nominal_hz: 16.7, ..BOARD }).ten_seconds.is_none());
    // Ten seconds of 215 MHz are 2.15e9 ticks.
    assert!(budget(Board { tick_hz: 215_000_000, ..BOARD }).ten_seconds.is_none());
}

/// Ticks of 0.2 ms are 1 mHz over ten seconds: with 190 ppm quantisation is what is left over, though the clock is what stops it.
#[test]
fn a_slow_counter_and_what_would_do() {
    let slow = Board { tick_hz: 5_000, clock_tolerance_ppm: 190.0, ..BOARD };
    let [a, _] = budget(slow).ten_seconds.unwrap().1;
    assert_eq!(a.stopped_by, Some(Term::Clock));
    let enough = a.tick_hz_at_least.unwrap();
    let with = |tick_hz| budget(Board { tick_hz, ..slow }).ten_seconds.unwrap().1[0].within_reach;
    assert!(with(enough.ceil() as u32) && !with(enough.floor() as u32 - 10), "{enough}");
}

#[test]
fn a_window_is_no_longer_than_the_core_can_hold() {
    let long = budget(Board { window_s: 60.0, ..BOARD });
    assert_eq!(row(&long, "least-squares").cycles, 3_000);
    assert_eq!(row(&long, "hann").cycles, 1_023);
}

proptest! {
    #[test]
    fn shares_add_to_a_hundred_and_boards_are_refused_or_sound(
        tick_hz in 1_000u32..=1_000_000_000, bits in 8u32..=32, nominal_hz in 0.1f64..2_000.0,
        window_s in 0.001f64..100.0, every_s in 0.001f64..10.0, jitter_s in 0.0f64..1e-3,
        clock_tolerance_ppm in 0.0f64..1e5,
    ) {
        let board = Board { tick_hz, bits, nominal_hz, window_s, every_s, jitter_s, clock_tolerance_ppm };
        if let Ok(budget) = board.budget() {
            for row in &budget.estimators {
                let shares = row.quantisation_percent + row.jitter_percent + row.clock_percent;
                prop_assert!((shares - 100.0).abs() < 1e-9, "{:?}", row);
                prop_assert!(row.u95_hz.is_finite() && row.u95_hz > row.u_hz * 1.5, "{:?}", row);
            }
            if let Some((over, verdicts)) = budget.ten_seconds {
                prop_assert!(verdicts.iter().all(|v| v.error_hz >= over.u_hz));
                prop_assert!(verdicts.iter().all(|v| v.within_reach == v.stopped_by.is_none()));
            }
        }
    }
}

fn humtick(options: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_humtick")).arg("budget").args(options).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[track_caller]
fn done(options: &[&str]) -> String {
    let output = humtick(options);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    text(&output.stdout)
}

#[test]
fn the_table_says_it_in_100_columns() {
    let table = done(&["--clock", "16000000", "--prescale", "8", "--nominal", "60", "--jitter", "20us"]);
    for part in [
        "counter wraps every     32.768 ms\n",
        "without overflow tally  above 30.518 Hz\n",
        "one period              33333 and 33334 counts by turns; 1.800 mHz a count\n",
        "17.896 min apart (2^31 ticks), repeat after 35.791 min\n",
        "16.384 ms by the rule of halves, 32.768 ms by the rule of distance\n",
        "60 a second, 120 of both polarities; chatter of 10 edges each makes 600",
        "+-50 ppm: +-3.000 mHz, 4.32 s a day",
        "assumed: clock within 50 ppm (ordinary quartz",
        "class A (10 mHz): within reach",
        "and +-50 ppm are 4.32 s: synchronise them",
    ] {
        assert!(table.contains(part), "{part} in\n{table}");
    }
    assert!(!table.contains("WARNING") && !table.contains("half a tick"), "{table}");
    for (tick_hz, kind) in [("1000000000", "rc"), ("214000000", "rc"), ("5000", "ceramic")] {
        let table = done(&["--tick-hz", tick_hz, "--oscillator", kind, "--jitter", "12.345us"]);
        assert!(table.lines().all(|line| line.chars().count() <= 100), "{table}");
    }
}

#[test]
fn coarse_clocks_are_told_so() {
    let told = |options: &[&str]| done(&[&["--tick-hz", "2000000", "--jitter", "5us"], options].concat());
    let ceramic = told(&["--oscillator", "ceramic"]);
    assert!(ceramic.contains("WARNING: at +-0.5 % of clock"), "{ceramic}");
    assert!(ceramic.contains("oscillator) all decimals\nmean nothing until it is trimmed"), "{ceramic}");
    assert!(ceramic.contains("stopped by the clock; needed: a clock within 198.6 ppm"), "{ceramic}");
    assert!(told(&["--oscillator", "rc"]).contains("whole hertz too\nmean nothing until it is trimmed"));
    assert!(told(&["--clock-tolerance-ppm", "1000"]).contains("all decimals after the first\nmean nothing"));
    assert!(!told(&["--oscillator", "tcxo"]).contains("WARNING"));
    assert_eq!(Oscillator::Ceramic.tolerance_ppm().0, 5_000.0);
}

#[test]
fn without_jitter_the_bound_is_named() {
    let table = done(&["--tick-hz", "2000000", "--jitter", "200ns"]);
    assert!(table.contains("Jitter is below half a tick (250 ns)"), "{table}");
    assert!(done(&["--tick-hz", "2000000"]).contains("assumed: no jitter: give --jitter"));
}

#[test]
fn programs_get_every_figure() {
    let options = ["--tick-hz", "2000000", "--jitter", "2e-5", "--clock-tolerance-ppm", "20"];
    let jsonl = done(&[&options as &[_], &["--format", "jsonl"]].concat());
    let records: Vec<Value> = jsonl.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let kinds: Vec<_> = records.iter().map(|record| record["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds[0], "board");
    assert_eq!(kinds.iter().filter(|kind| **kind == "estimator").count(), 7);
    assert_eq!(kinds[8..], ["ten-seconds", "class", "class"]);
    assert_eq!(records[0]["counts_low"], 40_000);
    assert_eq!(records[0]["jitter_s"], 2e-5);
    assert_eq!(records[4]["estimator"], "least-squares");
    assert_eq!(records[4]["bound_hz"], Value::Null);
    rounds_to(records[4]["jitter_hz"].as_f64().unwrap() * 1e3, 0.476, 3);
    let csv = done(&[&options as &[_], &["--format", "csv"]].concat());
    let rows: Vec<Vec<&str>> =
        csv.lines().filter(|line| !line.starts_with('#')).map(|line| line.split(',').collect()).collect();
    assert_eq!((rows.len(), rows[0][0]), (9, "estimator"));
    assert!(rows.iter().all(|row| row.len() == rows[0].len()), "{csv}");
    assert_eq!((rows[4][0], rows[8][0]), ("least-squares", "ten-seconds"));
    assert_eq!(rows[4][7].parse::<f64>().unwrap(), records[4]["u_hz"].as_f64().unwrap());
}

#[test]
fn settings_come_from_a_file_and_options_overrule_them() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cold-store.toml");
    std::fs::write(&path, "nominal_hz = 60\nwindow_s = 2.0\nclock_tolerance_ppm = 10\n").unwrap();
    let path = path.to_str().unwrap();
    let with = |options: &[&str]| done(&[&["--tick-hz", "2000000", "--settings", path], options].concat());
    let plain = with(&[]);
    assert!(plain.contains("signal of 60 Hz, jitter 0 s rms; window 2 s, every 0.1 s\n"), "{plain}");
    assert!(plain.contains("+-10 ppm: +-0.60000 mHz, 0.864 s a day"), "{plain}");
    let over = with(&["--nominal", "50", "--window", "0.5", "--oscillator", "tcxo"]);
    assert!(over.contains("signal of 50 Hz, jitter 0 s rms; window 0.5 s, every 0.1 s\n"), "{over}");
    assert!(over.contains("+-2.5 ppm: "), "{over}");
}

#[test]
fn impossible_values_are_refused_with_option_and_range() {
    let tick = ["--tick-hz", "2000000"];
    for (options, part) in [
        (&["--tick-hz", "500"] as &[_], "--tick-hz 500 is outside 1000 to 1000000000 hertz"),
        (&["--clock", "16000000", "--prescale", "0"], "--prescale 0 is outside 1 to"),
        (&["--clock", "8000000", "--prescale", "1024"], "7812.5 Hz, and the core counts in whole hertz"),
        (&["--clock", "16000", "--prescale", "32"], "is 500 Hz, outside 1000 to 1000000000"),
        (&["--prescale", "8"], "--clock"),
        (&[], "--tick-hz"),
        (&["--tick-hz", "1000", "--clock", "16000000"], "cannot be used with"),
        (&["--bits", "40"], "--bits 40 is outside 8 to 32 bits"),
        (&["--nominal", "auto"], "a budget needs a number"),
        (&["--nominal", "30000"], "--nominal 30000 is outside 0.1 to 25000 hertz"),
        (&["--nominal", "nan"], "--nominal NaN is outside"),
        (&["--window", "0.05"], "--window 0.05 is outside 0.06 to 1000 seconds: three periods"),
        (&["--every", "0"], "--every 0 is outside 0.001 to 1000 seconds"),
        (&["--jitter", "5ms"], "--jitter 0.005 is outside 0 to 0.001 seconds"),
        (&["--jitter", "20 parsec"], "expected a time like 20us"),
        (&["--jitter=-1us"], "--jitter -0.000001 is outside 0 to 0.001"),
        (&["--clock-tolerance-ppm", "200000"], "--clock-tolerance-ppm 200000 is outside 0 to 100000 ppm"),
        (&["--clock-tolerance-ppm", "20", "--oscillator", "rc"], "cannot be used with"),
    ] {
        let own =
            options.iter().any(|o| ["--tick-hz", "--clock", "--prescale"].contains(o)) || options.is_empty();
        let output = if own { humtick(options) } else { humtick(&[&tick as &[_], options].concat()) };
        assert_eq!((output.status.code(), text(&output.stdout).as_str()), (Some(2), ""), "{options:?}");
        let message = text(&output.stderr);
        assert!(message.contains(part), "{part} in {message}");
    }
    let help = done(&["--help"]);
    assert!(help.contains("Example:") && help.contains("humtick budget --clock 16000000"), "{help}");
}
