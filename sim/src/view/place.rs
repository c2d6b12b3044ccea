//! When a reading was taken, by the listener's clock.
//!
//! It comes after it was taken: as a rule a little later, after a broken connection hours. The sensor's own time tells exactly how far apart
//! its readings are, but not when it started, and drifts. What is to be added to it, the offset, is the least that a reading took, of those
//! before and after: a backlog that comes first of all says nothing about itself, and what comes next does. So the rows are gone through
//! twice, [`Survey`] first and then [`Places`].
//!
//! Where the sensor starts anew or the listener's clock is set back, a run begins, which has nothing to do with what was before. A run is
//! cut into blocks of a minute, each with the least that any of its readings took. From the last block that came at the pace of time, back to
//! the start: a block that took longer than the one behind it, and than two clocks can have drifted apart, is a backlog. Its offset lies on the
//! line between the blocks about it, or is that of the only one. What comes after the last such block has the offset of that.
//!
//! A listener's clock that is set forward makes the earlier offset the less, and is followed where it was set; by less than half a minute, from
//! the next block on. One that stood still while the listener was off does the opposite, as if all before had come late: where that came
//! steadily, at the pace of time, it is believed.

use humtick::link::Arrival;

use crate::log::row::Row;
use crate::wire::arrivals::Arrivals;

/// What the sensor's and the listener's clock may drift apart, both ordinary quartz with margin: 200 ppm. A sensor that is worse and fast, a
/// ceramic resonator's say, is placed early by up to [`STOOD_STILL_MS`].
const DRIFT: f64 = 200e-6;

/// How long blocks are, by the sensor's time: drift within one is 12 ms at most, and a month has 43,200 of them, 1 MB.
const BLOCK_MS: i64 = 60_000;

/// A reading that comes so much later than the one before, beyond what passed between them, begins a block: behind it is a backlog, or a
/// clock that was set forward. A shorter wait is not half of a block, and alone does not make a backlog look live.
const WAIT_MS: i64 = BLOCK_MS / 2;

/// The listener's clock was set back if arrivals go back by more. It stamps one row after the other, and a clock that is slewed only
/// goes slower; less than drift does in a block does no harm.
const SET_BACK_MS: i64 = 10;

/// Share of the time by which a steady block's pace may be off: 2 s in a whole block, for a network that is slow now and then.
const STEADY: i64 = 32;

/// A steady stretch that seems to have come so much later than what is behind it did not: the clock stood still, while the listener booted
/// say. A network that is so slow for a minute and never faster is not likely; taken for it, that minute lies where it came, whereas the
/// other error moves days.
const STOOD_STILL_MS: f64 = 5_000.0;

/// A row: when it came, its time as it was sent, and the same counted on past 2^32.
#[derive(Clone, Copy, Debug)]
struct Point {
    utc_ms: i64,
    sent_ms: u32,
    time_ms: i64,
}

/// Where a row belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Part {
    /// It begins a run.
    Run,
    /// It begins a block.
    Block,
    /// In the block of the row before.
    Same,
    /// It came late or again, and nothing goes on by it.
    Aside,
}

/// How fast a block came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Pace {
    /// Faster than it was taken: a backlog.
    Fast,
    /// More or less as it was taken.
    Live,
    /// As it was taken.
    Steady,
}

/// Cuts a sensor's rows into runs and blocks, in the survey and after it.
#[derive(Clone, Debug, Default)]
struct Cutter {
    arrivals: Arrivals,
    last: Option<Point>,
    /// First time of the block.
    start_ms: i64,
    /// What the block's pace is counted from.
    from: Option<Point>,
}

impl Cutter {
    /// Where the next row belongs, and its time counted on.
    fn take(&mut self, row: &Row) -> (Part, i64) {
        let arrival = self.arrivals.take(&row.record);
        let (utc_ms, sent_ms) = (row.utc_ms, row.record.time_ms);
        let first = Point { utc_ms, sent_ms, time_ms: i64::from(sent_ms) };
        let Some(last) = self.last else { return self.begin(Part::Run, first, first) };
        let passed = i64::from(sent_ms.wrapping_sub(last.sent_ms).cast_signed());
        let here = Point { time_ms: last.time_ms + passed, ..first };
        if matches!(arrival, Arrival::Again | Arrival::Late) {
            return (Part::Aside, here.time_ms);
        }
        let came = utc_ms.saturating_sub(last.utc_ms);
        if arrival == Arrival::Restarted || came < -SET_BACK_MS {
            self.begin(Part::Run, first, first)
        } else if came.saturating_sub(passed) > WAIT_MS {
            self.begin(Part::Block, here, here)
        } else if here.time_ms - self.start_ms >= BLOCK_MS {
            // From the row before: where readings are rare, a block is one row.
            self.begin(Part::Block, here, last)
        } else {
            self.last = Some(here);
            (Part::Same, here.time_ms)
        }
    }

