//! What a board can do before it is built: the counter's reach, and the uncertainty of a frequency term by term.
//!
//! With N stamps at f hertz, ticks of q seconds, jitter s an edge (white, standard deviation) and a clock within a of its rate,
//! each estimator's period is a weighted sum of stamps, weights c. Standard uncertainties of f (JCGM 100:2008):
//!
//! | term | standard uncertainty | |
//! |---|---|---|
//! | quantisation | f^2 q/sqrt(12) sqrt(sum c^2) | rectangular of one tick a stamp (F.2.2.1); q/sqrt(6) for a difference of two |
//! | jitter | f^2 s sqrt(sum c^2) | |
//! | clock | f a/sqrt(3) | rectangular (4.3.7); common to all readings, so no averaging makes it less |
//!
//! Where jitter is below half a tick nothing dithers the quantisation: its errors are a pattern that repeats. There the term is
//! never less than B/sqrt(3), where B = f^2 q (sum of the positive c) is the most that one tick a stamp can do, and the 95 %
//! interval never less than B.
//!
//! A reading judges by its residuals, in which the quantisation already is, and adds it once more so as to be right where they do
//! not show it. It states more than this budget by 1 % at two ticks of jitter, 4 % at one, 12 % at half a tick.

use humtick::limit::{HORIZON, MAX_PERIOD, MAX_TICK_HZ, MIN_PERIOD, MIN_TICK_HZ};
use humtick::{Config, ConfigError, Frequency, Meter, TickRate};
use serde::Serialize;

use crate::weights::{END_TO_END, KINDS, Kind};

/// What is known of a board and its signal.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Board {
    /// Ticks a second, 1 kHz to 1 GHz.
    pub tick_hz: u32,
    /// Width of the counter, 8 to 32.
    pub bits: u32,
    /// Frequency of the signal, 0.1 to 100000 Hz and a period of 80 ticks at least.
    pub nominal_hz: f64,
    /// Window in seconds: three periods at least, below 2^31 ticks.
    pub window_s: f64,
    /// Seconds from reading to reading.
    pub every_s: f64,
    /// Standard deviation of an edge's time, 0 to a twentieth of a period.
    pub jitter_s: f64,
    /// Half width of what the clock may be off, 0 to 100000 ppm.
    pub clock_tolerance_ppm: f64,
}

/// A board that cannot be: which option is wrong, and what it may be.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum BudgetError {
    /// A value outside its range.
    #[error("{option} {value} is outside {least} to {most} {unit}")]
    Range {
        /// Name of the option.
        option: &'static str,
        /// What it was.
        value: f64,
        /// The least it may be.
        least: f64,
        /// The most it may be.
        most: f64,
        /// Unit of these, and what the range comes from.
        unit: &'static str,
    },
    /// The core refuses the values together.
    #[error("--tick-hz, --nominal, --window and --every do not go together: {0}")]
    Together(ConfigError),
}

/// Which oscillator the counter's clock comes from, where its data sheet is not at hand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Oscillator {
    /// Ordinary megahertz crystal: 50 ppm.
    Quartz,
    /// Watch crystal of 32,768 Hz: 62 ppm.
    TuningFork,
    /// Temperature-compensated crystal oscillator: 2.5 ppm.
    Tcxo,
    /// Ceramic resonator: 5000 ppm.
    Ceramic,
    /// Resistor and capacitor inside the microcontroller: 50000 ppm.
    Rc,
}

impl Oscillator {
    /// Half width of what it is commonly off, in ppm, and where that figure is from.
    pub const fn tolerance_ppm(self) -> (f64, &'static str) {
        match self {
            Self::Quartz => (50.0, "ordinary quartz, 20 to 50 ppm at 25 C; data sheets"),
            Self::TuningFork => {
                (62.0, "tuning fork, 20 ppm at 25 C (data sheet) and 42 more from -10 to 60 C (from memory)")
            }
            Self::Tcxo => (2.5, "TCXO, 0.5 to 2.5 ppm; from memory"),
            Self::Ceramic => (5_000.0, "ceramic resonator, 0.5 %; secondary pages"),
            Self::Rc => (50_000.0, "RC oscillator, 1 to 5 %; secondary pages"),
        }
    }
}

