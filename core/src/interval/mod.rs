//! Ten-second readings by the method of IEC 61000-4-30, 5.1.1 (wording from memory): the whole cycles inside each interval
//! over the summed duration of exactly those cycles. A cycle that straddles an interval's end belongs to neither
//! side, intervals do not overlap, and each starts on an absolute ten-second mark.
//!
//! The core knows no absolute time: [`Intervals::align`] takes the marks from whoever does. Without them intervals run on
//! from the first crossing and say that they are not aligned.
//!
//! ```
//! use humtick::interval::{Coverage, Intervals};
//! use humtick::{Config, Edge, Meter, Stamp, TickRate};
//!
//! let config = Config::mains(TickRate::from_hz(2_000_000).unwrap());
//! let mut meter: Meter<64> = Meter::new(&config).unwrap();
//! let mut intervals = Intervals::new(&config, 10_000).unwrap();
//! intervals.align(Stamp::new(1_000_000));
//! let mut first = None;
//! for cycle in 0..600 {
//!     let verdict = meter.push(Edge::rising(Stamp::new(cycle * 40_016)));
//!     first = first.or(intervals.take(&verdict));
//! }
//! let first = first.unwrap();
//! assert_eq!((first.cycles, first.coverage, first.aligned), (499, Coverage::Complete, true));
//! // 2 MHz / 40,016
//! assert_eq!(first.frequency.unwrap().nanohertz(), 49_980_007_997);
//! ```

mod cycles;
mod moment;

use core::fmt;

use crate::arithmetic::Rough;
use crate::clock::{Clock, Timebase};
use crate::config::{Config, ConfigError};
use crate::limit::MIN_INTERVAL_MS;
use crate::qualify::{Continuity, Crossing, Verdict};
use crate::scale::{Scale, point};
use crate::unit::{Frequency, Stamp, Ticks};
use cycles::{Cycles, Jitter};
use moment::{Length, Moment};

/// Longest periods that [`Intervals::idle`] waits beyond an interval's end, and the fewest an interval may have. A chain of four
/// edges, found after a step, reaches three periods back.
const MARGIN: u32 = 4;

/// How much of an interval its crossings cover.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Coverage {
    /// From end to end: what is left at either end is at most the longest period that the meter was asked to follow. Single crossings may
    /// be missing in between, as long as the count of cycles goes on; `missed` says how many.
    Complete,
    /// More than that is left at an end: signal was missing. The frequency is that of the cycles there were.
    Partial,
    /// No whole cycle, or the count of cycles was broken inside: no frequency.
    Unknown,
}

/// The frequency over one interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct IntervalReading {
    /// First tick inside the interval.
    pub start: Stamp,
    /// Whole cycles over `duration`, the known clock error taken off, rounded to the nearest nanohertz, halves up.
    pub frequency: Option<Frequency>,
    /// Whole cycles inside the interval; 0 if the count was broken.
    pub cycles: u32,
    /// From the start of the first of those cycles to the end of the last.
    pub duration: Ticks,
    /// Cycles among them whose crossing is missing.
    pub missed: u32,
    /// Intervals between the reading before and this one that are reported nowhere: no call came while they lasted.
    pub skipped: u32,
    /// Whether the interval lies on marks from [`Intervals::align`].
    pub aligned: bool,
    /// How much of the interval the crossings cover.
    pub coverage: Coverage,
    /// Standard uncertainty of the frequency, clock tolerance included.
    pub standard_uncertainty: Option<Frequency>,
    /// Half width of the interval that holds the true frequency with 95 %, clock tolerance included.
    pub expanded_uncertainty: Option<Frequency>,
}

/// Cuts crossings into intervals, and gives a reading for each.
///
/// [`Intervals::push`] or [`Intervals::idle`] comes less than 2^31 ticks after the last, and once an interval if each is to be
/// reported while the signal is away.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Intervals {
    base: Timebase,
    length_ms: u32,
    longest: u32,
    length: Length,
    scale: Option<Scale>,
    current: Option<Interval>,
    /// The cycle count breaks before the next crossing.
    broken: bool,
}

impl Intervals {
    /// Intervals of `length_ms` milliseconds, 10,000 for the standard's, from crossings of a meter with this `config`.
    ///
    /// # Errors
    /// If the configuration is refused; if the length is below [`MIN_INTERVAL_MS`] or four periods of the lowest frequency, or
    /// reaches 2^31 ticks (ten seconds do above 214 MHz).
    pub fn new(config: &Config, length_ms: u32) -> Result<Self, IntervalError> {
        let settings = config.check().map_err(IntervalError::Config)?;
        let (base, longest) = (settings.base, settings.longest());
        // The lowest frequency keeps `longest` below 2^27.
        let length = Length::of(length_ms, base.nano_rate())
            .filter(|l| length_ms >= MIN_INTERVAL_MS && l.whole >= MARGIN * longest)
            .ok_or(IntervalError::Length)?;
        Ok(Self { base, length_ms, longest, length, scale: None, current: None, broken: false })
    }

