//! What a board and its mains are like: a plain [`Config`], checked once, then held as ticks.

use core::fmt;

use crate::clock::{Clock, Timebase};
use crate::limit::{
    HORIZON, MAX_COAST, MAX_GATE_FACTOR, MAX_GATE_FLOOR_PPM, MAX_HOLDOFF_PERMILLE, MAX_PERIOD, MIN_COAST,
    MIN_GATE_FACTOR, MIN_PERIOD,
};
use crate::unit::{Frequency, Polarity, TickRate};

/// Settings of a meter. Start from [`Config::mains`] or [`Config::around`] and change fields; the meter checks them
/// once, when it is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Config {
    /// How fast the counter counts.
    pub rate: TickRate,
    /// Lowest frequency to lock to, give or take a tick in its period; by what is known of the clock here, not by what a discipline
    /// finds later.
    pub lowest: Frequency,
    /// Highest frequency to lock to; less than twice the lowest, or a missed edge could pass for a slower mains.
    pub highest: Frequency,
    /// Which edges begin a cycle. The others are left alone: DC and even harmonics move them the other way.
    pub polarity: Polarity,
    /// Dead time after an accepted edge, in thousandths of the shortest period: 0 to 900.
    pub holdoff_permille: u16,
    /// Half width of the gate around an expected crossing, in multiples of the mean absolute deviation measured there:
    /// 3 to 50. For Gaussian jitter 6 are 6.2 standard deviations of a stamp on average; since the measured deviation itself
    /// fluctuates, about one true edge in 20,000 is refused (measured).
    pub gate_factor: u8,
    /// The gate's half width is never less than this, in millionths of the shortest period: up to 250,000.
    pub gate_floor_ppm: u32,
    /// Cycles without an accepted edge after which the signal is lost: 4 to 250. It is lost sooner where the expected crossing may have
    /// drifted by more than a quarter period, for then the count is no longer certain. Each cycle adds the mean absolute deviation and
    /// half the gate's floor: without jitter the default floor allows all 250 cycles, one of 250,000 ppm two of 50 Hz.
    pub coast_cycles: u8,
    /// Length of the window in milliseconds; a window holds the whole number of cycles nearest to it.
    pub window_ms: u32,
    /// Time from one reading to the next, in milliseconds; less than 2^30 ticks less half the longest period.
    pub every_ms: u32,
    /// Length of the window for the rate of change of frequency, in milliseconds; it is held like the other, and may be shorter or
    /// longer, as far as `N` crossings reach. 409 make 20 cycles at 50 Hz and 25 at 60. Below 4 crossings of a polarity there is
    /// no rate of change.
    pub rocof_ms: u32,
    /// Steps that stamps come in, in ticks: 1 for a capture unit, the time between two looks for a watched pin. At most an eighth of
    /// the shortest period. Quantisation is counted in them.
    pub resolution: u32,
    /// Known error of the counter's clock in parts per billion; +1000 means that it counts 1000 ppb too many.
    /// Within +-100,000,000 (10 %).
    pub clock_ppb: i32,
    /// Half width of what the clock may be off beyond that, in parts per billion. Up to 100,000,000 (10 %).
    pub clock_tolerance_ppb: u32,
}

impl Config {
    /// Mains of either nominal frequency, found by itself: 40 to 70 Hz, rising edges, one-second window, ten readings
    /// a second, ordinary quartz (50 ppm).
    pub const fn mains(rate: TickRate) -> Self {
        Self {
            rate,
            lowest: Frequency::from_millihertz(40_000),
            highest: Frequency::from_millihertz(70_000),
            polarity: Polarity::Rising,
            holdoff_permille: 500,
            gate_factor: 6,
            gate_floor_ppm: 500,
            coast_cycles: 25,
            window_ms: 1_000,
            every_ms: 100,
            rocof_ms: 409,
            resolution: 1,
            clock_ppb: 0,
            clock_tolerance_ppb: 50_000,
        }
    }

    /// As [`Config::mains`], for a known nominal frequency: four fifths of it to five quarters.
    pub const fn around(rate: TickRate, nominal: Frequency) -> Self {
        Self {
            lowest: Frequency::from_nanohertz(nominal.nanohertz() / 5 * 4),
            highest: Frequency::from_nanohertz(nominal.nanohertz() / 4 * 5),
            rocof_ms: rocof_ms(nominal),
            ..Self::mains(rate)
        }
    }

