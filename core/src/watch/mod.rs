//! Readings against limits: when a band was left, how far and for how long, and when the signal went.
//!
//! Unknown is never inside a band. A lost signal is an event of its own, and it *ends* every running excursion as
//! [`Event::CutOff`], which says that nobody saw the value come back; after the signal has returned, a value outside begins a new one. A
//! reading without a value while the meter still coasts changes nothing: what runs goes on, what waits for its minimum
//! duration goes on waiting, and is told only by a value that is outside. A band on the rate of change is silent as long as readings have
//! none.
//!
//! ```
//! use humtick::watch::{Band, Event, Side, Watch};
//! use humtick::{Config, Edge, Frequency, Meter, Stamp, TickRate};
//!
//! let config = Config::mains(TickRate::from_hz(2_000_000).unwrap());
//! let mut meter: Meter<64> = Meter::new(&config).unwrap();
//! let band = Band::millihertz(49_800, 50_200, 10);
//! let mut watch = Watch::new(&config, Frequency::from_millihertz(50_000), [band]).unwrap();
//! let mut events = Vec::new();
//! for cycle in 0..100 {
//!     meter.push(Edge::rising(Stamp::new(cycle * 40_200)));
//!     if let Some(reading) = meter.take_reading() {
//!         watch.push(&reading, |event| events.push(event));
//!     }
//! }
//! // 49.751 Hz
//! let [Event::Left(excursion)] = events[..] else { panic!("{events:?}") };
//! assert_eq!((excursion.band, excursion.side), (0, Side::Below));
//! ```

mod band;

use core::fmt;

pub use band::{
    Band, BandFault, CONTINENTAL_EUROPE, EASTERN_INTERCONNECTION, EN_50160, EN_50160_ISLAND, GREAT_BRITAIN,
    IRELAND, LOSS_OF_MAINS, NORDIC, Quantity, TEXAS, WESTERN_INTERCONNECTION,
};

use crate::config::{Config, ConfigError};
use crate::qualify::State;
use crate::reading::Reading;
use crate::scale::Scale;
use crate::unit::{Frequency, Stamp};

/// Which limit was broken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Side {
    /// The lower one.
    Below,
    /// The upper one.
    Above,
}

/// A stay outside a band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Excursion {
    /// Which of the watch's bands, counted from 0.
    pub band: u8,
    /// Which limit.
    pub side: Side,
    /// Middle of the first reading outside.
    pub start: Stamp,
    /// The value farthest outside so far, in nanohertz or nanohertz a second.
    pub extreme: i64,
    /// Ticks from `start` to the middle of the latest reading outside; in [`Event::Returned`], of the first one back inside.
    /// Counted on past 2^32.
    pub ticks: u64,
}

/// What a reading made known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Event {
    /// A band was left, and has been for its minimum duration.
    Left(Excursion),
    /// The value is back inside, by the hysteresis.
    Returned(Excursion),
    /// The signal was lost while the value was outside. Where it has been since is not known.
    CutOff(Excursion),
    /// The signal was lost; the stamp is the middle of the reading that says so.
    Lost(Stamp),
    /// The signal is back, with a first value at this stamp, so many ticks after the loss was told.
    Regained(Stamp, u64),
}

/// Holds readings against bands.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Watch<const BANDS: usize> {
    bands: [Band; BANDS],
    outside: [Option<Outside>; BANDS],
    rate_hz: u32,
    scale: Option<Scale>,
    /// Where the signal was lost, while it is.
    lost: Option<i64>,
}

#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Outside {
    start: i64,
    told: bool,
    excursion: Excursion,
}

impl<const BANDS: usize> Watch<BANDS> {
    /// Over readings of a meter with this `config`, whose rate turns milliseconds into ticks.
    ///
    /// # Errors
    /// If the configuration is refused, or a band is: the error names the band.
    pub fn new(config: &Config, nominal: Frequency, bands: [Band; BANDS]) -> Result<Self, WatchError> {
        const { assert!(BANDS >= 1 && BANDS <= 32, "a watch has 1 to 32 bands") };
        config.check().map_err(WatchError::Config)?;
        for (band, index) in bands.iter().zip(0..) {
            band.check(nominal).map_err(|fault| WatchError::Band(index, fault))?;
        }
        Ok(Self { bands, outside: [None; BANDS], rate_hz: config.rate.hz(), scale: None, lost: None })
    }

