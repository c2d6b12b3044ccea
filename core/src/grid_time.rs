//! Grid time: what a clock driven by the mains shows, less the time that went by. cycles / nominal - elapsed, which is the
//! integral of (f - f0)/f0 (the quantity that Regulation (EU) 2017/1485, Art. 181, has control areas watch and correct).
//!
//! ```
//! use humtick::grid_time::GridTime;
//! use humtick::{Config, Crossing, Frequency, Stamp, TickRate};
//!
//! let config = Config::mains(TickRate::from_hz(2_000_000).unwrap());
//! let mut time = GridTime::new(&config, Frequency::from_millihertz(50_000)).unwrap();
//! // 2501 cycles of 50.02 Hz last 50 s; a clock driven by them shows 50.02 s.
//! for cycle in 0..=2501 {
//!     time.push(Crossing { stamp: Stamp::new((u64::from(cycle) * 100_000_000 / 2501) as u32), cycle });
//! }
//! assert_eq!(time.reading().unwrap().deviation_ns, 20_000_000);
//! ```
//!
//! A clock that is off by 20 ppm drifts by 1.73 s a day, about as far as a grid does: give the known error of the clock in
//! [`Config::clock_ppb`], and believe the uncertainty.

use core::fmt;

use crate::arithmetic::{Rough, share};
use crate::clock::{Clock, Timebase};
use crate::config::{Config, ConfigError};
use crate::qualify::{Continuity, Crossing, Verdict};
use crate::scale::Scale;
use crate::unit::Frequency;

/// How far grid time has come since the count began.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct GridTimeReading {
    /// Mains clock less elapsed time in nanoseconds, within 1 ns of the exact quotient; positive if the mains ran fast.
    /// Range +-292 years.
    pub deviation_ns: i64,
    /// Elapsed time in nanoseconds from the first crossing to the latest, the known clock error taken off, rounded down.
    pub elapsed_ns: u64,
    /// Cycles in that time.
    pub cycles: u64,
    /// Standard uncertainty of the deviation in nanoseconds: clock tolerance and quantisation of the two stamps. Jitter of these
    /// two, a few microseconds, is not known here and not in it.
    pub standard_uncertainty_ns: u64,
    /// Half width of the interval that holds the true deviation with 95 %, likewise.
    pub expanded_uncertainty_ns: u64,
    /// How often the count was broken and began again from zero. If this has grown, the deviation is not that of before.
    pub restarts: u32,
}

/// Counts cycles against elapsed time.
///
/// Both counts are whole numbers in 64 bits, so nothing drifts. Crossings that are missing while the meter coasts are in
/// the cycle numbers. After a loss the number of cycles is not known: the count begins again from zero. Between two crossings
/// of one count are less than 2^31 ticks, as a meter sees to by losing the signal before.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct GridTime {
    base: Timebase,
    nominal: Frequency,
    run: Option<Run>,
    restarts: u32,
}

#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Run {
    scale: Scale,
    /// Elapsed before `first`, by the clock as it was known then, and what that clock leaves uncertain of it.
    before_ns: u64,
    before_standard_ns: u64,
    before_expanded_ns: u64,
    first: i64,
    last: i64,
    last_cycle: u32,
    cycles: u64,
}

impl Run {
    /// From the first crossing to the latest.
    const fn elapsed_ns(&self, base: &Timebase) -> u64 {
        self.before_ns + nanoseconds((self.last - self.first).cast_unsigned(), base.nano_rate())
    }
}

impl GridTime {
    /// Against `nominal`, from crossings of a meter with this `config`.
    ///
    /// # Errors
    /// If the configuration is refused, or `nominal` is not within its range of frequencies.
    pub fn new(config: &Config, nominal: Frequency) -> Result<Self, GridTimeError> {
        let settings = config.check().map_err(GridTimeError::Config)?;
        if !(config.lowest..=config.highest).contains(&nominal) {
            return Err(GridTimeError::Nominal);
        }
        Ok(Self { base: settings.base, nominal, run: None, restarts: 0 })
    }

    /// Takes over what is known of the clock by now, for the time from the latest crossing on. What went before keeps the
    /// uncertainty that the clock had then. Each stretch of time with a clock of its own is rounded to nanoseconds, its length down and its
    /// uncertainty up; to say the same clock again begins none.
    pub fn set_clock(&mut self, clock: &Clock) {
        if *clock == self.base.clock {
            return;
        }
        if let Some(run) = self.run.as_mut().filter(|run| run.last != run.first) {
            let elapsed_ns = run.elapsed_ns(&self.base);
            // Nothing of the ends: this stamp ends one stretch and begins the next, so its error cancels.
            if let Some((standard, expanded)) =
                uncertainty(&self.base, elapsed_ns - run.before_ns, Rough::ZERO)
            {
                run.before_standard_ns = run.before_standard_ns.saturating_add(standard);
                run.before_expanded_ns = run.before_expanded_ns.saturating_add(expanded);
            }
            run.before_ns = elapsed_ns;
            run.first = run.last;
        }
        self.base.clock = *clock;
    }

