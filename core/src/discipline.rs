//! The board's clock against one pulse per second, as a satellite receiver gives it.
//!
//! # How it works
//!
//! Pulses are captured on the scale that the mains crossings are, and are a signal of 1 Hz. So a [`Meter`] follows
//! them: it numbers them through missing ones, refuses stray ones, and fits the least-squares slope over the last
//! `N`. What it makes of 1 Hz with the rated tick rate says what the clock is off ([`Clock::trimmed`]), and its 95 %
//! uncertainty over 1.96 is the normal part of the result. Where the pulses scatter less than the ticks can dither
//! (variance of at most 1/3 tick^2, a quarter from jitter), quantisation does not average out, and its bound comes on
//! top as tolerance: 1.8 ticks over the number of pulses (half a tick each, by Cauchy-Schwarz sqrt(3)/sqrt(N^2 - 1),
//! below 1.8/N from N = 4).
//!
//! An estimate belongs to the middle of its window. From there on the tolerance grows by the stated drift, with
//! pulses or without.
//!
//! # Preconditions
//!
//! 1. [`Discipline::push`] or [`Discipline::idle`] comes less than 2^31 ticks after the last.
//! 2. `drift_ppb_per_hour` is no less than what temperature and ageing do to the clock.
//! 3. The receiver is silent without a fix: pulses that wander within the clock's own drift cannot be told from a clock that
//!    drifts.

use crate::arithmetic::Rough;
use crate::clock::{Clock, ClockError, Known};
use crate::config::Config;
use crate::estimate::LeastSquares;
use crate::meter::Meter;
use crate::qualify::{Continuity, State, Verdict};
use crate::reading::Reading;
use crate::unit::{Edge, Frequency, Polarity, Stamp, TickRate, Ticks};

/// Fastest counter for [`Discipline`] in hertz: periods of up to 1.25 s must stay below
/// [`MAX_PERIOD`](crate::limit::MAX_PERIOD) ticks.
pub const MAX_HZ: u32 = 107_000_000;

/// One pulse a second.
const PULSES: Frequency = Frequency::from_nanohertz(1_000_000_000);

/// What the pulses and the clock are like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Pulses {
    /// Rated speed of the counter, at most [`MAX_HZ`].
    pub rate: TickRate,
    /// Which edge of a pulse marks the second.
    pub polarity: Polarity,
    /// The clock as its data sheet has it. Pulses that put it beyond [`Clock::limit_ppb`] are not believed, and where
    /// nothing better is known it is the clock.
    pub board: Clock,
    /// How far the clock may drift in an hour, in parts per billion, up to 10 %.
    pub drift_ppb_per_hour: u32,
}

impl Pulses {
    /// Rising pulses, ordinary quartz (50 ppm), and 1 ppm an hour: a room of changing temperature (common practice,
    /// no source).
    pub const fn rising(rate: TickRate) -> Self {
        Self { rate, polarity: Polarity::Rising, board: Clock::QUARTZ, drift_ppb_per_hour: 1_000 }
    }

    fn meter<const N: usize>(&self) -> Result<Meter<N>, ClockError> {
        let seconds = u32::try_from(N).unwrap_or(u32::MAX).min(((1 << 31) - 1) / self.rate.hz().max(1));
        let config = Config {
            polarity: self.polarity,
            // Of 0.8 s, and two ticks on top: of navigation receivers, +-1 us, one lock in 100 is lost with a third
            // of it (simulated).
            gate_floor_ppm: 3,
            coast_cycles: HOLDOVER_AFTER,
            window_ms: seconds.saturating_mul(1_000),
            every_ms: 500,
            // Nobody asks for it.
            rocof_ms: 1_000,
            clock_tolerance_ppb: 0,
            ..Config::around(self.rate, PULSES)
        };
        Meter::new(&config).map_err(|_| ClockError::Rate)
    }
}

/// Missing pulses after which the pulses count as gone.
const HOLDOVER_AFTER: u8 = 10;

/// What the clock rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Standing {
    /// On the data sheet: ten seconds of pulses have not come yet, or the last estimate has aged so far that it is no
    /// better.
    Acquiring,
    /// On pulses that still come.
    Disciplined,
    /// On pulses that came before and have gone, or have jumped and are not judged again yet.
    Holdover,
    /// The pulses that come are refused: they would put the clock beyond its data sheet, or farther from the last
    /// estimate than its drift and both uncertainties explain. The last estimate is held while it is the better one.
    WrongReference,
}

/// Learns the clock's error from one pulse per second and holds it when they stop. `N` is the most pulses a window
/// holds; the window is shorter where 2^31 ticks are (21 s at 100 MHz). With `N` = 64 it takes 640 bytes on a 64-bit
/// machine, six for each pulse of the window among them.
///
/// A single pulse off its time is rejected and changes nothing. Steps between two pulses within the gate, 2.4 us and
/// two ticks or six mean deviations, are followed as the clock's own wander. Beyond it, three pulses in a row are
/// rejected before the window starts anew. A refused reference cannot lock itself out: the tolerance of the held
/// clock grows until it holds the reference or is no better than the data sheet.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Discipline<const N: usize> {
    meter: Meter<N, LeastSquares>,
    pulses: Pulses,
    held: Option<Held>,
    /// Whether the estimate over the pulses now coming was believed.
    believed: Option<bool>,
}

/// The last estimate that was believed.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Held {
    clock: Clock,
    /// Ticks in a true second, as the fit has them.
    second: u32,
    /// True seconds from the middle of the fit's window to `counted`.
    age_s: u32,
    counted: Stamp,
}

