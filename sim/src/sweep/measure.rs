//! Which figure of a score is swept, and what several seeds come to together.

use crate::score::Score;

/// A figure of a score.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
#[value(rename_all = "snake_case")]
pub enum Measure {
    /// Root mean square of the errors, mHz; of several seeds, of all their errors.
    #[default]
    RmsErrorMhz,
    /// Largest error without its sign, mHz; of several seeds, the largest.
    MaxErrorMhz,
    /// The rms with what the clock is off all the time taken off, mHz.
    ApartRmsErrorMhz,
    /// Share of readings whose 95 % interval holds the truth, 0 to 1; of several seeds, their mean.
    Coverage,
    /// The same with the clock apart.
    CoverageApart,
    /// Time to the first lock, s; of several seeds, the longest.
    LockS,
    /// Longest time to settle after a step or dip, s.
    SettlingS,
    /// Readings far outside their own interval; of several seeds, the most.
    FalseReadings,
    /// Cycles without a crossing; of several seeds, the most.
    MissedCycles,
}

/// How many measures there are.
const COUNT: usize = 9;

impl Measure {
    /// All of them.
    pub const ALL: [Self; COUNT] = [
        Self::RmsErrorMhz,
        Self::MaxErrorMhz,
        Self::ApartRmsErrorMhz,
        Self::Coverage,
        Self::CoverageApart,
        Self::LockS,
        Self::SettlingS,
        Self::FalseReadings,
        Self::MissedCycles,
    ];

    /// Its name on the command line and in records; the first ones are those of a scenario's limits.
    pub const fn name(self) -> &'static str {
        match self {
            Self::RmsErrorMhz => "rms_error_mhz",
            Self::MaxErrorMhz => "max_error_mhz",
            Self::ApartRmsErrorMhz => "apart_rms_error_mhz",
            Self::Coverage => "coverage",
            Self::CoverageApart => "coverage_apart",
            Self::LockS => "lock_s",
            Self::SettlingS => "settling_s",
            Self::FalseReadings => "false_readings",
            Self::MissedCycles => "missed_cycles",
        }
    }

    /// What it is, for heads and captions.
    pub const fn what(self) -> &'static str {
        match self {
            Self::RmsErrorMhz => "rms error",
            Self::MaxErrorMhz => "largest error",
            Self::ApartRmsErrorMhz => "rms error, clock apart,",
            Self::Coverage => "share of 95 % intervals that hold the truth",
            Self::CoverageApart => "share of 95 % intervals that hold the truth, clock apart",
            Self::LockS => "first lock",
            Self::SettlingS => "longest settling",
            Self::FalseReadings => "false readings",
            Self::MissedCycles => "cycles without a crossing",
        }
    }

    /// Its unit; nothing for counts and shares.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::RmsErrorMhz | Self::MaxErrorMhz | Self::ApartRmsErrorMhz => "mHz",
            Self::LockS | Self::SettlingS => "s",
            _ => "",
        }
    }

    /// Both, for axes.
    pub fn axis(self) -> String {
        let short = match self {
            Self::Coverage => "intervals that hold",
            Self::CoverageApart => "intervals that hold, clock apart",
            other => other.what().trim_end_matches(','),
        };
        if self.unit().is_empty() { short.into() } else { format!("{short}, {}", self.unit()) }
    }

    /// Whether it is an error that the noise sets a bound to.
    pub const fn is_error(self) -> bool {
        matches!(self, Self::RmsErrorMhz | Self::MaxErrorMhz | Self::ApartRmsErrorMhz)
    }

    /// Whether more of it is better.
    pub const fn is_share(self) -> bool {
        matches!(self, Self::Coverage | Self::CoverageApart)
    }

    /// Whether a `figure` keeps to `limit`; an unknown one does not.
    pub fn holds(self, figure: Option<f64>, limit: f64) -> bool {
        figure.is_some_and(|figure| if self.is_share() { figure >= limit } else { figure <= limit })
    }

    /// What the figures of several seeds come to. Each seed has as many readings as any, but for what is lost.
    fn together(self, figures: &[f64]) -> f64 {
        let count = figures.len() as f64;
        match self {
            Self::RmsErrorMhz | Self::ApartRmsErrorMhz => {
                (figures.iter().map(|figure| figure * figure).sum::<f64>() / count).sqrt()
            }
            Self::Coverage | Self::CoverageApart => figures.iter().sum::<f64>() / count,
            _ => figures.iter().copied().fold(0.0, f64::max),
        }
    }
}

/// Over which readings errors are taken.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Readings {
    /// Those over whole windows: short ones after a lock scatter far more.
    #[default]
    Whole,
    /// All, as a scenario's limits judge them.
    All,
}

/// What a trial came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figures {
    values: [Option<f64>; COUNT],
    /// Standard deviation that the noise permits over a whole window, mHz; `None` where it permits none or the bound does not hold.
    pub bound_mhz: Option<f64>,
}

