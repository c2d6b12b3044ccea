//! Far ends and relays that are killed in the middle of things.

use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use super::far_end::FarEnd;
use super::port::Port;
use super::{Relay, Sensor, connected, text, until};

/// A sensor in a hurry.
const OFTEN: Duration = Duration::from_millis(2);

/// A thread that says a line every so often, through whatever `way` gives it, until `stop`; how many.
fn talk(
    stop: &Arc<AtomicBool>,
    every: Duration,
    mut way: impl FnMut(&[u8]) + Send + 'static,
) -> std::thread::JoinHandle<u32> {
    let stop = Arc::clone(stop);
    std::thread::spawn(move || {
        let (mut sensor, mut said) = (Sensor::new(), 0);
        while !stop.load(Ordering::Relaxed) {
            way(&sensor.line());
            said += 1;
            std::thread::sleep(every);
        }
        said
    })
}

/// The far end is killed and started again 20 times: everything arrives, in order, and what comes twice is known by its number.
fn survives_a_far_end_that_is_killed(receipts: bool) {
    let mut far_end = FarEnd::new(receipts);
    let (relay, at) = Relay::listening(&["--to", &far_end.to(), "--linger", "60"]);
    let mut stream = connected(at);
    stream.write_all(b"name pump-house\r\n").unwrap();
    let stop = Arc::new(AtomicBool::new(false));
    // Without receipts some 170 lines a second get through: those on their way wait for 6 s.
    let every = if receipts { OFTEN } else { Duration::from_millis(10) };
    let talking = talk(&stop, every, move |line| stream.write_all(line).unwrap());
    for round in 0..20_u64 {
        let before = far_end.kept("pump-house");
        until(|| far_end.kept("pump-house"), |kept| *kept > before + 10);
        std::thread::sleep(Duration::from_millis(7 * round));
        far_end.kill();
        std::thread::sleep(Duration::from_millis(20 + 3 * round));
        far_end.start();
    }
    stop.store(true, Ordering::Relaxed);
    let said = talking.join().unwrap();
    until(|| far_end.kept("pump-house"), |kept| *kept == said as usize);
    let (status, counters) = relay.end();
    let book = far_end.book("pump-house");
    assert_eq!(status, 0, "{counters}");
    assert!(book.kept.iter().copied().eq(0..said as u16), "{:?} of {said}", book.kept);
    assert_eq!((book.missing, book.refused), (0, 0));
    assert!(book.again > 0 || receipts, "killed 20 times, and yet nothing came twice");
    assert!(
        counters.contains(&format!("{said} lines taken, 0 refused, 0 missing before; {said} delivered")),
        "{counters}"
    );
}

#[test]
fn survives_a_far_end_that_is_killed_and_sends_receipts() {
    survives_a_far_end_that_is_killed(true);
}

#[test]
fn survives_a_far_end_that_is_killed_and_says_nothing() {
    survives_a_far_end_that_is_killed(false);
}

