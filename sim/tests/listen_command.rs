//! `humtick listen` from outside: sensors on loopback, what is printed, what is kept.

mod listening;

use std::fs;
use std::io::Write;
use std::net::{TcpStream, UdpSocket};

use humtick::link::{self, MAX_FRAME, Record};
use humtick::{Frequency, State};
use listening::{Listening, Sender, line, until};

#[test]
fn lines_from_standard_input_are_read_to_its_end() {
    let input =
        [line(0, 0, None), line(1, 100, Some(50_001)), b"garbage\r\n".to_vec(), line(2, 200, Some(50_002))]
            .concat();
    let output = listening::piped(&["--from", "-", "--format", "csv", "--name", "saw"], &input);
    let rows: Vec<_> = output.out.lines().filter(|line| !line.starts_with('#')).collect();
    assert_eq!(rows.len(), 4, "{}", output.out);
    assert_eq!(rows[0], "sensor,utc,t_s,sequence,state,frequency_hz,u95_hz,rocof_hz_s,missed,rejected");
    assert!(rows[1].starts_with("saw,20") && rows[1].ends_with("Z,0.000,0,seeking,,,,0,0"), "{}", rows[1]);
    assert!(rows[3].ends_with("Z,0.200,2,locked,50.002000,0.000400,0.0010,0,0"), "{}", rows[3]);
    let sums: Vec<_> =
        output.err.lines().find(|l| l.starts_with("saw ")).unwrap().split_whitespace().collect();
    // Readings, lost, doubled, late, restarts, refused.
    assert_eq!(sums[1..7], ["3", "0", "0", "0", "0", "1"], "{}", output.err);
}

#[test]
fn lines_that_are_no_readings_are_said_to_be_none() {
    let output = listening::piped(&["--from", "-"], &b"49.990\n".repeat(12));
    assert!(
        output.err.contains("10 lines came and none is a reading; expected lines of the link"),
        "{}",
        output.err
    );
}

#[test]
fn many_sensors_are_told_apart_counted_and_kept() {
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("logs");
    let mut listening =
        Listening::start(&["--from", "tcp-listen:0", "--format", "jsonl", "--log", log.to_str().unwrap()]);
    let at = listening.at("tcp-listen:");
    let mut senders: Vec<_> = (0..50).map(|k| Sender::new(&at, Some(&format!("house-{k}")))).collect();
    for sequence in 0..40u16 {
        for (k, sender) in senders.iter_mut().enumerate() {
            // One loses readings on the way, one doubles some, one sends damaged ones.
            match (k, sequence) {
                (1, 10..13) => continue,
                (2, 20) => sender.send(&line(20, 2_000, Some(50_020))),
                (3, 30) => sender.send(b"h1 30 3.000 L 50.000000 0.000400 0.0010 0 0 0000\r\n"),
                _ => {}
            }
            sender.send(&line(sequence, u32::from(sequence) * 100, Some(50_000 + u32::from(sequence))));
        }
    }
    let house = |k: usize| format!("\"sensor\":\"house-{k}\"");
    for k in 0..50 {
        let (last, house) = ("\"sequence\":39", house(k));
        until(|| listening.out().lines().any(|line| line.contains(last) && line.contains(&house)));
    }
    let output = listening.interrupt();
    let summary = |k: usize| -> serde_json::Value {
        let of = |line: &&str| line.contains("summary") && line.contains(&house(k));
        serde_json::from_str(output.out.lines().find(of).unwrap()).unwrap()
    };
    let figures = |k: usize| {
        ["readings", "lost", "doubled", "late", "restarts", "refused"]
            .map(|key| summary(k)[key].as_u64().unwrap())
    };
    assert_eq!(figures(0), [40, 0, 0, 0, 0, 0]);
    assert_eq!(figures(1), [37, 3, 0, 0, 0, 0]);
    assert_eq!(figures(2), [40, 0, 1, 0, 0, 0]);
    assert_eq!(figures(3), [40, 0, 0, 0, 0, 1]);
    assert!(output.out.contains("\"event\":\"missing\",\"missing\":3"));
    let mut rows = 0;
    for file in fs::read_dir(&log).unwrap().map(|entry| entry.unwrap().path()) {
        if file.extension().is_some_and(|e| e == "csv") {
            let text = fs::read_to_string(&file).unwrap();
            assert!(text.ends_with('\n'));
            rows += text.lines().count() - 2;
        }
    }
    assert_eq!(rows, 50 * 40 - 3);
}

