//! What is written is what is read, and files are there whole or not at all.

use std::fs;
use std::io::{self, Write};
use std::path::Path;

use humtick::Polarity;
use humtick_sim::edge::{TimedEdge, Transition};
use humtick_sim::entry::Entry;
use humtick_sim::input::{InputOptions, open};
use humtick_sim::measure::measure;
use humtick_sim::moment::Moment;
use humtick_sim::scenario::{CaptureKind, Overrun, Timer};
use humtick_sim::settings::{MeterSettings, Nominal};
use humtick_sim::timer::{Captures, Handed};
use humtick_sim::write::{self, csv, vcd};
use proptest::prelude::*;

/// A board whose handlers keep within the core's limits, on a clock that is off.
fn board(tick_hz: u32, bits: u32) -> Timer {
    let wrap_us = f64::from(bits).exp2() / f64::from(tick_hz) * 1e6;
    let late = (0.4 * wrap_us).min(1e3);
    Timer {
        tick_hz,
        bits,
        start: 200,
        clock_ppm: 31.0,
        clock_wander_ppb: 50.0,
        clock_wander_s: 20.0,
        temperature_swing_k: 5.0,
        temperature_period_s: 3_600.0,
        ageing_ppb_day: 3.0,
        capture: CaptureKind::Hardware,
        latency_us: (0.0, late / 2.0),
        overflow_latency_us: (late / 2.0, late),
        overrun: Overrun::Overwrite,
        lost_percent: 0.0,
    }
}

/// Both edges of a slightly slow feeder.
fn feeder(seconds: u32) -> impl Iterator<Item = Transition> {
    (0..seconds * 100).map(|k| Transition {
        at: Moment::from_s(0.0033 + f64::from(k) / 99.97),
        polarity: if k % 2 == 0 { Polarity::Rising } else { Polarity::Falling },
    })
}

fn read(path: &Path, options: &InputOptions) -> (u32, Vec<TimedEdge>) {
    let recording = open(path, options).unwrap();
    (recording.tick_hz, recording.edges.map(Result::unwrap).collect())
}

/// Counters whose tick is a whole number of a dump's time units, at most as fine as a dump is read.
const DECIMAL: [u32; 6] = [1_000, 50_000, 62_500, 1_000_000, 2_000_000, 10_000_000];

#[test]
fn a_table_reads_back_to_the_tick() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("feeder.csv");
    for (tick_hz, bits) in [(1_000, 8), (32_768, 16), (2_000_000, 16), (16_000_000, 32), (1_000_000_000, 8)] {
        let timer = board(tick_hz, bits);
        let mut truth = vec![];
        // After 1,100 s the tally of the fastest is beyond 32 bits.
        let late = feeder(20).map(|edge| Transition { at: edge.at.later(1_500.0), ..edge });
        let captures = Captures::new(late, &timer, 7).inspect(|h| truth.push(h.timed()));
        assert_eq!(write::whole(&path, |to| csv::captures(to, &timer, captures)).unwrap(), 2_000);
        assert_eq!(read(&path, &InputOptions::default()), (tick_hz, truth));
    }
}

#[test]
fn the_table_is_what_the_format_says() {
    let timer = Timer { latency_us: (0.0, 0.0), overflow_latency_us: (0.0, 0.0), ..board(2_000_000, 16) };
    let mut text = vec![];
    csv::captures(&mut text, &timer, Captures::new(feeder(1), &timer, 7).take(3)).unwrap();
    let text = String::from_utf8(text).unwrap();
    // 3.3 ms, 10.003 ms and 20.006 ms later, at 2 MHz and 31 ppm fast, from 200.
    assert_eq!(
        text,
        "# tick_hz = 2000000\n# bits = 16\nraw,wraps,pending,level\n6800,0,0,1\n26806,0,0,0\n46813,0,0,1\n"
    );
}

