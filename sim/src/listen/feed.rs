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
    /// What is not known to be kept is sent again.
    is_repeated: bool,
    is_put_off: bool,
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
            is_repeated: false,
            is_put_off: false,
            sensor: None,
            decoder: Decoder::new(),
            lines: 0,
            useless: 0,
            is_turned_away: false,
        }
    }

    /// The same of a way on which whatever is not known to be kept is sent again, as a connection that gave a name does: what there is no
    /// room for is left to it.
    pub fn repeated(way: u64, name: Name) -> Self {
        Self { is_repeated: true, ..Self::called(way, name) }
    }

    /// Takes bytes in pieces of any size; none any more once [`is_put_off`](Self::is_put_off).
    pub fn take(&mut self, bytes: &[u8], desk: &mut Desk, watcher: &mut dyn Watcher) {
        let Self {
            way,
            name,
            is_named,
            is_repeated,
            is_put_off,
            sensor,
            decoder,
            lines,
            useless,
            is_turned_away,
        } = self;
        *useless += bytes.len() as u64;
        decoder.pass(bytes, |line, result| {
            if *is_put_off {
                return;
            }
            if result.is_err()
                && sensor.is_none()
                && let Some(called) = Name::in_line(line)
            {
                (*name, *is_named, *is_repeated) = (called, true, true);
                return;
            }
            let Ok(record) = result else {
                *lines += 1;
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
                Some(id) if *is_repeated && !desk.has_room(*id, watcher) => {
                    *is_put_off = true;
                    return;
                }
                Some(id) => desk.take(*id, record, watcher),
                None if !*is_turned_away => {
                    *is_turned_away = true;
                    watcher.note(&format!("{name}: there are too many sensors: its readings are not taken"));
                }
                None => {}
            }
            *lines += 1;
        });
    }

    /// Whether there was no room for a line: it and those after it have not been taken and are to come again.
    pub const fn is_put_off(&self) -> bool {
        self.is_put_off
    }

    /// What comes now has been put off, or is new.
    pub const fn resume(&mut self) {
        self.is_put_off = false;
    }

    /// The sensor, once there was a reading.
    pub const fn sensor(&self) -> Option<Id> {
        self.sensor
    }

    /// Whether it gave a name.
    pub const fn is_named(&self) -> bool {
        self.is_named
    }

    /// Lines that were taken, the name apart; damaged ones count.
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
