//! Many ways in at once, in one thread: bytes from sockets, ports and pipes to readings of sensors, to their log and to whoever watches.
//!
//! Nothing waits for anybody: a client that sends slowly, or nothing, or garbage, costs its few hundred bytes and its share of each turn.

mod desk;
mod doors;
mod feed;
mod broker;
mod message;
mod threads;
pub mod web;

pub use desk::{Desk, Headline, Watcher, headline};

use std::io::{self, ErrorKind, Read, Write};
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::time::{Duration, Instant};

use mio::net::TcpStream;
use mio::{Events, Interest, Poll, Token, Waker};

use crate::log::utc;
use crate::wire::address::Address;
use crate::wire::greeting::{Name, receipt};
use crate::wire::handles;
use doors::{Door, Kind};
use feed::Feed;
use message::Message;
use threads::From;
use web::Web;

/// Bytes read at once; of one connection no more in a turn.
const PIECE: usize = 1 << 14;

/// Datagrams of one socket in a turn.
const DATAGRAMS: usize = 256;

/// Connections there may be, unless the system allows fewer handles: more than sensors, since some will be dead.
const MOST_CONNECTIONS: u64 = 20_000;

/// Handles for logs and everything else.
const OTHER_FILES: u64 = 600;

/// Bytes without a reading in them after which a connection is closed: no sensor's.
const GARBAGE: u64 = 1 << 20;

/// After so long without a file for a connection it is tried again.
const NO_ROOM: Duration = Duration::from_millis(200);

const WAKE: Token = Token(0);
/// Doors have the tokens from 1 on, connections the even ones from here on and the page's clients the odd ones.
const FIRST: usize = 1_000;

/// What to listen to.
#[derive(Clone, Debug)]
pub struct Options {
    /// Where readings come from.
    pub from: Vec<Address>,
    /// What a sensor is called that gives no name.
    pub name: Option<Name>,
    /// What a broker knows this listener by.
    pub session: Option<Name>,
    /// Where the page is to be had.
    pub web: Option<SocketAddr>,
}

/// All ways in.
pub struct Listener {
    poll: Poll,
    events: Events,
    waker: Arc<Waker>,
    doors: Vec<Door>,
    connections: Vec<Option<Connection>>,
    free: Vec<usize>,
    /// Connections that may have more to read.
    ready: Vec<usize>,
    /// When there was no file for a connection.
    stuck: Option<Instant>,
    /// There may be more datagrams.
    is_more: bool,
    most: usize,
    inbox: Receiver<(usize, Message)>,
    threads: Vec<From>,
    page: Option<Web>,
    ways: u64,
    buffer: Vec<u8>,
    refused: u64,
    name: Option<Name>,
}

struct Connection {
    stream: TcpStream,
    peer: SocketAddr,
    since: Instant,
    feed: Feed,
    /// Lines that the last receipt was for.
    receipted: Option<u64>,
    /// It cannot be told, or has been told half a receipt. What it has sent is read all the same.
    is_deaf: bool,
    /// Nothing more comes, and it waits for the last receipt.
    is_over: bool,
    is_ready: bool,
}