/// What the counter reaches, whatever the estimator.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Counter {
    /// From one overflow to the next.
    pub wrap_s: f64,
    /// A period lasts less than one wrap above this frequency; below, differences of raw counts are wrong without an overflow tally.
    pub lowest_untallied_hz: f64,
    /// Least whole number of counts in one period.
    pub counts_low: u64,
    /// Largest; the same where a period is a whole number of ticks.
    pub counts_high: u64,
    /// What one count more or less in one period makes.
    pub hz_per_count: f64,
    /// Stamps farther apart than this, 2^31 ticks, cannot be told from a step backwards.
    pub horizon_s: f64,
    /// Stamps repeat after 2^32 ticks.
    pub repeat_s: f64,
    /// A capture must be read this soon after its edge by the rule of halves: half a wrap.
    pub late_halves_s: f64,
    /// The same by the rule of distance: one wrap.
    pub late_distance_s: f64,
    /// Captures a second of one polarity, without chatter.
    pub edges_hz: f64,
    /// Share that successive readings have in common, percent.
    pub overlap_percent: f64,
    /// What a clock at its tolerance does to the frequency.
    pub clock_limit_hz: f64,
    /// What a clock at its tolerance gains or loses in a day.
    pub clock_s_per_day: f64,
    /// Decimals of a frequency in hertz that the clock leaves meaning; see [`decimals`].
    pub clock_decimals: Option<i32>,
}

/// The uncertainty of one estimator's frequency.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Uncertainty {
    /// Its name on the command line.
    pub estimator: &'static str,
    /// Cycles in its window.
    pub cycles: usize,
    /// Noise variance over the least that is possible in this window (Cramer-Rao), decibels.
    pub noise_loss_db: f64,
    /// Standard uncertainty from quantisation.
    pub quantisation_hz: f64,
    /// Standard uncertainty from jitter.
    pub jitter_hz: f64,
    /// Standard uncertainty from the clock.
    pub clock_hz: f64,
    /// The most that quantisation can do, where jitter below half a tick does not dither it.
    pub bound_hz: Option<f64>,
    /// Combined standard uncertainty.
    pub u_hz: f64,
    /// Half width of the 95 % interval, by the factor of a reading over so many crossings.
    pub u95_hz: f64,
    /// Share of quantisation in the variance.
    pub quantisation_percent: f64,
    /// Share of jitter in the variance.
    pub jitter_percent: f64,
    /// Share of the clock in the variance.
    pub clock_percent: f64,
    /// Decimals of a frequency in hertz that mean something; see [`decimals`].
    pub decimals: i32,
}

/// What a frequency's uncertainty comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Term {
    /// Counting in whole ticks.
    Quantisation,
    /// Edges that come early or late.
    Jitter,
    /// The clock's tolerance.
    Clock,
}

/// Whether the ten-second reading of IEC 61000-4-30 is within reach of the board. Influence quantities (its clause 6) are not in it.
///
/// The error held against the limit is the clock's whole tolerance and 95 % of the rest. All limits are values from memory.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Verdict {
    /// A or S.
    pub class: char,
    /// Limit of the error: 10 mHz (A) or 50 mHz (S).
    pub limit_hz: f64,
    /// What the board's error may be.
    pub error_hz: f64,
    /// Whether that is within the limit.
    pub within_reach: bool,
    /// The largest term, where it is not.
    pub stopped_by: Option<Term>,
    /// Largest tolerance of the clock that the rest leaves room for.
    pub clock_ppm_at_most: Option<f64>,
    /// Largest jitter that the rest leaves room for.
    pub jitter_s_at_most: Option<f64>,
    /// Slowest counter that the rest leaves room for.
    pub tick_hz_at_least: Option<f64>,
    /// What the ten-second ticks may be off in a day without synchronisation: 1 s (A) or 5 s (S).
    pub day_limit_s: f64,
    /// Whether the clock is.
    pub day_within_reach: bool,
}

/// A budget.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    /// Whose it is.
    pub board: Board,
    /// What its counter reaches.
    pub counter: Counter,
    /// Every estimator of the core.
    pub estimators: Vec<Uncertainty>,
    /// The ten-second reading, end to end over ten seconds, for 42.5 to 69 Hz; `None` outside, or where ten seconds reach
    /// 2^31 ticks (above 214 MHz).
    pub ten_seconds: Option<(Uncertainty, [Verdict; 2])>,
}

/// Decimals of a figure in hertz that mean something: as many as leave one step of the last not below the 95 % half width. -1: not
/// even whole hertz, only tens.
pub fn decimals(u95_hz: f64) -> i32 {
    (-u95_hz.log10()).floor() as i32
}

