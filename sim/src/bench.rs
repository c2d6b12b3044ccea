//! A meter on the desk: edges in, what became of them out, silences walked through.

use humtick::{Bursts, Config, Continuity, Edge, Polarity, Reading, Reject, Stamp, State, Verdict};

use crate::edge::TimedEdge;
use crate::engine::{Engine, engine};
use crate::entry::Happening;
use crate::settings::{MeterSettings, PolarityKind, SettingsError};

/// Steps of a reading's interval that a silence is walked through, so that coasting and loss are seen when they happen. After
/// that many, and once nothing is followed any more, nothing can change but the place on the wrapping scale.
const MOST_STEPS: u32 = 10_000;

/// What was counted so far.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Counts {
    /// Edges of the polarity used.
    pub edges: u64,
    /// Edges that began a cycle.
    pub crossings: u64,
    /// Edges within the hold-off.
    pub too_soon: u64,
    /// Edges outside the gate.
    pub off_expected: u64,
    /// Edges whose distance from the last one the scale cannot tell.
    pub ambiguous: u64,
}

/// A meter with the stage that gathers bursts, on a scale that does not wrap.
pub(crate) struct Bench {
    meter: Box<dyn Engine>,
    bursts: Option<Bursts>,
    polarity: PolarityKind,
    /// The latest moment the meter knows of, on the scale of [`TimedEdge::ticks`].
    now: u64,
    /// Whether it knows of any.
    started: bool,
    /// Ticks from reading to reading.
    every: u64,
    /// Ticks in a cycle, roughly: those of the highest frequency followed.
    period: u64,
    counts: Counts,
    /// Edges of either polarity refused as off the expected time since its last crossing, while it was followed.
    off_expected: [u64; 2],
}

/// What became of an edge.
pub(crate) struct Judged {
    /// The edge; of a burst the one that stands for it.
    pub edge: Edge,
    /// What the meter said.
    pub verdict: Verdict,
    /// What happened to the count of cycles.
    pub jump: Option<Happening>,
}

impl Bench {
    /// A meter that has seen nothing.
    ///
    /// # Errors
    /// Settings that do not fit the counter.
    pub fn new(settings: &MeterSettings, config: &Config) -> Result<Self, SettingsError> {
        let tick_hz = u64::from(config.rate.hz());
        Ok(Self {
            meter: engine(settings, config)?,
            bursts: settings.bursts(config)?,
            polarity: settings.polarity,
            now: 0,
            started: false,
            every: (u64::from(config.every_ms) * tick_hz / 1_000).max(1),
            period: tick_hz * 1_000_000_000 / config.highest.nanohertz(),
            counts: Counts::default(),
            off_expected: [0; 2],
        })
    }

    /// Whether edges of `polarity` matter: a burst has edges of both, whichever the meter uses.
    pub fn takes(&self, polarity: Polarity) -> bool {
        self.bursts.is_some() || self.polarity.uses(polarity)
    }

    /// Time passes to `to`, where something else happens. `each` is called whenever a burst is over, with what became of it, and after
    /// each step, with nothing; a reading may be due. Before the first edge there is no time.
    ///
    /// # Errors
    /// The first that `each` returns.
    #[inline]
    pub fn wait<E>(
        &mut self,
        to: u64,
        each: impl FnMut(&mut Self, Option<Judged>) -> Result<(), E>,
    ) -> Result<(), E> {
        if !self.started || self.now + self.every >= to {
            return Ok(());
        }
        self.walk(to, each)
    }

    fn walk<E>(
        &mut self,
        to: u64,
        mut each: impl FnMut(&mut Self, Option<Judged>) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut step = self.every;
        for steps in 0.. {
            if steps >= MOST_STEPS {
                step = if matches!(self.state(), State::Seeking | State::Lost) {
                    // Whole wraps of the stamp are nothing to the meter; below one, steps short of its horizon will do.
                    self.now += to.saturating_sub(self.now) >> 32 << 32;
                    step.max(1 << 30)
                } else {
                    step.max(self.period)
                };
            }
            let now = self.now + step;
            if now >= to {
                break;
            }
            self.now = now;
            let stamp = Stamp::new(now as u32);
            if let Some(edge) = self.bursts.as_mut().and_then(|b| b.idle(stamp)) {
                let judged = self.judge(edge);
                each(self, Some(judged))?;
            }
            self.meter.idle(stamp);
            each(self, None)?;
        }
        Ok(())
    }