impl Listener {
    /// Opens everything.
    ///
    /// # Errors
    /// What could not be opened, and why.
    pub fn open(options: &Options) -> Result<Self, String> {
        let poll = Poll::new().map_err(|e| e.to_string())?;
        let waker = Arc::new(Waker::new(poll.registry(), WAKE).map_err(|e| e.to_string())?);
        let (outbox, inbox) = std::sync::mpsc::sync_channel(64);
        let (mut doors, mut threads) = (Vec::new(), Vec::new());
        let mut ways = 0;
        check_session(options)?;
        let mut register = |kind: Result<Kind, (String, io::Error)>| -> Result<(), String> {
            let token = Token(1 + doors.len());
            let mut door =
                Door::new(kind.map_err(|(at, e)| format!("{at}: {e}"))?).map_err(|e| e.to_string())?;
            door.register(poll.registry(), token).map_err(|e| e.to_string())?;
            doors.push(door);
            Ok(())
        };
        for address in &options.from {
            match address {
                Address::TcpListen(at) => register(Kind::tcp(*at).map_err(|e| (address.to_string(), e)))?,
                Address::Udp(at) => register(Kind::udp(*at).map_err(|e| (address.to_string(), e)))?,
                Address::UdpTo(_) => {
                    return Err(format!("{address}: sends datagrams; to take them: udp:[ADDRESS:]PORT"));
                }
                other => {
                    let from = From::new(other, threads.len(), options, &mut ways);
                    from.start(outbox.clone(), Arc::clone(&waker));
                    threads.push(from);
                }
            }
        }
        if let Some(at) = options.web {
            register(Kind::web(at).map_err(|e| (format!("--web {at}"), e)))?;
        }
        let page = options.web.map(|_| Web::new());
        Ok(Self {
            poll,
            events: Events::with_capacity(1_024),
            waker,
            doors,
            connections: Vec::new(),
            free: Vec::new(),
            ready: Vec::new(),
            stuck: None,
            is_more: false,
            most: most_connections() as usize,
            inbox,
            threads,
            page,
            ways,
            buffer: vec![0; PIECE],
            refused: 0,
            name: options.name.clone(),
        })
    }

    /// Where it can be reached, with the ports that the system chose: addresses as on the command line, and the page's.
    pub fn places(&self) -> Vec<String> {
        self.doors
            .iter()
            .map(ToString::to_string)
            .chain(self.threads.iter().map(ToString::to_string))
            .collect()
    }

    /// Something that ends the wait in [`turn`](Self::turn).
    pub fn waker(&self) -> Arc<Waker> {
        Arc::clone(&self.waker)
    }

    /// Whether nothing can come any more: standard input has ended, and there is nothing else.
    pub fn is_over(&self) -> bool {
        self.doors.iter().all(Door::is_page) && self.threads.iter().all(From::has_ended)
    }

    /// Connections open, and those that were turned away because there were too many.
    pub fn connections(&self) -> (usize, u64) {
        (self.connections.len() - self.free.len(), self.refused)
    }

    /// The page's clients.
    pub fn page(&mut self) -> Option<&mut Web> {
        self.page.as_mut()
    }

    /// Waits until something comes, at most `wait`, and takes it.
    ///
    /// # Errors
    /// If the system does not let it wait.
    pub fn turn(&mut self, wait: Duration, desk: &mut Desk, watcher: &mut dyn Watcher) -> io::Result<()> {
        let mut wait = if self.ready.is_empty() && !self.is_more { wait } else { Duration::ZERO };
        if let Some(stuck) = self.stuck {
            wait = wait.min(NO_ROOM.saturating_sub(stuck.elapsed()));
        }
        match self.poll.poll(&mut self.events, Some(wait)) {
            Err(e) if e.kind() != ErrorKind::Interrupted => return Err(e),
            _ => {}
        }
        let (now, utc_ms) = (Instant::now(), utc::now_ms());
        desk.at(now, utc_ms);
        let tokens: Vec<_> = self.events.iter().map(|event| event.token().0).collect();
        for token in tokens {
            match token {
                0 => {}
                door if door < FIRST => self.open_door(door - 1, now, desk, watcher),
                client if client % 2 == 1 => {
                    if let Some(page) = &mut self.page {
                        page.go_on((client - FIRST) / 2, desk, now);
                    }
                }
                connection => {
                    let place = (connection - FIRST) / 2;
                    if let Some(Some(connection)) = self.connections.get_mut(place)
                        && !connection.is_ready
                    {
                        connection.is_ready = true;
                        self.ready.push(place);
                    }
                }
            }
        }
        if std::mem::take(&mut self.is_more) || self.stuck.is_some_and(|stuck| stuck.elapsed() >= NO_ROOM) {
            self.stuck = None;
            (0..self.doors.len()).for_each(|door| self.open_door(door, now, desk, watcher));
        }
        for place in std::mem::take(&mut self.ready) {
            self.read(place, now, desk, watcher);
        }
        self.take_letters(desk, watcher);
        Ok(())
    }