    /// Takes over what is known of the clock by now: the running interval ends where it was to end, and is read by this clock;
    /// the next have its length.
    ///
    /// # Errors
    /// [`IntervalError::Length`], with nothing changed, if the length reaches 2^31 ticks of this clock.
    pub fn set_clock(&mut self, clock: &Clock) -> Result<(), IntervalError> {
        let base = Timebase { clock: *clock, ..self.base };
        self.length = Length::of(self.length_ms, base.nano_rate()).ok_or(IntervalError::Length)?;
        self.base = base;
        Ok(())
    }

    /// Says that an interval starts, started or will start at `mark`: an absolute ten-second mark, less than 2^31 ticks away.
    ///
    /// Call it as often as marks are known, in order of time with the crossings. The running interval ends at the mark
    /// that is nearest to where it was to end, if the correction is at most a period of the lowest frequency (the
    /// standard asks for a time clock within one cycle; value from memory). Otherwise, and at the first call, the running interval
    /// is dropped, and the next starts at the first mark after the latest crossing, but not before `mark`.
    pub fn align(&mut self, mark: Stamp) {
        let mark = self.scale.get_or_insert(Scale::new(mark)).at(mark);
        if let Some(Interval { aligned: true, end, .. }) = &mut self.current {
            let half_way = end.ticks - i64::from(self.length.whole / 2);
            let (nearest, _) = Moment::new(mark).next_after(half_way, self.length);
            if nearest.ticks.abs_diff(end.ticks) <= self.longest.into() {
                *end = nearest;
                return;
            }
        }
        let latest = self.current.as_ref().and_then(|current| current.cycles.ends);
        let before = latest.map_or(mark - 1, |ends| ends.last.max(mark - 1));
        let (start, _) = Moment::new(mark).next_after(before, self.length);
        self.current = Some(Interval::new(start, start.moved(self.length, 1), true, 0));
    }

    /// Takes a crossing; gives the reading of the interval before it if it is the first after that interval's end.
    pub fn push(&mut self, crossing: Crossing) -> Option<IntervalReading> {
        let at = self.scale.get_or_insert(Scale::new(crossing.stamp)).advance(crossing.stamp);
        let broken = core::mem::take(&mut self.broken);
        let length = self.length;
        let current = self.current.get_or_insert_with(|| {
            let start = Moment::new(at);
            Interval::new(start, start.moved(length, 1), false, 0)
        });
        if at < current.start.first_tick() {
            return None;
        }
        let mut over = None;
        if at >= current.end.first_tick() {
            // On the very end it ends the last cycle of one interval and starts the first of the next.
            if at == current.end.ticks {
                current.cycles.add(at, crossing.cycle, broken);
            }
            over = self.finish(at);
        }
        self.current.as_mut()?.cycles.add(at, crossing.cycle, broken);
        over
    }

    /// Takes what [`Meter::push`](crate::Meter::push) said, be it a crossing, a chain of them or nothing.
    pub fn take(&mut self, verdict: &Verdict) -> Option<IntervalReading> {
        match verdict {
            Verdict::Crossing(crossing) => self.push(*crossing),
            Verdict::Locked(lock) => {
                if lock.continuity == Continuity::Broken {
                    self.broken();
                }
                // A chain of three periods is shorter than an interval, so it ends no more than one.
                lock.crossings().fold(None, |over, crossing| self.push(crossing).or(over))
            }
            _ => None,
        }
    }

    /// Says that the count of cycles does not go on from the latest crossing to the next.
    pub const fn broken(&mut self) {
        self.broken = true;
    }

    /// Says that time has come to `now`. Four periods of the lowest frequency after an interval's end no crossing can
    /// belong to it any more, and its reading is given.
    pub fn idle(&mut self, now: Stamp) -> Option<IntervalReading> {
        let safe = self.scale.as_mut()?.advance(now) - i64::from(MARGIN * self.longest);
        if safe < self.current.as_ref()?.end.first_tick() {
            return None;
        }
        self.finish(safe)
    }

    /// Reads the running interval and starts the one that holds `at`.
    fn finish(&mut self, at: i64) -> Option<IntervalReading> {
        let over = self.current?;
        let (end, steps) = over.end.next_after(at, self.length);
        let start = end.moved(self.length, -1);
        self.current = Some(Interval::new(start, end, over.aligned, steps.saturating_sub(1)));
        Some(self.reading(&over))
    }

