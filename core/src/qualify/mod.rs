//! Which edges are crossings, and which cycle each of them began.
//!
//! # Background
//!
//! Edges come in three kinds: the crossing of each cycle; chatter, a burst of edges within a few sigma/slew around it;
//! and strays, from impulses or a floating input, anywhere. Some crossings do not come at all. A fit over stamps must not
//! bend for any of this: one missed edge in a 1 s window, taken for a cycle, would be off by 1 Hz, and one stray
//! 1 ms early by 6 mHz.
//!
//! # Solution
//!
//! *Seek*: among the latest edges look for four an equal time apart, whatever lies between. *Track*: expect the next crossing
//! one period on, and let an alpha-beta filter follow. An edge is the crossing if it is inside the gate, whose half width
//! follows the scatter that the crossings themselves show. After it, a hold-off swallows the rest of the burst. An
//! edge outside the gate is refused, but starts no hold-off, so the true crossing behind it is not lost; and the
//! seeker remembers it, so that a genuine step of frequency or phase, which puts *every* edge outside, is followed after
//! four cycles. A cycle without a crossing is counted and the gate grows, until the count can no longer be certain.
//!
//! # Preconditions
//!
//! 1. [`Meter::push`](crate::Meter::push) or [`Meter::idle`](crate::Meter::idle) comes less than 2^31 ticks (17.9 min at 2 MHz) after the last.
//! 2. Jitter is below about 2 % of a period (the chain's tolerance is a sixteenth between neighbouring intervals).
//! 3. Between two crossings the frequency drifts by less than the gate; beyond, it is a step, and costs four cycles.
//!
//! # Why the gate cannot lock itself out
//!
//! A gate narrower than the true scatter cuts the innovations it learns from; in the worst case those inside are spread
//! evenly, with a mean deviation of half the gate. The next gate is then `gate_factor`/2, at least 1.5, times the last:
//! it grows until it holds them all. Where each chain of refused edges is even in itself and only the chains jump against each other, as
//! stamps of a coarse clock do, the jump goes into the scatter.

mod seek;
mod track;

use crate::config::Settings;
use crate::unit::{Stamp, Ticks};

pub use seek::CHAIN;
use seek::{Chain, INTERVALS, Seeker};
use track::Tracker;

/// Cycles that must have gone by without a crossing before a chain of refused edges is believed instead.
const PATIENCE: u8 = 3;

/// A qualified edge: cycle number `cycle` began at `stamp`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Crossing {
    /// When the cycle began.
    pub stamp: Stamp,
    /// Its number, counted through missed edges, modulo 2^32 (2.7 years at 50 Hz).
    pub cycle: u32,
}

/// Why an edge was not believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Reject {
    /// It came `gap` after the last crossing, within the hold-off `least`.
    TooSoon {
        /// Time since the last crossing.
        gap: Ticks,
        /// The hold-off.
        least: Ticks,
    },
    /// It came `by` ticks after (before, if negative) the expected crossing, outside the half width `gate`.
    OffExpected {
        /// Signed ticks from the expected crossing.
        by: i32,
        /// Half width of the gate.
        gate: Ticks,
    },
    /// It is 2^31 ticks or more after the last crossing, or before it: the scale cannot tell.
    Ambiguous,
}

/// How a newly found chain relates to the crossings before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Continuity {
    /// Same count, same phase, same period: the gate had been too narrow.
    Smooth,
    /// Same count, but the period or the phase stepped. A fit across the step would mix the two.
    Stepped,
    /// The number of cycles in between is not known, or there were none before.
    Broken,
}

/// A chain of edges an equal time apart: the period is found, or found again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Lock {
    stamps: [Stamp; CHAIN],
    first: u32,
    /// How its crossings relate to those before.
    pub continuity: Continuity,
}

impl Lock {
    /// The crossings of the chain, oldest first; the last is the edge that completed it.
    pub fn crossings(&self) -> impl Iterator<Item = Crossing> {
        let first = self.first;
        self.stamps
            .into_iter()
            .zip(0..)
            .map(move |(stamp, i)| Crossing { stamp, cycle: first.wrapping_add(i) })
    }
}

/// What became of an edge.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Verdict {
    /// It began a cycle.
    Crossing(Crossing),
    /// It was the last of a chain of [`CHAIN`] edges, which are crossings all of them.
    Locked(Lock),
    /// No period is known yet; the edge is remembered.
    Seeking,
    /// It is no crossing.
    Rejected(Reject),
    /// It has the other polarity.
    Unused,
}

/// Whether the mains is being followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum State {
    /// No period has been found yet.
    Seeking,
    /// Crossings come where they are expected.
    Locked,
    /// Crossings are missing; the cycle count is still certain. Ends in loss after [`Config::coast_cycles`](crate::Config::coast_cycles), or
    /// sooner where the expectation may have drifted by a quarter period.
    Coasting,
    /// There was a period, and there is none any more.
    Lost,
}

/// What [`Qualifier::push`] and [`Qualifier::idle`] keep between calls.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Qualifier {
    seeker: Seeker,
    track: Option<Tracker>,
    /// Number for the first crossing of the next chain that continues nothing.
    next_cycle: u32,
    ever_locked: bool,
    /// The last edge was ambiguous.
    doubt: bool,
    /// The latest crossings rest on a gate that has since settled far narrower; see [`Qualifier::settled`].
    settled: bool,
}

impl Qualifier {
    pub const fn new() -> Self {
        Self {
            seeker: Seeker::new(),
            track: None,
            next_cycle: 0,
            ever_locked: false,
            doubt: false,
            settled: false,
        }
    }

    pub fn state(&self) -> State {
        match &self.track {
            Some(track) if track.coasted == 0 => State::Locked,
            Some(_) => State::Coasting,
            None if self.ever_locked => State::Lost,
            None => State::Seeking,
        }
    }