    /// What came through threads: as much as was there when it was looked, so that one that is fast does not keep the rest waiting.
    fn take_letters(&mut self, desk: &mut Desk, watcher: &mut dyn Watcher) {
        for _ in 0..64 {
            let Ok((thread, message)) = self.inbox.try_recv() else { return };
            if let Some(from) = self.threads.get_mut(thread) {
                from.take(message, &mut self.ways, desk, watcher);
            }
        }
        // There may be more.
        let _ = self.waker.wake();
    }

    fn open_door(&mut self, place: usize, now: Instant, desk: &mut Desk, watcher: &mut dyn Watcher) {
        let Some(door) = self.doors.get_mut(place) else { return };
        let (mut arrived, mut fault) = (Vec::new(), None);
        match &mut door.kind {
            Kind::Udp { socket, peers } => {
                for _ in 0..DATAGRAMS {
                    // An error is of a datagram that was sent, and none are.
                    let Ok((length, peer)) = socket.recv_from(&mut self.buffer) else { return };
                    let feed = peers.of(peer, now, || {
                        self.ways += 1;
                        Feed::new(self.ways, self.name.as_ref(), peer)
                    });
                    feed.take(self.buffer.get(..length).unwrap_or_default(), desk, watcher);
                    // A datagram is whole, with or without the end of its line.
                    feed.end(desk, watcher);
                }
                self.is_more = true;
            }
            Kind::Tcp(listener) | Kind::Web(listener) => loop {
                match listener.accept() {
                    Ok(connection) => arrived.push(connection),
                    Err(e) if e.kind() == ErrorKind::WouldBlock => break,
                    Err(e) if matches!(e.kind(), ErrorKind::ConnectionAborted | ErrorKind::Interrupted) => {}
                    Err(e) => {
                        fault = Some(e);
                        break;
                    }
                }
            },
        }
        let is_page = door.is_page();
        for (stream, peer) in arrived {
            match &mut self.page {
                Some(page) if is_page => page.welcome(stream, self.poll.registry(), now),
                _ => self.welcome(stream, peer, now, desk, watcher),
            }
        }
        if let Some(fault) = fault {
            watcher.note(&format!("no connection can be taken at the moment: {fault}"));
            self.stuck = Some(now);
        }
    }

    fn welcome(
        &mut self,
        mut stream: TcpStream,
        peer: SocketAddr,
        now: Instant,
        desk: &mut Desk,
        watcher: &mut dyn Watcher,
    ) {
        if self.connections.len() - self.free.len() >= self.most {
            // The oldest that will say nothing more, or has never said anything of use, makes room.
            let all = self.connections.iter().enumerate().filter_map(|(place, c)| Some((place, c.as_ref()?)));
            let useless = all.filter(|(_, c)| c.is_over || c.feed.sensor().is_none());
            let oldest = useless.min_by_key(|(_, c)| (!c.is_over, c.since));
            match oldest.map(|(place, _)| place) {
                Some(place) => self.close(place, desk),
                None => {
                    self.refused += 1;
                    watcher.note(&format!("{peer}: turned away, {} connections are the most", self.most));
                    return;
                }
            }
        }
        let place = self.free.pop().unwrap_or_else(|| {
            self.connections.push(None);
            self.connections.len() - 1
        });
        let token = Token(FIRST + 2 * place);
        if let Err(e) = self.poll.registry().register(&mut stream, token, Interest::READABLE) {
            watcher.note(&format!("{peer}: {e}"));
            self.free.push(place);
            return;
        }
        // One whose machine was switched off is found dead some day.
        #[cfg(unix)]
        let _ = rustix::net::sockopt::set_socket_keepalive(&stream, true);
        self.ways += 1;
        let feed = Feed::connected(self.ways, self.name.as_ref(), peer);
        let connection = Connection {
            stream,
            peer,
            since: now,
            feed,
            receipted: None,
            is_deaf: false,
            is_over: false,
            is_ready: true,
        };
        if let Some(room) = self.connections.get_mut(place) {
            *room = Some(connection);
            self.ready.push(place);
        }
    }

