//! What is kept of a sensor's rows.

use std::time::{Duration, Instant};

use super::place::Places;
use super::trend::Course;
use crate::log::row::Row;
use crate::station::limits::Limits;
use crate::station::{Id, News, Station, Tally, Way};
use crate::wire::greeting::Name;

/// Steps over the usual one from which on a sensor was silent that says neither of what is missing: while a window fills, its middle goes
/// on by half of the usual step, and by a cycle more or less.
const SILENT: f64 = 3.0;

/// Whole steps from the first on of which the longest is the usual one: the very first of a sensor may be by a tenth of it.
const FIRST_STEPS: u32 = 16;

/// Readings in a row that short averaging times are taken from: 3.6 hours at ten a second.
const STRETCH: usize = 1 << 17;

/// Gaps and events that are listed; others are counted.
const LISTED: usize = 200;

/// Bins of the distribution: 1 mHz each, 7.5 Hz either way, which is what EN 50160 allows an island.
const BINS: i64 = 15_000;

/// Share of the readings that ten seconds must have for their mean to count.
const ENOUGH: f64 = 0.8;

/// And what they may have at most. Where a clock was set back by seconds, it showed some of them twice; and where nothing says when a
/// backlog was taken, which then lies at its arrival, it may lie over the readings of the sensor's next start.
const MOST: f64 = 1.25;

/// Why readings are missing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GapKind {
    /// The sensor had no signal, and said so.
    NoSignal,
    /// The sensor started anew.
    Restart,
    /// So many readings were lost on the way. After an hour and more numbers have turned over, and it is not known how many.
    Lost(u64),
    /// The sensor numbered nothing that is missing: it gave no reading.
    Silent,
}

/// A time without readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gap {
    /// From the last reading before it, milliseconds since 1970.
    pub from_ms: f64,
    /// Seconds to the first one after it.
    pub length_s: f64,
    /// Why.
    pub kind: GapKind,
}

/// Something that happened.
#[derive(Clone, Debug, PartialEq)]
pub struct Happened {
    /// Milliseconds since 1970.
    pub at_ms: f64,
    /// What.
    pub news: News,
}

/// The last reading: when it was taken, by the listener's clock and by the sensor's, and how many had been lost by then.
#[derive(Clone, Copy, Debug)]
struct Last {
    at_ms: f64,
    time_ms: u32,
    lost: u64,
}

/// An account of one sensor's log.
#[derive(Debug)]
pub struct Account {
    /// Its name.
    pub name: Name,
    station: Station,
    id: Option<Id>,
    start: Instant,
    first_utc: i64,
    places: Places,
    spacing_s: Option<f64>,
    /// Whole steps so far, as far as they matter.
    steps: u32,
    last: Option<Last>,
    has_lost_signal: bool,
    has_restarted: bool,
    /// Lines that were no rows.
    pub refused: u64,
    /// Frequency less nominal over time, hertz.
    pub course: Course,
    /// Readings by millihertz off nominal, and those beyond.
    pub bins: Vec<u64>,
    /// See `bins`.
    pub beyond: u64,
    sum: f64,
    count: u64,
    /// Least and most frequency in hertz, and when.
    pub extremes: Option<[(f64, f64); 2]>,
    ten: Option<(i64, f64, u32)>,
    /// Ten-second means by the number of their ten seconds since 1970, in hertz.
    pub means: Vec<(i64, f64)>,
    /// Ten seconds with readings, but too few, or more than ten seconds have, or such as have had their mean.
    pub partial: u64,
    stretch: Vec<f64>,
    longest: Vec<f64>,
    /// Gaps, as far as they are listed, and all of them by kind: how many and how many seconds.
    pub gaps: Vec<Gap>,
    /// No signal, restarts, lost on the way, silent.
    pub gap_sums: [(u64, f64); 4],
    /// Events, as far as they are listed, and how many there were.
    pub happened: Vec<Happened>,
    /// See `happened`.
    pub events: u64,
    /// Times that a reading left a limit.
    pub left: u64,
    nominal_hz: Option<f64>,
}

impl Account {
    /// Of nothing yet, with readings held to `limits` and deviations from `nominal_hz`, or 50 or 60 Hz where it is not given. `places` are
    /// of the same rows.
    pub fn new(name: Name, limits: Limits, nominal_hz: Option<f64>, places: Places) -> Self {
        let start = Instant::now();
        Self {
            name,
            station: Station::new(limits, nominal_hz, start),
            id: None,
            start,
            first_utc: 0,
            places,
            spacing_s: None,
            steps: 0,
            last: None,
            has_lost_signal: false,
            has_restarted: false,
            refused: 0,
            course: Course::default(),
            bins: vec![0; BINS as usize],
            beyond: 0,
            sum: 0.0,
            count: 0,
            extremes: None,
            ten: None,
            means: Vec::new(),
            partial: 0,
            stretch: Vec::new(),
            longest: Vec::new(),
            gaps: Vec::new(),
            gap_sums: [(0, 0.0); 4],
            happened: Vec::new(),
            events: 0,
            left: 0,
            nominal_hz,
        }
    }

