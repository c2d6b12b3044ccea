//! Where lines come from: each stream of bytes a sensor, by name or by address.

use std::collections::HashMap;
use std::io::{self, Read, Write};
use std::net::{IpAddr, Shutdown, SocketAddr, TcpListener, TcpStream, UdpSocket};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use humtick::link::{self, MAX_LINE, Record};

use super::lane::Lane;
use super::line::Line;
use super::retry::Retry;
use super::{Lanes, Tell};
use crate::wire::address::Address;
use crate::wire::greeting::{DOUBTFUL, Name, no_reading, receipt};
use crate::wire::intake::{Intake, Item};
use crate::wire::open::{Stream, stream};

/// Connections at once; more are closed as they come.
const MOST: usize = 256;

/// A connection that has said nothing for so long is closed: its sensor connects again when it has something to say.
const SILENT: Duration = Duration::from_secs(600);

/// Reads one stream, opening it again when it is lost, until its end: only standard input has one.
pub(super) fn single(from: &Address, lane: &Arc<Lane>, mut retry: Retry, tell: &Tell) {
    let mut is_away = false;
    loop {
        let why = match stream(from) {
            Ok(mut stream) => {
                match &stream {
                    Stream::Pty(pty) => tell(&format!("the sensor's terminal is {}", pty.far.display())),
                    _ if is_away => tell(&format!("{from} is there again")),
                    _ => {}
                }
                is_away = false;
                retry.reset();
                let mut feed = Feed::into(Some(Arc::clone(lane)), tell);
                match pour(&mut stream, |bytes| feed.take(bytes, |_| Some(Arc::clone(lane)))) {
                    Ok(()) if matches!(stream, Stream::Standard) => return,
                    Ok(()) => "it ended".to_owned(),
                    Err(e) => e.to_string(),
                }
            }
            Err(e) => e.to_string(),
        };
        if !is_away {
            tell(&format!("{from}: {why}; trying again"));
            is_away = true;
        }
        std::thread::sleep(retry.wait());
    }
}

/// Hands over what comes until the end; where reads have a time limit, nothing whenever it passes, and not for longer than [`SILENT`].
fn pour(stream: &mut impl Read, mut take: impl FnMut(&[u8])) -> io::Result<()> {
    let mut bytes = [0; 4_096];
    let mut heard = Instant::now();
    loop {
        match stream.read(&mut bytes) {
            Ok(0) => return Ok(()),
            Ok(len) => {
                heard = Instant::now();
                take(&bytes[..len]);
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            // Which of the two is the system's choice.
            Err(e)
                if matches!(e.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut)
                    && heard.elapsed() < SILENT =>
            {
                take(&[]);
            }
            Err(e) => return Err(e),
        }
    }
}

/// One stream. A lane is asked for when there is the first name or record: garbage makes none.
struct Feed<'a> {
    intake: Intake,
    said: Said<'a>,
}

/// What it has said.
struct Said<'a> {
    lane: Option<Arc<Lane>>,
    /// There was no lane for it. It gets none under another name.
    is_turned_away: bool,
    /// Lines of this stream, refused ones included, the name excepted.
    lines: u64,
    /// Those that were readings.
    readings: u64,
    tell: &'a Tell,
    is_disk_failing: bool,
}

impl<'a> Feed<'a> {
    fn new(tell: &'a Tell) -> Self {
        Self::into(None, tell)
    }

    /// Of a stream whose lane is known.
    fn into(lane: Option<Arc<Lane>>, tell: &'a Tell) -> Self {
        let said = Said { lane, is_turned_away: false, lines: 0, readings: 0, tell, is_disk_failing: false };
        Self { intake: Intake::default(), said }
    }

    fn take(&mut self, bytes: &[u8], mut find: impl FnMut(Option<Name>) -> Option<Arc<Lane>>) {
        self.intake.take(bytes, |item| self.said.take(item, &mut find));
    }

    /// What comes next begins anew.
    fn end(&mut self, mut find: impl FnMut(Option<Name>) -> Option<Arc<Lane>>) {
        self.intake.end(|item| self.said.take(item, &mut find));
    }
}

