//! The page: every sensor live in a browser, over server-sent events (WHATWG HTML, 9.2). It can be looked at and nothing else: there is
//! nothing to post to, no request changes anything, and names get into it as text only.

mod request;
mod state;

use std::collections::VecDeque;
use std::io::{ErrorKind, Read, Write};
use std::net::Shutdown;
use std::rc::Rc;
use std::time::{Duration, Instant};

use mio::net::TcpStream;
use mio::{Interest, Registry, Token};

use super::FIRST;
use super::desk::Desk;
use request::{Answer, MOST_REQUEST, answer};

/// Readers at once.
const MOST_CLIENTS: usize = 64;

/// A request is complete after so long, or is none.
const ASKING: Duration = Duration::from_secs(10);

/// A reader that takes nothing for so long is gone.
const STUCK: Duration = Duration::from_secs(30);

/// Bytes of a reader in all, beyond which it is let go: it asks once, and has nothing more to say.
const MOST_HEARD: usize = 4 * MOST_REQUEST;

/// Events that wait for a reader; one that is slower misses some.
const MOST_WAITING: usize = 3;

/// The readers.
#[derive(Debug, Default)]
pub struct Web {
    clients: Vec<Option<Client>>,
}

#[derive(Debug)]
struct Client {
    stream: TcpStream,
    since: Instant,
    request: Vec<u8>,
    /// Bytes that came.
    heard: usize,
    /// What is to be sent, and how much of the first has been.
    out: VecDeque<Rc<[u8]>>,
    sent: usize,
    moved: Instant,
    kind: Stage,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    Asking,
    /// It gets an answer, and that is all.
    Answered,
    /// It gets events.
    Following,
}

impl Web {
    /// No readers.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes a reader. Where there are too many the oldest that follows nothing goes, or the newcomer.
    pub(super) fn welcome(&mut self, mut stream: TcpStream, registry: &Registry, now: Instant) {
        let place = match self.clients.iter().position(Option::is_none) {
            Some(place) => place,
            None if self.clients.len() < MOST_CLIENTS => {
                self.clients.push(None);
                self.clients.len() - 1
            }
            None => {
                let idle =
                    self.clients.iter().enumerate().filter_map(|(place, c)| Some((place, c.as_ref()?)));
                let idle = idle.filter(|(_, c)| c.kind != Stage::Following).min_by_key(|(_, c)| c.since);
                match idle.map(|(place, _)| place) {
                    Some(place) => place,
                    None => return,
                }
            }
        };
        let token = Token(FIRST + 2 * place + 1);
        if registry.register(&mut stream, token, Interest::READABLE | Interest::WRITABLE).is_err() {
            return;
        }
        let client = Client {
            stream,
            since: now,
            request: Vec::new(),
            heard: 0,
            out: VecDeque::new(),
            sent: 0,
            moved: now,
            kind: Stage::Asking,
        };
        if let Some(room) = self.clients.get_mut(place) {
            *room = Some(client);
        }
    }

    /// A reader can be read from or written to.
    pub(super) fn go_on(&mut self, place: usize, desk: &Desk, now: Instant) {
        let Some(room) = self.clients.get_mut(place) else { return };
        if let Some(client) = room
            && !(client.read(desk) && client.write(now))
        {
            *room = None;
        }
    }

    /// Sends everybody what is new, and lets go of who is gone. Once a second.
    pub fn tick(&mut self, desk: &Desk, now: Instant) {
        let mut event: Option<Rc<[u8]>> = None;
        for room in &mut self.clients {
            let Some(client) = room else { continue };
            let is_gone = match client.kind {
                Stage::Following => {
                    !client.out.is_empty() && now.saturating_duration_since(client.moved) > STUCK
                }
                Stage::Asking | Stage::Answered => now.saturating_duration_since(client.since) > ASKING,
            };
            if client.kind == Stage::Following && client.out.len() < MOST_WAITING {
                let event = event.get_or_insert_with(|| state::event(desk, now, false).into());
                if client.out.is_empty() {
                    client.moved = now;
                }
                client.out.push_back(Rc::clone(event));
            }
            if is_gone || !client.write(now) {
                *room = None;
            }
        }
    }
}

impl Client {
    /// Reads what there is; whether the connection goes on.
    fn read(&mut self, desk: &Desk) -> bool {
        let mut buffer = [0; 1_024];
        loop {
            match self.stream.read(&mut buffer) {
                Ok(0) => return false,
                Ok(length) => {
                    self.heard += length;
                    if self.heard > MOST_HEARD {
                        return false;
                    }
                    if self.kind == Stage::Asking {
                        self.request.extend_from_slice(buffer.get(..length).unwrap_or_default());
                        self.answer(desk);
                    }
                }
                Err(e) if e.kind() == ErrorKind::WouldBlock => return true,
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Err(_) => return false,
            }
        }
    }

    fn answer(&mut self, desk: &Desk) {
        let is_whole = self.request.windows(4).any(|end| end == b"\r\n\r\n");
        if !is_whole && self.request.len() < MOST_REQUEST {
            return;
        }
        let local = self.stream.local_addr().ok().map(|at| at.ip());
        self.kind = Stage::Answered;
        match answer(&self.request, local) {
            Answer::Whole(bytes) => self.out.push_back(bytes.into()),
            Answer::Events(head) => {
                self.kind = Stage::Following;
                self.out.push_back(head.into());
                self.out.push_back(state::event(desk, Instant::now(), true).into());
            }
        }
        self.request = Vec::new();
    }

    /// Sends what can be sent; whether the connection goes on.
    fn write(&mut self, now: Instant) -> bool {
        while let Some(first) = self.out.front() {
            match self.stream.write(first.get(self.sent..).unwrap_or_default()) {
                Ok(length) => {
                    self.sent += length;
                    self.moved = now;
                    if self.sent >= first.len() {
                        self.out.pop_front();
                        self.sent = 0;
                    }
                }
                Err(e) if e.kind() == ErrorKind::WouldBlock => return true,
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Err(_) => return false,
            }
        }
        if self.kind == Stage::Answered {
            // The reader closes when it has everything; closing first could take the end of it away.
            return self.stream.shutdown(Shutdown::Write).is_ok();
        }
        true
    }
}
