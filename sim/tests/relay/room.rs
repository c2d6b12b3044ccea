//! Where there is no room: in memory, on the disk, of places and handles.

use std::io::{BufRead, Read, Write};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use super::far_end::FarEnd;
use super::port::Port;
use super::{Relay, Sensor, connected, text, until};

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
