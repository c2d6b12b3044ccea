//! What passes, what does not, and what is said of it.

use std::io::{Read, Write};
use std::net::UdpSocket;
use std::time::Duration;

use super::far_end::FarEnd;
use super::listening;
use super::{Relay, Sensor, connected, text, until};

/// Damaged lines and garbage stay behind and are counted; what a later version adds goes on as it came.
#[test]
fn lines_go_on_as_they_came_and_garbage_does_not() {
    let mut sensor = Sensor::new();
    let (first, second) = (sensor.line(), sensor.line());
    let mut wrong = sensor.line();
    wrong[7] ^= 4;
    // A field more than this version knows, with the CRC that goes with it.
    let mut later = b"h1 3 0.030 L 50.003003 0.000412 - 0 2 0.93 ".to_vec();
    let crc = crc16(&later);
    later.extend(format!("{crc:04X}\r\n").into_bytes());
    let mut relay = Relay::start(&["--from", "-", "--to", "-"]);
    let input =
        [first.clone(), wrong, b"\x00\xFF garbage\n".to_vec(), second.clone(), later.clone()].concat();
    relay.input().write_all(&input).unwrap();
    let mut out = relay.child.stdout.take().unwrap();
    let (status, said) = relay.drain();
    let mut passed = Vec::new();
    out.read_to_end(&mut passed).unwrap();
    assert_eq!(
        String::from_utf8(passed).unwrap(),
        String::from_utf8([first, second, later].concat()).unwrap()
    );
    assert_eq!(
        (status, said.as_str()),
        (
            0,
            "sensor: 3 lines taken, 2 refused, 1 missing before; 3 delivered, 0 waiting, 0 dropped, 0 damaged on disk; \
             0 sent again, 1 connections\n"
        )
    );
}

/// Compact frames go on as lines: far ends are told the same, to a microhertz.
#[test]
fn frames_go_on_as_lines() {
    let frames = std::process::Command::new(env!("CARGO_BIN_EXE_humtick"))
        .args(["standin", "hydro-by-day", "--duration", "10", "--speed", "1000"])
        .arg("--frames")
        .output()
        .unwrap();
    let lines = std::process::Command::new(env!("CARGO_BIN_EXE_humtick"))
        .args(["standin", "hydro-by-day", "--duration", "10", "--speed", "1000"])
        .output()
        .unwrap();
    assert!(frames.stdout.len() < lines.stdout.len() * 2 / 3);
    assert!(String::from_utf8(frames.stderr).unwrap().contains(" frames sent, 0 lost"));
    let mut relay = Relay::start(&["--from", "-", "--to", "-"]);
    relay.input().write_all(&frames.stdout).unwrap();
    let mut out = relay.child.stdout.take().unwrap();
    let (status, said) = relay.drain();
    let mut passed = Vec::new();
    out.read_to_end(&mut passed).unwrap();
    assert!(status == 0 && said.contains(" 0 missing before"), "{said}");
    assert_eq!(String::from_utf8(passed).unwrap(), String::from_utf8(lines.stdout).unwrap());
}

/// A sensor that sends bare numbers, or a wrong baud rate, is told by the relay's own words and counts.
#[test]
fn lines_that_are_no_readings_are_said_to_be_none() {
    let mut relay = Relay::start(&["--from", "-", "--to", "-"]);
    relay.input().write_all(&b"49.990\n".repeat(12)).unwrap();
    let (status, said) = relay.drain();
    assert!(
        status == 0 && said.starts_with("sensor: 10 lines came and none is a reading; expected"),
        "{said}"
    );
    assert!(said.contains("\nsensor: 0 lines taken, 12 refused, "), "{said}");
}

/// CRC-16/IBM-3740, bit by bit.
fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, byte| {
        (0..8).fold(
            crc ^ u16::from(*byte) << 8,
            |crc, _| if crc & 0x8000 == 0 { crc << 1 } else { crc << 1 ^ 0x1021 },
        )
    })
}

/// Sensors that connect, by name and without, each arrive under a name of their own; one that comes back under its name goes on.
#[test]
fn each_sensor_has_a_lane() {
    let far_end = FarEnd::new(true);
    let (relay, at) = Relay::listening(&["--to", &far_end.to()]);
    let (mut named, mut nameless) = (Sensor::new(), Sensor::new());
    let mut connections = Vec::new();
    for round in 0..3 {
        let mut stream = connected(at);
        stream.write_all(b"name pump-house\r\n").unwrap();
        (0..5).for_each(|_| stream.write_all(&named.line()).unwrap());
        connections.push(stream);
        if round == 0 {
            let mut other = connected(at);
            (0..5).for_each(|_| other.write_all(&nameless.line()).unwrap());
            connections.push(other);
        }
        until(|| far_end.kept("pump-house"), |kept| *kept == 5 * (round + 1));
    }
    until(|| far_end.kept("127.0.0.1"), |kept| *kept == 5);
    let (status, said) = relay.end();
    assert_eq!(status, 0);
    assert!(said.contains("pump-house: 15 lines taken, 0 refused, 0 missing before; 15 delivered"), "{said}");
    assert!(said.contains("127.0.0.1: 5 lines taken"), "{said}");
    assert_eq!(far_end.book("pump-house").missing, 0);
}