#[test]
fn a_dump_reads_back_to_the_tick() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("feeder.vcd");
    for tick_hz in DECIMAL {
        let timer = board(tick_hz, 24);
        let truth: Vec<_> = Captures::new(feeder(20), &timer, 7).map(|h| h.timed()).collect();
        let end = u64::from(tick_hz) * 60;
        write::whole(&path, |to| vcd::edges(to, tick_hz, truth.iter().copied(), end)).unwrap();
        let recording = open(&path, &InputOptions::default()).unwrap();
        let scale = u64::from(recording.tick_hz / tick_hz);
        let edges: Vec<_> = recording.edges.map(Result::unwrap).collect();
        let scaled = truth.iter().map(|edge| TimedEdge { ticks: edge.ticks * scale, ..*edge });
        assert_eq!(edges, scaled.collect::<Vec<_>>(), "{tick_hz}");
        assert_eq!(recording.end.ticks(), end * scale);
    }
    // Ticks that are no round number of anything: within a tick of the scale they are read on, 10 ns.
    for tick_hz in [32_768, 72_000_000, 1_000_000_000] {
        let truth: Vec<_> = Captures::new(feeder(20), &board(tick_hz, 32), 7).map(|h| h.timed()).collect();
        write::whole(&path, |to| vcd::edges(to, tick_hz, truth.iter().copied(), 0)).unwrap();
        let (hz, edges) = read(&path, &InputOptions::default());
        assert_eq!((hz, edges.len()), (100_000_000, truth.len()));
        for (edge, truth) in edges.iter().zip(&truth) {
            let off = i128::from(edge.ticks) * i128::from(tick_hz) - i128::from(truth.ticks) * i128::from(hz);
            assert!(off <= i128::from(tick_hz) / 100 && off > -i128::from(tick_hz), "{edge:?} {truth:?}");
        }
    }
}

/// The same captures by way of a table and of a dump: the same readings, to the last figure.
#[test]
fn a_table_and_a_dump_measure_alike() {
    let folder = tempfile::tempdir().unwrap();
    let timer = board(10_000_000, 16);
    let (table, dump) = (folder.path().join("a.csv"), folder.path().join("a.vcd"));
    let captures = || Captures::new(feeder(30), &timer, 7);
    write::whole(&table, |to| csv::captures(to, &timer, captures())).unwrap();
    write::whole(&dump, |to| vcd::edges(to, timer.tick_hz, captures().map(|h: Handed| h.timed()), 0))
        .unwrap();
    let settings = MeterSettings { nominal: Nominal::Hertz(50.0), ..MeterSettings::default() };
    let readings = |path: &Path| {
        let mut entries = vec![];
        let recording = open(path, &InputOptions::default()).unwrap();
        measure(recording, &settings, |entry| {
            entries.push(entry);
            Ok(())
        })
        .unwrap();
        entries
    };
    let (a, b) = (readings(&table), readings(&dump));
    assert!(a.iter().filter(|entry| matches!(entry, Entry::Reading(_))).count() > 250);
    assert_eq!(a, b);
}

proptest! {
    /// Any edges in order, of any polarity: each is there when the dump is read, and what is between two alike is at the second's instant.
    #[test]
    fn no_edge_is_lost_in_a_dump(
        gaps in prop::collection::vec((0u64..100_000, any::<bool>()), 1..100),
        tick_hz in prop::sample::select(DECIMAL.to_vec()),
    ) {
        let mut ticks = 0;
        let edges: Vec<_> = gaps.iter().map(|&(gap, up)| {
            ticks += gap;
            TimedEdge { ticks, polarity: if up { Polarity::Rising } else { Polarity::Falling } }
        }).collect();
        let mut file = tempfile::Builder::new().suffix(".vcd").tempfile().unwrap();
        vcd::edges(&mut file, tick_hz, edges.iter().copied(), 0).unwrap();
        file.flush().unwrap();
        let (hz, read) = read(file.path(), &InputOptions::default());
        let scale = u64::from(hz / tick_hz);
        let mut expected = vec![];
        for edge in edges {
            let edge = TimedEdge { ticks: edge.ticks * scale, ..edge };
            if expected.last().is_some_and(|last: &TimedEdge| last.polarity == edge.polarity) {
                let back = match edge.polarity {
                    Polarity::Rising => Polarity::Falling,
                    Polarity::Falling => Polarity::Rising,
                };
                expected.push(TimedEdge { polarity: back, ..edge });
            }
            expected.push(edge);
        }
        prop_assert_eq!(read, expected);
    }
}