    /// A piece of what a connection has.
    fn read(&mut self, place: usize, now: Instant, desk: &mut Desk, watcher: &mut dyn Watcher) {
        let Some(Some(connection)) = self.connections.get_mut(place) else { return };
        match connection.stream.read(&mut self.buffer) {
            Ok(0) if connection.feed.is_named() && !connection.is_over => {
                connection.is_over = true;
                connection.feed.close(desk);
            }
            Ok(0) => self.close(place, desk),
            Ok(length) => {
                connection.feed.take(self.buffer.get(..length).unwrap_or_default(), desk, watcher);
                if connection.feed.useless() > GARBAGE {
                    let (peer, after) = (connection.peer, now - connection.since);
                    watcher.note(&format!(
                        "{peer}: {} bytes without a reading in {:.1} s: closed",
                        connection.feed.useless(),
                        after.as_secs_f64()
                    ));
                    return self.close(place, desk);
                }
                if connection.feed.is_put_off() {
                    // It comes again, later each time, and sends again what it has had no receipt for.
                    return self.close(place, desk);
                }
                self.ready.push(place);
            }
            Err(e) if e.kind() == ErrorKind::WouldBlock => connection.is_ready = false,
            Err(e) if e.kind() == ErrorKind::Interrupted => self.ready.push(place),
            Err(_) => self.close(place, desk),
        }
    }

    fn close(&mut self, place: usize, desk: &mut Desk) {
        if let Some(Some(mut connection)) = self.connections.get_mut(place).map(Option::take) {
            // It goes out of the poll with its file in any case.
            let _ = self.poll.registry().deregister(&mut connection.stream);
            connection.feed.close(desk);
            self.free.push(place);
        }
    }

    /// Takes what of brokers' there was no room for, and tells them what they need not send again: what is in the log.
    pub fn acknowledge(&mut self, desk: &mut Desk, watcher: &mut dyn Watcher) {
        for from in &mut self.threads {
            from.go_on(&mut self.ways, desk, watcher);
            from.acknowledge(desk, watcher);
        }
    }

    /// Tells the connections that gave a name how much of theirs is kept: at first that it is nothing, if it is, so that they wait for more.
    /// Those that have ended are closed when they have been told.
    pub fn send_receipts(&mut self, desk: &mut Desk) {
        let mut done = Vec::new();
        for (place, connection) in self.connections.iter_mut().enumerate() {
            let Some(connection) = connection.as_mut().filter(|connection| connection.feed.is_named()) else {
                continue;
            };
            let is_kept = connection.feed.sensor().is_none_or(|id| desk.is_kept(id));
            let lines = if is_kept { connection.feed.lines() } else { connection.receipted.unwrap_or(0) };
            if connection.receipted != Some(lines) && !connection.is_deaf {
                let text = receipt(lines);
                // Half a receipt is never sent: a buffer that full belongs to somebody who does not read, and needs none.
                match connection.stream.write(text.as_bytes()) {
                    Ok(sent) if sent == text.len() => connection.receipted = Some(lines),
                    Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => {}
                    _ => connection.is_deaf = true,
                }
            }
            if connection.is_over && (connection.is_deaf || is_kept && connection.receipted == Some(lines)) {
                done.push(place);
            }
        }
        done.into_iter().for_each(|place| self.close(place, desk));
    }
}

/// Where handles are few, half of them are for connections.
fn most_connections() -> u64 {
    let handles = handles::ask_for(MOST_CONNECTIONS + OTHER_FILES);
    handles.saturating_sub(OTHER_FILES).max(handles / 2).min(MOST_CONNECTIONS)
}

/// A broker knows a session by its name, and gives up the one for the other.
fn check_session(options: &Options) -> Result<(), String> {
    let Some(session) = &options.session else { return Ok(()) };
    let mut brokers = Vec::new();
    for address in &options.from {
        if let Address::Mqtt { broker, .. } = address {
            if brokers.contains(&broker) {
                return Err(format!(
                    "--session {session}: {address} is of a broker that has this session already: give one topic above both, or \
                     run two listeners"
                ));
            }
            brokers.push(broker);
        }
    }
    if brokers.is_empty() {
        return Err(format!(
            "--session {session}: is for brokers, and nothing comes from mqtt://; leave it out"
        ));
    }
    Ok(())
}