/// The relay is killed with -9 ten times, the far end now and then too, and the sensor, which hears nothing of it, talks on through a
/// pseudo-terminal that holds a few dozen lines.
#[cfg(unix)]
#[test]
fn survives_its_own_death_with_a_spool() {
    let folder = tempfile::tempdir().unwrap();
    let (port, spool) = (folder.path().join("sensor"), text(&folder.path().join("spool")));
    let from = format!("serial:{}", port.display());
    let mut pty = humtick_sim::wire::terminal::pty(Some(&port)).unwrap();
    let mut far_end = FarEnd::new(true);
    let to = far_end.to();
    let start = || {
        Relay::start(&["--from", &from, "--to", &to, "--name", "saw", "--spool", &spool, "--linger", "60"])
    };
    let mut relay = start();
    let stop = Arc::new(AtomicBool::new(false));
    let mut near = pty.near.try_clone().unwrap();
    let talking = talk(&stop, OFTEN, move |line| near.write_all(line).unwrap());
    for round in 0..10_u64 {
        let before = far_end.kept("saw");
        until(|| far_end.kept("saw"), |kept| *kept > before + 30);
        if round % 3 == 0 {
            // So that something waits when the relay dies.
            far_end.kill();
            std::thread::sleep(Duration::from_millis(150));
        }
        std::thread::sleep(Duration::from_millis(11 * round));
        relay.signal("-KILL");
        drop(relay);
        if round % 3 == 0 {
            far_end.start();
        }
        relay = start();
    }
    stop.store(true, Ordering::Relaxed);
    let said = talking.join().unwrap();
    pty.near.flush().unwrap();
    // A line that a relay had read in part when it was killed is lost with it, and so is what it was about to write: a serial port cannot be
    // asked again. The far end knows how many are missing.
    until(|| far_end.book("saw"), |book| book.kept.last().is_some_and(|last| u32::from(*last) + 1 == said));
    let book = far_end.book("saw");
    assert_eq!(book.kept.len() as u32 + book.missing, said);
    assert!(book.missing <= 10 * 3, "{} missing", book.missing);
    assert!(book.kept.is_sorted() && book.refused == 0);
    let (status, counters) = relay.end();
    assert!(status == 0 && counters.contains(", 0 waiting, 0 dropped, 0 damaged"), "{counters}");
}

/// Ten relays, each killed after it has said how many lines wait: what it has taken is the next one's, and arrives once.
#[cfg(unix)]
#[test]
fn what_was_taken_is_the_next_relays() {
    let folder = tempfile::tempdir().unwrap();
    let spool = text(folder.path());
    let mut far_end = FarEnd::new(true);
    far_end.kill();
    let to = far_end.to();
    let arguments = ["--to", &to, "--spool", &spool];
    let mut sensor = Sensor::new();
    for round in 1..=10 {
        let (mut relay, at) = Relay::listening(&arguments);
        let mut stream = connected(at);
        stream.write_all(b"name saw\r\n").unwrap();
        (0..100).for_each(|_| stream.write_all(&sensor.line()).unwrap());
        until(
            || {
                relay.signal("-USR1");
                relay.says("lines taken")
            },
            |counters| counters.contains(&format!("{} waiting", 100 * round)),
        );
        relay.signal("-KILL");
    }
    far_end.start();
    let (relay, _) = Relay::listening(&arguments);
    until(|| far_end.kept("saw"), |kept| *kept == 1_000);
    let (status, said) = relay.end();
    assert_eq!(status, 0);
    assert!(said.contains("saw: 0 lines taken and 1000 found waiting, 0 refused"), "{said}");
    assert!(said.contains("; 1000 delivered, 0 waiting"), "{said}");
    let book = far_end.book("saw");
    assert!(book.kept.iter().copied().eq(0..1_000) && book.missing == 0);
    assert_eq!(book.again, 0);
}

