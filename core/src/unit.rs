//! Units: points and lengths on the counter's scale, its rate, and frequency.

use core::fmt;
use core::ops::{Add, Sub};

use crate::limit::{HORIZON, MAX_TICK_HZ, MIN_TICK_HZ};

/// A length on the tick scale: seconds = ticks / tick rate. Range 0 to 2^32 - 1 ticks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Ticks(u32);

impl Ticks {
    /// No length.
    pub const ZERO: Self = Self(0);

    /// A length of `count` ticks.
    pub const fn new(count: u32) -> Self {
        Self(count)
    }

    /// The number of ticks.
    pub const fn count(self) -> u32 {
        self.0
    }
}

/// A point on the wrapping 32-bit tick scale.
///
/// Stamps wrap every 2^32 ticks (35.8 min at 2 MHz), so they have no order: of two of them neither is "later".
/// What they have is a difference, `later - earlier`, right as long as it is below the horizon of 2^31 ticks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Stamp(u32);

impl Stamp {
    /// The point `raw` ticks after the scale's zero, modulo 2^32.
    pub const fn new(raw: u32) -> Self {
        Self(raw)
    }

    /// Position on the scale, 0 to 2^32 - 1.
    pub const fn raw(self) -> u32 {
        self.0
    }

    /// Ticks from `earlier` to `self`; `None` when they are 2^31 or more, which is as well a step backwards.
    pub const fn since(self, earlier: Self) -> Option<Ticks> {
        let gap = self.0.wrapping_sub(earlier.0);
        if gap < HORIZON { Some(Ticks(gap)) } else { None }
    }

    /// Signed ticks from `reference` to `self`, by the shorter way round the scale.
    pub(crate) const fn offset(self, reference: Self) -> i32 {
        self.0.wrapping_sub(reference.0).cast_signed()
    }
}

impl Sub for Stamp {
    type Output = Ticks;

    /// Ticks from `earlier` forward to `self`, modulo 2^32.
    fn sub(self, earlier: Self) -> Ticks {
        Ticks(self.0.wrapping_sub(earlier.0))
    }
}

impl Add<Ticks> for Stamp {
    type Output = Self;

    /// The point `length` later, modulo 2^32.
    fn add(self, length: Ticks) -> Self {
        Self(self.0.wrapping_add(length.0))
    }
}

/// How fast the counter counts, in hertz: 1 kHz to 1 GHz.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(
    feature = "serde",
    derive(serde::Serialize, serde::Deserialize),
    serde(try_from = "u32", into = "u32")
)]
pub struct TickRate(u32);

impl TickRate {
    /// A rate of `hz`; `None` outside [`MIN_TICK_HZ`] to [`MAX_TICK_HZ`].
    pub const fn from_hz(hz: u32) -> Option<Self> {
        if hz >= MIN_TICK_HZ && hz <= MAX_TICK_HZ { Some(Self(hz)) } else { None }
    }

    /// The rate in hertz.
    pub const fn hz(self) -> u32 {
        self.0
    }
}

/// A tick rate outside [`MIN_TICK_HZ`] to [`MAX_TICK_HZ`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RateError;

impl fmt::Display for RateError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a tick rate must be 1 kHz to 1 GHz")
    }
}

impl core::error::Error for RateError {}

impl TryFrom<u32> for TickRate {
    type Error = RateError;

    fn try_from(hz: u32) -> Result<Self, RateError> {
        Self::from_hz(hz).ok_or(RateError)
    }
}

impl From<TickRate> for u32 {
    fn from(rate: TickRate) -> Self {
        rate.0
    }
}

/// A frequency in nanohertz: 50 Hz is 50_000_000_000. Range 0 to 18.4 GHz.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Frequency(u64);

impl Frequency {
    /// `nanohertz` as a frequency.
    pub const fn from_nanohertz(nanohertz: u64) -> Self {
        Self(nanohertz)
    }

    /// `millihertz` as a frequency; a u32 of millihertz (4.29 MHz) always fits.
    pub const fn from_millihertz(millihertz: u32) -> Self {
        Self(millihertz as u64 * 1_000_000)
    }

    /// The frequency in nanohertz.
    pub const fn nanohertz(self) -> u64 {
        self.0
    }
}

impl fmt::Display for Frequency {
    /// Hertz with all nine decimals, nothing rounded: `50.000000000 Hz`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (hertz, rest) = (self.0 / 1_000_000_000, self.0 % 1_000_000_000);
        write!(f, "{hertz}.{rest:09} Hz")
    }
}

/// Which way the signal crossed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Polarity {
    /// From below to above the threshold.
    Rising,
    /// From above to below.
    Falling,
}

/// A level change with its stamp, before anyone has judged whether it is a crossing of the mains.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Edge {
    /// When.
    pub stamp: Stamp,
    /// Which way.
    pub polarity: Polarity,
}

impl Edge {
    /// A rising edge at `stamp`.
    pub const fn rising(stamp: Stamp) -> Self {
        Self { stamp, polarity: Polarity::Rising }
    }

    /// A falling edge at `stamp`.
    pub const fn falling(stamp: Stamp) -> Self {
        Self { stamp, polarity: Polarity::Falling }
    }
}