impl Held {
    /// Counts whole seconds up to `now`; 2^32 of them are 136 years.
    fn age(&mut self, now: Stamp) {
        if let Some(more) = now.since(self.counted) {
            let seconds = more.count() / self.second.max(1);
            self.age_s = self.age_s.saturating_add(seconds);
            self.counted = self.counted + Ticks::new(seconds * self.second);
        }
    }

    /// With what it may have drifted since; `None` beyond 10 %.
    fn drifted(&self, ppb_per_hour: u32) -> Option<Clock> {
        let drift = (u64::from(self.age_s) + 1) * u64::from(ppb_per_hour);
        self.clock.widened(u32::try_from(drift.div_ceil(3_600)).ok()?).ok()
    }
}

impl<const N: usize> Discipline<N> {
    /// One that has seen no pulse.
    ///
    /// # Errors
    /// [`ClockError::Rate`] if the tick rate is above [`MAX_HZ`], [`ClockError::Range`] if the drift is above 10 % an
    /// hour.
    pub fn new(pulses: &Pulses) -> Result<Self, ClockError> {
        if pulses.rate.hz() > MAX_HZ {
            return Err(ClockError::Rate);
        }
        // The bounds of a drift in an hour are those of a tolerance.
        Clock::new(0, pulses.drift_ppb_per_hour, 0)?;
        Ok(Self { meter: pulses.meter()?, pulses: *pulses, held: None, believed: None })
    }

    /// Takes an edge of the pulse input and says what became of it.
    pub fn push(&mut self, pulse: Edge) -> Verdict {
        let verdict = self.meter.push(pulse);
        if let Verdict::Locked(lock) = verdict {
            self.believed = None;
            // The meter starts a new window at a step that matters to mains; here no step belongs into a window.
            if lock.continuity == Continuity::Smooth
                && let Ok(meter) = self.pulses.meter()
            {
                self.meter = meter;
            }
        }
        self.advance(pulse.stamp);
        verdict
    }

    /// Says that time has come to `now` and all pulses before it have been pushed.
    pub fn idle(&mut self, now: Stamp) {
        self.meter.idle(now);
        self.advance(now);
    }

    /// The clock as it is known at the last call: the last estimate that was believed, with its drift since, or what
    /// the data sheet says if that is no worse.
    pub fn clock(&self) -> Clock {
        self.drifted().unwrap_or(self.pulses.board)
    }

    /// What [`Discipline::clock`] rests on.
    pub fn standing(&self) -> Standing {
        match (self.believed, self.drifted()) {
            (Some(false), _) => Standing::WrongReference,
            (Some(true), Some(_)) => Standing::Disciplined,
            (None, Some(_)) => Standing::Holdover,
            (_, None) => Standing::Acquiring,
        }
    }

    /// The held clock at its present age, while it is better than the data sheet.
    fn drifted(&self) -> Option<Clock> {
        let clock = self.held?.drifted(self.pulses.drift_ppb_per_hour)?;
        (clock.expanded_ppb() < self.pulses.board.expanded_ppb()).then_some(clock)
    }

    fn advance(&mut self, now: Stamp) {
        if let Some(held) = &mut self.held {
            held.age(now);
        }
        if self.meter.state() == State::Lost {
            self.believed = None;
        }
        if let Some(reading) = self.meter.take_reading()
            && let Some(estimate) = self.estimate(&reading)
        {
            let estimate = estimate.ok().filter(|held| self.is_believable(&held.clock));
            self.believed = Some(estimate.is_some());
            if let Some(mut held) = estimate {
                held.age(now);
                self.held = Some(held);
            }
        }
    }

    /// What a reading of the pulses says about the clock; `None` if it knows no frequency.
    fn estimate(&self, reading: &Reading) -> Option<Result<Held, ClockError>> {
        let fit = self.meter.fit()?;
        let frequency = reading.frequency?;
        // The 95 % of few pulses are Student's, those of a clock are 1.96 standard deviations.
        let standard = reading.expanded_uncertainty?.nanohertz().saturating_mul(25).div_ceil(49);
        let measured = Known { frequency, standard: Frequency::from_nanohertz(standard) };
        let dithered = fit.scatter.is_none_or(|s| Rough::new(1, 0).less_than(s.times(Rough::new(3, 0))));
        let bound = if dithered {
            0
        } else {
            let pulses = u64::from(fit.crossings.max(1));
            1_800_000_000_u64.div_ceil((pulses * u64::from(self.pulses.rate.hz())).max(1))
        };
        let truth = Known { frequency: PULSES, standard: Frequency::from_nanohertz(0) };
        let clock = Clock::trimmed(measured, truth)
            .and_then(|clock| clock.widened(u32::try_from(bound).unwrap_or(u32::MAX)));
        Some(clock.map(|clock| Held { clock, second: fit.whole_period(), age_s: 0, counted: fit.middle() }))
    }

    /// Whether an estimate may be this clock: within the data sheet, and within what the last one has drifted to.
    fn is_believable(&self, clock: &Clock) -> bool {
        let agrees = |with: &Clock, within: u32| {
            clock.error_ppb().abs_diff(with.error_ppb()) <= within.saturating_add(clock.expanded_ppb())
        };
        let board = &self.pulses.board;
        agrees(board, board.limit_ppb())
            && self.drifted().is_none_or(|held| agrees(&held, held.expanded_ppb()))
    }
}
