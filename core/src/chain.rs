//! One polarity's way from stamp to window: qualified, numbered, kept.

use crate::config::Settings;
use crate::estimate::Window;
use crate::qualify::{CHAIN, Continuity, Crossing, Qualifier, State, Verdict};
use crate::unit::Stamp;

/// Edges of a chain before the one that completes it.
#[allow(clippy::cast_possible_truncation, reason = "three")]
const EARLIER: u8 = CHAIN as u8 - 1;

/// The crossings of one polarity.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(C)]
pub(crate) struct Chain<const N: usize> {
    qualifier: Qualifier,
    /// Edges refused since the newest crossing.
    refused: u8,
    pub window: Window<N>,
}

impl<const N: usize> Chain<N> {
    pub const fn new() -> Self {
        Self { qualifier: Qualifier::new(), window: Window::new(), refused: 0 }
    }

    pub fn state(&self) -> State {
        self.qualifier.state()
    }

    /// Cycle number of the newest crossing.
    pub fn newest(&self) -> u32 {
        self.qualifier.newest()
    }

    /// Takes an edge that is a crossing without doubt or special case, inside the gate's floor, and returns its cycle number. Otherwise
    /// nothing has changed.
    #[allow(
        clippy::inline_always,
        reason = "there is one caller, and a call is a seventh of a push (`cargo bench --bench meter`)"
    )]
    #[inline(always)]
    pub fn follow(&mut self, stamp: Stamp, settings: &Settings) -> Option<u32> {
        let cycle = self.qualifier.follow(stamp, settings)?;
        self.take_next(stamp);
        Some(cycle)
    }

    /// As [`Chain::follow`], anywhere inside the gate.
    pub fn follow_wide(&mut self, stamp: Stamp, settings: &Settings) -> Option<u32> {
        let cycle = self.qualifier.follow_wide(stamp, settings)?;
        self.take_next(stamp);
        Some(cycle)
    }

    /// Takes the crossing just followed into the window. Nothing was coasted, so it is the cycle after the newest one's.
    #[inline]
    fn take_next(&mut self, stamp: Stamp) {
        self.window.push(stamp, 1, self.refused);
        self.refused = 0;
    }

    /// What becomes of an edge that is anything but a matter of course.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub fn judge(&mut self, stamp: Stamp, settings: &Settings, verdict: &mut Verdict) {
        let newest = self.newest();
        *verdict = self.qualifier.push(stamp, settings);
        match verdict {
            Verdict::Crossing(crossing) => {
                if self.qualifier.settled() {
                    self.window.clear();
                }
                self.join(*crossing, newest, settings);
            }
            Verdict::Locked(lock) => {
                if lock.continuity != Continuity::Smooth {
                    self.window.clear();
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
    }

    /// Time has come to `now`.
    pub fn idle(&mut self, now: Stamp, settings: &Settings) {
        self.qualifier.idle(now, settings);
        self.forget_if_lost();
    }

    /// What was true before the signal went says nothing about now.
    fn forget_if_lost(&mut self) {
        if self.state() == State::Lost {
            self.window.clear();
        }
    }

    fn join(&mut self, crossing: Crossing, newest: u32, settings: &Settings) {
        // Coasting ends long before a step of 256; the window restarts should one ever come.
        let step = u8::try_from(crossing.cycle.wrapping_sub(newest)).unwrap_or_else(|_| {
            self.window.clear();
            0
        });
        if self.window.is_empty() {
            self.window.set_period(self.qualifier.period().unwrap_or(settings.longest()), settings.length());
        }
        self.window.push(crossing.stamp, step, self.refused);
        self.refused = 0;
    }
}