impl Figures {
    /// Of a trial's score.
    pub fn new(score: &Score, readings: Readings) -> Self {
        let (errors, apart) = match readings {
            Readings::Whole => (&score.whole, &score.whole_apart),
            Readings::All => (&score.window, &score.apart),
        };
        let mhz = |hz: f64| 1e3 * hz;
        let values = Measure::ALL.map(|measure| match measure {
            Measure::RmsErrorMhz => errors.rms().map(mhz),
            Measure::MaxErrorMhz => errors.worst.map(|(error, _)| mhz(error.abs())),
            Measure::ApartRmsErrorMhz => apart.rms().map(mhz),
            Measure::Coverage => score.coverage.share(),
            Measure::CoverageApart => score.coverage_apart.share(),
            Measure::LockS => score.lock_s,
            Measure::SettlingS => score.settling.worst.map(|(time_s, _)| time_s),
            // Where nothing was read there is nothing false, and nothing to be glad of.
            Measure::FalseReadings => (score.window.count > 0).then_some(score.false_readings as f64),
            Measure::MissedCycles => score.lock_s.map(|_| score.missed as f64),
        });
        let bound_mhz = score.bound_hz().filter(|_| score.doubt().is_none()).map(mhz);
        Self { values, bound_mhz }
    }

    /// One of them.
    pub fn get(&self, measure: Measure) -> Option<f64> {
        // The measures are numbered in the order of `ALL`.
        self.values.get(measure as usize).copied().flatten()
    }
}

/// What a measure came to over all seeds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// All together.
    pub value: f64,
    /// The least of a seed.
    pub least: f64,
    /// The most of a seed.
    pub most: f64,
}

/// The spread of `measure` over the seeds' figures; `None` if it is unknown for any of them.
pub fn spread(seeds: &[Figures], measure: Measure) -> Option<Spread> {
    let figures: Vec<f64> = seeds.iter().map(|seed| seed.get(measure)).collect::<Option<_>>()?;
    let least = figures.iter().copied().reduce(f64::min)?;
    let most = figures.iter().copied().reduce(f64::max)?;
    Some(Spread { value: measure.together(&figures), least, most })
}

/// The bound, if it holds for all seeds.
pub fn bound_mhz(seeds: &[Figures]) -> Option<f64> {
    let all: Vec<f64> = seeds.iter().map(|seed| seed.bound_mhz).collect::<Option<_>>()?;
    all.first().copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figures(of: impl Fn(Measure) -> Option<f64>) -> Figures {
        Figures { values: Measure::ALL.map(of), bound_mhz: Some(1.0) }
    }

    #[test]
    fn names_are_those_of_the_command_line_and_places_those_of_the_list() {
        for (place, measure) in Measure::ALL.into_iter().enumerate() {
            let value = clap::ValueEnum::to_possible_value(&measure).unwrap();
            assert_eq!((value.get_name(), measure as usize), (measure.name(), place));
        }
    }

    #[test]
    fn seeds_come_together_each_measure_in_its_way() {
        let seeds = [3.0, 4.0, 0.0].map(|value| figures(|_| Some(value)));
        let value = |measure| spread(&seeds, measure).unwrap().value;
        assert!((value(Measure::RmsErrorMhz) - (25f64 / 3.0).sqrt()).abs() < 1e-12);
        assert_eq!(value(Measure::MaxErrorMhz), 4.0);
        assert!((value(Measure::Coverage) - 7.0 / 3.0).abs() < 1e-12);
        let lock = spread(&seeds, Measure::LockS).unwrap();
        assert_eq!((lock.least, lock.value, lock.most), (0.0, 4.0, 4.0));
    }

    #[test]
    fn one_unknown_makes_all_unknown() {
        let unlocked = figures(|measure| (measure != Measure::LockS).then_some(1.0));
        let seeds = [figures(|_| Some(1.0)), unlocked, Figures { bound_mhz: None, ..unlocked }];
        assert_eq!(spread(&seeds, Measure::LockS), None);
        assert!(spread(&seeds, Measure::RmsErrorMhz).is_some());
        assert_eq!((bound_mhz(&seeds[..2]), bound_mhz(&seeds)), (Some(1.0), None));
        assert_eq!((spread(&[], Measure::Coverage), bound_mhz(&[])), (None, None));
    }

    #[test]
    fn a_share_must_be_reached_and_the_rest_kept_below() {
        assert!(Measure::Coverage.holds(Some(0.95), 0.9) && !Measure::Coverage.holds(Some(0.89), 0.9));
        assert!(Measure::LockS.holds(Some(0.9), 0.9) && !Measure::LockS.holds(Some(0.91), 0.9));
        assert!(!Measure::LockS.holds(None, 1e9) && !Measure::Coverage.holds(None, 0.0));
    }
}