    const fn begin(&mut self, part: Part, here: Point, from: Point) -> (Part, i64) {
        (self.last, self.from, self.start_ms) = (Some(here), Some(from), here.time_ms);
        (part, here.time_ms)
    }

    /// How fast the block has come so far.
    fn pace(&self) -> Pace {
        let Some((from, last)) = self.from.zip(self.last) else { return Pace::Fast };
        let (came, passed) = (last.utc_ms - from.utc_ms, last.time_ms - from.time_ms);
        if passed <= 0 || came < passed / 2 {
            Pace::Fast
        } else if passed >= BLOCK_MS / 2 && came.abs_diff(passed) <= (passed / STEADY).unsigned_abs() {
            Pace::Steady
        } else {
            Pace::Live
        }
    }
}

/// What is kept of a block, 24 bytes.
#[derive(Clone, Copy, Debug)]
struct Block {
    /// Its first time.
    start_ms: i64,
    /// What is added to a time for the listener's: first the least that any reading has, in the end what is right.
    offset_ms: f64,
    begins_run: bool,
    pace: Pace,
}

/// Goes through the rows of one sensor for the first time.
#[derive(Clone, Debug, Default)]
pub struct Survey {
    cutter: Cutter,
    blocks: Vec<Block>,
}

impl Survey {
    /// Takes the next row.
    pub fn take(&mut self, row: &Row) {
        let (part, time_ms) = self.cutter.take(row);
        let offset_ms = offset(row, time_ms);
        match part {
            Part::Aside => return,
            Part::Run | Part::Block => {
                let begins_run = part == Part::Run;
                self.blocks.push(Block { start_ms: time_ms, offset_ms, begins_run, pace: Pace::Fast });
            }
            Part::Same => {}
        }
        if let Some(block) = self.blocks.last_mut() {
            block.offset_ms = block.offset_ms.min(offset_ms);
            block.pace = self.cutter.pace();
        }
    }

    /// There are no more rows.
    pub fn end(mut self) -> Places {
        self.blocks.chunk_by_mut(|_, next| !next.begins_run).for_each(settle);
        Places { cutter: Cutter::default(), blocks: self.blocks, begun: 0 }
    }
}

/// What to add to `time_ms` for the moment when the row came.
const fn offset(row: &Row, time_ms: i64) -> f64 {
    row.utc_ms.saturating_sub(time_ms) as f64
}

/// Gives each block of a run the offset that is right.
fn settle(run: &mut [Block]) {
    let Some(end) = run.len().checked_sub(1) else { return };
    let last = run.iter().rposition(|block| block.pace != Pace::Fast).unwrap_or(end);
    let known = run[last].offset_ms;
    run[last..].iter_mut().for_each(|block| block.offset_ms = known);
    let mut later = last;
    for place in (0..last).rev() {
        let (here, anchor) = (run[place], run[later]);
        let (above, room) = (here.offset_ms - anchor.offset_ms, drift(here, anchor));
        let has_stood_still = here.pace == Pace::Steady && above > STOOD_STILL_MS;
        if above > room && !has_stood_still {
            run[place].offset_ms = anchor.offset_ms;
            continue;
        }
        // Between two that the clocks can have drifted from one to the other lies a line; otherwise the clock was set.
        if above.abs() <= room {
            for block in &mut run[place + 1..later] {
                block.offset_ms += above * (drift(*block, anchor) / room).min(1.0);
            }
        }
        later = place;
    }
}

/// How far the clocks may drift apart from one block to another that follows.
fn drift(from: Block, to: Block) -> f64 {
    DRIFT * (to.start_ms - from.start_ms) as f64
}

/// Says of the same rows, gone through again, when they were taken. Of rows that the survey did not see, since they were written meanwhile,
/// too: by the last block, or in a new run by its first row.
#[derive(Clone, Debug, Default)]
pub struct Places {
    cutter: Cutter,
    blocks: Vec<Block>,
    /// Blocks so far.
    begun: usize,
}

impl Places {
    /// Milliseconds since 1970 when the next row's reading was taken: never after it came.
    pub fn place(&mut self, row: &Row) -> f64 {
        let (part, time_ms) = self.cutter.take(row);
        let came = offset(row, time_ms);
        if matches!(part, Part::Run | Part::Block) {
            if self.begun == self.blocks.len() {
                let begins_run = part == Part::Run;
                let known = self.blocks.last().filter(|_| !begins_run);
                let offset_ms = known.map_or(came, |block| block.offset_ms);
                self.blocks.push(Block { start_ms: time_ms, offset_ms, begins_run, pace: Pace::Fast });
            }
            self.begun += 1;
        }
        let begun = &self.blocks[..self.begun];
        // One that came late may belong to a block that has passed.
        let holds = |block: &&Block| block.start_ms <= time_ms || block.begins_run;
        let block = if part == Part::Aside { begun.iter().rev().find(holds) } else { begun.last() };
        time_ms as f64 + block.map_or(came, |block| block.offset_ms.min(came))
    }
}

#[cfg(test)]
mod tests;