    /// Tracked period in whole ticks, if there is one.
    pub fn period(&self) -> Option<u32> {
        self.track.as_ref().map(Tracker::period)
    }

    /// Cycle number of the newest crossing, for as long as it is in a window: one that coasted away is in none.
    pub fn newest(&self) -> u32 {
        match &self.track {
            Some(track) => track.cycle.wrapping_sub(u32::from(track.coasted) + 1),
            None => self.next_cycle.wrapping_sub(1),
        }
    }

    /// Whether the crossing just accepted is the first after the gate settled far narrower than it began. Whoever keeps
    /// the earlier ones should let them go: a stray among the four of a chain passes the wide gate of the start.
    pub const fn settled(&self) -> bool {
        self.settled
    }

    /// The cycle that `stamp` began, if it is a crossing without doubt or special case and inside the gate's floor; otherwise
    /// nothing has changed and [`Qualifier::follow_wide`] is to look.
    #[inline]
    pub fn follow(&mut self, stamp: Stamp, settings: &Settings) -> Option<u32> {
        let track = self.track.as_mut().filter(|track| track.steady)?;
        let cycle = track.cycle;
        track.follow(stamp, settings).then_some(cycle)
    }

    /// The same anywhere inside the gate; otherwise nothing has changed and [`Qualifier::push`] is to judge.
    pub fn follow_wide(&mut self, stamp: Stamp, settings: &Settings) -> Option<u32> {
        let track = self.track.as_mut().filter(|track| track.steady)?;
        let cycle = track.cycle;
        track.follow_wide(stamp, settings).then_some(cycle)
    }

    fn after_accepted(&mut self, settings: &Settings) {
        self.seeker.clear();
        if self.track.as_ref().is_some_and(|track| !track.in_range(settings)) {
            self.lose();
        }
    }

    /// Judges an edge of the used polarity.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub fn push(&mut self, stamp: Stamp, settings: &Settings) -> Verdict {
        self.settled = false;
        let Some(track) = &mut self.track else {
            return self.seek(stamp, settings);
        };
        // An edge that is no crossing is counted or remembered, and the next crossing has to see to that.
        track.steady = false;
        let Some(gap) = stamp.since(track.last) else {
            // A stamp torn by one wrap is alone; after a silence beyond the horizon every stamp looks like this.
            if self.doubt {
                self.lose();
                return self.seek(stamp, settings);
            }
            self.doubt = true;
            return Verdict::Rejected(Reject::Ambiguous);
        };
        self.doubt = false;
        if gap.count() < settings.holdoff {
            return Verdict::Rejected(Reject::TooSoon { gap, least: Ticks::new(settings.holdoff) });
        }
        // An edge nearer to the next expectation than to this one shows that this one went by.
        while track.offset(stamp) > half(track) {
            track.skip();
            if !track.certain(settings) {
                self.lose();
                return self.seek(stamp, settings);
            }
        }
        let (by, gate) = (track.offset(stamp), track.gate(settings));
        if by.unsigned_abs() <= gate {
            let crossing = Crossing { stamp, cycle: track.cycle };
            self.settled = track.accept(stamp, settings);
            self.after_accepted(settings);
            return Verdict::Crossing(crossing);
        }
        let coasted = track.coasted;
        match self.seeker.push(stamp, settings) {
            Some(chain) if coasted >= PATIENCE => self.relock(&chain),
            _ => Verdict::Rejected(Reject::OffExpected { by, gate: Ticks::new(gate) }),
        }
    }

    /// Notices that time has come to `now` without an edge. A `now` before the latest edge does nothing.
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    pub fn idle(&mut self, now: Stamp, settings: &Settings) {
        let Some(track) = &mut self.track else {
            self.seeker.forget(now, settings);
            return;
        };
        if now.since(track.last).is_none() {
            return;
        }
        while track.offset(now) > half(track) {
            track.skip();
            if !track.certain(settings) {
                self.lose();
                return;
            }
        }
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn seek(&mut self, stamp: Stamp, settings: &Settings) -> Verdict {
        match self.seeker.push(stamp, settings) {
            Some(chain) => self.lock(&chain, self.next_cycle),
            None => Verdict::Seeking,
        }
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn relock(&mut self, chain: &Chain) -> Verdict {
        let (Some(before), newest) = (self.track, self.newest()) else {
            return self.lock(chain, self.next_cycle);
        };
        let period = before.period();
        let (cycles, phase, continuity) = match before.before(chain) {
            Some((cycles, phase, true)) => (cycles, phase, Continuity::Smooth),
            // From an eighth of a period on nobody can say how many cycles the jump was worth.
            Some((cycles, phase, false)) if cycles > 0 && phase <= period / 8 => {
                (cycles, phase, Continuity::Stepped)
            }
            _ => (1, period, Continuity::Broken),
        };
        let first = newest.wrapping_add(cycles);
        self.track = Some(Tracker::again(chain, first.wrapping_add(INTERVALS), &before, phase));
        self.seeker.clear();
        Verdict::Locked(Lock { stamps: chain.stamps, first, continuity })
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn lock(&mut self, chain: &Chain, first: u32) -> Verdict {
        self.track = Some(Tracker::new(chain, first.wrapping_add(INTERVALS)));
        self.ever_locked = true;
        self.seeker.clear();
        Verdict::Locked(Lock { stamps: chain.stamps, first, continuity: Continuity::Broken })
    }

    #[cold]
    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn lose(&mut self) {
        if let Some(track) = self.track.take() {
            self.next_cycle = track.cycle;
        }
        self.doubt = false;
        self.seeker.clear();
    }
}

const fn half(track: &Tracker) -> i32 {
    (track.period() / 2).cast_signed()
}
