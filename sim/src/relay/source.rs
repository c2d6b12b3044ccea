//! Where lines come from: each stream of bytes a sensor, by name or by address.

use std::collections::HashMap;
use std::io::{self, Read};
use std::net::{IpAddr, SocketAddr, UdpSocket};
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::connections::MOST;
use super::feed::Feed;
use super::lane::Lane;
use super::retry::Retry;
use super::{Lanes, Tell};
use crate::wire::address::Address;
use crate::wire::greeting::Name;
use crate::wire::open::{Stream, stream};

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
pub(super) fn pour(stream: &mut impl Read, mut take: impl FnMut(&[u8])) -> io::Result<()> {
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

/// Connections that say no name go by their machine, and the first number that is free if there are several: so one that comes back finds its
/// place again.
pub(super) fn free_name(ip: IpAddr, is_taken: impl Fn(&Name) -> bool) -> Name {
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
                feed.said.is_datagrams = true;
                feed.take(&bytes[..len], |_| lanes.find(&name));
                // A datagram is whole, with or without the end of its line.
                feed.end(|_| lanes.find(&name));
                if feed.said.lane.is_none() {
                    // Garbage is no sensor.
                    (_, _) = (feeds.remove(&name), senders.0.remove(&peer));
                }
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
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