impl Board {
    /// Works the budget out.
    ///
    /// # Errors
    /// A value outside its range, or values that the core refuses together.
    pub fn budget(&self) -> Result<Budget, BudgetError> {
        self.check()?;
        // Intervals of the core are shorter than 2^31 ticks.
        let mains =
            (42.5..=69.0).contains(&self.nominal_hz) && 10.0 * f64::from(self.tick_hz) < f64::from(HORIZON);
        let ten_seconds = mains.then(|| {
            let over = self.uncertainty(END_TO_END, self.crossings(10.0));
            (over, [('A', 0.010, 1.0), ('S', 0.050, 5.0)].map(|class| self.verdict(class, &over)))
        });
        let estimators = KINDS
            .iter()
            .map(|kind| self.uncertainty(kind, self.crossings(self.window_s).min(kind.most)))
            .collect();
        Ok(Budget { board: *self, counter: self.counter(), estimators, ten_seconds })
    }

    fn check(&self) -> Result<(), BudgetError> {
        let Some(rate) = TickRate::from_hz(self.tick_hz) else {
            let [value, least, most] = [self.tick_hz, MIN_TICK_HZ, MAX_TICK_HZ].map(f64::from);
            return Err(BudgetError::Range { option: "--tick-hz", value, least, most, unit: "hertz" });
        };
        let tick_hz = f64::from(self.tick_hz);
        let period_s = 1.0 / self.nominal_hz;
        // A meter looks from four fifths of the nominal frequency to five quarters, and coasts 25 cycles.
        let longest = f64::from(MAX_PERIOD).min(f64::from(HORIZON) / 25.0);
        let (slow, fast) = (tick_hz / longest / 0.8, tick_hz / f64::from(MIN_PERIOD) / 1.25);
        let horizon_s = f64::from(HORIZON) / tick_hz;
        for (option, value, least, most, unit) in [
            ("--bits", f64::from(self.bits), 8.0, 32.0, "bits"),
            ("--nominal", self.nominal_hz, slow.max(0.1), fast.min(1e5), "hertz with this counter"),
            ("--window", self.window_s, (3.0 * period_s).max(0.001), horizon_s.min(1e3), WINDOW),
            ("--every", self.every_s, 0.001, horizon_s.min(1e3), "seconds with this counter"),
            ("--jitter", self.jitter_s, 0.0, period_s / 20.0, "seconds, a twentieth of a period"),
            ("--clock-tolerance-ppm", self.clock_tolerance_ppm, 0.0, 1e5, "ppm"),
        ] {
            if !(least..=most).contains(&value) {
                return Err(BudgetError::Range { option, value, least, most, unit });
            }
        }
        let nominal = Frequency::from_nanohertz((self.nominal_hz * 1e9).round() as u64);
        let config = Config {
            window_ms: (self.window_s * 1e3).round() as u32,
            every_ms: (self.every_s * 1e3).round() as u32,
            clock_tolerance_ppb: (self.clock_tolerance_ppm * 1e3).round() as u32,
            ..Config::around(rate, nominal)
        };
        Meter::<16>::new(&config).map(|_| ()).map_err(BudgetError::Together)
    }

    /// Crossings in a window of `seconds`: the nearest whole number of cycles and one, as the core holds it.
    fn crossings(&self, seconds: f64) -> usize {
        (seconds * self.nominal_hz).round() as usize + 1
    }

    fn tick_s(&self) -> f64 {
        1.0 / f64::from(self.tick_hz)
    }

    /// The clock's tolerance as a fraction.
    fn tolerance(&self) -> f64 {
        self.clock_tolerance_ppm * 1e-6
    }

    fn counter(&self) -> Counter {
        let tick_hz = f64::from(self.tick_hz);
        let counts = tick_hz / self.nominal_hz;
        let wrap_s = f64::from(self.bits).exp2() / tick_hz;
        let clock_limit_hz = self.tolerance() * self.nominal_hz;
        Counter {
            wrap_s,
            lowest_untallied_hz: 1.0 / wrap_s,
            counts_low: counts.floor() as u64,
            counts_high: counts.ceil() as u64,
            hz_per_count: self.nominal_hz / counts,
            horizon_s: f64::from(HORIZON) / tick_hz,
            repeat_s: 2.0 * f64::from(HORIZON) / tick_hz,
            late_halves_s: wrap_s / 2.0,
            late_distance_s: wrap_s,
            edges_hz: self.nominal_hz,
            overlap_percent: 100.0 * (1.0 - self.every_s / self.window_s).max(0.0),
            clock_limit_hz,
            clock_s_per_day: self.tolerance() * 86_400.0,
            clock_decimals: (clock_limit_hz > 0.0).then(|| decimals(0.95 * clock_limit_hz)),
        }
    }

