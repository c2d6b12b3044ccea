//! One polarity's way from stamp to window: qualified, numbered, kept.

use crate::config::Settings;
use crate::estimate::{Estimate, Estimator};
use crate::qualify::{CHAIN, Continuity, Crossing, Qualifier, State, Verdict};
use crate::unit::Stamp;

/// Edges of a chain before the one that completes it.
#[allow(clippy::cast_possible_truncation, reason = "three")]
const EARLIER: u8 = CHAIN as u8 - 1;

/// The crossings of one polarity.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Chain<const N: usize, E> {
    qualifier: Qualifier,
    pub estimate: Estimate<N, E>,
    /// Edges refused since the newest crossing.
    refused: u8,
}

impl<const N: usize, E: Estimator> Chain<N, E> {
    pub const fn new() -> Self {
        Self { qualifier: Qualifier::new(), estimate: Estimate::new(), refused: 0 }
    }

    pub fn state(&self) -> State {
        self.qualifier.state()
    }

    /// Cycle number of the newest crossing.
    pub fn newest(&self) -> u32 {
        self.qualifier.newest()
    }

    /// Qualifies an edge that is a crossing without doubt or special case, inside the gate's floor, and returns its cycle number: it
    /// is then for the window to take, by sliding or by [`Chain::take_next`]. Otherwise nothing has changed.
    #[inline]
    pub fn follow(&mut self, stamp: Stamp, settings: &Settings) -> Option<u32> {
        self.qualifier.follow(stamp, settings)
    }

    /// As [`Chain::follow`], anywhere inside the gate, and with the window's part done.
    pub fn follow_wide(&mut self, stamp: Stamp, settings: &Settings) -> Option<u32> {
        let cycle = self.qualifier.follow_wide(stamp, settings)?;
        if !self.estimate.slide(stamp) {
            self.take_next(stamp, settings);
        }
        Some(cycle)
    }

    /// Takes the crossing just followed into the window. Nothing was coasted, so it is the cycle after the newest one's.
    pub fn take_next(&mut self, stamp: Stamp, settings: &Settings) {
        self.join_next(stamp, 1, settings);
    }

    /// What becomes of an edge that is anything but a matter of course.
    pub fn judge(&mut self, stamp: Stamp, settings: &Settings) -> Verdict {
        let newest = self.newest();
        let verdict = self.qualifier.push(stamp, settings);
        match verdict {
            Verdict::Crossing(crossing) => {
                if self.qualifier.settled() {
                    self.estimate.clear();
                }
                self.join(crossing, newest, settings);
            }
            Verdict::Locked(lock) => {
                if lock.continuity != Continuity::Smooth {
                    self.estimate.clear();
                }
                // The chain's edges had been counted as refused when they came, the last one excepted.
                self.refused = self.refused.saturating_sub(EARLIER);
                let mut before = newest;
                for crossing in lock.crossings() {
                    self.join(crossing, before, settings);
                    before = crossing.cycle;
                }
            }
            Verdict::Rejected(_) => self.refused = self.refused.saturating_add(1),
            Verdict::Seeking | Verdict::Unused => {}
        }
        self.forget_if_lost();
        verdict
    }

    /// Time has come to `now`.
    pub fn idle(&mut self, now: Stamp, settings: &Settings) {
        self.qualifier.idle(now, settings);
        self.forget_if_lost();
    }

    /// What was true before the signal went says nothing about now.
    fn forget_if_lost(&mut self) {
        if self.state() == State::Lost {
            self.estimate.clear();
        }
    }

    fn join(&mut self, crossing: Crossing, newest: u32, settings: &Settings) {
        // Coasting ends long before a step of 256; the window restarts should one ever come.
        let step = u8::try_from(crossing.cycle.wrapping_sub(newest)).unwrap_or_else(|_| {
            self.estimate.clear();
            0
        });
        self.join_next(crossing.stamp, step, settings);
    }

    #[inline(never)]
    fn join_next(&mut self, stamp: Stamp, step: u8, settings: &Settings) {
        let period = self.qualifier.period().unwrap_or(settings.longest());
        self.estimate.push(stamp, step, self.refused, settings.length(), period);
        self.refused = 0;
    }
}
