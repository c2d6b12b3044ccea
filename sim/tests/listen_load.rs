//! `humtick listen` under load: a thousand sensors, and ten thousand connections that are none.
#![cfg(unix)]

mod listening;

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, ErrorKind, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use humtick_sim::log::row::Row;
use listening::{Listening, Output, Sender, line, until};
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

/// What is worth a look whether or not the test holds.
fn say(text: &str) {
    #[allow(clippy::explicit_write, reason = "the harness captures what eprintln prints")]
    let _ = writeln!(io::stderr(), "{text}");
}

/// Files this process and those it starts may have open, after asking for so many.
fn files(wanted: u64) -> u64 {
    let limit = getrlimit(Resource::Nofile);
    let most = limit.maximum.unwrap_or(wanted).min(wanted).max(limit.current.unwrap_or(wanted));
    match setrlimit(Resource::Nofile, Rlimit { current: Some(most), maximum: limit.maximum }) {
        Ok(()) => most,
        Err(_) => limit.current.unwrap_or(wanted),
    }
}

/// The sequence numbers in a log, sensor by sensor, in the order of its rows.
fn logged(folder: &Path) -> BTreeMap<String, Vec<u16>> {
    let mut sensors = BTreeMap::<String, Vec<u16>>::new();
    let mut files: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|e| e == "csv"));
    files.sort();
    for path in files {
        let text = fs::read_to_string(&path).unwrap();
        let Some(name) = text.lines().next().and_then(|head| head.split_once(", sensor ")) else { continue };
        let rows = text.lines().filter_map(|line| Row::parse(line.as_bytes()));
        sensors.entry(name.1.into()).or_default().extend(rows.map(|row| row.record.sequence));
    }
    sensors
}

/// Readings of each sensor by a listener's sums; whatever went wrong with one is a failure.
#[track_caller]
fn sums(output: &Output) -> BTreeMap<String, u64> {
    let records = output.out.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
    let sums = records.filter(|record| record["kind"] == "summary").map(|record| {
        for wrong in ["lost", "doubled", "late", "restarts", "refused"] {
            assert_eq!(record[wrong], 0, "{wrong}: {record}");
        }
        (record["sensor"].as_str().unwrap().to_string(), record["readings"].as_u64().unwrap())
    });
    sums.collect()
}

/// What a process has used of the machine.
struct Used {
    since: Instant,
    seconds: f64,
}

impl Used {
    #[cfg(target_os = "linux")]
    fn seconds(id: u32) -> f64 {
        let stat = fs::read_to_string(format!("/proc/{id}/stat")).unwrap();
        // Behind the name, which may hold anything; hundredths of a second on every Linux (proc_pid_stat(5), USER_HZ).
        let fields: Vec<_> = stat.rsplit_once(") ").unwrap().1.split(' ').collect();
        (fields[11].parse::<f64>().unwrap() + fields[12].parse::<f64>().unwrap()) / 100.0
    }

    #[cfg(not(target_os = "linux"))]
    fn seconds(_: u32) -> f64 {
        f64::NAN
    }

    fn new(id: u32) -> Self {
        Self { since: Instant::now(), seconds: Self::seconds(id) }
    }

    /// Says how much since then, and holds its memory, in kB, to a limit.
    #[track_caller]
    fn tell(&self, id: u32, what: &str, most: u64) {
        let share = (Self::seconds(id) - self.seconds) / self.since.elapsed().as_secs_f64();
        #[cfg(target_os = "linux")]
        {
            let status = fs::read_to_string(format!("/proc/{id}/status")).unwrap();
            let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap();
            let peak: u64 = peak.trim().strip_suffix(" kB").unwrap().parse().unwrap();
            say(&format!("{what}: {:.0} % of a core, {peak} kB at most", 100.0 * share));
            assert!(peak < most, "{peak} kB");
        }
        #[cfg(not(target_os = "linux"))]
        say(&format!("{what}: its memory is held to {most} kB on Linux only ({share})"));
    }
}

#[track_caller]
fn number_before(said: &str, what: &str) -> u64 {
    let before = said.split_once(what).unwrap_or_else(|| panic!("{what:?} in {said:?}")).0;
    before.rsplit([' ', ';', '\n']).find(|word| !word.is_empty()).unwrap().parse().unwrap()
}

