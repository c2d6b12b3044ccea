//! What the firmware takes and what it says, held against what it took and said: `budget.toml` and `golden.txt` beside its source.
//!
//! After a change that is meant to change them, `HUMTICK_BLESS=1 cargo test --test avr budget` writes them anew; look at the difference
//! before it is committed.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

use humtick_sim::scenario::Scenario;
use rand::{RngExt as _, SeedableRng as _};
use rand_pcg::Pcg64;

use crate::costs::{Table, blessed, hold};

use super::board::{CLOCK_HZ, Emulator, Run, beside, emulator, pulses};
use super::pulses::{changes, transitions};
use super::readings::LOSS;
use super::twin::records;

/// 50 Hz for 60 s with a jitter of some microseconds.
fn run(emulator: &Emulator, bin: &str, watch: &[&str]) -> Run {
    let mut random = Pcg64::seed_from_u64(50);
    let cycles = (1..3_000u64).map(|k| k * 320_000 + random.random_range(0..120));
    emulator.run(&emulator.firmware(bin, ""), "B0", &pulses(cycles), 960_000_000, watch)
}

fn measured(emulator: &Emulator) -> Table {
    let row = |run: &Run, more: &[(&str, f64)]| {
        let mut row: BTreeMap<String, f64> =
            more.iter().map(|(key, value)| ((*key).to_owned(), *value)).collect();
        row.insert("flash".into(), run.flash);
        row.insert("static_ram".into(), run.static_ram);
        row.insert("stack".into(), run.stack);
        row.insert("capture_interrupt".into(), run.cost("interrupt_10").mean);
        row.insert("overflow_interrupt".into(), run.cost("interrupt_13").mean);
        row
    };
    let mut table = Table::new();
    let mut sensor = run(emulator, "sensor", &["take_edge", "take_reading", "write_line"]);
    // Most calls find no reading due, and cost the least.
    let (calls, readings) = (sensor.cost("take_reading"), records(&sensor).len() as f64);
    let reading = calls.least + (calls.mean - calls.least) * calls.count / readings;
    let costs = [
        ("edge", sensor.cost("take_edge").mean),
        ("reading", reading),
        ("line", sensor.cost("write_line").mean),
        ("serial_interrupt", sensor.cost("interrupt_19").mean),
    ];
    // The deepest that the stack gets, on a line that trips twice as well.
    let trips = Scenario::from_toml(LOSS, Path::new("loss of signal")).unwrap();
    let until = (trips.duration_s * CLOCK_HZ) as u64;
    let trips =
        emulator.run(&emulator.firmware("sensor", ""), "B0", &changes(&transitions(&trips)), until, &[]);
    sensor.stack = sensor.stack.max(trips.stack);
    table.insert("sensor".into(), row(&sensor, &costs));
    let naive = run(emulator, "naive", &["naive_edge", "naive_line"]);
    let costs = [("edge", naive.cost("naive_edge").mean), ("line", naive.cost("naive_line").mean)];
    table.insert("naive".into(), row(&naive, &costs));
    table.insert("raw_ring".into(), row(&run(emulator, "raw_ring", &[]), &[]));
    table
}

#[test]
fn costs_are_within_their_budget_and_near_it() {
    let Some(emulator) = emulator() else { return };
    let head = "# What each firmware may take: bytes, and cycles of 62.5 ns under simavr. Written by\n\
                # `HUMTICK_BLESS=1 cargo test --test avr budget`, which leaves 1 % of room.\n";
    hold(&beside(""), head, &measured(emulator));
}

/// Two trips of the line, as they look in a terminal.
#[test]
fn budget_of_words_the_serial_log_is_the_golden_one() {
    let Some(emulator) = emulator() else { return };
    let scenario = Scenario::from_toml(LOSS, Path::new("loss of signal")).unwrap();
    let until = (scenario.duration_s * CLOCK_HZ) as u64;
    let changes = changes(&transitions(&scenario));
    let run = emulator.run(&emulator.firmware("sensor", ""), "B0", &changes, until, &[]);
    let log = String::from_utf8(run.bytes).unwrap().replace('\r', "");
    let path = beside("golden.txt");
    if blessed() {
        std::fs::write(&path, &log).unwrap();
    }
    assert_eq!(log, std::fs::read_to_string(&path).unwrap());
}

/// No panic, no text formatting, no allocator, no float, nothing of 128 bits; and no 64-bit division on the way of an accepted edge.
#[test]
fn budget_of_symbols_the_firmware_holds_nothing_it_must_not() {
    let Some(emulator) = emulator() else { return };
    let forbidden =
        ["panicking", "core3fmt", "__rust_alloc", "__rg_", "sf2", "sf3", "df2", "df3", "ti3", "sfsi", "sisf"];
    for bin in ["sensor", "watched_pin", "simplest", "stamps"] {
        let found = symbols(&emulator.firmware(bin, ""));
        let wrong: Vec<_> = found.iter().filter(|name| forbidden.iter().any(|f| name.contains(f))).collect();
        assert!(wrong.is_empty() && found.len() > 20, "{bin}: {wrong:?}");
    }
    // The naive one shows that a float would have been found.
    assert!(symbols(&emulator.firmware("naive", "")).iter().any(|name| name.contains("__divsf3")));
    let callees = callees(&emulator.firmware("sensor", ""));
    let reached = |from: &str| {
        let (mut reached, mut next) = (BTreeSet::new(), vec![from.to_owned()]);
        while let Some(name) = next.pop() {
            next.extend(
                callees.get(&name).into_iter().flatten().filter(|to| !reached.contains(*to)).cloned(),
            );
            reached.insert(name);
        }
        reached
    };
    let divides = |names: &BTreeSet<String>| {
        names.iter().any(|name| name.contains("divdi3") || name.contains("moddi3"))
    };
    let edge = reached("take_edge");
    assert!(edge.len() > 10 && !divides(&edge), "{edge:?}");
    assert!(divides(&reached("take_reading")), "readings do divide");
}

fn output(program: &str, arg: &str, elf: &Path) -> String {
    let output = Command::new(program).arg(arg).arg(elf).output().unwrap();
    assert!(output.status.success());
    String::from_utf8(output.stdout).unwrap()
}

fn symbols(elf: &Path) -> Vec<String> {
    let name = |line: &str| line.rsplit(' ').next().unwrap_or_default().to_owned();
    output("avr-nm", "--format=bsd", elf).lines().map(name).collect()
}

/// Which function calls which.
fn callees(elf: &Path) -> BTreeMap<String, Vec<String>> {
    let (mut calls, mut function) = (BTreeMap::<String, Vec<String>>::new(), String::new());
    for line in output("avr-objdump", "-d", elf).lines() {
        let name = line.split_once('<').and_then(|(_, rest)| rest.split_once('>')).map(|(name, _)| name);
        match name {
            Some(name) if line.ends_with(">:") => function = name.to_owned(),
            Some(name) if line.contains("call") || line.contains("jmp") => {
                let name = name.split('+').next().unwrap_or(name).to_owned();
                calls.entry(function.clone()).or_default().push(name);
            }
            _ => {}
        }
    }
    calls
}
