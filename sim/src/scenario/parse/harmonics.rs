//! Voltages that standards describe.

use clap::ValueEnum;

use super::super::{Flicker, FlickerShape};

/// Names of presets.
#[derive(Clone, Copy, Debug, PartialEq, ValueEnum)]
pub(super) enum Word {
    Clean,
    #[value(name = "en50160")]
    En50160,
    #[value(name = "iec61000-2-2")]
    Iec61000Part2Section2,
    #[value(name = "state-1")]
    State1,
    #[value(name = "state-2")]
    State2,
    #[value(name = "state-3")]
    State3,
}

/// What a preset says.
pub(super) struct Preset {
    pub(super) harmonics: Vec<(u32, f64, f64)>,
    pub(super) interharmonics: Vec<(f64, f64)>,
    pub(super) flicker: Flicker,
}

impl Default for Preset {
    fn default() -> Self {
        Self {
            harmonics: vec![],
            interharmonics: vec![],
            flicker: Flicker { percent: 0.0, hz: 8.8, shape: FlickerShape::Sine },
        }
    }
}

impl Preset {
    /// EN 50160:2010 and IEC 61000-2-2:2002 limit each harmonic and besides the total distortion to 8 %. All harmonics at their limits
    /// make 11.32 and 11.56 %, so that the presets are scaled to 8. Phases are 0 in both: the standards name none.
    ///
    /// The testing states are those of IEC 61000-4-30, clause 6.2 (values from memory): harmonics, the interharmonic and the flicker.
    /// Frequency and level of the state are left to the scenario. State 1 allows up to 3 % of harmonics; here it has none.
    pub(super) fn of(word: Word) -> Self {
        match word {
            Word::Clean | Word::State1 => Self::default(),
            Word::En50160 => Self { harmonics: scaled(en50160()), ..Self::default() },
            Word::Iec61000Part2Section2 => Self { harmonics: scaled(iec61000_2_2()), ..Self::default() },
            Word::State2 => Self {
                harmonics: vec![(3, 10.0, 0.0), (5, 5.0, 0.0), (29, 5.0, 0.0)],
                interharmonics: vec![(7.5, 1.0)],
                flicker: rectangular(0.894, 39.0),
            },
            Word::State3 => Self {
                harmonics: vec![(7, 10.0, 180.0), (13, 5.0, 0.0), (25, 5.0, 0.0)],
                interharmonics: vec![(3.5, 1.0)],
                flicker: rectangular(4.0 * 0.722, 110.0),
            },
        }
    }
}

/// Rectangular flicker. A short-term severity of 1 takes changes by 0.894 % at 39 a minute and 0.722 % at 110 (IEC 61000-4-15 for
/// 230 V and 50 Hz, values from memory); severity is proportional to them.
fn rectangular(change_percent: f64, changes_per_minute: f64) -> Flicker {
    Flicker {
        percent: change_percent / 2.0,
        hz: changes_per_minute / 120.0,
        shape: FlickerShape::Rectangular,
    }
}

/// Total distortion in percent.
pub(super) fn distortion(harmonics: &[(u32, f64, f64)]) -> f64 {
    harmonics.iter().map(|(_, percent, _)| percent * percent).sum::<f64>().sqrt()
}

fn scaled(mut harmonics: Vec<(u32, f64, f64)>) -> Vec<(u32, f64, f64)> {
    let factor = 8.0 / distortion(&harmonics);
    harmonics.iter_mut().for_each(|(_, percent, _)| *percent *= factor);
    harmonics
}

/// Percent of the orders from 2 on, at phase 0.
fn limits(orders: std::ops::RangeInclusive<u32>, percent: impl Fn(u32) -> f64) -> Vec<(u32, f64, f64)> {
    orders.map(|order| (order, percent(order), 0.0)).filter(|(_, percent, _)| *percent > 0.0).collect()
}

/// EN 50160:2010, clause 4: ten-minute means that 95 % of a week are below.
fn en50160() -> Vec<(u32, f64, f64)> {
    limits(2..=25, |order| match order {
        5 => 6.0,
        3 | 7 => 5.0,
        11 => 3.5,
        13 => 3.0,
        2 | 17 => 2.0,
        9 | 19 | 23 | 25 => 1.5,
        4 => 1.0,
        15 | 21 => 0.5,
        even if even % 2 == 0 => 0.5,
        _ => 0.0,
    })
}

/// IEC 61000-2-2:2002, table 1: compatibility levels (values from memory).
fn iec61000_2_2() -> Vec<(u32, f64, f64)> {
    limits(2..=50, |order| match order {
        5 => 6.0,
        3 | 7 => 5.0,
        11 => 3.5,
        13 => 3.0,
        2 => 2.0,
        9 => 1.5,
        4 => 1.0,
        6 | 8 => 0.5,
        15 => 0.4,
        21 => 0.3,
        even if even % 2 == 0 => 0.25 * 10.0 / f64::from(even) + 0.25,
        triple if triple % 3 == 0 => {
            if triple <= 45 {
                0.2
            } else {
                0.0
            }
        }
        odd => 2.27 * 17.0 / f64::from(odd) - 0.27,
    })
}