#[test]
fn a_dump_refuses_what_it_cannot_hold() {
    let edge = |ticks| TimedEdge { ticks, polarity: Polarity::Rising };
    let write = |tick_hz, edges: &[TimedEdge]| vcd::edges(io::sink(), tick_hz, edges.iter().copied(), 0);
    let error = write(1_000_000, &[edge(7), edge(6)]).unwrap_err();
    assert_eq!(error.to_string(), "an edge at tick 6 after one at tick 7");
    let error = write(32_768, &[edge(u64::MAX)]).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::InvalidInput);
    assert!(write(1_000_000_000, &[edge(u64::MAX)]).is_ok());
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<_> =
        fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn an_error_leaves_what_was_there_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("night.csv");
    for old in [None, Some("the night before")] {
        if let Some(old) = old {
            fs::write(&path, old).unwrap();
        }
        let error = write::whole(&path, |to| -> io::Result<()> {
            to.write_all(&[b'x'; 100_000])?;
            to.flush()?;
            assert_eq!(names(folder.path()).len(), 1 + usize::from(old.is_some()));
            Err(io::Error::other("the disk is full"))
        })
        .unwrap_err();
        assert_eq!(error.to_string(), format!("{}: the disk is full", path.display()));
        assert_eq!(fs::read_to_string(&path).ok().as_deref(), old);
        assert_eq!(names(folder.path()).len(), usize::from(old.is_some()));
    }
    write::whole(&path, |to| to.write_all(b"tonight")).unwrap();
    assert_eq!(fs::read_to_string(&path).unwrap(), "tonight");
    assert_eq!(names(folder.path()), ["night.csv"]);
}

#[test]
fn a_name_that_no_file_can_have_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let error = write::whole(folder.path(), |_| -> io::Result<()> { unreachable!("nothing to write to") });
    assert!(error.unwrap_err().to_string().ends_with("is no ordinary file: give another name"));
    let error = write::whole(&folder.path().join("no/such.csv"), |_| Ok(())).unwrap_err();
    assert!(error.to_string().starts_with(&format!("{}/no/such.csv: ", folder.path().display())), "{error}");
}

/// Interrupted and terminated in the middle of a file: a process of this same test writes, and says on its output how far it is.
#[cfg(target_os = "linux")]
#[test]
fn an_interrupted_process_leaves_nothing() {
    use std::io::BufRead;
    use std::process::{Command, Stdio};

    const FOLDER: &str = "HUMTICK_TEST_WRITES_TO";
    if let Some(folder) = std::env::var_os(FOLDER) {
        write::remove_when_interrupted().unwrap();
        write::remove_when_interrupted().unwrap();
        let endless = |to: &mut io::BufWriter<fs::File>| -> io::Result<()> {
            to.write_all(&[b'x'; 100_000])?;
            println!("begun");
            std::thread::sleep(std::time::Duration::from_secs(60));
            Ok(())
        };
        write::whole(&Path::new(&folder).join("night.vcd"), endless).unwrap();
        panic!("not interrupted in a minute");
    }
    for signal in ["-INT", "-TERM"] {
        let folder = tempfile::tempdir().unwrap();
        // Where the tests themselves run in the background, the interrupt is ignored.
        let mut process = Command::new("env")
            .arg("--default-signal=INT,TERM,HUP")
            .arg(std::env::current_exe().unwrap())
            .args(["--exact", "an_interrupted_process_leaves_nothing", "--nocapture"])
            .env(FOLDER, folder.path())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let said = io::BufReader::new(process.stdout.take().unwrap());
        assert!(said.lines().any(|line| line.unwrap().ends_with("begun")));
        assert_eq!(names(folder.path()), [format!(".night.vcd.{}.part", process.id())]);
        let killed = Command::new("kill").args([signal, &process.id().to_string()]).status().unwrap();
        assert!(killed.success());
        assert_eq!(process.wait().unwrap().code(), Some(130));
        assert_eq!(names(folder.path()), [""; 0]);
    }
}
