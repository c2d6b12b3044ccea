//! The pipeline in one piece: edges in, readings out.

use core::marker::PhantomData;

use crate::arithmetic::IS_SMALL;
use crate::chain::Chain;
use crate::clock::Clock;
use crate::config::{Config, ConfigError, Settings};
use crate::estimate::{Estimator, Fit, LeastSquares, Window};
use crate::limit::MAX_BOTH;
use crate::qualify::{Crossing, State, Verdict};
use crate::reading::{self, Reading};
use crate::source::Source;
use crate::unit::{Edge, Frequency, Polarity, Stamp, Ticks};

/// Qualifies edges, fits the latest crossings, and says at even intervals what the frequency is.
///
/// `N` is the most crossings of one polarity a window may hold: 64 hold one second at up to 63 Hz. Where the window in time
/// asks for more, it is as long as `N` crossings are. `E` is the estimator.
///
/// `CHAINS` is 1 for edges of the polarity that [`Config::polarity`] names, or 2 for both. Rising and falling edges are then two
/// interleaved chains, each numbered and fitted by itself with a level of its own, and only their slopes are brought together: full
/// periods at every half cycle, never a half period. DC and even harmonics, which move the two opposite ways, cancel, and a tone
/// above half the frequency is seen where it is instead of folded down. Both chains must be followed for a reading.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(C)]
pub struct Meter<const N: usize, E = LeastSquares, const CHAINS: usize = 1> {
    settings: Settings,
    /// When the last reading was due.
    due: Stamp,
    /// Whether any time has come yet: `due` counts from the first edge or idle call.
    started: bool,
    /// A reading has fallen due and was not taken yet.
    ready: Option<Due>,
    chains: [Chain<N>; CHAINS],
    estimator: PhantomData<E>,
}

/// What kind of reading has fallen due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Due {
    /// A crossing came at or after the due time; the first such time that no reading was made of.
    Fit(Stamp),
    /// No crossing came; at this moment nothing was known but the state.
    Unknown(Stamp),
}

impl<const N: usize, E: Estimator, const CHAINS: usize> Meter<N, E, CHAINS> {
    /// A meter that has seen nothing.
    ///
    /// # Errors
    /// If a field of `config` is outside its range; the error says which.
    pub fn new(config: &Config) -> Result<Self, ConfigError> {
        config.check().map(Self::with)
    }

    /// A meter that has seen nothing, with settings that were checked before.
    pub const fn with(mut settings: Settings) -> Self {
        const {
            assert!(CHAINS == 1 || CHAINS == 2, "edges of one polarity or of both");
            assert!(
                CHAINS == 1 || N <= MAX_BOTH,
                "with both polarities a window holds at most 4096 crossings of each"
            );
        }
        if CHAINS == 2 {
            // Crossings come every half cycle.
            settings.share = 2;
        }
        Self {
            settings,
            chains: [Chain::new(); CHAINS],
            estimator: PhantomData,
            due: Stamp::new(0),
            started: false,
            ready: None,
        }
    }

    /// Which chain takes edges of `polarity`.
    #[inline]
    fn chain_of(&self, polarity: Polarity) -> Option<usize> {
        match (CHAINS, polarity) {
            (1, _) => (polarity == self.settings.polarity).then_some(0),
            (_, Polarity::Rising) => Some(0),
            (_, Polarity::Falling) => Some(1),
        }
    }

    /// Takes an edge and says what became of it. Edges come in order of time, less than 2^31 ticks after
    /// the edge or idle call before.
    #[inline]
    pub fn push(&mut self, edge: Edge) -> Verdict {
        let Some(index) = self.chain_of(edge.polarity) else {
            return Verdict::Unused;
        };
        if let Some(cycle) = self.follow(index, edge.stamp) {
            return Verdict::Crossing(Crossing { stamp: edge.stamp, cycle });
        }
        // Behind a reference, or the usual verdict would go through its memory too.
        let mut verdict = Verdict::Unused;
        self.judge(index, edge.stamp, &mut verdict);
        verdict
    }

    /// Takes an edge that is a crossing without doubt or special case and returns its cycle number; nothing has changed if it
    /// is not. The result fits in registers where a [`Verdict`] goes through memory: on a desktop processor the copy of one, a
    /// wide load from narrow stores, cost a quarter of a push.
    ///
    /// It calls nothing that it returns from, so it saves no registers: that was another quarter.
    #[inline(never)]
    fn follow(&mut self, index: usize, stamp: Stamp) -> Option<u32> {
        let Some(cycle) = chain(&mut self.chains, index)?.follow(stamp, &self.settings) else {
            // Where flash is small as well, an edge outside the gate's floor is judged like any other.
            return if IS_SMALL { None } else { self.follow_wide(index, stamp) };
        };
        if CHAINS == 2 {
            return self.follow_both(index, stamp, cycle);
        }
        if self.is_due(stamp) {
            return self.follow_due(stamp, cycle);
        }
        Some(cycle)
    }