/// Relay behind relay: the second is killed with -9 ten times, its far end now and then too. The first hears what the second has on disk,
/// and so nothing is lost at all.
#[cfg(unix)]
#[test]
fn between_two_relays_a_kill_costs_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let spool = text(folder.path());
    let mut far_end = FarEnd::new(true);
    let to = far_end.to();
    let middle = Port::new();
    let from = format!("tcp-listen:{}", middle.at());
    let start = || Relay::start(&["--from", &from, "--to", &to, "--spool", &spool, "--linger", "60"]);
    let mut second = start();
    let (first, at) = Relay::listening(&["--to", &format!("tcp://{}", middle.at()), "--linger", "60"]);
    let mut stream = connected(at);
    stream.write_all(b"name saw\r\n").unwrap();
    let stop = Arc::new(AtomicBool::new(false));
    let talking = talk(&stop, OFTEN, move |line| stream.write_all(line).unwrap());
    for round in 0..10_u64 {
        let before = far_end.kept("saw");
        until(|| far_end.kept("saw"), |kept| *kept > before + 30);
        if round % 3 == 0 {
            // So that something waits when the relay dies.
            far_end.kill();
        }
        std::thread::sleep(Duration::from_millis(50 + 11 * round));
        second.signal("-KILL");
        drop(second);
        if round % 3 == 0 {
            far_end.start();
        }
        second = start();
    }
    stop.store(true, Ordering::Relaxed);
    let said = talking.join().unwrap();
    until(|| far_end.kept("saw"), |kept| *kept == said as usize);
    let book = far_end.book("saw");
    assert!(book.kept.iter().copied().eq(0..said as u16), "{:?} of {said}", book.kept);
    assert_eq!((book.missing, book.refused), (0, 0));
    let (status, counters) = first.end();
    assert!(
        status == 0 && counters.contains(&format!("{said} delivered, 0 waiting, 0 dropped")),
        "{counters}"
    );
    let (status, counters) = second.end();
    assert!(status == 0 && counters.contains(", 0 waiting, 0 dropped, 0 damaged"), "{counters}");
}

/// A far end that takes nothing, a terminal that nobody reads, does not keep the relay from ending.
#[cfg(unix)]
#[test]
fn ends_though_the_far_end_takes_nothing() {
    let mut relay = Relay::start(&["--from", "-", "--to", "pty", "--linger", "1"]);
    let mut sensor = Sensor::new();
    // More than a terminal holds.
    (0..2_000).for_each(|_| relay.input().write_all(&sensor.line()).unwrap());
    drop(relay.child.stdin.take());
    let status = until(|| relay.child.try_wait().unwrap(), Option::is_some).unwrap();
    assert_eq!(status.code(), Some(1));
    let said = relay.says("lines taken");
    assert!(said.contains("2000 lines taken") && !said.contains(" 0 waiting"), "{said}");
}

/// With keep-latest what comes first after the far end's return is the newest line there is, and the old ones never come, though the sensor
/// talks on all the time.
#[cfg(unix)]
#[test]
fn after_a_break_the_latest_comes_first_and_the_old_ones_never() {
    let mut far_end = FarEnd::new(false);
    let (mut relay, at) = Relay::listening(&["--to", &far_end.to(), "--keep", "latest"]);
    let mut stream = connected(at);
    stream.write_all(b"name saw\r\n").unwrap();
    let stop = Arc::new(AtomicBool::new(false));
    let talking = talk(&stop, OFTEN, move |line| stream.write_all(line).unwrap());
    let mut taken = || -> usize {
        relay.signal("-USR1");
        let counters = relay.says(" lines taken");
        let count = counters.split_once(" lines taken").unwrap().0.rsplit(' ').next().unwrap();
        count.parse().unwrap()
    };
    let mut before = 0;
    for _ in 0..3 {
        until(|| far_end.kept("saw"), |kept| *kept > before);
        far_end.kill();
        before = far_end.kept("saw");
        let then = taken();
        // By their numbers, which begin with 0; what the relay takes from here on is newer still.
        let newest = until(&mut taken, |count| *count > then + 200) - 1;
        far_end.start();
        let first = until(|| far_end.book("saw"), |book| book.kept.len() > before).kept[before];
        assert!(usize::from(first) >= newest, "{first} though there was {newest}");
    }
    stop.store(true, Ordering::Relaxed);
    let said = talking.join().unwrap();
    until(|| far_end.book("saw"), |book| book.kept.last().is_some_and(|last| u32::from(*last) + 1 == said));
    let (status, counters) = relay.end();
    assert!(status == 0 && counters.contains(&format!("{said} lines taken")), "{counters}");
    let book = far_end.book("saw");
    assert!(book.kept.is_sorted() && book.again == 0, "{book:?}");
    assert!(book.kept.len() + 3 * 200 <= said as usize, "{} of {said}", book.kept.len());
}
