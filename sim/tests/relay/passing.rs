//! What passes, what does not, and what is said of it.

use std::io::{BufRead, Read, Write};
use std::net::UdpSocket;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use super::far_end::FarEnd;
use super::listening;
use super::port::Port;
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

/// Garbage at full speed and connections that say nothing cost the others nothing.
#[test]
fn garbage_and_silence_do_not_hinder_others() {
    let far_end = FarEnd::new(true);
    let (relay, at) = Relay::listening(&["--to", &far_end.to()]);
    // More than there may be connections.
    let _silent: Vec<_> = (0..300).map(|_| connected(at)).collect();
    let noise = std::thread::spawn(move || {
        let mut stream = connected(at);
        let began = Instant::now();
        while began.elapsed() < Duration::from_secs(2) && stream.write_all(&[0xA5; 10_000]).is_ok() {}
    });
    let (mut sensor, mut stream) = (Sensor::new(), connected(at));
    stream.write_all(b"name cold-store\r\n").unwrap();
    for _ in 0..100 {
        stream.write_all(&sensor.line()).unwrap();
        std::thread::sleep(Duration::from_millis(10));
    }
    until(|| far_end.kept("cold-store"), |kept| *kept == 100);
    noise.join().unwrap();
    let (status, said) = relay.end();
    assert_eq!((status, said.lines().count()), (0, 1), "{said}");
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

/// A full store drops its oldest lines, counts them, and the exit status says that something was lost.
#[test]
fn what_has_no_room_is_dropped_and_counted() {
    let mut far_end = FarEnd::new(true);
    far_end.kill();
    let mut relay = Relay::start(&["--from", "-", "--to", &far_end.to(), "--room", "100", "--name", "saw"]);
    relay.says("trying again");
    let mut sensor = Sensor::new();
    (0..250).for_each(|_| relay.input().write_all(&sensor.line()).unwrap());
    until(
        || {
            relay.signal("-USR1");
            relay.says("lines taken")
        },
        |counters| counters.contains("250 lines taken"),
    );
    far_end.start();
    let (status, said) = relay.drain();
    assert!(
        said.contains("250 lines taken") && said.contains("100 delivered, 0 waiting, 150 dropped"),
        "{said}"
    );
    assert_eq!(status, 1);
    assert!(far_end.book("saw").kept.iter().copied().eq(150..250));
}

#[test]
fn what_never_had_a_way_out_is_lost_or_stays_in_the_spool() {
    let closed = Port::new();
    let folder = tempfile::tempdir().unwrap();
    let spool = text(folder.path());
    for (arguments, status) in [(vec!["--linger", "0"], 1), (vec!["--linger", "0", "--spool", &spool], 0)] {
        let to = format!("tcp://{}", closed.at());
        let mut relay =
            Relay::start(&[["--from", "-", "--to", &to, "--name", "saw"].as_slice(), &arguments].concat());
        relay.says("trying again");
        let mut sensor = Sensor::new();
        (0..5).for_each(|_| relay.input().write_all(&sensor.line()).unwrap());
        let (exit, said) = relay.drain();
        assert!(exit == status && said.contains("5 waiting"), "{exit}, {said}");
    }
}

/// A disk that takes nothing more: what memory alone holds in the end is lost, and the exit status says so.
#[cfg(target_os = "linux")]
#[test]
fn what_the_spool_did_not_take_is_lost_in_the_end() {
    let closed = Port::new();
    let folder = tempfile::tempdir().unwrap();
    let (spool, to) = (text(folder.path()), format!("tcp://{}", closed.at()));
    let arguments = ["--from", "-", "--to", &to, "--name", "saw", "--spool", &spool, "--linger", "0"];
    // Files of 1 KB and no longer; a failing write instead of a signal.
    let mut relay = Relay::start_by("trap '' XFSZ; ulimit -S -f 1; exec \"$0\" \"$@\"", &arguments);
    let mut sensor = Sensor::new();
    (0..40).for_each(|_| relay.input().write_all(&sensor.line()).unwrap());
    relay.says("the spool cannot be written");
    let (status, said) = relay.drain();
    let whole = std::fs::read_to_string(folder.path().join("saw/00000000000000000000.lines")).unwrap();
    let whole = whole.matches('\n').count();
    assert!((10..30).contains(&whole), "{whole}");
    assert!(said.contains("40 lines taken, 0 refused, 0 missing before; 0 delivered, 40 waiting"), "{said}");
    assert!(said.contains(&format!("saw: {} of those that wait are not on disk", 40 - whole)), "{said}");
    assert_eq!(status, 1);
}

/// A sensor whose spool cannot be opened is turned away, and does not go on under another name.
#[test]
fn a_sensor_without_a_spool_is_turned_away() {
    let far_end = FarEnd::new(true);
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("saw"), "in the way").unwrap();
    let spool = text(folder.path());
    let (mut relay, at) = Relay::listening(&["--to", &far_end.to(), "--spool", &spool]);
    let mut sensor = Sensor::new();
    for _ in 0..3 {
        let mut stream = connected(at);
        stream.set_read_timeout(Some(super::PATIENCE)).unwrap();
        stream.write_all(b"name saw\r\n").unwrap();
        // It may be closed before they are all sent.
        let _ = (0..5).try_for_each(|_| stream.write_all(&sensor.line()));
        let mut heard = Vec::new();
        let end = stream.read_to_end(&mut heard);
        assert!(heard.is_empty() && !end.is_err_and(|e| e.kind() == std::io::ErrorKind::WouldBlock));
    }
    let said = relay.says("cannot be opened");
    assert!(said.starts_with("saw: the spool cannot be opened"), "{said}");
    let (status, said) = relay.end();
    assert_eq!(status, 0);
    assert_eq!(
        said,
        "0 lines taken: no sensor has been heard\n\
         3 connections, datagrams or sensors refused: too many, without a spool, or come at the end\n"
    );
    assert!(far_end.books.lock().unwrap().is_empty());
}

