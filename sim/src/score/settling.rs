//! How long readings need after a step, and where there is nothing to read.

use crate::moment::Moment;
use crate::scenario::{Disturb, GridShape, Scenario};

/// Moments `every` seconds apart.
#[derive(Clone, Copy, Debug)]
struct Marks {
    at_s: f64,
    every_s: f64,
    left: u32,
    /// Whether something has to settle from here on. If not, what went before is over.
    steps: bool,
}

/// Settling after the true steps of frequency or phase: steps of the grid, phase jumps, ends of dips and interruptions.
///
/// A reading is settled if it is within twice its own 95 % half width of the frequency in the middle of its window. After a step settling
/// takes until the end of the first window from which on all are and none is missing, up to the next step or the begin of a dip; a step
/// that unsettles no reading takes no time.
#[derive(Clone, Debug)]
pub struct Settling {
    marks: Vec<Marks>,
    /// Longest time from one reading to the next, if none is missing.
    gap_s: f64,
    /// The step whose settling is watched.
    open: Option<Open>,
    /// Steps so far.
    pub steps: u64,
    /// Of these, those after which readings settled.
    pub settled: u64,
    /// Of those, the ones that unsettled no reading.
    pub unnoticed: u64,
    sum_s: f64,
    /// The longest time in seconds, and the step it followed.
    pub worst: Option<(f64, Moment)>,
}

#[derive(Clone, Copy, Debug)]
struct Open {
    at: Moment,
    /// Whether a reading was off since.
    unsettled: bool,
    /// The latest reading, or the step.
    latest: Moment,
    /// The end of the first window after the last one that was off.
    settled: Option<Moment>,
}

impl Settling {
    /// For the steps of `scenario`, whose readings are `gap_s` seconds apart at most.
    pub(super) fn new(scenario: &Scenario, gap_s: f64) -> Self {
        let one = |at_s, steps| Marks { at_s, every_s: 0.0, left: 1, steps };
        let mut marks = Vec::new();
        if let GridShape::Step { at_s, .. } = scenario.grid.shape {
            marks.push(one(at_s, true));
        }
        for disturb in &scenario.disturb {
            match *disturb {
                Disturb::PhaseJump { at_s, .. } => marks.push(one(at_s, true)),
                Disturb::Dip { at_s, length_s, times, every_s, .. } => {
                    marks.push(Marks { at_s, every_s, left: times, steps: false });
                    marks.push(Marks { at_s: at_s + length_s, every_s, left: times, steps: true });
                }
                _ => {}
            }
        }
        Self { marks, gap_s, open: None, steps: 0, settled: 0, unnoticed: 0, sum_s: 0.0, worst: None }
    }

    /// A reading whose window ends at `last`, or that says at that moment that nothing is known.
    #[inline]
    pub(super) fn take(&mut self, last: Moment, is_settled: bool) {
        if self.marks.is_empty() && self.open.is_none() {
            return;
        }
        self.come_to(last);
        if let Some(open) = &mut self.open {
            if !is_settled || last.since(open.latest) > self.gap_s {
                (open.unsettled, open.settled) = (true, None);
            }
            if is_settled && open.settled.is_none() {
                open.settled = Some(last);
            }
            open.latest = last;
        }
    }

    /// Nothing more comes after `end`.
    pub(super) fn finish(&mut self, end: Moment) {
        self.come_to(end);
        self.close();
    }

    /// Steps up to `now`.
    fn come_to(&mut self, now: Moment) {
        loop {
            let next = self.marks.iter_mut().min_by(|a, b| a.at_s.total_cmp(&b.at_s));
            let Some(mark) = next.filter(|mark| Moment::from_s(mark.at_s).since(now) <= 0.0) else { return };
            let (at, steps) = (Moment::from_s(mark.at_s), mark.steps);
            mark.at_s += mark.every_s;
            mark.left = mark.left.saturating_sub(1);
            self.marks.retain(|mark| mark.left > 0);
            self.close();
            if steps {
                self.steps += 1;
                self.open = Some(Open { at, unsettled: false, latest: at, settled: None });
            }
        }
    }

    fn close(&mut self) {
        let Some(open) = self.open.take() else { return };
        let Some(settled) = open.settled else { return };
        let time_s = if open.unsettled { settled.since(open.at) } else { 0.0 };
        self.settled += 1;
        self.unnoticed += u64::from(!open.unsettled);
        self.sum_s += time_s;
        if self.worst.is_none_or(|(worst, _)| time_s > worst) {
            self.worst = Some((time_s, open.at));
        }
    }

    /// Mean time in seconds, of those that settled.
    pub fn mean_s(&self) -> Option<f64> {
        (self.settled > 0).then(|| self.sum_s / self.settled as f64)
    }
}

/// When there is no voltage at all: dips to zero.
#[derive(Clone, Debug)]
pub(super) struct Interruptions(Vec<Interruption>);

#[derive(Clone, Copy, Debug)]
struct Interruption {
    at_s: f64,
    length_s: f64,
    times: u32,
    every_s: f64,
}

