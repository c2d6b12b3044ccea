//! The pipeline in one piece: edges in, readings out.

use crate::config::{Config, ConfigError, Settings};
use crate::estimate::{Estimate, Estimator, Fit, LeastSquares, Window};
use crate::qualify::{Continuity, Crossing, PATIENCE, Qualifier, State, Verdict};
use crate::reading::{self, Reading};
use crate::source::Source;
use crate::unit::{Edge, Stamp, Ticks};

/// Qualifies edges, fits the latest crossings, and says at even intervals what the frequency is.
///
/// `N` is the most crossings a window may hold: 64 hold one second at up to 63 Hz. Where the window in time asks for more,
/// it is as long as `N` crossings are. `E` is the estimator.
#[derive(Clone, Copy, Debug)]
pub struct Meter<const N: usize, E = LeastSquares> {
    settings: Settings,
    qualifier: Qualifier,
    estimate: Estimate<N, E>,
    /// Edges refused since the newest crossing.
    refused: u8,
    /// When the last reading was due.
    due: Stamp,
    /// Whether any time has come yet: `due` counts from the first edge or idle call.
    started: bool,
    /// A reading has fallen due and was not taken yet.
    ready: Option<Due>,
}

/// What kind of reading has fallen due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Due {
    /// A crossing came at or after the due time; the first such time that no reading was made of.
    Fit(Stamp),
    /// No crossing came; at this moment nothing was known but the state.
    Unknown(Stamp),
}

impl<const N: usize, E: Estimator> Meter<N, E> {
    /// A meter that has seen nothing.
    ///
    /// # Errors
    /// If a field of `config` is outside its range; the error says which.
    pub fn new(config: &Config) -> Result<Self, ConfigError> {
        Ok(Self {
            settings: config.check()?,
            qualifier: Qualifier::new(),
            estimate: Estimate::new(),
            refused: 0,
            due: Stamp::new(0),
            started: false,
            ready: None,
        })
    }

    /// Takes an edge and says what became of it. Edges come in order of time, at most 2^31 ticks apart.
    #[inline]
    pub fn push(&mut self, edge: Edge) -> Verdict {
        if edge.polarity != self.settings.polarity {
            return Verdict::Unused;
        }
        if let Some(cycle) = self.follow(edge.stamp) {
            return Verdict::Crossing(Crossing { stamp: edge.stamp, cycle });
        }
        // Behind a reference, or the usual verdict would go through its memory too.
        let mut verdict = Verdict::Unused;
        self.judge(edge.stamp, &mut verdict);
        verdict
    }

    /// Takes an edge that is a crossing without doubt or special case and returns its cycle number; nothing has changed if it
    /// is not. The result fits in registers where a [`Verdict`] goes through memory: on a desktop processor the copy of one, a
    /// wide load from narrow stores, cost a quarter of a push.
    #[inline(never)]
    fn follow(&mut self, stamp: Stamp) -> Option<u32> {
        let cycle = self.qualifier.follow(stamp, &self.settings)?;
        if !self.estimate.slide(stamp) {
            // Nothing was coasted, so it is the cycle after the newest crossing's.
            self.join_next(stamp, 1);
        }
        self.fall_due(stamp, Due::Fit(stamp));
        Some(cycle)
    }

    /// What becomes of an edge of the used polarity that is anything but a matter of course.
    #[inline(never)]
    fn judge(&mut self, stamp: Stamp, verdict: &mut Verdict) {
        if !self.started {
            (self.started, self.due) = (true, stamp);
        }
        let newest = self.qualifier.newest();
        *verdict = self.qualifier.push(stamp, &self.settings);
        match *verdict {
            Verdict::Crossing(crossing) => {
                if self.qualifier.settled() {
                    self.estimate.clear();
                }
                self.join(crossing, newest);
                self.fall_due(stamp, Due::Fit(stamp));
            }
            Verdict::Locked(lock) => {
                if lock.continuity != Continuity::Smooth {
                    self.estimate.clear();
                }
                // The chain's edges had been counted as refused when they came, the last one excepted.
                self.refused = self.refused.saturating_sub(PATIENCE);
                let mut before = newest;
                for crossing in lock.crossings() {
                    self.join(crossing, before);
                    before = crossing.cycle;
                }
                self.fall_due(stamp, Due::Fit(stamp));
            }
            Verdict::Rejected(_) => {
                self.refused = self.refused.saturating_add(1);
                self.without_crossing(stamp);
            }
            Verdict::Seeking | Verdict::Unused => self.without_crossing(stamp),
        }
    }

    /// Says that time has come to `now` and all edges before it have been pushed. Notices missing edges and loss; needed
    /// wherever edges may stop, at least once in 2^31 ticks.
    pub fn idle(&mut self, now: Stamp) {
        if !self.started {
            (self.started, self.due) = (true, now);
        }
        self.qualifier.idle(now, &self.settings);
        self.without_crossing(now);
    }

    /// The reading that has fallen due, once. Right after a lock it waits until the window is full or holds
    /// [`LEAST_CYCLES`](crate::limit::LEAST_CYCLES) cycles.
    #[inline]
    pub fn take_reading(&mut self) -> Option<Reading> {
        let due = self.ready?;
        self.read(due)
    }