    /// A line that is no row.
    pub const fn refuse(&mut self) {
        self.refused += 1;
    }

    /// Takes the next row.
    pub fn take(&mut self, row: &Row) {
        let at_ms = self.places.place(row);
        if self.id.is_none() {
            self.first_utc = row.utc_ms;
            self.id = self.station.claim(&self.name, Way(0), &row.record, self.start);
        }
        let Some(id) = self.id else { return };
        // A clock that was set back stands still here: only silence is told by it.
        let passed = u64::try_from(row.utc_ms - self.first_utc).unwrap_or(0);
        let now = self.start + Duration::from_millis(passed);
        let mut news = Vec::new();
        let before = self.tally();
        self.station.take(id, row.record, now, row.utc_ms, |what| news.push(what));
        let after = self.tally();
        if news.is_empty() {
            return;
        }
        self.has_restarted |= after.restarts > before.restarts;
        let is_late = after.late > before.late;
        for what in news {
            self.left += u64::from(matches!(what, News::Limit { left: true, .. }));
            if !matches!(what, News::Reading | News::Missing(_)) {
                self.events += 1;
                if self.happened.len() < LISTED {
                    self.happened.push(Happened { at_ms, news: what });
                }
            }
        }
        if is_late {
            self.fill(at_ms, after.lost);
        }
        let Some(hertz) = row.record.frequency.map(|f| f.nanohertz() as f64 / 1e9) else {
            self.has_lost_signal |= !is_late;
            self.last = self.last.map(|last| Last { lost: after.lost, ..last });
            return;
        };
        if self.nominal_hz.is_none() {
            self.nominal_hz = self.station.sensor(id).and_then(|sensor| sensor.nominal_hz);
        }
        self.spread(hertz, at_ms);
        // Those that came late fill gaps in the distribution; where they belong has been passed.
        if !is_late {
            self.follow(hertz, Last { at_ms, time_ms: row.record.time_ms, lost: after.lost });
        }
    }

    /// A reading that was missing has come late: one less is lost in the gap that it lies in.
    fn fill(&mut self, at_ms: f64, lost: u64) {
        self.last = self.last.map(|last| Last { lost, ..last });
        let holds = |gap: &Gap| (gap.from_ms..gap.from_ms + gap.length_s * 1e3).contains(&at_ms);
        let Some(place) = self.gaps.iter().rposition(holds) else { return };
        match &mut self.gaps[place].kind {
            GapKind::Lost(1) => {
                let gap = self.gaps.remove(place);
                self.gap_sums[2].0 -= 1;
                self.gap_sums[2].1 -= gap.length_s;
            }
            GapKind::Lost(missing) => *missing -= 1,
            GapKind::NoSignal | GapKind::Restart | GapKind::Silent => {}
        }
    }

    fn spread(&mut self, hertz: f64, at_ms: f64) {
        self.sum += hertz;
        self.count += 1;
        let here = (hertz, at_ms);
        let [least, most] = self.extremes.get_or_insert([here; 2]);
        if hertz < least.0 {
            *least = here;
        }
        if hertz > most.0 {
            *most = here;
        }
        let bin = ((hertz - self.nominal_hz.unwrap_or(hertz)) * 1e3).round() as i64 + BINS / 2;
        match usize::try_from(bin).ok().and_then(|bin| self.bins.get_mut(bin)) {
            Some(bin) => *bin += 1,
            None => self.beyond += 1,
        }
    }

