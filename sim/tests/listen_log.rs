//! What `humtick listen` keeps, what it says of that, and what it does where it cannot.

mod listening;

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::time::Duration;

use humtick_sim::log::utc;
use listening::{Listening, Sender, line, until};

/// Receipts come once the reading is in the file, to those who gave a name and to nobody else.
#[test]
fn what_is_in_the_log_is_receipted() {
    let folder = tempfile::tempdir().unwrap();
    let mut listening =
        Listening::start(&["--from", "tcp-listen:0", "--log", folder.path().to_str().unwrap()]);
    let at = listening.at("tcp-listen:");
    let (mut named, mut silent) = (Sender::new(&at, Some("pump")), Sender::new(&at, None));
    for sequence in 0..7 {
        named.send(&line(sequence, u32::from(sequence) * 100, Some(50_000)));
        silent.send(&line(sequence, u32::from(sequence) * 100, Some(50_000)));
    }
    let mut heard = Vec::new();
    let mut buffer = [0; 64];
    while !heard.ends_with(b"kept 7\r\n") {
        let length = listening::read(&mut named.0, &mut buffer).unwrap();
        assert!(length > 0);
        heard.extend_from_slice(&buffer[..length]);
    }
    silent.0.set_read_timeout(Some(Duration::from_millis(1_500))).unwrap();
    assert!(listening::read(&mut silent.0, &mut buffer).is_err());
    listening.kill();
    // Killed with -9: what was receipted is there, whole.
    let kept = fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().path());
    let file = kept.into_iter().find(|p| p.to_string_lossy().contains("pump-")).unwrap();
    let text = fs::read_to_string(file).unwrap();
    assert!(text.starts_with("# humtick log 1, sensor pump\n"));
    assert_eq!(text.lines().count(), 9, "{text}");
}

/// While the log cannot be written a sender is told that nothing is kept, and so waits, and does not believe the best after a while.
#[test]
fn what_cannot_be_kept_is_not_receipted() {
    let folder = tempfile::tempdir().unwrap();
    // Something else where the log of today should be; and of tomorrow, should midnight come.
    let in_the_way: Vec<_> = [0, utc::DAY_MS]
        .map(|later| folder.path().join(format!("pump-{}.csv", utc::date_text(utc::now_ms() + later))))
        .into();
    in_the_way.iter().for_each(|path| fs::create_dir(path).unwrap());
    let mut listening =
        Listening::start(&["--from", "tcp-listen:0", "--log", folder.path().to_str().unwrap()]);
    let mut pump = Sender::new(&listening.at("tcp-listen:"), Some("pump"));
    for sequence in 0..3 {
        pump.send(&line(sequence, u32::from(sequence) * 100, Some(50_000)));
    }
    let mut receipts = BufReader::new(pump.0.try_clone().unwrap());
    let mut next = || {
        let mut receipt = String::new();
        receipts.read_line(&mut receipt).unwrap();
        receipt
    };
    assert_eq!(next(), "kept 0\r\n");
    until(|| listening.err().contains("the log cannot be written"));
    in_the_way.iter().for_each(|path| fs::remove_dir(path).unwrap());
    assert_eq!(next(), "kept 3\r\n");
    listening.interrupt();
}