    /// Whether jitter makes noise of the quantisation: half a tick does.
    fn is_dithered(&self) -> bool {
        self.jitter_s >= self.tick_s() / 2.0
    }

    fn uncertainty(&self, kind: &Kind, crossings: usize) -> Uncertainty {
        let gain = kind.gain(crossings);
        // Hertz for one second a cycle: df = f^2 dT.
        let slope = self.nominal_hz * self.nominal_hz;
        let spread_hz = slope * gain.noise * self.tick_s() / 12f64.sqrt();
        let jitter_hz = slope * gain.noise * self.jitter_s;
        let bound_hz = (!self.is_dithered()).then_some(slope * gain.worst * self.tick_s());
        let quantisation_hz = bound_hz.map_or(spread_hz, |bound| spread_hz.max(bound / 3f64.sqrt()));
        let clock_limit_hz = self.tolerance() * self.nominal_hz;
        let clock_hz = clock_limit_hz / 3f64.sqrt();
        let variance = quantisation_hz.powi(2) + jitter_hz.powi(2) + clock_hz.powi(2);
        let share = |term: f64| 100.0 * term * term / variance;
        let normal =
            (kind.coverage(crossings) * spread_hz.hypot(jitter_hz)).max(bound_hz.unwrap_or_default());
        // The rectangular tolerance joins as in `humtick::Clock::expanded_ppb`.
        let u95_hz =
            (0.9025 * clock_limit_hz.powi(2) + normal.powi(2) + 0.255 * clock_limit_hz * normal).sqrt();
        Uncertainty {
            estimator: kind.name,
            cycles: crossings - 1,
            noise_loss_db: gain.loss_db,
            quantisation_hz,
            jitter_hz,
            clock_hz,
            bound_hz,
            u_hz: variance.sqrt(),
            u95_hz,
            quantisation_percent: share(quantisation_hz),
            jitter_percent: share(jitter_hz),
            clock_percent: share(clock_hz),
            decimals: decimals(u95_hz),
        }
    }

    /// Limits: values from memory, high confidence for the error, medium for the day.
    fn verdict(&self, (class, limit_hz, day_limit_s): (char, f64, f64), over: &Uncertainty) -> Verdict {
        let crossings = over.cycles + 1;
        let slope = self.nominal_hz.powi(2);
        let per_jitter = END_TO_END.coverage(crossings) * END_TO_END.gain(crossings).noise * slope;
        let (per_tick, per_bound) = (per_jitter / 12f64.sqrt(), slope / over.cycles as f64);
        let clock = self.tolerance() * self.nominal_hz;
        let (jitter, spread) = (per_jitter * self.jitter_s, per_tick * self.tick_s());
        let bound = over.bound_hz.unwrap_or_default();
        let quantisation = spread.max(bound);
        let rest = spread.hypot(jitter).max(bound);
        let error_hz = clock + rest;
        let within_reach = error_hz <= limit_hz;
        let largest = [(clock, Term::Clock), (jitter, Term::Jitter), (quantisation, Term::Quantisation)]
            .into_iter()
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let positive = |value: f64| (value > 0.0).then_some(value);
        // What the clock leaves for noise, and what of that one noise leaves for the other.
        let room = limit_hz - clock;
        let beside = |other: f64| positive(room).and_then(|room| positive(room.powi(2) - other.powi(2)));
        Verdict {
            class,
            limit_hz,
            error_hz,
            within_reach,
            stopped_by: largest.filter(|_| !within_reach).map(|(_, term)| term),
            clock_ppm_at_most: positive((limit_hz - rest) / self.nominal_hz * 1e6),
            jitter_s_at_most: beside(spread)
                .filter(|_| bound <= room)
                .map(|square| square.sqrt() / per_jitter),
            tick_hz_at_least: beside(jitter).map(|square| (per_tick / square.sqrt()).max(per_bound / room)),
            day_limit_s,
            day_within_reach: self.tolerance() * 86_400.0 <= day_limit_s,
        }
    }
}

const WINDOW: &str = "seconds: three periods, and what this counter and the core hold";
