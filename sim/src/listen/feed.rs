//! A way's bytes to readings of a sensor.

use std::net::SocketAddr;

use humtick::link::{Decoder, Text};

use super::desk::{Desk, Watcher};
use crate::station::{Id, Way};
use crate::wire::greeting::{DOUBTFUL, Name, no_reading};

/// A way in, and the sensor behind it.
#[derive(Debug)]
pub struct Feed {
    way: Way,
    name: Name,
    is_named: bool,
    sensor: Option<Id>,
    decoder: Decoder<Text>,
    lines: u64,
    /// Bytes since the last reading.
    useless: u64,
    /// There are too many sensors, and this one's was said.
    is_turned_away: bool,
}

impl Feed {
    /// The feed of a connection or of a sender of datagrams: called after its machine where it says no name of its own and none is given.
    pub fn new(way: u64, name: Option<&Name>, peer: SocketAddr) -> Self {
        Self::called(way, name.cloned().unwrap_or_else(|| Name::like(&peer.ip().to_string())))
    }

    /// Called `name`, unless its first line says another.
    pub fn called(way: u64, name: Name) -> Self {
        Self {
            way: Way(way),
            name,
            is_named: false,
            sensor: None,
            decoder: Decoder::new(),
            lines: 0,
            useless: 0,
            is_turned_away: false,
        }
    }

    /// Takes bytes in pieces of any size.
    pub fn take(&mut self, bytes: &[u8], desk: &mut Desk, watcher: &mut dyn Watcher) {
        let Self { way, name, is_named, sensor, decoder, lines, useless, is_turned_away } = self;
        *useless += bytes.len() as u64;
        decoder.pass(bytes, |line, result| {
            if result.is_err()
                && sensor.is_none()
                && let Some(called) = Name::in_line(line)
            {
                (*name, *is_named) = (called, true);
                return;
            }
            *lines += 1;
            let Ok(record) = result else {
                if *lines == DOUBTFUL && sensor.is_none() {
                    watcher.note(&no_reading(name.as_str()));
                }
                sensor.iter().for_each(|id| desk.refuse(*id));
                return;
            };
            *useless = 0;
            // Another connection of this name may have taken over while this one was silent.
            if sensor.is_none_or(|id| !desk.station().is_held(id, *way)) {
                *sensor = desk.claim(name, *way, &record, watcher);
            }
            match sensor {
                Some(id) => desk.take(*id, record, watcher),
                None if !*is_turned_away => {
                    *is_turned_away = true;
                    watcher.note(&format!("{name}: there are too many sensors: its readings are not taken"));
                }
                None => {}
            }
        });
    }

    /// The sensor, once there was a reading.
    pub const fn sensor(&self) -> Option<Id> {
        self.sensor
    }

    /// Whether it gave a name.
    pub const fn is_named(&self) -> bool {
        self.is_named
    }

    /// Lines that came, the name apart.
    pub const fn lines(&self) -> u64 {
        self.lines
    }

    /// Bytes since the last reading.
    pub const fn useless(&self) -> u64 {
        self.useless
    }

    /// Nothing comes any more.
    pub fn close(&mut self, desk: &mut Desk) {
        if let Some(id) = self.sensor {
            desk.release(id, self.way);
        }
    }
}
