//! One sensor's way out. Nothing here waits but a connection being made.

use std::io::{self, ErrorKind, Read, Write};
use std::net::{Shutdown, UdpSocket};
use std::time::{Duration, Instant};

use super::{StandinError, Tally};
use crate::wire::address::Address;
use crate::wire::open::{Stream, datagrams, stream};

/// From one attempt to connect to the next, all sensors together.
const PATIENCE: Duration = Duration::from_secs(1);

/// When to try again where nobody answered.
#[derive(Debug, Default)]
pub(super) struct Retry {
    not_before: Option<Instant>,
}

pub(super) struct Out {
    to: Address,
    /// The name as it is said, ahead of everything else.
    greeting: Vec<u8>,
    way: Way,
    /// The rest of a line of which the system took a part.
    rest: Vec<u8>,
    /// Lines since the far end's words were last thrown away.
    unread: u32,
}

enum Way {
    Closed,
    Stream(Stream),
    Datagrams(UdpSocket),
}

impl Out {
    /// Opens everything but a TCP connection, which is made when there is a line.
    pub fn new(to: Address, greeting: Vec<u8>, tell: &mut impl FnMut(&str)) -> Result<Self, StandinError> {
        let fault = |e| StandinError::Wire(to.to_string(), e);
        let way = match &to {
            Address::Tcp(_) => Way::Closed,
            Address::UdpTo(host) => {
                let socket = datagrams(host).map_err(fault)?;
                socket.set_nonblocking(true).map_err(fault)?;
                Way::Datagrams(socket)
            }
            _ => {
                let stream = stream(&to).map_err(fault)?;
                if let Stream::Pty(pty) = &stream {
                    tell(&format!("the sensor is at {}", pty.far.display()));
                }
                if !matches!(stream, Stream::Standard) {
                    stream.set_nonblocking().map_err(fault)?;
                }
                Way::Stream(stream)
            }
        };
        Ok(Self { to, greeting, way, rest: Vec::new(), unread: 0 })
    }

    /// Sends a line if it goes at once.
    pub fn send(
        &mut self,
        line: &[u8],
        retry: &mut Retry,
        tally: &mut Tally,
        tell: &mut impl FnMut(&str),
    ) -> Result<(), StandinError> {
        if matches!(self.way, Way::Closed) {
            self.connect(retry, tell);
        }
        let sent = match &mut self.way {
            Way::Closed => Ok(false),
            Way::Datagrams(socket) => match socket.send(line) {
                Ok(_) => Ok(true),
                // Also where word came that nobody took the one before.
                Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::ConnectionRefused) => {
                    Ok(false)
                }
                Err(e) => Err(e),
            },
            Way::Stream(stream) => write(stream, &mut self.rest, line),
        };
        match sent {
            Ok(true) => tally.sent += 1,
            Ok(false) => tally.unsent += 1,
            Err(_) if matches!(self.to, Address::Tcp(_)) => {
                tally.unsent += 1;
                self.way = Way::Closed;
            }
            Err(e) => return Err(StandinError::Write(e)),
        }
        self.unread += 1;
        if self.unread == 100 {
            self.unread = 0;
            self.discard();
        }
        Ok(())
    }

    fn connect(&mut self, retry: &mut Retry, tell: &mut impl FnMut(&str)) {
        if retry.not_before.is_some_and(|moment| Instant::now() < moment) {
            return;
        }
        let connected = stream(&self.to).and_then(|stream| stream.set_nonblocking().map(|()| stream));
        match connected {
            Ok(stream) => {
                if retry.not_before.take().is_some() {
                    tell(&format!("connected to {}", self.to));
                }
                self.way = Way::Stream(stream);
                self.rest.clone_from(&self.greeting);
            }
            Err(e) => {
                if retry.not_before.is_none() {
                    tell(&format!("{}: {e}; trying again every second", self.to));
                }
                retry.not_before = Some(Instant::now() + PATIENCE);
            }
        }
    }

    /// Throws away what the far end says.
    fn discard(&mut self) {
        if let (Address::Tcp(_), Way::Stream(stream)) = (&self.to, &mut self.way) {
            let mut bytes = [0; 512];
            while stream.read(&mut bytes).is_ok_and(|len| len > 0) {}
        }
    }

    /// Nothing will be sent any more.
    pub fn end(&mut self) {
        if let Way::Stream(Stream::Tcp(stream)) = &self.way {
            // One that is not connected any more has ended already.
            let _ = stream.shutdown(Shutdown::Write);
        }
    }

    /// Until the far end has taken all of it and closed: closing before, with something of its unread, could cost the last lines.
    pub fn wait_for_far_end(&mut self, until: Instant) {
        let Way::Stream(Stream::Tcp(stream)) = &mut self.way else { return };
        let mut bytes = [0; 512];
        loop {
            match stream.read(&mut bytes) {
                Ok(1..) => {}
                Err(e) if e.kind() == ErrorKind::WouldBlock && Instant::now() < until => {
                    std::thread::sleep(Duration::from_millis(2));
                }
                _ => return,
            }
        }
    }
}

/// Whether `line` went, or a part of it that the rest will follow.
fn write(stream: &mut Stream, rest: &mut Vec<u8>, line: &[u8]) -> io::Result<bool> {
    if !rest.is_empty() {
        let len = some(stream, rest)?;
        rest.drain(..len);
        if !rest.is_empty() {
            return Ok(false);
        }
    }
    let len = some(stream, line)?;
    if len > 0 {
        rest.extend_from_slice(&line[len..]);
    }
    stream.flush()?;
    Ok(len > 0)
}

/// Writes as much as goes.
fn some(stream: &mut Stream, bytes: &[u8]) -> io::Result<usize> {
    match stream.write(bytes) {
        Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => Ok(0),
        other => other,
    }
}