impl Said<'_> {
    fn take(&mut self, item: Item<'_>, find: &mut impl FnMut(Option<Name>) -> Option<Arc<Lane>>) {
        match item {
            _ if self.is_turned_away => {}
            Item::Name(name) if self.lane.is_none() => {
                self.lane = find(Some(name));
                self.is_turned_away = self.lane.is_none();
            }
            Item::Name(_) | Item::Refused => {
                self.lines += 1;
                self.doubt();
                self.lane.iter().for_each(|lane| lane.refuse());
            }
            Item::Reading(record, came) => {
                (self.lines, self.readings) = (self.lines + 1, self.readings + 1);
                if self.lane.is_none() {
                    self.lane = find(None);
                    self.is_turned_away = self.lane.is_none();
                }
                let mut text = [0; MAX_LINE];
                let line = came.unwrap_or_else(|| {
                    let line = link::line(&record, &mut text);
                    line.strip_suffix(b"\n").unwrap_or(line)
                });
                if let Some(line) = Line::new(line) {
                    self.keep(line, &record);
                }
            }
        }
    }

    fn doubt(&self) {
        if self.lines == DOUBTFUL && self.readings == 0 {
            let who = self.lane.as_ref().map_or("a connection", |lane| lane.name.as_str());
            (self.tell)(&no_reading(who));
        }
    }

    fn keep(&mut self, line: Line, record: &Record) {
        let Some(lane) = &self.lane else { return };
        let kept = lane.take(line, record);
        let name = &lane.name;
        match (&kept, self.is_disk_failing) {
            (Err(e), false) => {
                (self.tell)(&format!("{name}: the spool cannot be written: {e}; lines wait in memory"));
            }
            (Ok(()), true) => (self.tell)(&format!("{name}: the spool can be written again")),
            _ => {}
        }
        self.is_disk_failing = kept.is_err();
    }
}

/// Who feeds which lane.
#[derive(Default)]
struct Feeders {
    by_name: HashMap<Name, (usize, TcpStream)>,
}

/// Takes connections for ever.
pub(super) fn connections(listener: &TcpListener, lanes: &Arc<Lanes>, tell: &Tell) {
    let feeders = Arc::new(Mutex::new(Feeders::default()));
    let open = Arc::new(AtomicUsize::new(0));
    for id in 0.. {
        let (stream, peer) = match listener.accept() {
            Ok(accepted) => accepted,
            Err(e) => {
                // Out of handles, say: the others are served meanwhile.
                tell(&format!("a connection cannot be taken: {e}"));
                std::thread::sleep(Duration::from_secs(1));
                continue;
            }
        };
        if open.fetch_add(1, Ordering::Relaxed) >= MOST {
            open.fetch_sub(1, Ordering::Relaxed);
            lanes.refuse();
            continue;
        }
        let (feeders, lanes, tell) = (Arc::clone(&feeders), Arc::clone(lanes), Arc::clone(tell));
        let open = Arc::clone(&open);
        std::thread::spawn(move || {
            connection(id, stream, peer, &feeders, &lanes, &tell);
            open.fetch_sub(1, Ordering::Relaxed);
        });
    }
}

fn connection(
    id: usize,
    mut stream: TcpStream,
    peer: SocketAddr,
    feeders: &Mutex<Feeders>,
    lanes: &Lanes,
    tell: &Tell,
) {
    let (Ok(handle), Ok(())) = (stream.try_clone(), stream.set_read_timeout(Some(RECEIPT))) else { return };
    let mut feed = Feed::new(tell);
    let mut mine = None;
    let mut receipts = lanes.plan.spool.is_some().then(|| Receipts::new(&handle)).flatten();
    // How it ends says nothing that the gap in the sequence will not.
    let _ = pour(&mut stream, |bytes| {
        if let (Some(lane), Some(_)) = (&feed.said.lane, &receipts) {
            lane.wait_for_room();
        }
        feed.take(bytes, |said| {
            let Ok(handle) = handle.try_clone() else { return None };
            let mut feeders = feeders.lock().unwrap_or_else(PoisonError::into_inner);
            let name =
                said.unwrap_or_else(|| free_name(peer.ip(), |name| feeders.by_name.contains_key(name)));
            let lane = lanes.find(&name)?;
            // A sensor that connects anew has left its old connection behind, whatever that one thinks.
            if let Some((_, old)) = feeders.by_name.insert(name.clone(), (id, handle)) {
                let _ = old.shutdown(Shutdown::Both);
            }
            mine = Some(name);
            Some(lane)
        });
        if feed.said.is_turned_away {
            // Too many sensors, a spool that cannot be opened, or the end: it comes again.
            let _ = handle.shutdown(Shutdown::Both);
        }
        if let Some(receipts) = &mut receipts {
            receipts.say(&feed.said, mine.is_some(), false);
        }
    });
    if let Some(receipts) = &mut receipts {
        receipts.say(&feed.said, mine.is_some(), true);
    }
    let mut feeders = feeders.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(name) = mine
        && feeders.by_name.get(&name).is_some_and(|(feeder, _)| *feeder == id)
    {
        feeders.by_name.remove(&name);
    }
}

/// Tells a sender how many of its lines are on disk; one that does not read that is told no more.
struct Receipts {
    to: Option<TcpStream>,
    said: Option<u64>,
    last: Instant,
}