/// More than memory has room for while the log cannot be written: what is not taken has no receipt, its sender's connection is closed, and
/// what the sender sends again is in the log once.
#[test]
fn what_there_is_no_room_for_is_left_to_its_sender() {
    // Rows of some 75 bytes: 16 MB are 225,000 of them. A relay has no more than a thousand lines on their way.
    const SENDERS: usize = 260;
    const LINES: u16 = 1_000;
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("logs");
    let mut listening = Listening::start(&["--from", "tcp-listen:0", "--log", log.to_str().unwrap()]);
    let at = listening.at("tcp-listen:");
    // Something else in the log's place.
    fs::remove_dir_all(&log).unwrap();
    fs::write(&log, "").unwrap();
    let text: Vec<u8> = (0..LINES).flat_map(|k| line(k, u32::from(k) * 100, Some(50_000))).collect();
    let connect = |k: usize| {
        let mut sender = Sender::new(&at, Some(&format!("saw-{k}")));
        // Whoever is put off may be so in the middle of it.
        let _ = sender.0.write_all(&text);
        sender
    };
    let mut senders: Vec<_> = (0..SENDERS).map(connect).collect();
    until(|| listening.err().contains("no room for more in memory"));
    let is_closed = |sender: &mut Sender| {
        let mut heard = Vec::new();
        sender.0.set_read_timeout(Some(Duration::from_millis(10))).unwrap();
        let end = sender.0.read_to_end(&mut heard);
        assert!(String::from_utf8(heard).unwrap().lines().all(|receipt| receipt == "kept 0"));
        !end.is_err_and(|e| e.kind() == std::io::ErrorKind::WouldBlock)
    };
    let closed: Vec<_> = (0..SENDERS).filter(|k| is_closed(&mut senders[*k])).collect();
    assert!((1..SENDERS).contains(&closed.len()), "{closed:?}");
    fs::remove_file(&log).unwrap();
    until(|| listening.err().contains("the log is written again"));
    closed.into_iter().for_each(|k| senders[k] = connect(k));
    for (k, sender) in senders.iter_mut().enumerate() {
        let (mut heard, mut buffer) = (Vec::new(), [0; 64]);
        sender.0.set_read_timeout(Some(listening::PATIENCE)).unwrap();
        while !heard.ends_with(b"kept 1000\r\n") {
            match listening::read(&mut sender.0, &mut buffer) {
                Ok(length @ 1..) => heard.extend_from_slice(&buffer[..length]),
                _ => (*sender, heard) = (connect(k), Vec::new()),
            }
        }
    }
    let output = listening.interrupt();
    assert!(output.err.contains("nothing was lost"), "{}", output.err);
    let mut files: Vec<_> = fs::read_dir(&log).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    // Should midnight come, a sensor has two.
    let mut kept = BTreeMap::<String, Vec<u16>>::new();
    for text in files.iter().map(|path| fs::read_to_string(path).unwrap()) {
        let of = |row: &str| row.split(',').nth(2).and_then(|number| number.parse::<u16>().ok());
        let sensor = text.lines().next().unwrap_or_default().to_string();
        kept.entry(sensor).or_default().extend(text.lines().filter_map(of));
    }
    kept.remove("");
    assert_eq!(kept.len(), SENDERS, "{:?}", kept.keys());
    assert!(kept.values().all(|numbers| numbers.iter().copied().eq(0..LINES)), "{kept:?}");
}

/// A disk that is full, as far as a process can be made to believe it: a limit on the length of its files, lifted later.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_said_and_writing_goes_on_when_there_is_room() {
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("logs");
    let arguments = ["--from", "tcp-listen:0", "--format", "csv", "--log", log.to_str().unwrap()];
    // A limit of 4 KB, and a failing write instead of a signal.
    let mut listening = Listening::start_by("trap '' XFSZ; ulimit -S -f 4; exec \"$0\" \"$@\"", &arguments);
    let at = listening.at("tcp-listen:");
    let mut sender = Sender::new(&at, Some("pump"));
    for sequence in 0..200u16 {
        sender.send(&line(sequence, u32::from(sequence) * 100, Some(50_000)));
        std::thread::sleep(Duration::from_millis(2));
    }
    // Shown all the same.
    until(|| listening.out().lines().filter(|line| line.starts_with("pump,")).count() == 200);
    until(|| listening.err().contains("the log cannot be written"));
    let rows = || {
        let of = |p: std::path::PathBuf| {
            p.extension().is_some_and(|e| e == "csv").then(|| fs::read_to_string(p).unwrap())
        };
        let text: String = fs::read_dir(&log).unwrap().filter_map(|e| of(e.unwrap().path())).collect();
        assert!(text.ends_with('\n') && text.len() <= 4_096 || text.lines().count() > 60, "{}", text.len());
        text.lines().filter(|line| line.ends_with(",0,0")).count()
    };
    let full = rows();
    assert!((10..60).contains(&full), "{full}");
    let limit = std::process::Command::new("prlimit")
        .args(["--pid", &listening.id().to_string(), "--fsize=unlimited"])
        .status()
        .unwrap();
    assert!(limit.success());
    until(|| listening.err().contains("the log is written again"));
    until(|| rows() == 200);
    let output = listening.interrupt();
    assert!(output.err.contains("nothing was lost"), "{}", output.err);
}