    /// Checks every field and turns it into ticks. In a `const` the compiler does it, and firmware carries neither the checks nor the
    /// divisions; a fault then does not compile:
    ///
    /// ```
    /// use humtick::{Config, Meter, Settings, TickRate};
    ///
    /// const SETTINGS: Settings = match Config::mains(TickRate::from_hz(2_000_000).unwrap()).check() {
    ///     Ok(settings) => settings,
    ///     Err(_) => panic!("mains settings fit this rate"),
    /// };
    /// let meter: Meter<64> = Meter::with(SETTINGS);
    /// ```
    ///
    /// # Errors
    /// If a field is outside its range; the error says which.
    pub const fn check(&self) -> Result<Settings, ConfigError> {
        let (lowest, highest) = (self.lowest.nanohertz(), self.highest.nanohertz());
        if lowest == 0 || highest <= lowest || highest >= lowest.saturating_mul(2) {
            return Err(ConfigError::Range);
        }
        let Ok(clock) = Clock::new(self.clock_ppb, self.clock_tolerance_ppb, 0) else {
            return Err(ConfigError::Clock);
        };
        let base = Timebase { rate: self.rate, clock, resolution: self.resolution };
        let (shortest, longest) = (base.nano_rate() / highest, base.nano_rate() / lowest + 1);
        if shortest < MIN_PERIOD as u64 || longest > MAX_PERIOD as u64 {
            return Err(ConfigError::Period);
        }
        #[allow(clippy::cast_possible_truncation, reason = "at most 2^27")]
        let (shortest, longest) = (shortest as u32, longest as u32);
        if self.holdoff_permille > MAX_HOLDOFF_PERMILLE {
            return Err(ConfigError::Holdoff);
        }
        if self.gate_factor < MIN_GATE_FACTOR
            || self.gate_factor > MAX_GATE_FACTOR
            || self.gate_floor_ppm > MAX_GATE_FLOOR_PPM
        {
            return Err(ConfigError::Gate);
        }
        if self.coast_cycles < MIN_COAST || self.coast_cycles > MAX_COAST {
            return Err(ConfigError::Coast);
        }
        if self.coast_cycles as u64 * longest as u64 >= HORIZON as u64 {
            return Err(ConfigError::CoastHorizon);
        }
        if self.resolution == 0 || self.resolution > shortest / 8 {
            return Err(ConfigError::Resolution);
        }
        let Some(window @ 1..) = self.ticks(self.window_ms) else { return Err(ConfigError::Window) };
        if window < shortest {
            return Err(ConfigError::Window);
        }
        let Some(rocof @ 1..) = self.ticks(self.rocof_ms) else { return Err(ConfigError::Rocof) };
        let Some(every @ 1..) = self.ticks(self.every_ms) else { return Err(ConfigError::Every) };
        // A reading due may wait as long again for a missed edge, and then a period for the next to come.
        if every >= (HORIZON - longest) / 2 {
            return Err(ConfigError::Every);
        }
        Ok(Settings {
            base,
            least_16: (shortest - 1) << 4,
            choice_16: (longest - shortest + 2) << 4,
            holdoff: fraction(shortest, self.holdoff_permille as u32, 1_000),
            // Two steps on top: the edges of a noiseless signal are quantised to one and tracked to a fraction.
            gate_floor: fraction(shortest, self.gate_floor_ppm, 1_000_000) + 2 * self.resolution,
            window,
            share: 1,
            rocof,
            every,
            gate_factor: self.gate_factor,
            coast_cycles: self.coast_cycles,
            polarity: self.polarity,
        })
    }

    #[allow(clippy::cast_possible_truncation, reason = "below the horizon")]
    const fn ticks(&self, ms: u32) -> Option<u32> {
        let ticks = ms as u64 * self.rate.hz() as u64 / 1_000;
        if ticks < HORIZON as u64 { Some(ticks as u32) } else { None }
    }
}

/// 409 ms, or twenty cycles where they last longer.
const fn rocof_ms(nominal: Frequency) -> u32 {
    let millihertz = nominal.nanohertz() / 1_000_000;
    if millihertz == 0 || millihertz >= 50_000 {
        return 409;
    }
    #[allow(clippy::cast_possible_truncation, reason = "at most 20,450,000")]
    let ms = (20_450_000 / millihertz) as u32;
    ms
}

/// `whole` * `parts` / `of`, rounded down, for `parts` <= `of`.
#[allow(clippy::cast_possible_truncation, reason = "at most `whole`")]
const fn fraction(whole: u32, parts: u32, of: u32) -> u32 {
    (whole as u64 * parts as u64 / of as u64) as u32
}

/// Length of a window in ticks; 2^-`share` of a period more still counts as that length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Length {
    pub ticks: u32,
    pub share: u8,
}