    fn follow(&mut self, hertz: f64, here: Last) {
        let nominal = self.nominal_hz.unwrap_or(hertz);
        self.course.take(here.at_ms / 1e3, hertz - nominal);
        if let Some(last) = self.last {
            let lost = here.lost - last.lost;
            // How often it reads, only its own time tells: after a connection that took a while its first readings come all at once.
            let step_s = f64::from(here.time_ms.wrapping_sub(last.time_ms).cast_signed()) / 1e3;
            let usual = *self.spacing_s.get_or_insert(step_s);
            let is_whole = !self.has_restarted && !self.has_lost_signal && lost == 0;
            let is_new = self.steps < FIRST_STEPS;
            if !is_whole || step_s > SILENT * usual && !is_new {
                // And how long it gave none: the listener's clock may have been set meanwhile. Over a start nothing else is there.
                let length_s = if self.has_restarted { (here.at_ms - last.at_ms) / 1e3 } else { step_s };
                self.gap(Gap { from_ms: last.at_ms, length_s: length_s.max(0.0), kind: self.kind(lost) });
            }
            if is_whole && step_s > 0.0 {
                // By a sixteenth at most: a gap does not count for more, and a new pace is soon the usual one.
                let drawn = usual + (step_s - usual).min(usual) / 16.0;
                self.spacing_s = Some(if is_new { usual.max(step_s) } else { drawn });
                self.steps += u32::from(is_new);
            }
        }
        self.last = Some(here);
        (self.has_lost_signal, self.has_restarted) = (false, false);
        if self.stretch.len() < STRETCH && self.longest.len() < STRETCH {
            self.stretch.push(hertz / nominal);
        }
        let number = (here.at_ms / 10_000.0).floor() as i64;
        match &mut self.ten {
            Some((ten, sum, count)) if *ten == number => {
                *sum += hertz;
                *count += 1;
            }
            _ => {
                self.end_ten();
                self.ten = Some((number, hertz, 1));
            }
        }
    }

    const fn kind(&self, lost: u64) -> GapKind {
        if self.has_restarted {
            GapKind::Restart
        } else if self.has_lost_signal {
            GapKind::NoSignal
        } else if lost > 0 {
            GapKind::Lost(lost)
        } else {
            GapKind::Silent
        }
    }

    fn gap(&mut self, gap: Gap) {
        let place = match gap.kind {
            GapKind::NoSignal => 0,
            GapKind::Restart => 1,
            GapKind::Lost(_) => 2,
            GapKind::Silent => 3,
        };
        self.gap_sums[place].0 += 1;
        self.gap_sums[place].1 += gap.length_s;
        self.gaps.push(gap);
        if self.gaps.len() >= 2 * LISTED {
            self.list_gaps();
        }
        self.end_stretch();
    }

    /// The longest gaps, in order of time.
    fn list_gaps(&mut self) {
        self.gaps.sort_by(|a, b| b.length_s.total_cmp(&a.length_s));
        self.gaps.truncate(LISTED);
        self.gaps.sort_by(|a, b| a.from_ms.total_cmp(&b.from_ms));
    }

    fn end_stretch(&mut self) {
        if self.stretch.len() > self.longest.len() {
            std::mem::swap(&mut self.stretch, &mut self.longest);
        }
        self.stretch.clear();
    }

    fn end_ten(&mut self) {
        let Some((number, sum, count)) = self.ten.take() else { return };
        let expected = 10.0 / self.spacing_s.unwrap_or(10.0);
        // What a clock that was set back showed twice counts once.
        let is_next = self.means.last().is_none_or(|(last, _)| number > *last);
        if is_next && (ENOUGH * expected..=MOST * expected).contains(&f64::from(count)) {
            self.means.push((number, sum / f64::from(count)));
        } else {
            self.partial += 1;
        }
    }

    /// There are no more rows.
    pub fn end(&mut self) {
        self.end_ten();
        self.end_stretch();
        self.list_gaps();
    }

    /// What became of its readings.
    pub fn tally(&self) -> Tally {
        self.id.and_then(|id| self.station.sensor(id)).map_or(Tally::default(), |sensor| sensor.tally)
    }

    /// From the first reading with a frequency to the last, in seconds since 1970.
    pub fn span_s(&self) -> (f64, f64) {
        let (start, end) = self.course.span();
        (start, self.last.map_or(end, |last| (last.at_ms / 1e3).clamp(start, end)))
    }

    /// Mean of all readings in hertz.
    pub fn mean_hz(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / self.count as f64)
    }

    /// What deviations are from, in hertz.
    pub const fn nominal_hz(&self) -> Option<f64> {
        self.nominal_hz
    }

    /// Usual seconds from one reading to the next.
    pub const fn spacing_s(&self) -> Option<f64> {
        self.spacing_s
    }

    /// The longest stretch of readings without a gap, as fractions of nominal; cut off where it is longer than is kept.
    pub fn longest(&self) -> &[f64] {
        &self.longest
    }

    /// The longest stretch of ten-second means that follow one another, as fractions of nominal.
    pub fn longest_means(&self) -> Vec<f64> {
        let nominal = self.nominal_hz.unwrap_or(1.0);
        let stretches = self.means.chunk_by(|a, b| a.0 + 1 == b.0);
        let longest = stretches.max_by_key(|stretch| stretch.len()).unwrap_or_default();
        longest.iter().map(|(_, hz)| hz / nominal).collect()
    }
}

#[cfg(test)]
mod tests;