/// A disk that takes nothing for a while: a sender that hears receipts hears of nothing that is not on disk, is not read while memory
/// fills, and has its receipts when the disk takes lines again, though it says nothing more.
#[cfg(target_os = "linux")]
fn a_full_disk_costs_nothing(lines: u16) {
    let mut far_end = FarEnd::new(true);
    far_end.kill();
    let folder = tempfile::tempdir().unwrap();
    let (spool, to) = (text(folder.path()), far_end.to());
    let arguments = ["--from", "tcp-listen:0", "--to", &to, "--spool", &spool, "--linger", "60"];
    let mut relay = Relay::start_by("trap '' XFSZ; ulimit -S -f 1; exec \"$0\" \"$@\"", &arguments);
    let at = relay.says("listening at ").trim().rsplit(' ').next().unwrap().parse().unwrap();
    let mut stream = connected(at);
    let heard = Arc::new(Mutex::new(Vec::new()));
    let (hearing, words) = (Arc::clone(&heard), std::io::BufReader::new(stream.try_clone().unwrap()));
    std::thread::spawn(move || {
        for receipt in words.lines().map_while(Result::ok) {
            hearing.lock().unwrap().push(receipt.strip_prefix("kept ").unwrap().parse::<u32>().unwrap());
        }
    });
    let last = || heard.lock().unwrap().last().copied();
    stream.write_all(b"name saw\r\n").unwrap();
    let sending = std::thread::spawn(move || {
        let mut sensor = Sensor::new();
        (0..lines).for_each(|_| stream.write_all(&sensor.line()).unwrap());
        stream
    });
    relay.says("the spool cannot be written");
    let taken = |relay: &mut Relay| {
        relay.signal("-USR1");
        let said = relay.says("lines taken");
        said.split(' ').nth(1).unwrap().parse::<u32>().unwrap()
    };
    // It takes no more than it has room for.
    until(|| taken(&mut relay), |taken| *taken > 5_000 || *taken == u32::from(lines));
    std::thread::sleep(Duration::from_millis(500));
    let stuck = taken(&mut relay);
    assert!(stuck < 6_000, "{stuck}");
    // Two receipts' time has passed; some 17 lines fit on the disk.
    assert!(last().is_some_and(|kept| kept < 30), "{:?}", last());
    let limit = std::process::Command::new("prlimit")
        .args(["--pid", &relay.child.id().to_string(), "--fsize=unlimited"])
        .status()
        .unwrap();
    assert!(limit.success());
    until(last, |last| *last == Some(lines.into()));
    assert!(heard.lock().unwrap().windows(2).all(|pair| pair[0] < pair[1]));
    drop(sending.join().unwrap());
    far_end.start();
    until(|| far_end.kept("saw"), |kept| *kept == usize::from(lines));
    let (status, said) = relay.end();
    assert!(said.contains(&format!("{lines} delivered, 0 waiting, 0 dropped")), "{said}");
    assert_eq!(status, 0);
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_costs_a_sender_that_hears_receipts_nothing() {
    a_full_disk_costs_nothing(30_000);
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_costs_a_sender_that_says_nothing_more_nothing() {
    a_full_disk_costs_nothing(40);
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

/// Names that have been here and have nothing left take no place, and need no way out.
#[test]
fn an_old_spool_of_which_nothing_is_left_is_no_sensor() {
    let far_end = FarEnd::new(true);
    let folder = tempfile::tempdir().unwrap();
    (0..70).for_each(|k| std::fs::create_dir(folder.path().join(format!("old-{k}"))).unwrap());
    let spool = text(folder.path());
    for name in ["saw", "pump"] {
        let mut relay =
            Relay::start(&["--from", "-", "--to", &far_end.to(), "--name", name, "--spool", &spool]);
        relay.input().write_all(&Sensor::new().line()).unwrap();
        let (status, said) = relay.drain();
        assert!(status == 0 && said.starts_with(&format!("{name}: 1 lines taken")), "{said}");
        assert_eq!(said.lines().count(), 1, "{said}");
    }
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

/// A relay asks for the handles that it needs, and where there are not so many, those who say nothing make room.
#[cfg(target_os = "linux")]
#[test]
fn silence_does_not_use_up_all_handles() {
    let far_end = FarEnd::new(true);
    for limit in ["ulimit -S -n 200", "ulimit -n 200"] {
        let folder = tempfile::tempdir().unwrap();
        let (spool, to) = (text(folder.path()), far_end.to());
        let script = format!("{limit}; exec \"$0\" \"$@\"");
        let mut relay = Relay::start_by(
            &script,
            &["--from", "tcp-listen:0", "--to", &to, "--spool", &spool, "--linger", "60"],
        );
        let at = relay.says("listening at ").trim().rsplit(' ').next().unwrap().parse().unwrap();
        let silent: Vec<_> = (0..300).map(|_| connected(at)).collect();
        let name = format!("saw-{}", limit.len());
        // As sensors do: it comes again when it is turned away.
        let mut comes = || {
            let mut stream = connected(at);
            let text = [format!("name {name}\r\n").as_bytes(), &Sensor::new().line()].concat();
            let _ = stream.write_all(&text);
            std::thread::sleep(Duration::from_millis(300));
            far_end.kept(&name)
        };
        until(&mut comes, |kept| *kept == 1);
        drop(silent);
        relay.end();
    }
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