/// A thousand sensors with ten readings a second each: every line that was sent is in the log, once.
#[test]
fn a_thousand_sensors_lose_nothing() {
    const SENSORS: usize = 1_000;
    // Each process has a socket a sensor.
    assert!(files(10_600) > 1_100, "a thousand sensors need more files than this process may open");
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("log");
    let mut listening =
        Listening::start(&["--from", "tcp-listen:0", "--format", "jsonl", "--log", log.to_str().unwrap()]);
    let to = format!("tcp://{}", listening.at("tcp-listen:"));
    let used = Used::new(listening.id());
    let output = Command::new(env!("CARGO_BIN_EXE_humtick"))
        .args(["standin", "hydro-by-day", "--sensors", "1000", "--duration", "10", "--to", &to])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success(), "{said}");
    let (sent, unsent) =
        (number_before(&said, " lines sent"), number_before(&said, " lost since nobody took"));
    assert!(sent > 90 * SENSORS as u64 && unsent == 0, "{said}");
    let rows = || logged(&log).values().map(Vec::len).sum::<usize>() as u64;
    until(|| rows() >= sent);
    used.tell(listening.id(), "a thousand sensors", 100_000);
    let sums = sums(&listening.interrupt());
    let logged = logged(&log);
    assert_eq!((logged.len(), sums.len()), (SENSORS, SENSORS));
    for (name, sequence) in &logged {
        assert!(sequence.iter().copied().eq(0..sequence.len() as u16), "{name}: {sequence:?}");
        assert_eq!(sums[name], sequence.len() as u64, "{name}");
    }
    assert_eq!(sums.values().sum::<u64>(), sent);
}

/// What a connection sends that is no sensor.
fn garbage(number: usize, round: usize) -> Vec<u8> {
    match number % 4 {
        // Noise, ends of lines among it.
        0 => (0..1_000_usize)
            .map(|k| ((k + 1_000 * round + number).wrapping_mul(2_654_435_761) >> 13) as u8)
            .collect(),
        // Readings that are damaged.
        1 => {
            let mut line = line(round as u16, round as u32 * 100, Some(50_000));
            line[7 + number % 5] ^= 0x11;
            line
        }
        // A line without an end.
        2 => vec![b'h'; 1_000],
        // A name again and again, somebody else's, and an end that is missing.
        _ => format!("name good-{}\r\nname good-{}\nh1 {round} 0.0", number % 5, round % 5).into_bytes(),
    }
}

/// Ten thousand connections at once, half of which send garbage and half nothing: five sensors beside them lose nothing.
#[test]
fn ten_thousand_connections_that_are_no_sensors_harm_nobody() {
    const WANTED: u64 = 10_000;
    const LEAST: u64 = 2_000;
    const ROUNDS: u16 = 40;
    // The listener keeps some for its files, and there are the harness and the other test.
    let count = WANTED.min(files(WANTED + 1_000).saturating_sub(1_000)) as usize;
    if (count as u64) < WANTED {
        say(&format!("{count} connections instead of {WANTED}: this process may open no more files"));
    }
    assert!(count as u64 >= LEAST, "{count} connections are too few to say anything: ulimit -Hn");
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("log");
    let mut listening =
        Listening::start(&["--from", "tcp-listen:0", "--format", "jsonl", "--log", log.to_str().unwrap()]);
    let at = listening.at("tcp-listen:");
    let used = Used::new(listening.id());
    let good = |number: usize| Sender::new(&at, Some(&format!("good-{number}")));
    let send = |sensors: &mut Vec<Sender>, sequence: u16| {
        sensors
            .iter_mut()
            .for_each(|sensor| sensor.send(&line(sequence, u32::from(sequence) * 100, Some(50_000))));
    };
    // Some were there before, some come when it is full.
    let mut before: Vec<_> = (0..2).map(good).collect();
    send(&mut before, 0);
    let mut others: Vec<_> = (0..count).map(|_| TcpStream::connect(&at).unwrap()).collect();
    let mut after: Vec<_> = (2..5).map(good).collect();
    send(&mut after, 0);
    for round in 1..=ROUNDS {
        for (number, other) in others.iter_mut().enumerate().step_by(2) {
            // Little enough for the system to take it at once, whatever the listener does.
            match other.write_all(&garbage(number / 2, round.into())) {
                Err(e) if !matches!(e.kind(), ErrorKind::ConnectionReset | ErrorKind::BrokenPipe) => {
                    panic!("{e}")
                }
                _ => {}
            }
        }
        send(&mut before, round);
        send(&mut after, round);
        thread::sleep(Duration::from_millis(50));
    }
    let all = || logged(&log).values().map(Vec::len).sum::<usize>() >= 5 * (usize::from(ROUNDS) + 1);
    until(all);
    #[cfg(target_os = "linux")]
    {
        let open = fs::read_dir(format!("/proc/{}/fd", listening.id())).unwrap().count();
        assert!(open > count + 5, "{open} files open: not all connections are there at once");
    }
    // 11 MB measured; 50 MB more if what has no end were kept.
    used.tell(listening.id(), &format!("{count} connections"), 40_000);
    let output = listening.interrupt();
    let whole: Vec<u16> = (0..=ROUNDS).collect();
    let want: BTreeMap<_, _> = (0..5).map(|number| (format!("good-{number}"), whole.clone())).collect();
    assert_eq!(logged(&log), want);
    let sums = sums(&output);
    assert!(sums.len() == 5 && sums.values().all(|readings| *readings == u64::from(ROUNDS) + 1), "{sums:?}");
}