/// A name whose end looks like a line's checksum is a name, and counts as no line of the connection.
#[test]
fn a_name_may_end_in_figures() {
    let far_end = FarEnd::new(true);
    let folder = tempfile::tempdir().unwrap();
    let spool = text(folder.path());
    let (relay, at) = Relay::listening(&["--to", &far_end.to(), "--spool", &spool]);
    let (mut sensor, mut stream) = (Sensor::new(), connected(at));
    stream.set_read_timeout(Some(super::PATIENCE)).unwrap();
    stream.write_all(b"name store-2026\r\n").unwrap();
    // Nothing yet: a sender knows by that that there are receipts.
    let mut receipt = String::new();
    while receipt != "kept 0\r\n" {
        let mut byte = [0];
        stream.read_exact(&mut byte).unwrap();
        receipt.push(char::from(byte[0]));
        assert!("kept 0\r\n".starts_with(&receipt), "{receipt}");
    }
    (0..5).for_each(|_| stream.write_all(&sensor.line()).unwrap());
    while !receipt.ends_with("kept 5\r\n") {
        let mut bytes = [0; 100];
        let len = listening::read(&mut stream, &mut bytes).unwrap();
        receipt += std::str::from_utf8(&bytes[..len]).unwrap();
        assert!(len > 0 && !receipt.contains("kept 6"), "{receipt}");
    }
    until(|| far_end.kept("store-2026"), |kept| *kept == 5);
    let (status, said) = relay.end();
    assert!(status == 0 && said.contains("store-2026: 5 lines taken, 0 refused"), "{said}");
}

#[test]
fn datagrams_in_and_out() {
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    socket.set_read_timeout(Some(super::PATIENCE)).unwrap();
    let to = format!("udp://{}", socket.local_addr().unwrap());
    let mut relay = Relay::start(&["--from", "udp:0", "--to", &to]);
    let at = relay.says("listening at ").trim().rsplit(' ').next().unwrap().to_owned();
    let (mut sensor, out) = (Sensor::new(), UdpSocket::bind("127.0.0.1:0").unwrap());
    for _ in 0..20 {
        let line = sensor.line();
        out.send_to(&line, &at).unwrap();
        let mut bytes = [0; 200];
        let len = until(|| socket.recv(&mut bytes).ok(), Option::is_some).unwrap();
        assert_eq!(bytes[..len], line);
    }
    assert_eq!(relay.end().0, 0);
}

#[cfg(unix)]
#[test]
fn a_serial_port_that_goes_and_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("sensor");
    let far_end = FarEnd::new(false);
    let mut relay = Relay::start(&[
        "--from",
        &format!("serial:{}", port.display()),
        "--to",
        &far_end.to(),
        "--name",
        "saw",
    ]);
    relay.says("trying again");
    let mut sensor = Sensor::new();
    for round in 1..=2 {
        let mut pty = humtick_sim::wire::terminal::pty(Some(&port)).unwrap();
        relay.says("is there again");
        (0..10).for_each(|_| pty.near.write_all(&sensor.line()).unwrap());
        until(|| far_end.kept("saw"), |kept| *kept == 10 * round);
    }
    let (status, said) = relay.end();
    assert!(status == 0 && said.contains("saw: 20 lines taken, 0 refused, 0 missing"), "{said}");
}

#[cfg(unix)]
#[test]
fn counters_are_said_when_they_are_asked_for() {
    let far_end = FarEnd::new(true);
    let (mut relay, at) = Relay::listening(&["--to", &far_end.to()]);
    let (mut sensor, mut stream) = (Sensor::new(), connected(at));
    (0..7).for_each(|_| stream.write_all(&sensor.line()).unwrap());
    until(|| far_end.kept("127.0.0.1"), |kept| *kept == 7);
    relay.signal("-USR1");
    assert!(relay.says("lines taken").starts_with("127.0.0.1: 7 lines taken"));
    assert_eq!(relay.end().0, 0);
}