    /// Takes a crossing whose cycle number goes on from the one before.
    pub fn push(&mut self, crossing: Crossing) {
        let Some(run) = &mut self.run else {
            let scale = Scale::new(crossing.stamp);
            let at = scale.at(crossing.stamp);
            self.run = Some(Run {
                scale,
                before_ns: 0,
                before_standard_ns: 0,
                before_expanded_ns: 0,
                first: at,
                last: at,
                last_cycle: crossing.cycle,
                cycles: 0,
            });
            return;
        };
        run.last = run.scale.advance(crossing.stamp);
        run.cycles += u64::from(crossing.cycle.wrapping_sub(run.last_cycle));
        run.last_cycle = crossing.cycle;
    }

    /// Takes what [`Meter::push`](crate::Meter::push) said, be it a crossing, a chain of them or nothing.
    pub fn take(&mut self, verdict: &Verdict) {
        match verdict {
            Verdict::Crossing(crossing) => self.push(*crossing),
            Verdict::Locked(lock) => {
                if lock.continuity == Continuity::Broken {
                    self.broken();
                }
                lock.crossings().for_each(|crossing| self.push(crossing));
            }
            _ => {}
        }
    }

    /// Says that the count of cycles does not go on from the latest crossing: the next begins a new count. May be called
    /// as soon as the signal is lost; nothing happens if there is no count.
    pub const fn broken(&mut self) {
        if self.run.take().is_some() {
            self.restarts = self.restarts.wrapping_add(1);
        }
    }

    /// Grid time at the latest crossing; `None` before the first, and after a break.
    pub fn reading(&self) -> Option<GridTimeReading> {
        let run = self.run.as_ref()?;
        let elapsed_ns = run.elapsed_ns(&self.base);
        let mains_ns = nanoseconds(run.cycles, self.nominal.nanohertz());
        let ends = self.base.quantisation().times(Rough::new(2, 0));
        // An error of the clock may be much the same from one stretch to the next, so theirs add up as they are.
        let (standard, expanded) = uncertainty(&self.base, elapsed_ns - run.before_ns, ends)?;
        Some(GridTimeReading {
            deviation_ns: mains_ns.wrapping_sub(elapsed_ns).cast_signed(),
            elapsed_ns,
            cycles: run.cycles,
            standard_uncertainty_ns: run.before_standard_ns.checked_add(standard)?,
            expanded_uncertainty_ns: run.before_expanded_ns.checked_add(expanded)?,
            restarts: self.restarts,
        })
    }
}

/// Standard and 95 % uncertainty of so many nanoseconds. The clock's tolerance a is rectangular, a/sqrt(3) and 0.95 a of the elapsed
/// time (JCGM 100:2008, 4.3.7); `ends` is the variance of the difference of two quantised stamps in squared ticks, q^2/6. It is never more than
/// q, which is what the 95 % take: without jitter the error is a pattern, and may stay near its bound.
fn uncertainty(base: &Timebase, elapsed_ns: u64, ends: Rough) -> Option<(u64, u64)> {
    let elapsed = Rough::new(elapsed_ns.max(1), 0);
    let tick = Rough::new(NANO * NANO, 0).over(Rough::new(base.nano_rate(), 0)).over(elapsed);
    let ends = tick.times(tick).times(ends);
    let (standard, expanded) = base.with(ends, ends.times(Rough::new(6, 0)));
    Some((elapsed.times(standard).ceil()?, elapsed.times(expanded).ceil()?))
}

const NANO: u64 = 1_000_000_000;

/// How long `count` events last of which 10^-9 * `nano_rate` come in a second, in nanoseconds rounded down.
const fn nanoseconds(count: u64, nano_rate: u64) -> u64 {
    let each = NANO * NANO;
    // No rate is zero, and the product stays below 2^64 for 584 years.
    match (each.checked_div(nano_rate), each.checked_rem(nano_rate)) {
        (Some(whole), Some(rest)) => count.wrapping_mul(whole).wrapping_add(share(count, rest, nano_rate)),
        _ => 0,
    }
}

/// Why grid time was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum GridTimeError {
    /// The meter's configuration is not valid.
    Config(ConfigError),
    /// The nominal frequency is not one the meter follows.
    Nominal,
}

impl fmt::Display for GridTimeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Config(error) => error.fmt(f),
            Self::Nominal => {
                f.write_str("the nominal frequency must be between the meter's lowest and highest")
            }
        }
    }
}

impl core::error::Error for GridTimeError {}