#[test]
fn two_of_one_name_are_shown_as_two_and_hostile_names_are_none() {
    let mut listening = Listening::start(&["--from", "tcp-listen:0", "--format", "csv"]);
    let at = listening.at("tcp-listen:");
    let names = ["pump", "pump", "../../etc/passwd", "<script>alert(1)</script>", "a,b\n\u{1b}[2J"];
    let mut senders: Vec<_> = names.iter().map(|name| Sender::new(&at, Some(name))).collect();
    for (k, sender) in senders.iter_mut().enumerate() {
        // One after another, so that it is known which comes first.
        sender.send(&line(1, 100, Some(50_000 + k as u32)));
        let value = format!("50.00{k}000");
        until(|| listening.out().contains(&value));
    }
    let output = listening.interrupt();
    let name = |k: u32| {
        let value = format!(",50.00{k}000,");
        output.out.lines().find(|line| line.contains(&value)).unwrap().split(',').next().unwrap().to_string()
    };
    assert_eq!([0, 1].map(name), ["pump", "pump-2"]);
    assert_eq!([2, 3, 4].map(name), ["127.0.0.1", "127.0.0.1-2", "127.0.0.1-3"]);
    assert!(
        !output.err.contains('\u{1b}')
            && output.err.contains("a second sensor of this name is called pump-2")
    );
}

#[test]
fn datagrams_are_sensors_by_their_sender() {
    let mut listening = Listening::start(&["--from", "udp:0", "--format", "csv", "--name", "cold-store"]);
    let at = listening.at("udp:");
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    for sequence in 0..20 {
        let text = line(sequence, u32::from(sequence) * 100, Some(50_000));
        // With and without the end of the line.
        let end = if sequence % 2 == 0 { text.len() } else { text.len() - 2 };
        socket.send_to(&text[..end], &at).unwrap();
    }
    until(|| listening.out().lines().filter(|line| line.starts_with("cold-store,")).count() == 20);
    let output = listening.interrupt();
    assert!(output.err.contains("1 sensor in"), "{}", output.err);
}

/// Compact frames, over TCP behind a name, in datagrams and from standard input: with all their figures, nanohertz included.
#[test]
fn frames_are_read_where_lines_are() {
    let frame = |sequence: u16| {
        let record = Record {
            sequence,
            time_ms: u32::from(sequence) * 100,
            state: State::Locked,
            frequency: Some(Frequency::from_nanohertz(50_003_127_256)),
            uncertainty: Some(Frequency::from_nanohertz(411_008)),
            rocof: Some(-12_345_678),
            missed: 0,
            rejected: 2,
        };
        link::frame(&record, &mut [0; MAX_FRAME]).to_vec()
    };
    let figures = "locked,50.003127256,0.000411008,-0.012345678,0,2";
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().to_str().unwrap();
    let mut listening = Listening::start(&["--from", "tcp-listen:0", "--from", "udp:0", "--log", log]);
    let mut pump = Sender::new(&listening.at("tcp-listen:"), None);
    pump.send(b"name pump\0");
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    let to = listening.at("udp:");
    for sequence in 0..5 {
        pump.send(&frame(sequence));
        let datagram = frame(sequence);
        // With and without the zero at its end.
        socket.send_to(&datagram[..datagram.len() - usize::from(sequence % 2)], &to).unwrap();
    }
    let (mut heard, mut buffer) = (Vec::new(), [0; 64]);
    while !heard.ends_with(b"kept 5\r\n") {
        let length = listening::read(&mut pump.0, &mut buffer).unwrap();
        assert!(length > 0);
        heard.extend_from_slice(&buffer[..length]);
    }
    let rows = |name: &str| {
        let paths = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().path());
        let of = paths.filter(|path| path.file_name().unwrap().to_string_lossy().starts_with(name));
        of.map(|path| fs::read_to_string(path).unwrap().matches(figures).count()).sum::<usize>()
    };
    until(|| rows("127.0.0.1-") == 5);
    assert_eq!(rows("pump-"), 5);
    listening.interrupt();
    let input: Vec<u8> = (0..7).flat_map(frame).collect();
    let output = listening::piped(&["--from", "-", "--format", "csv"], &input);
    assert_eq!(output.out.matches(figures).count(), 7, "{}", output.out);
}

#[test]
fn limits_are_said_when_left_and_when_kept_again() {
    let input: Vec<u8> = (0..300u16)
        .flat_map(|k| {
            line(k, u32::from(k) * 100, Some(if (100..200).contains(&k) { 49_700 } else { 50_000 }))
        })
        .collect();
    let output = listening::piped(&["--from", "-", "--limits", "49.8..50.2", "--format", "jsonl"], &input);
    let events: Vec<serde_json::Value> = output
        .out
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .filter(|record| record["kind"] == "event" && record["event"] != "locked")
        .collect();
    assert_eq!(events.len(), 2, "{events:?}");
    assert_eq!((&events[0]["event"], &events[1]["event"]), (&"outside".into(), &"inside".into()));
    assert_eq!(events[1]["extreme"], 49.7);
    assert_eq!(events[0]["band"], "49.8..50.2 Hz");
}