/// A listener has a sensor's last lines, and its relay ends with a receipt for them: at the end of its input, and when it is told to.
#[cfg(unix)]
#[test]
fn the_last_lines_have_their_receipt() {
    let folder = tempfile::tempdir().unwrap();
    let mut listening =
        listening::Listening::start(&["--from", "tcp-listen:0", "--log", &text(folder.path())]);
    let to = format!("tcp://{}", listening.at("tcp-listen:"));
    for round in 0..6 {
        let name = format!("saw-{round}");
        let mut relay = Relay::start(&["--from", "-", "--to", &to, "--name", &name, "--linger", "60"]);
        let mut sensor = Sensor::new();
        (0..33).for_each(|_| relay.input().write_all(&sensor.line()).unwrap());
        let (status, said) = relay.drain();
        let whole = format!(
            "{name}: 33 lines taken, 0 refused, 0 missing before; 33 delivered, 0 waiting, 0 dropped, 0 damaged on disk; \
             0 sent again, 1 connections\n"
        );
        assert_eq!((status, said), (0, whole));
    }
    // Its sensor talks on, and is not heard.
    let (mut relay, at) = Relay::listening(&["--to", &to, "--linger", "60"]);
    let mut stream = connected(at);
    stream.write_all(b"name pump\r\n").unwrap();
    let talking = std::thread::spawn(move || {
        let mut sensor = Sensor::new();
        while stream.write_all(&sensor.line()).is_ok() {
            std::thread::sleep(Duration::from_millis(2));
        }
    });
    until(
        || {
            relay.signal("-USR1");
            relay.says("lines taken")
        },
        |said| said.starts_with("pump: ") && !said.contains("; 0 delivered"),
    );
    relay.signal("-TERM");
    let (status, said) = relay.drain();
    talking.join().unwrap();
    let counters = said.lines().find(|line| line.starts_with("pump: ")).unwrap();
    let number = |place: usize| counters.split(' ').nth(place).unwrap();
    assert!(number(1) == number(9) && counters.contains(" 0 waiting"), "{counters}");
    assert!(status == 0 && counters.ends_with("0 sent again, 1 connections"), "{said}");
}

/// Two sensors of one name take each other's place; that is said, once.
#[test]
fn two_sensors_of_one_name_are_noticed() {
    let far_end = FarEnd::new(true);
    let (mut relay, at) = Relay::listening(&["--to", &far_end.to()]);
    let mut sensor = Sensor::new();
    let mut streams = Vec::new();
    for round in 1..=10 {
        let mut stream = connected(at);
        stream.write_all(b"name pump\r\n").unwrap();
        stream.write_all(&sensor.line()).unwrap();
        streams.push(stream);
        until(|| far_end.kept("pump"), |kept| *kept == round);
    }
    let said = relay.says("do two sensors have it");
    assert!(said.starts_with("pump: connections of this name take each other's place"), "{said}");
    let (_, said) = relay.end();
    assert_eq!(said.lines().count(), 1, "{said}");
}

/// Told to end, a relay delivers what it has, and takes no sensor that it would have to leave uncounted.
#[cfg(unix)]
#[test]
fn a_sensor_that_comes_at_the_end_is_turned_away() {
    let mut far_end = FarEnd::new(true);
    far_end.kill();
    let (mut relay, at) = Relay::listening(&["--to", &far_end.to(), "--linger", "60"]);
    let mut sensor = Sensor::new();
    let mut stream = connected(at);
    stream.write_all(b"name saw\r\n").unwrap();
    (0..5).for_each(|_| stream.write_all(&sensor.line()).unwrap());
    until(
        || {
            relay.signal("-USR1");
            relay.says("lines taken")
        },
        |counters| counters.contains("saw: 5 lines taken"),
    );
    relay.signal("-TERM");
    let is_turned_away = || {
        let mut late = connected(at);
        late.set_read_timeout(Some(Duration::from_millis(100))).unwrap();
        let _ = late.write_all(b"name pump\r\n");
        // A relay without a spool says nothing to its sensors: there is an end, or nothing.
        !listening::read(&mut late, &mut [0; 10]).is_err_and(|e| e.kind() == std::io::ErrorKind::WouldBlock)
    };
    until(is_turned_away, |is_turned_away| *is_turned_away);
    far_end.start();
    let (status, said) = relay.end();
    assert!(status == 0 && said.contains("saw: 5 lines taken"), "{said}");
    assert!(said.contains("refused: too many, without a spool, or come at the end"), "{said}");
}

#[test]
fn what_cannot_be_is_told() {
    for (arguments, why) in [
        (["--from", "mqtt://a/b", "--to", "-", "--keep", "all"], "nothing can be taken"),
        (["--from", "-", "--to", "tcp-listen:0", "--keep", "all"], "nothing can be sent"),
        (["--from", "-", "--to", "-", "--spool", "/dev/null"], "/dev/null: File exists"),
        (["--from", "udp:0", "--to", "-", "--name", "saw"], "leave it out"),
        (["--from", "-", "--to", "-", "--name", "../saw"], "letters, figures"),
        (["--from", "-", "--to", "mqtt://a", "--keep", "all"], "topic"),
    ] {
        let relay = Relay::start(&arguments);
        let (status, said) = relay.drain();
        assert!(status == 2 && said.contains(why), "{status}: {said}");
    }
    let folder = tempfile::tempdir().unwrap();
    let spool = text(folder.path());
    let relay = Relay::start(&["--from", "-", "--to", "-", "--spool", &spool, "--keep", "latest"]);
    let (status, said) = relay.drain();
    assert!(status == 2 && said.contains("keeps all"), "{said}");
}