    fn reading(&self, over: &Interval) -> IntervalReading {
        let mut reading = IntervalReading {
            start: point(over.start.first_tick()),
            frequency: None,
            cycles: 0,
            duration: Ticks::ZERO,
            missed: 0,
            skipped: over.skipped,
            aligned: over.aligned,
            coverage: Coverage::Unknown,
            standard_uncertainty: None,
            expanded_uncertainty: None,
        };
        let Some((ends, cycles)) = over.cycles.whole() else {
            return reading;
        };
        let Ok(duration) = u32::try_from(ends.last - ends.first) else {
            return reading;
        };
        let longest = i64::from(self.longest);
        let covered =
            ends.first <= over.start.ticks + longest && ends.last >= over.end.first_tick() - longest;
        reading.coverage = if covered { Coverage::Complete } else { Coverage::Partial };
        (reading.cycles, reading.duration) = (cycles, Ticks::new(duration));
        reading.missed = (cycles + 1).saturating_sub(over.cycles.crossings);
        reading.frequency = self.frequency(cycles, duration);
        let uncertainty = reading.frequency.and_then(|f| self.uncertainty(f, duration, &over.cycles.jitter));
        reading.standard_uncertainty = uncertainty.map(|(standard, _)| standard);
        reading.expanded_uncertainty = uncertainty.map(|(_, expanded)| expanded);
        reading
    }

    /// cycles * rate * (1 + clock error) / duration.
    fn frequency(&self, cycles: u32, duration: u32) -> Option<Frequency> {
        let (cycles, duration, nano_rate) = (u64::from(cycles), u64::from(duration), self.base.nano_rate());
        let whole = nano_rate.checked_div(duration)?;
        // The rest is below 2^32, and so its product fits.
        let rest = (nano_rate % duration) * cycles;
        let round = u64::from(rest % duration >= duration.div_ceil(2));
        whole.checked_mul(cycles)?.checked_add(rest / duration + round).map(Frequency::from_nanohertz)
    }

    /// Type A: the stamps at both ends, each with the jitter's variance and q^2/12 of quantisation, together q^2/6, over
    /// the duration. The coverage factor is that of [`Reading`](crate::Reading) for v degrees of freedom,
    /// 1.96 + 2.41/(v - 1.05). Where jitter does not dither the quantisation its error is a pattern that may stay near its bound of
    /// q, and the 95 % take that.
    ///
    /// Type B: the clock's tolerance a is rectangular, a/sqrt(3) and 0.95 a (JCGM 100:2008, 4.3.7).
    fn uncertainty(
        &self,
        frequency: Frequency,
        duration: u32,
        jitter: &Jitter,
    ) -> Option<(Frequency, Frequency)> {
        let (twice_variance, factor) = jitter.judge()?;
        let duration = Rough::new(duration.into(), 0);
        let quantisation = self.base.quantisation().times(Rough::new(2, 0));
        let ends = twice_variance.plus(quantisation).over(duration.times(duration));
        let mut spread = ends.times(factor).times(factor);
        let q = self.base.quantum();
        let whole = q.times(q).over(duration.times(duration));
        // Half a step of jitter on each stamp dithers: twice q^2/3 in all.
        if twice_variance.times(Rough::new(3, 0)).less_than(q.times(q).times(Rough::new(2, 0)))
            && spread.less_than(whole)
        {
            spread = whole;
        }
        let f = Rough::new(frequency.nanohertz(), 0);
        let (standard, expanded) = self.base.with(ends, spread);
        let nanohertz = |relative: Rough| f.times(relative).ceil().map(Frequency::from_nanohertz);
        Some((nanohertz(standard)?, nanohertz(expanded)?))
    }
}

/// One interval, and what came in it.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Interval {
    start: Moment,
    end: Moment,
    aligned: bool,
    skipped: u32,
    cycles: Cycles,
}

impl Interval {
    const fn new(start: Moment, end: Moment, aligned: bool, skipped: u32) -> Self {
        Self { start, end, aligned, skipped, cycles: Cycles::NONE }
    }
}

/// Why intervals were refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum IntervalError {
    /// The meter's configuration is not valid.
    Config(ConfigError),
    /// The length is out of range.
    Length,
}

impl fmt::Display for IntervalError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Config(error) => error.fmt(f),
            Self::Length => f.write_str(
                "an interval must be at least 200 ms and four periods of the lowest frequency, and less than 2^31 ticks",
            ),
        }
    }
}

impl core::error::Error for IntervalError {}