    #[inline(never)]
    fn follow_wide(&mut self, index: usize, stamp: Stamp) -> Option<u32> {
        let cycle = chain(&mut self.chains, index)?.follow_wide(stamp, &self.settings)?;
        self.crossed(index, stamp);
        Some(cycle)
    }

    #[inline(never)]
    fn follow_both(&mut self, index: usize, stamp: Stamp, cycle: u32) -> Option<u32> {
        self.crossed(index, stamp);
        Some(cycle)
    }

    #[inline(never)]
    fn follow_due(&mut self, stamp: Stamp, cycle: u32) -> Option<u32> {
        self.fall_due(stamp, Due::Fit(stamp));
        Some(cycle)
    }

    /// What becomes of an edge that is anything but a matter of course.
    #[inline(never)]
    fn judge(&mut self, index: usize, stamp: Stamp, verdict: &mut Verdict) {
        if !self.started {
            (self.started, self.due) = (true, stamp);
        }
        let Some(chain) = chain(&mut self.chains, index) else { return };
        chain.judge(stamp, &self.settings, verdict);
        match verdict {
            Verdict::Crossing(_) | Verdict::Locked(_) => self.crossed(index, stamp),
            _ => self.without_crossing(stamp),
        }
    }

    /// A chain has taken a crossing: the other's time and window move on with it, and a reading may be due.
    #[inline]
    fn crossed(&mut self, index: usize, stamp: Stamp) {
        if CHAINS == 2
            && let Some(other) = self.chains.get_mut(1 - index)
        {
            other.idle(stamp, &self.settings);
            other.window.trim(stamp);
            if matches!(other.state(), State::Seeking | State::Lost) {
                self.without_crossing(stamp);
                return;
            }
        }
        self.fall_due(stamp, Due::Fit(stamp));
    }

    /// Takes over what is known of the clock by now, from a trim or a [`Discipline`](crate::Discipline): the next reading is made by it.
    pub const fn set_clock(&mut self, clock: &Clock) {
        self.settings.base.clock = *clock;
    }

    /// Says that time has come to `now` and all edges before it have been pushed. Notices missing edges and loss; needed
    /// wherever edges may stop, less than 2^31 ticks after the call or edge before.
    pub fn idle(&mut self, now: Stamp) {
        if !self.started {
            (self.started, self.due) = (true, now);
        }
        for chain in &mut self.chains {
            chain.idle(now, &self.settings);
        }
        self.without_crossing(now);
    }

    /// The reading that has fallen due, once, without rate of change. Right after a lock it waits until the window is full or
    /// holds [`LEAST_CYCLES`](crate::limit::LEAST_CYCLES) cycles.
    #[inline]
    pub fn take_reading(&mut self) -> Option<Reading> {
        let due = self.ready?;
        self.read(due)
    }

    /// As [`Meter::take_reading`], with the rate of change of frequency. Apart, so that firmware that does not ask for it does not
    /// carry it.
    pub fn take_full_reading(&mut self) -> Option<Reading> {
        let reading = self.take_reading()?;
        let rocof = reading.frequency.and_then(|_| reading::rocof(&self.chains, &self.settings));
        Some(Reading {
            rocof: rocof.map(|(rate, _)| rate),
            rocof_uncertainty: rocof.and_then(|(_, uncertainty)| uncertainty),
            ..reading
        })
    }

    #[inline(never)]
    fn read(&mut self, due: Due) -> Option<Reading> {
        match due {
            Due::Fit(now) => {
                if !self.is_ripe() {
                    return None;
                }
                self.ready = None;
                let Some(fit) = self.fit() else {
                    // Crossings that no line comes near make no frequency, now or later.
                    for chain in &mut self.chains {
                        chain.window.clear();
                    }
                    return Some(Reading::unknown(now, self.state()));
                };
                for chain in &mut self.chains {
                    chain.window.set_period(fit.line, self.settings.length());
                }
                Some(self.reading_of(fit))
            }
            Due::Unknown(now) => {
                self.ready = None;
                Some(Reading::unknown(now, self.state()))
            }
        }
    }

    /// Pushes what `source` has until a reading falls due. It knows of no time but the edges': the caller tells that by
    /// [`Meter::idle`], or a line gone dead keeps its state and gives no reading that says so.
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

