//! Bands to keep to, and those that the trade writes down.
//!
//! Marks: *V* read in the document itself, *V2* in a secondary page, *M+* / *M* from memory, with high / medium confidence.
//! Tables give no hysteresis. The 10 mHz here is the accuracy that Regulation (EU) 2017/1485, Annex V, asks of
//! frequency measurement for reserves (V); half of it serves the narrow North American bands. Some rules hold means of ten
//! seconds, or a share of the year, to a band: a watch sees only the readings it is given.

use core::fmt;

use crate::unit::Frequency;

/// What a band holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Quantity {
    /// [`Reading::frequency`](crate::Reading::frequency), in nanohertz.
    Frequency,
    /// [`Reading::rocof`](crate::Reading::rocof), in nanohertz a second.
    Rocof,
}

/// Limits with hysteresis and a minimum duration.
///
/// A value is outside if it is below `low` or above `high`. An excursion begins with the first value outside, is told once values
/// have been outside for `at_least_ms`, and ends with the first value that is `hysteresis` inside the limit it broke.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Band {
    /// Which quantity.
    pub quantity: Quantity,
    /// Lower limit in nanohertz or nanohertz a second, itself inside; `None` for none.
    pub low: Option<i64>,
    /// Upper limit, itself inside; `None` for none.
    pub high: Option<i64>,
    /// How far inside the limit the value must come back, same unit; at least 0.
    pub hysteresis: i64,
    /// How long values must be outside before it is told, in milliseconds, between the middles of readings.
    pub at_least_ms: u32,
}

impl Band {
    /// Frequency from `low` to `high` millihertz, back inside by `hysteresis` millihertz.
    pub const fn millihertz(low: u32, high: u32, hysteresis: u32) -> Self {
        Self {
            quantity: Quantity::Frequency,
            low: Some(nano(low)),
            high: Some(nano(high)),
            hysteresis: nano(hysteresis),
            at_least_ms: 0,
        }
    }

    /// Frequency not below `low` millihertz, back by `hysteresis` millihertz.
    pub const fn not_below_millihertz(low: u32, hysteresis: u32) -> Self {
        Self { high: None, ..Self::millihertz(low, 0, hysteresis) }
    }

    /// Rate of change within `most` millihertz a second of zero, back inside by `hysteresis`.
    pub const fn rocof_millihertz(most: u32, hysteresis: u32) -> Self {
        Self {
            quantity: Quantity::Rocof,
            low: Some(-nano(most)),
            high: Some(nano(most)),
            hysteresis: nano(hysteresis),
            at_least_ms: 0,
        }
    }

    /// The same, told only after `ms` milliseconds outside.
    pub const fn for_at_least(self, ms: u32) -> Self {
        Self { at_least_ms: ms, ..self }
    }

    /// Whether the band makes sense around `nominal`.
    pub(super) fn check(&self, nominal: Frequency) -> Result<(), BandFault> {
        let normal = match self.quantity {
            Quantity::Frequency => i64::try_from(nominal.nanohertz()).map_err(|_| BandFault::Nominal)?,
            Quantity::Rocof => 0,
        };
        if self.low.is_none() && self.high.is_none() {
            return Err(BandFault::NoLimit);
        }
        if let (Some(low), Some(high)) = (self.low, self.high)
            && low >= high
        {
            return Err(BandFault::Order);
        }
        if self.low.is_some_and(|low| normal <= low) || self.high.is_some_and(|high| normal >= high) {
            return Err(BandFault::Nominal);
        }
        // Back at the normal value an excursion must be over, or it might never be. A limit beyond 64 bits is beyond it too.
        let back_from_low = self.low.map_or(i64::MIN, |low| low.saturating_add(self.hysteresis));
        let back_from_high = self.high.map_or(i64::MAX, |high| high.saturating_sub(self.hysteresis));
        if self.hysteresis < 0 || !(back_from_low..=back_from_high).contains(&normal) {
            return Err(BandFault::Hysteresis);
        }
        Ok(())
    }
}

const fn nano(milli: u32) -> i64 {
    milli as i64 * 1_000_000
}

/// What is wrong with a band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum BandFault {
    /// It has neither a lower nor an upper limit.
    NoLimit,
    /// The lower limit is not below the upper one.
    Order,
    /// The hysteresis is negative, or reaches from a limit beyond the nominal frequency.
    Hysteresis,
    /// The nominal frequency (no change, for a rate of change) is not inside the limits.
    Nominal,
}

impl fmt::Display for BandFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NoLimit => "a band needs a lower or an upper limit",
            Self::Order => "the lower limit must be below the upper one",
            Self::Hysteresis => {
                "the hysteresis must be at least zero and must not reach beyond the nominal frequency"
            }
            Self::Nominal => {
                "the nominal frequency (zero, for a rate of change) must lie between the limits, not on them"
            }
        })
    }
}

