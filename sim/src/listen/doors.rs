//! Sockets that wait: for connections, for datagrams, for readers of the page.

use std::collections::HashMap;
use std::fmt;
use std::io;
use std::net::SocketAddr;
use std::time::Instant;

use mio::net::{TcpListener, UdpSocket};
use mio::{Interest, Registry, Token};

use super::feed::Feed;

/// Senders of datagrams that are told apart; beyond, those that never sent a reading are forgotten, then those silent for longest.
const MOST_PEERS: usize = 10_000;

/// A socket and its address.
pub struct Door {
    pub kind: Kind,
    at: SocketAddr,
}

/// What comes through it.
pub enum Kind {
    /// Connections of sensors and relays.
    Tcp(TcpListener),
    /// Datagrams.
    Udp { socket: UdpSocket, peers: Peers },
    /// Readers of the page.
    Web(TcpListener),
}

impl Kind {
    pub fn tcp(at: SocketAddr) -> io::Result<Self> {
        Ok(Self::Tcp(bind(at)?))
    }

    pub fn udp(at: SocketAddr) -> io::Result<Self> {
        Ok(Self::Udp { socket: UdpSocket::bind(at)?, peers: Peers::default() })
    }

    pub fn web(at: SocketAddr) -> io::Result<Self> {
        Ok(Self::Web(bind(at)?))
    }
}

/// Connections that wait to be taken: with fewer, a thousand relays that come back at once would find nobody and try again a second later.
#[cfg(unix)]
const WAITING: i32 = 4_096;

fn bind(at: SocketAddr) -> io::Result<TcpListener> {
    let listener = std::net::TcpListener::bind(at)?;
    // Once more, for more than the 128 of before.
    #[cfg(unix)]
    rustix::net::listen(&listener, WAITING)?;
    listener.set_nonblocking(true)?;
    Ok(TcpListener::from_std(listener))
}

impl Door {
    pub fn new(kind: Kind) -> io::Result<Self> {
        let at = match &kind {
            Kind::Tcp(listener) | Kind::Web(listener) => listener.local_addr()?,
            Kind::Udp { socket, .. } => socket.local_addr()?,
        };
        Ok(Self { kind, at })
    }

    pub fn register(&mut self, registry: &Registry, token: Token) -> io::Result<()> {
        match &mut self.kind {
            Kind::Tcp(listener) | Kind::Web(listener) => {
                registry.register(listener, token, Interest::READABLE)
            }
            Kind::Udp { socket, .. } => registry.register(socket, token, Interest::READABLE),
        }
    }

    pub const fn is_page(&self) -> bool {
        matches!(self.kind, Kind::Web(_))
    }
}

impl fmt::Display for Door {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.kind {
            Kind::Tcp(_) => write!(f, "tcp-listen:{}", self.at),
            Kind::Udp { .. } => write!(f, "udp:{}", self.at),
            Kind::Web(_) => write!(f, "http://{}/", self.at),
        }
    }
}

/// Senders of datagrams.
#[derive(Default)]
pub struct Peers(HashMap<SocketAddr, (Instant, Feed)>);

impl Peers {
    /// The feed of a sender.
    pub fn of(&mut self, peer: SocketAddr, now: Instant, new: impl FnOnce() -> Feed) -> &mut Feed {
        if self.0.len() >= MOST_PEERS && !self.0.contains_key(&peer) {
            self.0.retain(|_, (_, feed)| feed.sensor().is_some());
        }
        if self.0.len() >= MOST_PEERS && !self.0.contains_key(&peer) {
            // Half at once, so that not every datagram of a flood has to look for one.
            let mut heard: Vec<_> = self.0.values().map(|(heard, _)| *heard).collect();
            let (_, limit, _) = heard.select_nth_unstable(MOST_PEERS / 2);
            let limit = *limit;
            self.0.retain(|_, (heard, _)| *heard > limit);
        }
        let (heard, feed) = self.0.entry(peer).or_insert_with(|| (now, new()));
        *heard = now;
        feed
    }
}