    /// Whether the mains is being followed: of two chains, by the one that is worse off.
    pub fn state(&self) -> State {
        let rank = |state: &State| match state {
            State::Locked => 0,
            State::Coasting => 1,
            State::Seeking => 2,
            State::Lost => 3,
        };
        self.chains.iter().map(Chain::state).max_by_key(rank).unwrap_or(State::Seeking)
    }

    /// The fit over the present window, due or not; `None` with fewer than two crossings of a polarity.
    pub fn fit(&self) -> Option<Fit> {
        let q = self.settings.base.quantum();
        match (self.chains.first(), self.chains.get(1)) {
            (Some(a), Some(b)) => Fit::of_both::<N, E>(&a.window, &b.window, q),
            (Some(a), None) => Fit::of::<N, E>(&a.window, q),
            _ => None,
        }
    }

    /// The crossings of the present window, oldest first; with both polarities the rising ones.
    pub fn crossings(&self) -> impl Iterator<Item = Crossing> {
        self.chains.first().into_iter().flat_map(|chain| {
            let window = &chain.window;
            let mut cycle = chain.newest().wrapping_sub(window.cycles());
            window.members().enumerate().map(move |(i, member)| {
                if i > 0 {
                    cycle = cycle.wrapping_add(member.step.into());
                }
                Crossing { stamp: member.stamp, cycle }
            })
        })
    }

    /// The present windows, one for each polarity used.
    pub fn windows(&self) -> impl Iterator<Item = &Window<N>> {
        self.chains.iter().map(|chain| &chain.window)
    }

    /// What a steady ramp adds to a reading's frequency against the frequency in the middle of its window: k R^2 T^2/f with the
    /// estimator's own k (1/20 for least squares, none end to end). Subtract it where a ramp is believed. `None` where the reading has
    /// no rate of change, or the figure is beyond 2^63 nHz.
    pub fn ramp_bias(&self, reading: &Reading) -> Option<Frequency> {
        reading::ramp_bias::<E>(reading, &self.settings)
    }

    /// Time has come to `now` without a crossing.
    fn without_crossing(&mut self, now: Stamp) {
        let patience = match self.state() {
            State::Locked => return,
            // A missed edge or two only delay the reading; when the next one is due as well, it has to be said.
            State::Coasting => self.settings.every,
            State::Seeking | State::Lost => 0,
        };
        if now.offset(self.due) >= self.settings.every.saturating_add(patience).cast_signed() {
            self.fall_due(now, Due::Unknown(now));
        }
    }

    #[inline]
    fn is_due(&self, now: Stamp) -> bool {
        now.offset(self.due) >= self.settings.every.cast_signed()
    }

    /// If a reading is due at `now`, notes which, and when the next one is: whole intervals after the last.
    fn fall_due(&mut self, now: Stamp, what: Due) {
        if self.is_due(now) {
            self.make_ready((now - self.due).count(), what);
        }
    }

    #[inline(never)]
    fn make_ready(&mut self, late: u32, what: Due) {
        let every = self.settings.every;
        // Readings are a tick apart at least, so there is always a quotient.
        let intervals = if late - every < every { 1 } else { late.checked_div(every).unwrap_or(1) };
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
        self.chains.iter().all(|chain| chain.window.is_ripe(self.settings.length()))
    }

    #[cfg_attr(not(target_has_atomic = "ptr"), inline(never))]
    fn reading_of(&self, fit: Fit) -> Reading {
        // Edges that only look like crossings can bend a fit out of the range that was asked for; that is no frequency.
        if !(self.settings.shortest()..=self.settings.longest()).contains(&fit.whole_period()) {
            return Reading::unknown(fit.first + fit.span, self.state());
        }
        let frequency = reading::frequency(&fit, &self.settings);
        let uncertainty = reading::uncertainty::<E>(&fit, frequency, &self.settings);
        Reading {
            middle: fit.middle(),
            span: fit.span,
            cycles: fit.cycles,
            frequency: Some(frequency),
            rocof: None,
            rocof_uncertainty: None,
            standard_uncertainty: uncertainty.map(|(standard, _)| standard),
            expanded_uncertainty: uncertainty.map(|(_, expanded)| expanded),
            missed: self.windows().map(Window::missed).sum(),
            rejected: self.windows().map(Window::rejected).sum(),
            state: self.state(),
        }
    }
}

/// The chain at `index`; of one, that one, for the compiler to know where it is.
#[inline]
fn chain<C, const CHAINS: usize>(chains: &mut [C; CHAINS], index: usize) -> Option<&mut C> {
    if CHAINS == 1 { chains.first_mut() } else { chains.get_mut(index) }
}