impl Interruptions {
    pub fn new(scenario: &Scenario) -> Self {
        let dips = scenario.disturb.iter().filter_map(|disturb| match *disturb {
            Disturb::Dip { at_s, length_s, residual_percent: 0.0, times, every_s } => {
                Some(Interruption { at_s, length_s, times, every_s })
            }
            _ => None,
        });
        Self(dips.collect())
    }

    /// Whether the window from `first` to `last` lies inside one.
    pub fn hold(&self, first: Moment, last: Moment) -> bool {
        self.0.iter().any(|one| {
            let after = first.since(Moment::from_s(one.at_s));
            let turn = (after / one.every_s).floor().clamp(0.0, f64::from(one.times.saturating_sub(1)));
            let begin = Moment::from_s(one.at_s + if one.times > 1 { turn * one.every_s } else { 0.0 });
            first.since(begin) >= 0.0 && last.since(begin) <= one.length_s
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::score::tests::scenario;

    fn dips(residual_percent: f64, times: u32) -> Scenario {
        let dip = Disturb::Dip { at_s: 10.0, length_s: 2.0, residual_percent, times, every_s: 20.0 };
        Scenario { disturb: vec![dip], ..scenario() }
    }

    fn settle(settling: &mut Settling, tenths: std::ops::Range<u32>, is_settled: impl Fn(f64) -> bool) {
        for tenth in tenths {
            let at = f64::from(tenth) / 10.0;
            settling.take(Moment::from_s(at), is_settled(at));
        }
    }

    /// Dips end at 12, 32 and 52 s: settled 0.5 s, 1.5 s and never before the end.
    #[test]
    fn each_step_is_timed_until_the_last_reading_that_is_off() {
        let mut settling = Settling::new(&dips(40.0, 3), 0.15);
        let off = |at: f64| {
            (10.0..12.5).contains(&at)
                || (32.0..32.4).contains(&at)
                || (33.0..33.5).contains(&at)
                || at >= 53.0
        };
        settle(&mut settling, 1..541, |at| !off(at));
        settling.finish(Moment::from_s(54.0));
        assert_eq!((settling.steps, settling.settled, settling.unnoticed), (3, 2, 0));
        let (worst, at) = settling.worst.unwrap();
        assert!((worst - 1.5).abs() < 1e-9 && at == Moment::second(32), "{worst} {at:?}");
        assert!((settling.mean_s().unwrap() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_step_that_nobody_notices_takes_no_time() {
        let mut settling = Settling::new(&dips(40.0, 1), 0.15);
        settle(&mut settling, 1..200, |_| true);
        settling.finish(Moment::second(20));
        assert_eq!((settling.steps, settling.settled, settling.unnoticed), (1, 1, 1));
        assert_eq!(settling.mean_s(), Some(0.0));
    }

    /// Three readings that never came are no better than three that are off.
    #[test]
    fn missing_readings_unsettle() {
        let mut settling = Settling::new(&dips(40.0, 1), 0.15);
        settle(&mut settling, 1..121, |_| true);
        settle(&mut settling, 125..200, |_| true);
        settling.finish(Moment::second(20));
        assert!((settling.mean_s().unwrap() - 0.5).abs() < 1e-9, "{:?}", settling.mean_s());
    }

    #[test]
    fn the_begin_of_a_dip_ends_what_went_before() {
        let mut quiet = dips(40.0, 1);
        quiet.disturb.push(Disturb::PhaseJump { at_s: 8.0, degrees: 5.0 });
        quiet.grid.shape = GridShape::Step { at_s: 15.0, size_mhz: 100.0 };
        let mut settling = Settling::new(&quiet, 0.15);
        // Off for half a second after the jump, all through the dip, and not again until 16 s.
        let on = |at: f64| (8.5..10.05).contains(&at) || (12.0..15.0).contains(&at) || at >= 16.0;
        settle(&mut settling, 1..200, on);
        settling.finish(Moment::second(20));
        assert_eq!((settling.steps, settling.settled), (3, 3));
        assert!((settling.mean_s().unwrap() - 0.5).abs() < 1e-9);
        // A step after the end has not happened.
        let mut early = Settling::new(&quiet, 0.15);
        early.finish(Moment::second(5));
        assert_eq!((early.steps, early.mean_s()), (0, None));
    }

    #[test]
    fn windows_inside_an_interruption() {
        let held = |scenario: &Scenario, first, last| {
            Interruptions::new(scenario).hold(Moment::from_s(first), Moment::from_s(last))
        };
        let thrice = dips(0.0, 3);
        assert!(held(&thrice, 10.0, 12.0) && held(&thrice, 30.5, 31.5) && held(&thrice, 51.0, 51.1));
        assert!(!held(&thrice, 9.9, 11.0) && !held(&thrice, 31.0, 32.1) && !held(&thrice, 70.5, 71.0));
        assert!(!held(&dips(1.0, 1), 10.5, 11.0));
        let once = Disturb::Dip { at_s: 10.0, length_s: 2.0, residual_percent: 0.0, times: 1, every_s: 0.0 };
        let once = Scenario { disturb: vec![once], ..scenario() };
        assert!(held(&once, 10.0, 11.0) && held(&once, 11.0, 12.0) && !held(&once, 12.5, 13.0));
    }
}