/// A client that sends garbage at full speed, one that sends a byte now and then and hundreds that send nothing: the others are served.
#[test]
fn bad_clients_harm_nobody() {
    let mut listening = Listening::start(&["--from", "tcp-listen:0", "--format", "csv"]);
    let at = listening.at("tcp-listen:");
    let idle: Vec<_> = (0..300).map(|_| TcpStream::connect(&at).unwrap()).collect();
    let flooded = at.clone();
    let flood = std::thread::spawn(move || {
        let mut sent = 0usize;
        let mut socket = TcpStream::connect(&flooded).unwrap();
        let garbage: Vec<u8> = (0..65_536u32).map(|k| (k.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
        // Closed after a megabyte or so.
        while sent < 100 << 20 && socket.write_all(&garbage).is_ok() {
            sent += garbage.len();
        }
        sent
    });
    let mut slow = TcpStream::connect(&at).unwrap();
    let mut good = Sender::new(&at, Some("pump"));
    for sequence in 0..100u16 {
        slow.write_all(b"h").unwrap();
        good.send(&line(sequence, u32::from(sequence) * 100, Some(50_000)));
    }
    until(|| listening.out().lines().filter(|line| line.starts_with("pump,")).count() == 100);
    let sent = flood.join().unwrap();
    assert!(sent < 100 << 20, "{sent}");
    drop(idle);
    let output = listening.interrupt();
    assert!(output.err.contains("bytes without a reading"), "{}", output.err);
    assert!(output.err.contains("1 sensor in"), "{}", output.err);
}

/// Output that nobody takes: readings are kept all the same, and of the lines left out it is said how many there were.
#[test]
fn output_that_nobody_takes_is_counted() {
    // 14 MB of output, of which 4 MB wait and 4 MB more are being written.
    const LINES: u16 = 60_000;
    let folder = tempfile::tempdir().unwrap();
    let arguments = ["--from", "-", "--format", "jsonl", "--log", folder.path().to_str().unwrap()];
    let mut listening = Listening::unread(&arguments);
    let mut input = listening.input();
    // In pieces: what is left out is left out by the batch.
    for start in (0..LINES).step_by(1_000) {
        let piece: Vec<u8> =
            (start..start + 1_000).flat_map(|k| line(k, u32::from(k) * 100, Some(50_000))).collect();
        input.write_all(&piece).unwrap();
    }
    until(|| listening.err().contains("nobody takes the output"));
    drop(input);
    let output = listening.end();
    let (_, said) = output.err.split_once("humtick: nobody takes the output").unwrap();
    let (said, _) = said.split_once(" lines of output were left out").unwrap();
    let left_out: usize = said.rsplit(' ').next().unwrap().parse().unwrap();
    let shown = output.out.lines().filter(|line| line.contains("\"kind\":\"reading\"")).count();
    // One line more says that the sensor is locked.
    let all = left_out + shown - usize::from(LINES);
    assert!(left_out > 0 && all <= 1, "{left_out} left out, {shown} shown");
    let kept = fs::read_dir(folder.path()).unwrap().map(|e| fs::read_to_string(e.unwrap().path()).unwrap());
    let kept: usize = kept.map(|text| text.lines().filter(|line| line.contains(",locked,")).count()).sum();
    assert_eq!(kept, usize::from(LINES));
}

#[test]
fn wrong_use_is_told() {
    for (arguments, word) in [
        (&["--from", "tcp-listen:0", "--limits", "50..49"][..], "LOW must be below HIGH"),
        (&["--from", "udp://localhost:1"], "to take them"),
        (&["--from", "carrier-pigeon"], "tcp-listen:"),
        (&["--from", "-", "--web", "pump.example:80"], "numerical address"),
        (&["--from", "-", "--name", "../x"], "a sensor's name"),
        (&["--from", "-", "--session", "desk"], "nothing comes from mqtt://"),
        (&[], "--from"),
    ] {
        let output = listening::piped(arguments, b"");
        assert_eq!(output.code, Some(2), "{arguments:?}");
        assert!(output.err.contains(word), "{}", output.err);
    }
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().to_str().unwrap();
    let mut first = Listening::start(&["--from", "tcp-listen:0", "--log", log]);
    first.at("tcp-listen:");
    let output = listening::piped(&["--from", "-", "--log", log], b"");
    assert_eq!(output.code, Some(2));
    assert!(output.err.contains("another listener writes to this folder"), "{}", output.err);
    first.interrupt();
}