/// Where the listener itself connects, nobody hears receipts, name or not: what there is no room for is shown, lost and counted.
#[test]
fn what_comes_without_receipts_is_shown_though_there_is_no_room() {
    // Twice as many rows as memory holds of one sensor.
    const LINES: u16 = 30_000;
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("logs");
    let server = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let from = format!("tcp://{}", server.local_addr().unwrap());
    let listening = Listening::start(&["--from", &from, "--format", "csv", "--log", log.to_str().unwrap()]);
    let mut stream = server.accept().unwrap().0;
    fs::remove_dir_all(&log).unwrap();
    fs::write(&log, "").unwrap();
    let lines = |numbers: std::ops::Range<u16>| -> Vec<u8> {
        numbers.flat_map(|k| line(k, u32::from(k) * 100, Some(50_000))).collect()
    };
    stream.write_all(b"name pump\r\n").unwrap();
    stream.write_all(&lines(0..LINES)).unwrap();
    let shown = |count: u16| {
        until(|| {
            listening.out().lines().filter(|line| line.starts_with("pump,")).count() == usize::from(count)
        });
    };
    shown(LINES);
    fs::remove_file(&log).unwrap();
    until(|| listening.err().contains("the log is written again"));
    stream.write_all(&lines(LINES..LINES + 100)).unwrap();
    shown(LINES + 100);
    let output = listening.interrupt();
    let (said, _) = output.err.split_once(" readings were lost").unwrap();
    let lost: usize = said.rsplit(' ').next().unwrap().parse().unwrap();
    let files = fs::read_dir(&log).unwrap().map(|e| fs::read_to_string(e.unwrap().path()).unwrap());
    let kept: usize = files.map(|text| text.matches(",locked,").count()).sum();
    assert!(lost > 10_000 && kept + lost == usize::from(LINES) + 100, "{kept} kept, {lost} lost");
}

/// Whoever says all it has and is gone, without a look at receipts, is read to the end.
#[test]
fn what_was_sent_by_somebody_gone_is_kept() {
    const SENDERS: usize = 60;
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().to_str().unwrap();
    let mut listening = Listening::start(&["--from", "tcp-listen:0", "--log", log]);
    let at = listening.at("tcp-listen:");
    let text: Vec<u8> = (0..1_500).flat_map(|k| line(k, u32::from(k) * 100, Some(50_000))).collect();
    for k in 0..SENDERS {
        Sender::new(&at, Some(&format!("saw-{k}"))).send(&text);
    }
    let rows = || {
        let paths = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().path());
        let texts = paths.filter_map(|path| fs::read_to_string(path).ok());
        texts.map(|text| text.matches(",locked,").count()).sum::<usize>()
    };
    until(|| rows() == SENDERS * 1_500);
    listening.interrupt();
}

/// Connections that have ended and wait for a file that is in a bad way lock nobody out.
#[cfg(target_os = "linux")]
#[test]
fn those_who_wait_for_a_bad_file_make_room() {
    let folder = tempfile::tempdir().unwrap();
    for later in [0, utc::DAY_MS] {
        let day = utc::date_text(utc::now_ms() + later);
        fs::create_dir(folder.path().join(format!("bad-{day}.csv"))).unwrap();
    }
    let arguments = ["--from", "tcp-listen:0", "--log", folder.path().to_str().unwrap()];
    // Room for 350 connections.
    let mut listening = Listening::start_by("ulimit -n 700; exec \"$0\" \"$@\"", &arguments);
    let at = listening.at("tcp-listen:");
    let ended: Vec<_> = (0..500)
        .map(|k| {
            let mut sender = Sender::new(&at, Some("bad"));
            sender.send(&line(k, u32::from(k) * 100, Some(50_000)));
            sender.0.shutdown(std::net::Shutdown::Write).unwrap();
            sender
        })
        .collect();
    let mut good = Sender::new(&at, Some("good"));
    good.send(&line(0, 0, Some(50_000)));
    let (mut heard, mut buffer) = (Vec::new(), [0; 64]);
    while !heard.ends_with(b"kept 1\r\n") {
        let length = listening::read(&mut good.0, &mut buffer).unwrap();
        assert!(length > 0, "{}", listening.err());
        heard.extend_from_slice(&buffer[..length]);
    }
    drop(ended);
    listening.interrupt();
}
