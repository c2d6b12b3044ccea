//! A port for somebody who comes later, or comes again.

// Each test file uses its part.
#![allow(dead_code)]

#[cfg(not(target_os = "linux"))]
use std::net::TcpListener;
use std::net::{Ipv4Addr, SocketAddr};
#[cfg(target_os = "linux")]
use std::os::fd::OwnedFd;

#[cfg(target_os = "linux")]
use rustix::net::{AddressFamily, SocketFlags, SocketType, bind, getsockname, socket_with, sockopt};

/// A port of the loopback at which connections are refused until somebody listens there who was told its number, and again once he has gone:
/// it is bound and not listened at, so that the system hands it to nobody else. Whoever listens must allow for an address in use, as
/// servers do on Unix. Other systems than Linux do not let two have an address even so: there it was free a moment ago.
#[derive(Debug)]
pub struct Port {
    number: u16,
    #[cfg(target_os = "linux")]
    _held: OwnedFd,
}

impl Port {
    #[cfg(target_os = "linux")]
    pub fn new() -> Self {
        // Not for children, which may outlive this.
        let held = socket_with(AddressFamily::INET, SocketType::STREAM, SocketFlags::CLOEXEC, None).unwrap();
        sockopt::set_socket_reuseaddr(&held, true).unwrap();
        bind(&held, &SocketAddr::from((Ipv4Addr::LOCALHOST, 0))).unwrap();
        let at = SocketAddr::try_from(getsockname(&held).unwrap()).unwrap();
        Self { number: at.port(), _held: held }
    }

    #[cfg(not(target_os = "linux"))]
    pub fn new() -> Self {
        let number = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap().local_addr().unwrap().port();
        Self { number }
    }

    pub fn number(&self) -> u16 {
        self.number
    }

    pub fn at(&self) -> SocketAddr {
        (Ipv4Addr::LOCALHOST, self.number).into()
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_port_that_is_held_is_for_those_who_know_it() {
    use std::net::{TcpListener, TcpStream};

    let port = Port::new();
    // Nobody is given what is refused to those who do not share it.
    let other = socket_with(AddressFamily::INET, SocketType::STREAM, SocketFlags::CLOEXEC, None).unwrap();
    assert!(bind(&other, &port.at()).is_err());
    for _ in 0..2 {
        // A child that another test starts at this moment has the listener's handle until it becomes another program.
        let is_refused = || TcpStream::connect(port.at()).is_err();
        assert!((0..100).any(|k| is_refused() || {
            std::thread::sleep(std::time::Duration::from_millis(k));
            false
        }));
        let listener = TcpListener::bind(port.at()).unwrap();
        assert!(TcpStream::connect(port.at()).is_ok());
        drop(listener);
    }
}
