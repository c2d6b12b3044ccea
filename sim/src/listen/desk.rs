//! Where readings go: to the station, from there to the log, and to whoever watches.

use std::collections::VecDeque;
use std::time::Instant;

use humtick::State;
use humtick::link::Record;

use crate::entry::state_name;
use crate::log::folder::{Folder, Place};
use crate::log::row::Row;
use crate::station::{Id, News, Sensor, Station, Way};
use crate::wire::greeting::Name;

/// Who watches.
pub trait Watcher {
    /// What a reading of a sensor made known.
    fn news(&mut self, sensor: &Sensor, row: &Row, news: &News);

    /// Something to be said to people.
    fn note(&mut self, text: &str);
}

/// Headlines that are kept.
const HEADLINES: usize = 100;

/// News worth a line on a screen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Headline {
    /// Milliseconds since 1970.
    pub utc_ms: i64,
    /// The sensor.
    pub name: Name,
    /// What happened.
    pub text: String,
    /// Whether somebody should look.
    pub is_alarm: bool,
    /// Whether readings are missing.
    pub is_loss: bool,
}

/// The station and its log.
#[derive(Debug)]
pub struct Desk {
    station: Station,
    folder: Option<Folder>,
    /// By sensor.
    places: Vec<Place>,
    headlines: VecDeque<Headline>,
    /// It was said that the log has no room, and it has had none since.
    is_full: bool,
    now: Instant,
    utc_ms: i64,
}

impl Desk {
    /// Of a new station, writing to `folder` if there is one.
    pub fn new(station: Station, folder: Option<Folder>) -> Self {
        Self {
            station,
            folder,
            places: Vec::new(),
            headlines: VecDeque::new(),
            is_full: false,
            now: Instant::now(),
            utc_ms: 0,
        }
    }

    /// What follows comes now.
    pub const fn at(&mut self, now: Instant, utc_ms: i64) {
        (self.now, self.utc_ms) = (now, utc_ms);
    }

    /// The sensors.
    pub const fn station(&self) -> &Station {
        &self.station
    }

    /// The log.
    pub const fn folder(&self) -> Option<&Folder> {
        self.folder.as_ref()
    }

    /// The latest headlines, newest first.
    pub fn headlines(&self) -> impl ExactSizeIterator<Item = &Headline> {
        self.headlines.iter()
    }

    /// Carries trends on through silence, and says whose it is.
    pub fn advance(&mut self, watcher: &mut dyn Watcher) {
        let mut silent = Vec::new();
        self.station.advance(self.now, |id| silent.push(id));
        for sensor in silent.into_iter().filter_map(|id| self.station.sensor(id)) {
            let row = Row { utc_ms: self.utc_ms, record: sensor.last };
            tell(&mut self.headlines, sensor, &row, &News::Silent, watcher);
        }
    }

    pub(super) fn claim(
        &mut self,
        name: &Name,
        way: Way,
        record: &Record,
        watcher: &mut dyn Watcher,
    ) -> Option<Id> {
        let before = self.station.sensors().len();
        let id = self.station.claim(name, way, record, self.now)?;
        let sensor = self.station.sensor(id)?;
        if self.station.sensors().len() > before {
            if let Some(folder) = &mut self.folder {
                self.places.push(folder.add(&sensor.name));
            }
            if sensor.name != *name {
                watcher.note(&format!(
                    "{name}: a second sensor of this name is called {}; another time they may change: give each a name",
                    sensor.name
                ));
            }
        }
        Some(id)
    }

    pub(super) fn release(&mut self, id: Id, way: Way) {
        self.station.release(id, way);
    }

    pub(super) fn refuse(&mut self, id: Id) {
        self.station.refuse(id);
    }

    /// Whether a reading of the sensor can be kept.
    pub(super) fn has_room(&mut self, id: Id, watcher: &mut dyn Watcher) -> bool {
        let (Some(folder), Some(place)) = (&mut self.folder, self.places.get(id.place())) else {
            return true;
        };
        if !folder.has_room(*place) && !folder.is_failing() {
            // Many have sent much at once.
            folder.flush(self.now, &mut |notice| watcher.note(&notice.to_string()));
        }
        let has_room = folder.has_room(*place);
        if !has_room && !std::mem::replace(&mut self.is_full, true) {
            watcher.note(
                "the log has no room for more in memory: who can send readings again is to keep them, those of others are lost",
            );
        }
        has_room
    }

    pub(super) fn take(&mut self, id: Id, record: Record, watcher: &mut dyn Watcher) {
        // What is lost for want of room is said when writing goes on.
        self.has_room(id, watcher);
        let row = Row { utc_ms: self.utc_ms, record };
        let mut news = Vec::new();
        self.station.take(id, record, self.now, self.utc_ms, |what| news.push(what));
        let Some(sensor) = self.station.sensor(id) else { return };
        for what in news {
            if what == News::Reading
                && let (Some(folder), Some(place)) = (&mut self.folder, self.places.get(id.place()))
            {
                folder.take(*place, &row);
            }
            tell(&mut self.headlines, sensor, &row, &what, watcher);
        }
    }

    /// Hands what was taken to the log's files.
    pub fn flush(&mut self, watcher: &mut dyn Watcher) {
        if let Some(folder) = &mut self.folder {
            folder.flush(self.now, &mut |notice| watcher.note(&notice.to_string()));
            self.is_full &= folder.is_failing();
        }
    }

    /// Whether every reading taken of the sensor is in its file, or there is no log.
    pub fn is_kept(&self, id: Id) -> bool {
        match (&self.folder, self.places.get(id.place())) {
            (Some(folder), Some(place)) => folder.is_written(*place),
            (None, _) => true,
            (Some(_), None) => false,
        }
    }
}

/// Tells the watcher, and puts what is worth a line in front of the others. A lossy way loses readings all the time: of each sensor the last
/// loss is kept, with all that were lost so far.
fn tell(
    headlines: &mut VecDeque<Headline>,
    sensor: &Sensor,
    row: &Row,
    what: &News,
    watcher: &mut dyn Watcher,
) {
    if let Some((mut text, is_alarm)) = headline(what) {
        let missing = if let News::Missing(count) = what { Some(u64::from(*count)) } else { None };
        if let Some(missing) = missing {
            headlines.retain(|other| !other.is_loss || other.name != sensor.name);
            if sensor.tally.lost > missing {
                text = format!("{text}, {} in all", sensor.tally.lost);
            }
        }
        headlines.truncate(HEADLINES - 1);
        let (utc_ms, name) = (row.utc_ms, sensor.name.clone());
        headlines.push_front(Headline { utc_ms, name, text, is_alarm, is_loss: missing.is_some() });
    }
    watcher.news(sensor, row, what);
}

/// What is said of news, and whether it is an alarm; nothing of a mere reading.
pub fn headline(news: &News) -> Option<(String, bool)> {
    Some(match news {
        News::Reading => return None,
        News::State(state) => (state_name(*state).into(), *state == State::Lost),
        News::Restarted => ("started anew".into(), false),
        News::Missing(1) => ("1 reading missing".into(), false),
        News::Missing(count) => (format!("{count} readings missing"), false),
        News::Silent => ("silent".into(), true),
        News::Heard(after) => (format!("heard again after {:.0} s", after.as_secs_f64()), false),
        News::Limit { band, left: true, extreme } => (format!("outside {band}: {extreme:.4}"), true),
        News::Limit { band, left: false, extreme } => {
            (format!("no longer outside {band}; farthest {extreme:.4}"), false)
        }
    })
}