    /// An edge comes. What became of it, or of the burst before; `None` while its burst lasts.
    pub fn take(&mut self, edge: TimedEdge) -> Option<Judged> {
        self.started = true;
        // A torn stamp may lie before the last one.
        self.now = self.now.max(edge.ticks);
        if self.polarity.uses(edge.polarity) {
            self.counts.edges += 1;
        }
        let edge = Edge { stamp: Stamp::new(edge.ticks as u32), polarity: edge.polarity };
        let edge = match &mut self.bursts {
            Some(bursts) => bursts.push(edge)?,
            None => edge,
        };
        Some(self.judge(edge))
    }

    fn judge(&mut self, edge: Edge) -> Judged {
        let verdict = self.meter.push(edge);
        let refused = &mut self.off_expected[usize::from(edge.polarity == Polarity::Falling)];
        let mut jump = None;
        match &verdict {
            Verdict::Crossing(_) => {
                *refused = 0;
                self.counts.crossings += 1;
            }
            Verdict::Locked(lock) => {
                // Where it was followed, its edges had been refused when they came, the last one excepted.
                let before = std::mem::take(refused);
                self.counts.off_expected -= before.min(humtick::qualify::CHAIN as u64 - 1);
                self.counts.crossings += humtick::qualify::CHAIN as u64;
                jump = match lock.continuity {
                    Continuity::Broken if before > 0 => Some(Happening::Recounted),
                    Continuity::Smooth | Continuity::Broken => None,
                    Continuity::Stepped => Some(Happening::Stepped),
                };
            }
            Verdict::Rejected(Reject::TooSoon { .. }) => self.counts.too_soon += 1,
            Verdict::Rejected(Reject::OffExpected { .. }) => {
                *refused += 1;
                self.counts.off_expected += 1;
            }
            Verdict::Rejected(Reject::Ambiguous) => self.counts.ambiguous += 1,
            Verdict::Seeking => *refused = 0,
            Verdict::Unused => {}
        }
        Judged { edge, verdict, jump }
    }

    /// The latest moment the meter knows of.
    pub const fn now(&self) -> u64 {
        self.now
    }

    /// A stamp at or before now, on the scale that does not wrap.
    pub fn place(&self, stamp: Stamp) -> u64 {
        self.now - u64::from((Stamp::new(self.now as u32) - stamp).count())
    }

    /// Ticks from reading to reading.
    pub const fn every(&self) -> u64 {
        self.every
    }

    /// Whether the mains is being followed.
    pub fn state(&self) -> State {
        self.meter.state()
    }

    /// The reading that has fallen due, with its rate of change.
    pub fn take_reading(&mut self) -> Option<Reading> {
        self.meter.take_reading()
    }

    /// The same without it, in less time.
    pub fn take_plain_reading(&mut self) -> Option<Reading> {
        self.meter.take_plain_reading()
    }

    /// What was counted so far.
    pub const fn counts(&self) -> &Counts {
        &self.counts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Time does not run backwards for an edge whose stamp is torn, and stamps are placed by it.
    #[test]
    fn a_torn_stamp_does_not_turn_time_back() {
        let settings = MeterSettings::default();
        let mut bench = Bench::new(&settings, &settings.config(2_000_000).unwrap()).unwrap();
        for ticks in [1 << 32 | 100_000, 1 << 32 | 34_464] {
            bench.take(TimedEdge { ticks, polarity: Polarity::Rising });
        }
        assert_eq!(bench.now(), 1 << 32 | 100_000);
        assert_eq!(bench.place(Stamp::new(100_000)), 1 << 32 | 100_000);
        assert_eq!(bench.place(Stamp::new(34_464)), 1 << 32 | 34_464);
        assert_eq!(bench.place(Stamp::new(100_001)), 100_001);
    }

    /// Nothing is said before the first edge; then steps of a reading's interval, and `to` itself is not one of them.
    #[test]
    fn silences_are_walked_in_steps_of_a_reading() {
        let settings = MeterSettings::default();
        let mut bench = Bench::new(&settings, &settings.config(2_000_000).unwrap()).unwrap();
        let walked = |bench: &mut Bench, to| {
            let mut steps = Vec::new();
            let Ok(()) = bench.wait(to, |bench, judged| {
                assert!(judged.is_none());
                steps.push(bench.now());
                Ok::<(), std::convert::Infallible>(())
            });
            steps
        };
        assert!(walked(&mut bench, 1_000_000).is_empty());
        bench.take(TimedEdge { ticks: 1_000_000, polarity: Polarity::Rising });
        assert!(walked(&mut bench, 1_200_000).is_empty());
        assert_eq!(walked(&mut bench, 1_400_001), [1_200_000, 1_400_000]);
    }
}