impl core::error::Error for BandFault {}

/// EN 50160, supply with synchronous connection, 50 Hz, means of 10 s: +-1 % for 99.5 % of a year; +4/-6 % always (V2).
pub const EN_50160: [Band; 2] = [Band::millihertz(49_500, 50_500, 10), Band::millihertz(47_000, 52_000, 10)];

/// EN 50160, supply without synchronous connection (islands), 50 Hz, means of 10 s: +-2 % for 95 % of a week; +-15 % always (V2).
pub const EN_50160_ISLAND: [Band; 2] =
    [Band::millihertz(49_000, 51_000, 10), Band::millihertz(42_500, 57_500, 10)];

/// Continental Europe: standard range +-50 mHz (V2); steady deviation at most 200 mHz (M+); instantaneous at most 800 mHz (M+); first
/// stage of load shedding at 49.0 Hz (M).
pub const CONTINENTAL_EUROPE: [Band; 4] = [
    Band::millihertz(49_950, 50_050, 10),
    Band::millihertz(49_800, 50_200, 10),
    Band::millihertz(49_200, 50_800, 10),
    Band::not_below_millihertz(49_000, 10),
];

/// Great Britain: standard range +-200 mHz (V2); statutory 49.5 to 50.5 Hz (M+); instantaneous at most 800 mHz (M+); first stage of load
/// shedding at 48.8 Hz (M).
pub const GREAT_BRITAIN: [Band; 4] = [
    Band::millihertz(49_800, 50_200, 10),
    Band::millihertz(49_500, 50_500, 10),
    Band::millihertz(49_200, 50_800, 10),
    Band::not_below_millihertz(48_800, 10),
];

/// Ireland: standard range +-200 mHz (V2); steady deviation at most 500 mHz (M+); instantaneous at most 1 Hz (M+); first stage of load
/// shedding at 48.85 Hz (M).
pub const IRELAND: [Band; 4] = [
    Band::millihertz(49_800, 50_200, 10),
    Band::millihertz(49_500, 50_500, 10),
    Band::millihertz(49_000, 51_000, 10),
    Band::not_below_millihertz(48_850, 10),
];

/// Nordic countries: standard range +-100 mHz (V2); steady deviation at most 500 mHz (M+); instantaneous at most 1 Hz (M+); first stage
/// of load shedding at 48.7 to 48.8 Hz, here 48.8 (M).
pub const NORDIC: [Band; 4] = [
    Band::millihertz(49_900, 50_100, 10),
    Band::millihertz(49_500, 50_500, 10),
    Band::millihertz(49_000, 51_000, 10),
    Band::not_below_millihertz(48_800, 10),
];

/// North America, Eastern Interconnection, 60 Hz: governor deadband +-36 mHz (M+); trigger at three times epsilon 1, +-54 mHz
/// (M+); continuous operation 59.5 to 60.5 Hz, its lower limit also the first step of load shedding (M); trip at 57.8 and 61.8 Hz (M).
pub const EASTERN_INTERCONNECTION: [Band; 4] = [
    Band::millihertz(59_964, 60_036, 5),
    Band::millihertz(59_946, 60_054, 5),
    Band::millihertz(59_500, 60_500, 10),
    Band::millihertz(57_800, 61_800, 10),
];

/// North America, Western Interconnection, 60 Hz: governor deadband +-36 mHz (M+); trigger at three times epsilon 1, +-68.4 mHz, here
/// 68 (M+); continuous operation 59.4 to 60.6 Hz (M); first step of load shedding at 59.5 Hz (M); trip at 57.0 and 61.7 Hz (M).
pub const WESTERN_INTERCONNECTION: [Band; 5] = [
    Band::millihertz(59_964, 60_036, 5),
    Band::millihertz(59_932, 60_068, 5),
    Band::millihertz(59_400, 60_600, 10),
    Band::not_below_millihertz(59_500, 10),
    Band::millihertz(57_000, 61_700, 10),
];

/// North America, Texas (ERCOT), 60 Hz: governor deadband +-17 mHz (M+); trigger at three times epsilon 1, +-90 mHz (M+); continuous
/// operation 59.4 to 60.6 Hz (M); first step of load shedding at 59.3 Hz (M); trip at 57.5 and 61.8 Hz (M).
pub const TEXAS: [Band; 5] = [
    Band::millihertz(59_983, 60_017, 5),
    Band::millihertz(59_910, 60_090, 5),
    Band::millihertz(59_400, 60_600, 10),
    Band::not_below_millihertz(59_300, 10),
    Band::millihertz(57_500, 61_800, 10),
];

/// Rate of change at which loss of mains is declared in Great Britain: 1 Hz/s for 500 ms (V). Ireland: the same (M+). No hysteresis given.
pub const LOSS_OF_MAINS: Band = Band::rocof_millihertz(1_000, 0).for_at_least(500);
