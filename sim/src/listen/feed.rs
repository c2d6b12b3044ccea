//! A way's bytes to readings of a sensor.

use std::net::SocketAddr;

use super::desk::{Desk, Watcher};
use crate::station::{Id, Way};
use crate::wire::greeting::{DOUBTFUL, Name, no_reading};
use crate::wire::intake::{Intake, Item};

/// A way in, and the sensor behind it.
#[derive(Debug)]
pub struct Feed {
    intake: Intake,
    said: Said,
}

/// What the way has said.
#[derive(Debug)]
struct Said {
    way: Way,
    name: Name,
    is_named: bool,
    /// Whoever gives a name on this way is told what is kept.
    has_receipts: bool,
    /// What is not known to be kept is sent again.
    is_repeated: bool,
    is_put_off: bool,
    sensor: Option<Id>,
    lines: u64,
    /// Bytes since the last reading.
    useless: u64,
    /// There are too many sensors, and this one's was said.
    is_turned_away: bool,
}

impl Said {
    fn take(&mut self, item: Item<'_>, desk: &mut Desk, watcher: &mut dyn Watcher) {
        match item {
            _ if self.is_put_off => {}
            Item::Name(name) if self.sensor.is_none() => {
                (self.name, self.is_named) = (name, true);
                self.is_repeated |= self.has_receipts;
            }
            Item::NoName(why) if self.sensor.is_none() && self.lines == 0 => {
                self.lines += 1;
                watcher.note(&format!("{}: {why}; it goes by its address", self.name));
            }
            Item::Name(_) | Item::NoName(_) | Item::Refused => {
                self.lines += 1;
                if self.lines == DOUBTFUL && self.sensor.is_none() {
                    watcher.note(&no_reading(self.name.as_str()));
                }
                self.sensor.iter().for_each(|id| desk.refuse(*id));
            }
            Item::Reading(record, _) => {
                self.useless = 0;
                // Another connection of this name may have taken over while this one was silent.
                if self.sensor.is_none_or(|id| !desk.station().is_held(id, self.way)) {
                    self.sensor = desk.claim(&self.name, self.way, &record, watcher);
                }
                match self.sensor {
                    Some(id) if self.is_repeated && !desk.has_room(id, watcher) => {
                        self.is_put_off = true;
                        return;
                    }
                    Some(id) => desk.take(id, record, watcher),
                    None => {
                        if !std::mem::replace(&mut self.is_turned_away, true) {
                            let name = &self.name;
                            watcher.note(&format!(
                                "{name}: there are too many sensors: its readings are not taken"
                            ));
                        }
                        self.is_put_off = self.is_named && self.has_receipts;
                        return;
                    }
                }
                self.lines += 1;
            }
        }
    }
}

impl Feed {
    /// The feed of a sender of datagrams: called after its machine where it says no name of its own and none is given.
    pub fn new(way: u64, name: Option<&Name>, peer: SocketAddr) -> Self {
        Self::called(way, name.cloned().unwrap_or_else(|| Name::like(&peer.ip().to_string())))
    }

    /// The same of a connection that was taken here: one that gives a name hears what is kept, and sends the rest again.
    pub fn connected(way: u64, name: Option<&Name>, peer: SocketAddr) -> Self {
        let mut feed = Self::new(way, name, peer);
        feed.said.has_receipts = true;
        feed
    }

    /// Called `name`, unless it says another itself, ahead of its readings.
    pub fn called(way: u64, name: Name) -> Self {
        let said = Said {
            way: Way(way),
            name,
            is_named: false,
            has_receipts: false,
            is_repeated: false,
            is_put_off: false,
            sensor: None,
            lines: 0,
            useless: 0,
            is_turned_away: false,
        };
        Self { intake: Intake::default(), said }
    }

    /// The feed of a way on which whatever is not known to be kept is sent again: what there is no room for is left to it.
    pub fn repeated(way: u64, name: Name) -> Self {
        let mut feed = Self::called(way, name);
        feed.said.is_repeated = true;
        feed
    }

    /// Takes bytes in pieces of any size; none any more once [`is_put_off`](Self::is_put_off).
    pub fn take(&mut self, bytes: &[u8], desk: &mut Desk, watcher: &mut dyn Watcher) {
        self.said.useless += bytes.len() as u64;
        self.intake.take(bytes, |item| self.said.take(item, desk, watcher));
    }

    /// Another connection begins.
    pub fn begin_anew(&mut self, desk: &mut Desk, watcher: &mut dyn Watcher) {
        self.end(desk, watcher);
        self.intake = Intake::default();
    }

    /// What comes next begins another line or frame.
    pub fn end(&mut self, desk: &mut Desk, watcher: &mut dyn Watcher) {
        self.intake.end(|item| self.said.take(item, desk, watcher));
    }

    /// Whether there was no room for a line: it and those after it have not been taken and are to come again.
    pub const fn is_put_off(&self) -> bool {
        self.said.is_put_off
    }

    /// What comes now has been put off, or is new.
    pub const fn resume(&mut self) {
        self.said.is_put_off = false;
    }

    /// The sensor, once there was a reading.
    pub const fn sensor(&self) -> Option<Id> {
        self.said.sensor
    }

    /// Whether it gave a name.
    pub const fn is_named(&self) -> bool {
        self.said.is_named
    }

    /// Lines that were taken, the name apart; damaged ones count.
    pub const fn lines(&self) -> u64 {
        self.said.lines
    }

    /// Bytes since the last reading.
    pub const fn useless(&self) -> u64 {
        self.said.useless
    }

    /// Nothing comes any more.
    pub fn close(&mut self, desk: &mut Desk) {
        if let Some(id) = self.said.sensor {
            desk.release(id, self.said.way);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::time::Instant;

    use humtick::link::{self, MAX_LINE, Record};

    use super::*;
    use crate::log::row::Row;
    use crate::station::{MOST_SENSORS, News, Sensor, Station};

    struct Nobody;

    impl Watcher for Nobody {
        fn news(&mut self, _: &Sensor, _: &Row, _: &News) {}

        fn note(&mut self, _: &str) {}
    }

    /// One sensor more than there may be: none of its lines counts as kept, and it is to come again.
    #[test]
    fn a_sensor_too_many_has_nothing_kept() {
        let record = Record {
            sequence: 0,
            time_ms: 0,
            state: humtick::State::Seeking,
            frequency: None,
            uncertainty: None,
            rocof: None,
            missed: 0,
            rejected: 0,
        };
        let mut desk = Desk::new(Station::new(Default::default(), None, Instant::now()), None);
        for way in 0..MOST_SENSORS as u64 {
            let name = Name::like(&format!("s{way}"));
            assert!(desk.claim(&name, Way(way), &record, &mut Nobody).is_some());
        }
        let mut text = b"name pump\r\n".to_vec();
        text.extend_from_slice(link::line(&record, &mut [0; MAX_LINE]));
        for is_heard in [true, false] {
            let peer = SocketAddr::from(([10, 0, 0, 7], 7_311));
            let new = if is_heard { Feed::connected } else { Feed::new };
            let mut feed = new(u64::MAX, None, peer);
            feed.take(&text, &mut desk, &mut Nobody);
            assert_eq!((feed.lines(), feed.sensor(), feed.is_put_off()), (0, None, is_heard));
        }
    }
}
