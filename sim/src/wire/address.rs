//! Where link lines come from and go to, as it is written on the command line.

use std::fmt;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::str::FromStr;

/// Baud of a serial port where none is given: what the firmware in `examples` sends at.
pub const BAUD: u32 = 115_200;

/// Port of MQTT where none is given (IANA).
pub const MQTT_PORT: u16 = 1_883;

/// All forms, for help texts.
pub const FORMS: &str = "\
tcp://HOST:PORT              connects, and again when the connection is lost
tcp-listen:[ADDRESS:]PORT    waits for connections; without an address on this machine only
udp://HOST:PORT              sends datagrams, one line each
udp:[ADDRESS:]PORT           takes datagrams; without an address from this machine only
serial:PATH[@BAUD]           a serial port, 8 data bits, no parity, 1 stop bit; 115200 baud unless said otherwise
pty[:LINK]                   makes a pseudo-terminal and says its name; LINK becomes a symbolic link to it
mqtt://HOST[:PORT]/TOPIC     a broker, topics below TOPIC; port 1883 unless said otherwise
-                            standard input or output";

/// One end of a wire.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Address {
    /// `tcp://HOST:PORT`: connects.
    Tcp(Host),
    /// `tcp-listen:ADDRESS:PORT`: waits for connections. Port 0 is any free one.
    TcpListen(SocketAddr),
    /// `udp://HOST:PORT`: sends datagrams.
    UdpTo(Host),
    /// `udp:ADDRESS:PORT`: takes datagrams. Port 0 is any free one.
    Udp(SocketAddr),
    /// `serial:PATH@BAUD`.
    Serial {
        /// The port's device file.
        path: PathBuf,
        /// Bits a second.
        baud: u32,
    },
    /// `pty` or `pty:LINK`.
    Pty {
        /// Symbolic link to be made to the terminal that the other program opens.
        link: Option<PathBuf>,
    },
    /// `mqtt://HOST:PORT/TOPIC`.
    Mqtt {
        /// The broker.
        broker: Host,
        /// What all topics begin with; no wildcards, no `/` at either end.
        topic: String,
    },
    /// `-`.
    Standard,
}

/// A machine by name or number, and a port of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Host {
    /// Name or address; of version 6 without brackets.
    pub name: String,
    /// 1 to 65535.
    pub port: u16,
}

/// An address that cannot be meant.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{text:?}: {fault}")]
pub struct AddressError {
    text: String,
    fault: String,
}

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        parse(text).map_err(|fault| AddressError { text: text.into(), fault })
    }
}

fn parse(text: &str) -> Result<Address, String> {
    if text == "-" {
        return Ok(Address::Standard);
    }
    if text == "pty" {
        return Ok(Address::Pty { link: None });
    }
    if let Some((scheme, rest)) = text.split_once("://") {
        return match scheme {
            "tcp" => Ok(Address::Tcp(host(rest, None)?)),
            "udp" => Ok(Address::UdpTo(host(rest, None)?)),
            "mqtt" => {
                let (broker, topic) = rest.split_once('/').unwrap_or((rest, ""));
                Ok(Address::Mqtt { broker: host(broker, Some(MQTT_PORT))?, topic: checked(topic)?.into() })
            }
            _ => Err(unknown()),
        };
    }
    match text.split_once(':') {
        Some(("tcp-listen", rest)) => Ok(Address::TcpListen(local(rest)?)),
        Some(("udp", rest)) => Ok(Address::Udp(local(rest)?)),
        Some(("serial", rest)) => serial(rest),
        Some(("pty", "")) => Err("expected a path behind pty:, or pty alone".into()),
        Some(("pty", link)) => Ok(Address::Pty { link: Some(link.into()) }),
        _ => Err(unknown()),
    }
}

fn unknown() -> String {
    format!("expected one of\n{FORMS}")
}

/// `HOST:PORT`.
fn host(text: &str, default: Option<u16>) -> Result<Host, String> {
    let (name, port) = match text.strip_prefix('[') {
        Some(inside) => {
            let (name, behind) = inside.split_once(']').ok_or("expected ] behind the address")?;
            if !matches!(name.parse(), Ok(IpAddr::V6(_))) {
                return Err(format!("expected an address of version 6 in brackets, not {name:?}"));
            }
            match behind {
                "" => (name, None),
                _ => (name, Some(behind.strip_prefix(':').ok_or("expected : and a port behind ]")?)),
            }
        }
        None => match text.split_once(':') {
            Some((name, port)) => (name, Some(port)),
            None => (text, None),
        },
    };
    if name.is_empty() || name.contains(|c: char| c.is_whitespace() || c.is_control() || "/@?#".contains(c)) {
        return Err("expected the name or address of a machine, and a port".into());
    }
    let port = match port {
        Some(text) => text.parse().ok().filter(|port| *port > 0),
        None => default,
    };
    let port = port.ok_or("expected a port, 1 to 65535, behind the machine's name")?;
    Ok(Host { name: name.into(), port })
}

/// `ADDRESS:PORT`, or the port alone for this machine only.
fn local(text: &str) -> Result<SocketAddr, String> {
    if let Ok(port) = text.parse() {
        return Ok(SocketAddr::from((Ipv4Addr::LOCALHOST, port)));
    }
    text.parse().map_err(|_| {
        "expected a port, 0 to 65535, or a numerical address of this machine, : and a port; 0.0.0.0 is all of its addresses"
            .into()
    })
}

fn serial(text: &str) -> Result<Address, String> {
    let (path, baud) = match text.rsplit_once('@') {
        // An @ may be part of the name.
        Some((path, baud)) if !baud.is_empty() && baud.bytes().all(|b| b.is_ascii_digit()) => {
            let baud = baud.parse().ok().filter(|baud| (50..=4_000_000).contains(baud));
            (path, baud.ok_or("expected 50 to 4000000 baud behind @")?)
        }
        _ => (text, BAUD),
    };
    if path.is_empty() {
        return Err("expected a serial port's path behind serial:".into());
    }
    Ok(Address::Serial { path: path.into(), baud })
}

/// A topic that others may stand below (MQTT 3.1.1, 4.7).
fn checked(topic: &str) -> Result<&str, String> {
    let wrong = topic.is_empty()
        || topic.len() > 1_000
        || topic.starts_with(['/', '$'])
        || topic.ends_with('/')
        || topic.contains(|c: char| c.is_control() || c == '+' || c == '#');
    if wrong {
        return Err("expected a topic behind the broker's name: 1 to 1000 bytes, no + # or control characters, no / at \
             either end, no $ in front"
            .into());
    }
    Ok(topic)
}

impl fmt::Display for Host {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.name.contains(':') {
            write!(f, "[{}]:{}", self.name, self.port)
        } else {
            write!(f, "{}:{}", self.name, self.port)
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Tcp(host) => write!(f, "tcp://{host}"),
            Self::TcpListen(at) => write!(f, "tcp-listen:{at}"),
            Self::UdpTo(host) => write!(f, "udp://{host}"),
            Self::Udp(at) => write!(f, "udp:{at}"),
            Self::Serial { path, baud } => write!(f, "serial:{}@{baud}", path.display()),
            Self::Pty { link: None } => f.write_str("pty"),
            Self::Pty { link: Some(link) } => write!(f, "pty:{}", link.display()),
            Self::Mqtt { broker, topic } => write!(f, "mqtt://{broker}/{topic}"),
            Self::Standard => f.write_str("-"),
        }
    }
}

#[cfg(test)]
mod tests;
