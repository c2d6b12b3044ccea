//! What a stream says: names and readings into lanes.

use std::sync::Arc;

use humtick::link::{self, MAX_LINE, Record};

use super::Tell;
use super::lane::Lane;
use super::line::Line;
use crate::wire::greeting::{DOUBTFUL, Name, no_reading};
use crate::wire::intake::{Intake, Item};

/// One stream. A lane is asked for when there is the first name or record: garbage makes none.
pub(super) struct Feed<'a> {
    intake: Intake,
    pub said: Said<'a>,
}

/// What it has said.
pub(super) struct Said<'a> {
    pub lane: Option<Arc<Lane>>,
    pub is_named: bool,
    pub is_datagrams: bool,
    /// There was no lane for it. It gets none under another name.
    pub is_turned_away: bool,
    /// Lines of this stream, refused ones included, the name excepted.
    pub lines: u64,
    /// Those that were readings.
    readings: u64,
    tell: &'a Tell,
    is_disk_failing: bool,
}

impl<'a> Feed<'a> {
    pub fn new(tell: &'a Tell) -> Self {
        Self::into(None, tell)
    }

    /// Of a stream whose lane is known.
    pub fn into(lane: Option<Arc<Lane>>, tell: &'a Tell) -> Self {
        let said = Said {
            lane,
            is_named: false,
            is_datagrams: false,
            is_turned_away: false,
            lines: 0,
            readings: 0,
            tell,
            is_disk_failing: false,
        };
        Self { intake: Intake::default(), said }
    }

    pub fn take(&mut self, bytes: &[u8], mut find: impl FnMut(Option<Name>) -> Option<Arc<Lane>>) {
        self.intake.take(bytes, |item| self.said.take(item, &mut find));
    }

    /// What comes next begins anew.
    pub fn end(&mut self, mut find: impl FnMut(Option<Name>) -> Option<Arc<Lane>>) {
        self.intake.end(|item| self.said.take(item, &mut find));
    }
}

impl Said<'_> {
    fn take(&mut self, item: Item<'_>, find: &mut impl FnMut(Option<Name>) -> Option<Arc<Lane>>) {
        match item {
            _ if self.is_turned_away => {}
            Item::Name(name) if self.lane.is_none() => {
                (self.lane, self.is_named) = (find(Some(name)), true);
                self.is_turned_away = self.lane.is_none();
            }
            Item::NoName(why) if self.lane.is_none() && self.lines == 0 => {
                self.lines += 1;
                // Datagrams say no names, and each would be told.
                if !self.is_datagrams {
                    (self.tell)(&format!("a connection: {why}; it goes by its address"));
                }
            }
            Item::Name(_) | Item::NoName(_) | Item::Refused => {
                self.lines += 1;
                self.doubt();
                self.lane.iter().for_each(|lane| lane.refuse());
            }
            // Whoever sent it has it yet, if he waits for receipts.
            Item::Reading(..) if self.lane.as_ref().is_some_and(|lane| lane.is_ending()) => {
                self.is_turned_away = true;
            }
            Item::Reading(record, came) => {
                (self.lines, self.readings) = (self.lines + 1, self.readings + 1);
                if self.lane.is_none() {
                    self.lane = find(None);
                    self.is_turned_away = self.lane.is_none();
                }
                let mut text = [0; MAX_LINE];
                let line = came.unwrap_or_else(|| {
                    let line = link::line(&record, &mut text);
                    line.strip_suffix(b"\n").unwrap_or(line)
                });
                if let Some(line) = Line::new(line) {
                    self.keep(line, &record);
                }
            }
        }
    }

    fn doubt(&self) {
        if self.lines == DOUBTFUL && self.readings == 0 {
            let who = self.lane.as_ref().map_or("a connection", |lane| lane.name.as_str());
            (self.tell)(&no_reading(who));
        }
    }

    fn keep(&mut self, line: Line, record: &Record) {
        let Some(lane) = &self.lane else { return };
        let kept = lane.take(line, record);
        let name = &lane.name;
        match (&kept, self.is_disk_failing) {
            (Err(e), false) => {
                (self.tell)(&format!("{name}: the spool cannot be written: {e}; lines wait in memory"));
            }
            (Ok(()), true) => (self.tell)(&format!("{name}: the spool can be written again")),
            _ => {}
        }
        self.is_disk_failing = kept.is_err();
    }
}
