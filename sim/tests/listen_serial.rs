//! `humtick listen` at serial ports, and as one: pseudo-terminals stand for the cable.
#![cfg(unix)]

mod listening;

use std::fs::OpenOptions;
use std::io::Write;
use std::path::PathBuf;

use humtick_sim::wire::terminal;
use listening::{Listening, Output, line, until};

fn reading(sequence: u16) -> Vec<u8> {
    line(sequence, u32::from(sequence) * 100, Some(50_000))
}

/// Readings, lost, doubled, late, restarts and refused of the only sensor, which has this name.
#[track_caller]
fn sums(output: &Output, name: &str) -> [u64; 6] {
    let records = output.out.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
    let sums: Vec<_> = records.filter(|record| record["kind"] == "summary").collect();
    assert!(sums.len() == 1 && sums[0]["sensor"] == name, "{sums:?}");
    ["readings", "lost", "doubled", "late", "restarts", "refused"].map(|key| sums[0][key].as_u64().unwrap())
}

fn rows(listening: &Listening) -> usize {
    listening.out().lines().filter(|line| line.contains("\"kind\":\"reading\"")).count()
}

/// A port that is not there yet, comes, goes in the middle of a line and comes back is read each time, and half a line spoils none.
#[test]
fn a_serial_port_that_goes_and_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("pump-7");
    let from = format!("serial:{}", port.display());
    let listening = Listening::start(&["--from", &from, "--format", "jsonl"]);
    let said = |what: &str| listening.err().lines().filter(|line| line.contains(what)).count();
    let mut sequence = 0;
    for round in 1..=3 {
        until(|| said("tried again every second") == round);
        let mut pty = terminal::pty(Some(&port)).unwrap();
        until(|| said("is there again") == round);
        let mut bytes: Vec<u8> = (sequence..sequence + 10).flat_map(reading).collect();
        sequence += 10;
        if round < 3 {
            bytes.extend(&reading(sequence)[..20]);
        }
        // In one piece, so that the half line is read with the others.
        pty.near.write_all(&bytes).unwrap();
        until(|| rows(&listening) == 10 * round);
    }
    let output = listening.interrupt();
    assert_eq!(output.code, Some(0));
    let sums = sums(&output, "pump-7");
    assert_eq!(sums[..5], [30, 0, 0, 0, 0], "{}", output.err);
    // What has not been read by then goes with the terminal.
    assert!(sums[5] <= 2, "{sums:?}");
}

/// Programs open the far side of a terminal of the listener's own, write, and close it; it stays for the next.
#[test]
fn a_terminal_is_there_for_one_program_after_another() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("sensor");
    for from in ["pty".to_string(), format!("pty:{}", link.display())] {
        let listening = Listening::start(&["--from", &from, "--format", "jsonl", "--name", "saw"]);
        let said = format!("{from}: /dev/");
        until(|| listening.err().contains(&said));
        let err = listening.err();
        let path = err.lines().find_map(|line| line.split_once(&said)).unwrap().1;
        let path = if from == "pty" { PathBuf::from(format!("/dev/{path}")) } else { link.clone() };
        for program in 0..3 {
            // As a shell's redirection does: the terminal is raw already.
            let mut far = OpenOptions::new().write(true).open(&path).unwrap();
            (0..10).for_each(|number| far.write_all(&reading(10 * program + number)).unwrap());
            drop(far);
            until(|| rows(&listening) == 10 * (usize::from(program) + 1));
        }
        let output = listening.interrupt();
        assert_eq!(output.code, Some(0));
        assert_eq!(sums(&output, "saw"), [30, 0, 0, 0, 0, 0], "{}", output.err);
        assert!(link.symlink_metadata().is_err(), "a link to nothing is left");
    }
}