/// From one receipt to the next, and after the last line: a sender waits for it that has as many lines on their way as it may.
const RECEIPT: Duration = Duration::from_millis(200);

impl Receipts {
    fn new(stream: &TcpStream) -> Option<Self> {
        let to = stream.try_clone().ok()?;
        to.set_write_timeout(Some(Duration::from_millis(10))).ok()?;
        Some(Self { to: Some(to), said: None, last: Instant::now() })
    }

    fn say(&mut self, said: &Said<'_>, has_lane: bool, is_last: bool) {
        let is_first = self.said.is_none();
        // The first may say that there is nothing: who hears of receipts waits for them.
        let lines = if said.is_disk_failing { self.said.unwrap_or(0) } else { said.lines };
        if !has_lane || self.said == Some(lines) || !is_first && !is_last && self.last.elapsed() < RECEIPT {
            return;
        }
        (self.said, self.last) = (Some(lines), Instant::now());
        let text = receipt(lines);
        if self.to.as_mut().is_some_and(|to| to.write_all(text.as_bytes()).is_err()) {
            self.to = None;
        }
    }
}

/// Connections that say no name go by their machine, and the first number that is free if there are several: so one that comes back finds its
/// place again.
fn free_name(ip: IpAddr, is_taken: impl Fn(&Name) -> bool) -> Name {
    let name = |n: usize| match n {
        1 => Name::like(&ip.to_string()),
        n => Name::like(&format!("{ip}-{n}")),
    };
    (1..=MOST + 1).map(name).find(|name| !is_taken(name)).unwrap_or_else(|| name(1))
}

/// A sender of datagrams that has been silent for so long gives its name up to the next from its machine: a sensor that started anew comes
/// from another port.
const FORGOTTEN: Duration = Duration::from_secs(60);

/// Who sends datagrams, under which name, and when that was heard.
#[derive(Default)]
struct Senders(HashMap<SocketAddr, (Name, Instant)>);

impl Senders {
    /// The name of `peer`; `None` if there are too many.
    fn name(&mut self, peer: SocketAddr, now: Instant) -> Option<Name> {
        if let Some((name, heard)) = self.0.get_mut(&peer) {
            *heard = now;
            return Some(name.clone());
        }
        self.0.retain(|_, (_, heard)| now.saturating_duration_since(*heard) < FORGOTTEN);
        if self.0.len() >= MOST {
            return None;
        }
        let name = free_name(peer.ip(), |name| self.0.values().any(|(taken, _)| taken == name));
        self.0.insert(peer, (name.clone(), now));
        Some(name)
    }
}

/// Takes datagrams for ever; each sender is a sensor.
pub(super) fn datagrams(socket: &UdpSocket, lanes: &Lanes, tell: &Tell) {
    let (mut senders, mut feeds) = (Senders::default(), HashMap::<Name, Feed<'_>>::new());
    let mut bytes = [0; 2_048];
    loop {
        match socket.recv_from(&mut bytes) {
            Ok((len, peer)) => {
                let Some(name) = senders.name(peer, Instant::now()) else {
                    lanes.refuse();
                    continue;
                };
                let feed = feeds.entry(name.clone()).or_insert_with(|| Feed::new(tell));
                feed.take(&bytes[..len], |_| lanes.find(&name));
                // A datagram is whole, with or without the end of its line.
                feed.end(|_| lanes.find(&name));
                if feed.said.lane.is_none() {
                    // Garbage is no sensor.
                    (_, _) = (feeds.remove(&name), senders.0.remove(&peer));
                }
            }
            Err(e) => {
                tell(&format!("no datagram can be taken: {e}"));
                std::thread::sleep(Duration::from_secs(1));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sensor_that_starts_anew_has_its_name_again() {
        let (mut senders, start) = (Senders::default(), Instant::now());
        let mut name = |port: u16, second: u64| {
            let now = start + Duration::from_secs(second);
            senders.name(SocketAddr::from(([10, 0, 0, 7], port)), now).map(|name| name.to_string())
        };
        assert_eq!(name(1, 0).as_deref(), Some("10.0.0.7"));
        assert_eq!(name(2, 1).as_deref(), Some("10.0.0.7-2"));
        assert_eq!(name(1, 50).as_deref(), Some("10.0.0.7"));
        // The second has been silent for a minute: the third is taken for it.
        assert_eq!(name(3, 62).as_deref(), Some("10.0.0.7-2"));
        for restart in 0..1_000u16 {
            assert!(name(1_000 + restart, 200 + u64::from(restart) * 61).is_some());
        }
        for port in 0..MOST as u16 {
            assert!(name(port, 1_000_000).is_some());
        }
        assert_eq!(name(9_999, 1_000_001), None);
    }
}
