//! Addresses opened: streams of bytes in and out, and sockets that wait.

use std::io::{self, Read, Write};
use std::net::{TcpStream, ToSocketAddrs, UdpSocket};
use std::time::Duration;

use super::address::{Address, Host};
use super::terminal::{self, Pty, pty, serial};

/// How long a connection may take to come about.
const CONNECTING: Duration = Duration::from_secs(5);

/// An open stream of bytes.
#[derive(Debug)]
pub enum Stream {
    /// A connection made.
    Tcp(TcpStream),
    /// A serial port.
    Serial(std::fs::File),
    /// A pseudo-terminal.
    Pty(Pty),
    /// Standard input or output.
    Standard,
}

/// Opens what is one stream of bytes: `tcp://`, `serial:`, `pty`, `-`.
///
/// # Errors
/// The system's; for other addresses [`io::ErrorKind::Unsupported`].
pub fn stream(address: &Address) -> io::Result<Stream> {
    Ok(match address {
        Address::Tcp(host) => Stream::Tcp(connect(host)?),
        Address::Serial { path, baud } => Stream::Serial(serial(path, *baud)?),
        Address::Pty { link } => Stream::Pty(pty(link.as_deref())?),
        Address::Standard => Stream::Standard,
        Address::TcpListen(_) | Address::UdpTo(_) | Address::Udp(_) | Address::Mqtt { .. } => {
            return Err(io::Error::new(
                io::ErrorKind::Unsupported,
                format!("{address} is no stream of bytes"),
            ));
        }
    })
}

/// Connects to the first of the machine's addresses that answers.
///
/// # Errors
/// Of the last one tried.
pub fn connect(host: &Host) -> io::Result<TcpStream> {
    let mut last = io::Error::new(io::ErrorKind::NotFound, "the machine has no address");
    for address in (host.name.as_str(), host.port).to_socket_addrs()? {
        match TcpStream::connect_timeout(&address, CONNECTING) {
            Ok(stream) => {
                // A line at a time, at once.
                stream.set_nodelay(true)?;
                return Ok(stream);
            }
            Err(e) => last = e,
        }
    }
    Err(last)
}

/// A socket that sends datagrams to `host` and hears of its refusals.
///
/// # Errors
/// If the machine has no address, or none that this one can reach.
pub fn datagrams(host: &Host) -> io::Result<UdpSocket> {
    let mut last = io::Error::new(io::ErrorKind::NotFound, "the machine has no address");
    for address in (host.name.as_str(), host.port).to_socket_addrs()? {
        let any = if address.is_ipv4() { "0.0.0.0:0" } else { "[::]:0" };
        match UdpSocket::bind(any).and_then(|socket| socket.connect(address).map(|()| socket)) {
            Ok(socket) => return Ok(socket),
            Err(e) => last = e,
        }
    }
    Err(last)
}

impl Stream {
    /// From now on reads and writes do not wait. Standard input and output, which other programs may share, are left as they are.
    ///
    /// # Errors
    /// The system's.
    pub fn set_nonblocking(&self) -> io::Result<()> {
        match self {
            Self::Tcp(stream) => stream.set_nonblocking(true),
            Self::Serial(file) => terminal::set_nonblocking(file),
            Self::Pty(pty) => terminal::set_nonblocking(&pty.near),
            Self::Standard => Ok(()),
        }
    }
}

impl Read for Stream {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::Tcp(stream) => stream.read(buf),
            Self::Serial(file) => file.read(buf),
            Self::Pty(pty) => pty.near.read(buf),
            Self::Standard => io::stdin().read(buf),
        }
    }
}

impl Write for Stream {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        match self {
            Self::Tcp(stream) => stream.write(buf),
            Self::Serial(file) => file.write(buf),
            Self::Pty(pty) => pty.near.write(buf),
            Self::Standard => io::stdout().write(buf),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::Tcp(stream) => stream.flush(),
            Self::Serial(file) => file.flush(),
            Self::Pty(pty) => pty.near.flush(),
            Self::Standard => io::stdout().flush(),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::net::TcpListener;

    use super::*;

    #[test]
    fn a_connection_carries_bytes_and_a_closed_port_refuses() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address: Address = format!("tcp://{}", listener.local_addr().unwrap()).parse().unwrap();
        let mut out = stream(&address).unwrap();
        out.write_all(b"h1\r\n").unwrap();
        let mut read = [0; 4];
        listener.accept().unwrap().0.read_exact(&mut read).unwrap();
        assert_eq!(&read, b"h1\r\n");
        drop(listener);
        assert_eq!(stream(&address).unwrap_err().kind(), io::ErrorKind::ConnectionRefused);
    }

    #[test]
    fn what_is_no_stream_is_told() {
        for text in ["tcp-listen:0", "udp:0", "udp://localhost:1", "mqtt://localhost/a"] {
            let error = stream(&text.parse().unwrap()).unwrap_err();
            assert_eq!(error.kind(), io::ErrorKind::Unsupported, "{text}");
        }
    }
}
