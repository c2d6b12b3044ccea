//! A lane's way out: one connection after another, and what comes back on it.

use std::io::{self, BufRead, BufReader, Write};
use std::net::{Shutdown, TcpStream, UdpSocket};
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::Tell;
use super::lane::{Lane, Next, Proof};
use super::line::Line;
use super::mqtt;
use super::retry::Retry;
use crate::wire::address::Address;
use crate::wire::greeting::receipted;
use crate::wire::open::{Stream, connect, datagrams, stream};

/// A network that has not taken what was sent for so long counts as broken.
const UNANSWERED: Duration = Duration::from_secs(4);

/// A far end that tells nothing is believed to have what was sent so long ago, if the connection still stands: longer than it takes to see
/// that it does not.
const BELIEVED: Duration = Duration::from_secs(6);

/// A connection that has stood for so long has proved itself, even if nothing is known to have arrived.
const PROVED: Duration = Duration::from_secs(5);

/// Takes no more of a far end's words than this without an LF.
const MAX_WORD: u64 = 256;

enum Way {
    Tcp(TcpStream),
    Datagrams(UdpSocket),
    Stream(Stream),
    Mqtt(mqtt::Out),
}

/// Serves a lane until all of it has arrived or time is up.
pub(super) fn serve(lane: &Arc<Lane>, to: &Address, says_name: bool, mut retry: Retry, tell: &Tell) {
    let mut is_away = false;
    loop {
        let began = Instant::now();
        let why = match Way::open(lane, to, says_name) {
            Ok(mut way) => {
                if is_away {
                    tell(&format!("{}: connected to {to} again", lane.name));
                    is_away = false;
                }
                let why = way.pump(lane);
                if lane.disconnect() || began.elapsed() >= PROVED {
                    retry.reset();
                }
                why
            }
            Err(e) => Some(e.to_string()),
        };
        let Some(why) = why else { return };
        if !is_away {
            tell(&format!("{}: {to}: {why}; trying again", lane.name));
            is_away = true;
        }
        if !lane.pause(retry.wait()) {
            return;
        }
    }
}

impl Way {
    fn open(lane: &Arc<Lane>, to: &Address, says_name: bool) -> io::Result<Self> {
        Ok(match to {
            Address::Tcp(host) => {
                let mut stream = connect(host)?;
                watch(&stream)?;
                if says_name {
                    stream.write_all(lane.name.line().as_bytes())?;
                }
                let connection = lane.connect(Proof::Stood(BELIEVED));
                let (hears, words) = (Arc::clone(lane), stream.try_clone()?);
                std::thread::spawn(move || hear(&hears, connection, words));
                Self::Tcp(stream)
            }
            Address::UdpTo(host) => {
                let socket = datagrams(host)?;
                lane.connect(Proof::Written);
                Self::Datagrams(socket)
            }
            Address::Mqtt { broker, topic } => Self::Mqtt(mqtt::Out::open(lane, broker, topic)?),
            _ => {
                let stream = stream(to)?;
                lane.connect(Proof::Written);
                Self::Stream(stream)
            }
        })
    }

    /// Sends what the lane has until the connection breaks; why. `None` when all is over.
    fn pump(&mut self, lane: &Lane) -> Option<String> {
        loop {
            let done = match lane.next() {
                Ok(Next::Line(line)) => self.send(&line).map(|()| lane.written()),
                Ok(Next::Finish) => self.finish(),
                Ok(Next::Broken(why)) => return Some(why),
                Ok(Next::Over) => {
                    self.close();
                    return None;
                }
                Err(e) => Err(io::Error::new(e.kind(), format!("the spool cannot be read: {e}"))),
            };
            if let Err(e) = done {
                self.close();
                return Some(e.to_string());
            }
        }
    }

    fn send(&mut self, line: &Line) -> io::Result<()> {
        match self {
            Self::Tcp(stream) => stream.write_all(line.bytes()),
            Self::Datagrams(socket) => match socket.send(line.bytes()) {
                // Word that nobody took the one before; this one is not sent then, and nothing is known of any.
                Err(e) if e.kind() == io::ErrorKind::ConnectionRefused => socket.send(line.bytes()).map(drop),
                other => other.map(drop),
            },
            Self::Stream(stream) => stream.write_all(line.bytes()).and_then(|()| stream.flush()),
            Self::Mqtt(out) => out.send(line),
        }
    }

    /// Nothing more comes: a far end that reads to the end will close.
    fn finish(&mut self) -> io::Result<()> {
        match self {
            Self::Tcp(stream) => stream.shutdown(Shutdown::Write),
            _ => Ok(()),
        }
    }

    fn close(&mut self) {
        match self {
            // The listening thread has a handle of its own, and ends by this.
            Self::Tcp(stream) => {
                let _ = stream.shutdown(Shutdown::Both);
            }
            Self::Mqtt(out) => out.close(),
            Self::Datagrams(_) | Self::Stream(_) => {}
        }
    }
}

/// Has the system give up a connection that does not answer.
fn watch(stream: &TcpStream) -> io::Result<()> {
    stream.set_write_timeout(Some(UNANSWERED))?;
    #[cfg(target_os = "linux")]
    {
        use rustix::net::sockopt;
        sockopt::set_tcp_user_timeout(stream, UNANSWERED.as_millis() as u32)?;
        sockopt::set_socket_keepalive(stream, true)?;
        sockopt::set_tcp_keepidle(stream, UNANSWERED)?;
        sockopt::set_tcp_keepintvl(stream, Duration::from_secs(1))?;
    }
    Ok(())
}

/// Takes the far end's words until there are none any more.
fn hear(lane: &Lane, connection: u64, stream: TcpStream) {
    use io::Read;
    let mut reader = BufReader::new(stream);
    let mut word = Vec::new();
    let how = loop {
        match reader.by_ref().take(MAX_WORD).read_until(b'\n', &mut word) {
            Ok(0) => break Ok(()),
            Ok(_) => {
                if let Some(lines) = word.strip_suffix(b"\n").and_then(receipted) {
                    lane.told(connection, lines);
                }
                word.clear();
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => break Err(e.to_string()),
        }
    };
    lane.broke(connection, how);
}