/// A [`Config`] that passed its checks, in ticks.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Settings {
    pub(crate) base: Timebase,
    /// Shortest tracked period, one tick below the shortest asked for, in sixteenths of a tick.
    least_16: u32,
    /// How many sixteenths of a tick on from there a tracked period may be: to one tick above the longest, that one excluded.
    choice_16: u32,
    pub(crate) holdoff: u32,
    pub(crate) gate_floor: u32,
    pub(crate) window: u32,
    pub(crate) rocof: u32,
    pub(crate) every: u32,
    pub(crate) gate_factor: u8,
    pub(crate) coast_cycles: u8,
    /// See [`Length`]: 1, or 2 where crossings come every half cycle.
    pub(crate) share: u8,
    pub(crate) polarity: Polarity,
}

impl Settings {
    /// Ticks in a period of the highest frequency, rounded down.
    pub(crate) const fn shortest(&self) -> u32 {
        (self.least_16 >> 4) + 1
    }

    /// Ticks in a period of the lowest frequency, rounded up.
    pub(crate) const fn longest(&self) -> u32 {
        self.shortest() + (self.choice_16 >> 4) - 2
    }

    /// Length of the window.
    #[inline]
    pub(crate) const fn length(&self) -> Length {
        Length { ticks: self.window, share: self.share }
    }

    /// Whether a tracked period, in sixteenths of a tick, is one that was asked for, give or take a tick.
    #[inline]
    pub(crate) const fn in_range(&self, period_16: u32) -> bool {
        period_16.wrapping_sub(self.least_16) < self.choice_16
    }
}

/// Why a [`Config`] was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ConfigError {
    /// The highest frequency is not above the lowest, or is twice it or more.
    Range,
    /// A period is shorter than [`MIN_PERIOD`] or longer than [`MAX_PERIOD`] ticks.
    Period,
    /// The hold-off exceeds [`MAX_HOLDOFF_PERMILLE`].
    Holdoff,
    /// The gate factor is outside [`MIN_GATE_FACTOR`] to [`MAX_GATE_FACTOR`] or the gate's floor above [`MAX_GATE_FLOOR_PPM`].
    Gate,
    /// Stamps come in steps of no ticks, or of more than an eighth of the shortest period.
    Resolution,
    /// The coasting limit is outside [`MIN_COAST`] to [`MAX_COAST`] cycles.
    Coast,
    /// So many cycles of the longest period reach the horizon of 2^31 ticks.
    CoastHorizon,
    /// The window is shorter than one period, or reaches the horizon of 2^31 ticks.
    Window,
    /// The window for the rate of change is shorter than one tick, or reaches the horizon of 2^31 ticks.
    Rocof,
    /// Readings are due every zero ticks, or twice that time and a longest period reach the horizon of 2^31 ticks.
    Every,
    /// The clock's error or tolerance is beyond 10 %.
    Clock,
}

impl fmt::Display for ConfigError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Range => "the highest frequency must be above the lowest and below twice the lowest",
            Self::Period => {
                "a period must be 64 to 134217728 ticks: choose another tick rate or frequency range"
            }
            Self::Holdoff => "the hold-off must be at most 0.9 of the shortest period",
            Self::Gate => "the gate must be 3 to 50 times the scatter and its floor at most a quarter period",
            Self::Resolution => "stamps must come in steps of 1 tick to an eighth of the shortest period",
            Self::Coast => "coasting must end after 4 to 250 cycles",
            Self::CoastHorizon => {
                "coasting that long reaches the horizon of 2^31 ticks: fewer cycles or slower ticks"
            }
            Self::Window => "the window must be at least one period and shorter than 2^31 ticks",
            Self::Rocof => {
                "the window for the rate of change must be at least one tick and shorter than 2^31 ticks"
            }
            Self::Every => "readings must be at least one tick and less than 2^30 ticks, less half the longest period, apart",
            Self::Clock => "the clock's error and tolerance must be within 10 %",
        })
    }
}

impl core::error::Error for ConfigError {}

#[cfg(test)]
mod tests {
    use std::format;
    use std::string::ToString;

    use super::*;
    use crate::limit::MAX_CLOCK_PPB;

    /// The figures in the messages are the limits that are checked.
    #[test]
    fn messages_name_the_limits() {
        let permille = f64::from(MAX_HOLDOFF_PERMILLE);
        assert_eq!(1_000_000 / MAX_GATE_FLOOR_PPM, 4, "the message says a quarter");
        for (error, words) in [
            (ConfigError::Period, format!("{MIN_PERIOD} to {MAX_PERIOD} ticks")),
            (ConfigError::Holdoff, format!("at most {} of the shortest", permille / 1e3)),
            (ConfigError::Gate, format!("{MIN_GATE_FACTOR} to {MAX_GATE_FACTOR} times")),
            (ConfigError::Coast, format!("after {MIN_COAST} to {MAX_COAST} cycles")),
            (ConfigError::Clock, format!("within {} %", MAX_CLOCK_PPB / 10_000_000)),
        ] {
            assert!(error.to_string().contains(&words), "{error}: {words}");
        }
    }
}