    /// Takes a reading and tells what it made known: first the return of the signal; then band by band in their order, an end before
    /// a beginning; the loss of the signal last. At most two events for each band and one for the signal.
    pub fn push(&mut self, reading: &Reading, mut tell: impl FnMut(Event)) {
        let at = self.scale.get_or_insert(Scale::new(reading.middle)).advance(reading.middle);
        if reading.state == State::Lost {
            for outside in &mut self.outside {
                if let Some(Outside { told: true, excursion, .. }) = outside.take() {
                    tell(Event::CutOff(excursion));
                }
            }
            if self.lost.is_none() {
                self.lost = Some(at);
                tell(Event::Lost(reading.middle));
            }
            return;
        }
        let frequency = reading.frequency.and_then(|f| i64::try_from(f.nanohertz()).ok());
        if frequency.is_some()
            && let Some(lost) = self.lost.take()
        {
            tell(Event::Regained(reading.middle, ticks(lost, at)));
        }
        for ((band, outside), index) in self.bands.iter().zip(&mut self.outside).zip(0..) {
            let value = match band.quantity {
                Quantity::Frequency => frequency,
                Quantity::Rocof => reading.rocof,
            };
            if let Some(value) = value {
                let least = u64::from(band.at_least_ms) * u64::from(self.rate_hz) / 1_000;
                band.hold(outside, index, (value, reading.middle, at), least, &mut tell);
            }
        }
    }

    /// The excursions that have been told and are not over, in the order of the bands.
    pub fn running(&self) -> impl Iterator<Item = Excursion> {
        self.outside.iter().flatten().filter(|outside| outside.told).map(|outside| outside.excursion)
    }

    /// Whether the signal is lost.
    pub const fn is_lost(&self) -> bool {
        self.lost.is_some()
    }
}

impl Band {
    fn side(&self, value: i64) -> Option<Side> {
        if self.low.is_some_and(|low| value < low) {
            Some(Side::Below)
        } else if self.high.is_some_and(|high| value > high) {
            Some(Side::Above)
        } else {
            None
        }
    }

    /// Whether `value` is inside the limit of `side` by the hysteresis. The sums were checked when the watch was made.
    fn is_back(&self, side: Side, value: i64) -> bool {
        match side {
            Side::Below => self.low.is_none_or(|low| value >= low.saturating_add(self.hysteresis)),
            Side::Above => self.high.is_none_or(|high| value <= high.saturating_sub(self.hysteresis)),
        }
    }

    /// Holds a value against the band; `least` is its minimum duration in ticks.
    fn hold(
        &self,
        outside: &mut Option<Outside>,
        band: u8,
        (value, stamp, at): (i64, Stamp, i64),
        least: u64,
        tell: &mut impl FnMut(Event),
    ) {
        let side = self.side(value);
        if let Some(Outside { start, told, mut excursion }) = *outside {
            // What has not been told needs no hysteresis to be over.
            let over = if told { self.is_back(excursion.side, value) } else { side != Some(excursion.side) };
            if over {
                *outside = None;
                if told {
                    excursion.ticks = ticks(start, at);
                    tell(Event::Returned(excursion));
                }
            }
        }
        // Within the hysteresis it is neither outside nor back.
        let Some(side) = side else { return };
        let outside = outside.get_or_insert(Outside {
            start: at,
            told: false,
            excursion: Excursion { band, side, start: stamp, extreme: value, ticks: 0 },
        });
        let excursion = &mut outside.excursion;
        excursion.ticks = ticks(outside.start, at);
        excursion.extreme = match side {
            Side::Below => excursion.extreme.min(value),
            Side::Above => excursion.extreme.max(value),
        };
        if !outside.told && excursion.ticks >= least {
            outside.told = true;
            tell(Event::Left(*excursion));
        }
    }
}

/// Ticks from one place to a later one; the middle of a window may lie before a moment without one.
const fn ticks(from: i64, to: i64) -> u64 {
    if to > from { to.abs_diff(from) } else { 0 }
}

/// Why a watch was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum WatchError {
    /// The meter's configuration is not valid.
    Config(ConfigError),
    /// The band with this number, counted from 0, makes no sense.
    Band(u8, BandFault),
}

impl fmt::Display for WatchError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Config(error) => error.fmt(f),
            Self::Band(index, fault) => write!(f, "band {index}: {fault}"),
        }
    }
}

impl core::error::Error for WatchError {}
