//! From the mains to the screen: a scenario's edges, the emulated ATmega328P, its serial port, relay, a network that drops
//! connections, listener, log, report.

use std::fs;
use std::io::{Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use humtick::link::{Decoder, Record, Text};
use humtick_sim::log::row::Row;
use humtick_sim::scenario::{Scenario, built_in};
use humtick_sim::wire::terminal;

use super::listening::Listening;
use super::{Relay, board, pulses, text, twin, until};

/// Seconds of mains, and of the test: a report places readings by two clocks, which must run alike.
const LENGTH_S: f64 = 25.0;

/// How often the network drops the connection.
const CUTS: usize = 5;

/// A cable between relay and listener that can be cut, and heals at once.
struct Cable {
    at: SocketAddr,
    /// Both ends of all connections there have been.
    ends: Arc<Mutex<Vec<TcpStream>>>,
}

impl Cable {
    /// One that leads to `to`.
    fn new(to: &str) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let at = listener.local_addr().unwrap();
        let ends: Arc<Mutex<Vec<TcpStream>>> = Arc::default();
        let (kept, to) = (Arc::clone(&ends), to.to_owned());
        // It ends with the test.
        thread::spawn(move || {
            for near in listener.incoming() {
                let (near, far) = (near.unwrap(), TcpStream::connect(&to).unwrap());
                let mut ends = kept.lock().unwrap();
                for (from, to) in [(&near, &far), (&far, &near)] {
                    ends.push(from.try_clone().unwrap());
                    let (from, to) = (from.try_clone().unwrap(), to.try_clone().unwrap());
                    thread::spawn(move || pass(from, to));
                }
            }
        });
        Self { at, ends }
    }

    /// What is on its way is lost; how many connections there were to cut.
    fn cut(&self) -> usize {
        let ends: Vec<TcpStream> = self.ends.lock().unwrap().drain(..).collect();
        // One that is gone already is cut.
        ends.iter().for_each(|end| drop(end.shutdown(Shutdown::Both)));
        ends.len() / 2
    }
}

/// Byte by byte, until either side is gone.
fn pass(mut from: TcpStream, mut to: TcpStream) {
    let mut bytes = [0; 4_096];
    while let Ok(len @ 1..) = from.read(&mut bytes) {
        if to.write_all(&bytes[..len]).is_err() {
            break;
        }
    }
    // The other side sees the end too, if it is not gone.
    let _ = to.shutdown(Shutdown::Both);
}

/// The records of a sensor's log, in the order of its days and rows.
fn logged(folder: &Path) -> Vec<Record> {
    let mut files: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    let lines: String = files.iter().map(|path| fs::read_to_string(path).unwrap()).collect();
    lines.lines().filter_map(|line| Row::parse(line.as_bytes())).map(|row| row.record).collect()
}

/// All readings that the emulated sensor sends reach the log once and in order, each what the core on the host makes of the same captures,
/// though the connection is cut five times; and the report of the log knows of no gap.
#[test]
fn from_the_mains_to_the_report() {
    let Some(emulator) = board::emulator() else { return };
    let text_of = built_in::ALL.iter().find(|(name, _)| *name == "hydro-by-day").unwrap().1;
    let scenario = Scenario::from_toml(text_of, Path::new("hydro-by-day")).unwrap();
    let scenario = Scenario { duration_s: LENGTH_S, ..scenario };
    let changes = pulses::changes(&pulses::transitions(&scenario));
    let end = (LENGTH_S * board::CLOCK_HZ) as u64;
    let run = emulator.run(&emulator.firmware("sensor", ""), "B0", &changes, end, &[]);
    let mut told = Vec::new();
    Decoder::<Text>::new()
        .push(twin::text(&run.captures, run.tick(end)).as_bytes(), |record| told.push(record.unwrap()));
    assert_eq!(twin::records(&run), told[..twin::records(&run).len()]);

    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("log");
    let mut listener = Listening::start(&["--from", "tcp-listen:0", "--log", &text(&log)]);
    let cable = Cable::new(&listener.at("tcp-listen:"));
    // The serial port: what is written to its near side, the relay reads as from a sensor.
    let port = terminal::pty(None).unwrap();
    let from = format!("serial:{}", port.far.display());
    let to = format!("tcp://{}", cable.at);
    let spool = folder.path().join("spool");
    let relay =
        Relay::start(&["--from", &from, "--name", "pump-house", "--to", &to, "--spool", &text(&spool)]);

    let lines: Vec<&[u8]> = run.bytes.split_inclusive(|byte| *byte == b'\n').collect();
    let whole = lines.iter().filter(|line| line.ends_with(b"\n")).count();
    assert!(whole as f64 > LENGTH_S * 9.0, "{whole} lines");
    let mut near = port.near.try_clone().unwrap();
    let (mut cuts, mut sent) = (0, 0);
    let began = Instant::now();
    for (number, line) in lines.iter().enumerate() {
        sent += line.len();
        let out = Duration::from_secs_f64(run.times[sent - 1] as f64 / board::CLOCK_HZ);
        thread::sleep(out.saturating_sub(began.elapsed()));
        near.write_all(line).unwrap();
        if number % (whole / CUTS) == whole / CUTS / 2 {
            // A connection to cut is there once some of it has come through.
            until(|| logged(&log).len(), |rows| *rows > number / 2);
            assert_eq!(cable.cut(), 1);
            cuts += 1;
        }
    }
    assert_eq!(cuts, CUTS);
    until(|| logged(&log).len(), |rows| *rows >= whole);
    let (status, said) = relay.end();
    assert_eq!(status, 0, "{said}");
    let summary = listener.interrupt();

    assert_eq!(logged(&log), told[..whole]);
    let out = folder.path().join("report.html");
    let view = Command::new(env!("CARGO_BIN_EXE_humtick"))
        .args(["view", &text(&log), "-o", &text(&out)])
        .output()
        .unwrap();
    let table = String::from_utf8(view.stdout).unwrap();
    let row: Vec<&str> =
        table.lines().find(|line| line.starts_with("pump-house")).unwrap().split_whitespace().collect();
    let counts = [whole.to_string(), "0".into(), "0".into()];
    assert_eq!(row[1..4], counts, "{table}\n{}", summary.err);
    assert_eq!(view.status.code(), Some(0), "{table}");
    assert!(fs::read_to_string(&out).unwrap().contains("pump-house"));
}