    #[inline(never)]
    fn read(&mut self, due: Due) -> Option<Reading> {
        match due {
            Due::Fit(_) => {
                if !self.is_ripe() {
                    return None;
                }
                self.ready = None;
                self.estimate.settle(self.settings.window);
                Some(self.reading_of(self.estimate.fit()?))
            }
            Due::Unknown(now) => {
                self.ready = None;
                Some(Reading::unknown(now, self.state()))
            }
        }
    }

    /// Pushes what `source` has until a reading falls due.
    ///
    /// # Errors
    /// [`nb::Error::WouldBlock`] when the source has no more edges for now; its own errors otherwise.
    pub fn poll<S: Source>(&mut self, source: &mut S) -> nb::Result<Reading, S::Error> {
        loop {
            if let Some(reading) = self.take_reading() {
                return Ok(reading);
            }
            self.push(source.next_edge()?);
        }
    }

    /// Whether the mains is being followed.
    pub fn state(&self) -> State {
        self.qualifier.state()
    }

    /// The fit over the present window, due or not; `None` with fewer than two crossings.
    pub fn fit(&self) -> Option<Fit> {
        self.estimate.fit()
    }

    /// The crossings of the present window, oldest first.
    pub fn crossings(&self) -> impl Iterator<Item = Crossing> {
        let mut cycle = self.qualifier.newest().wrapping_sub(self.window().cycles());
        self.window().members().enumerate().map(move |(i, member)| {
            if i > 0 {
                cycle = cycle.wrapping_add(member.step.into());
            }
            Crossing { stamp: member.stamp, cycle }
        })
    }

    /// The present window.
    pub const fn window(&self) -> &Window<N> {
        self.estimate.window()
    }

    fn join(&mut self, crossing: Crossing, newest: u32) {
        // Coasting ends long before a step of 256; the window restarts should one ever come.
        let step = u8::try_from(crossing.cycle.wrapping_sub(newest)).unwrap_or_else(|_| {
            self.estimate.clear();
            0
        });
        self.join_next(crossing.stamp, step);
    }

    #[inline(never)]
    fn join_next(&mut self, stamp: Stamp, step: u8) {
        let period = self.qualifier.period().unwrap_or(self.settings.longest);
        self.estimate.push(stamp, step, self.refused, self.settings.window, period);
        self.refused = 0;
    }

    /// Time has come to `now` without a crossing.
    fn without_crossing(&mut self, now: Stamp) {
        let patience = match self.state() {
            State::Locked => return,
            // A missed edge or two only delay the reading; when the next one is due as well, it has to be said.
            State::Coasting => self.settings.every,
            State::Seeking => 0,
            State::Lost => {
                // What was true before the signal went says nothing about now.
                self.estimate.clear();
                0
            }
        };
        if now.offset(self.due) >= self.settings.every.saturating_add(patience).cast_signed() {
            self.fall_due(now, Due::Unknown(now));
        }
    }

    /// If a reading is due at `now`, notes which, and when the next one is: whole intervals after the last.
    #[inline]
    fn fall_due(&mut self, now: Stamp, what: Due) {
        let late = now.offset(self.due);
        if late >= self.settings.every.cast_signed() {
            self.make_ready(late.unsigned_abs(), what);
        }
    }

    #[inline(never)]
    fn make_ready(&mut self, late: u32, what: Due) {
        let every = self.settings.every;
        let intervals = if late - every < every { 1 } else { late / every };
        self.ready = Some(match (self.ready, what) {
            // Steps that keep clearing the window must not keep the meter silent: longer than a window, and it is unknown.
            (Some(Due::Fit(since)), Due::Fit(now)) => {
                let waited = (now - since).count() > self.settings.window;
                if waited && !self.is_ripe() { Due::Unknown(now) } else { Due::Fit(since) }
            }
            (_, what) => what,
        });
        self.due = self.due + Ticks::new(every * intervals);
    }

    /// Whether there is enough for a reading.
    fn is_ripe(&self) -> bool {
        self.estimate.is_ripe(self.settings.window)
    }

    fn reading_of(&self, fit: Fit) -> Reading {
        // Edges that only look like crossings can bend a fit out of the range that was asked for; that is no frequency.
        if !(self.settings.shortest..=self.settings.longest).contains(&fit.whole_period()) {
            return Reading::unknown(fit.first + fit.span, self.state());
        }
        let frequency = reading::frequency(&fit, &self.settings);
        let uncertainty = reading::uncertainty(&fit, frequency, &self.settings);
        let window = self.estimate.window();
        Reading {
            middle: fit.middle(),
            span: fit.span,
            cycles: fit.cycles,
            frequency: Some(frequency),
            rocof: None,
            standard_uncertainty: uncertainty.map(|(standard, _)| standard),
            expanded_uncertainty: uncertainty.map(|(_, expanded)| expanded),
            missed: window.missed(),
            rejected: window.rejected(),
            state: self.state(),
        }
    }
}
