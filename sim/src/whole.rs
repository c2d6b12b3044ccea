//! Frequency over a whole run of crossings, however long, in constant memory.

use humtick::Config;

/// Crossings with one unbroken cycle count, as exact sums against a line of integer period.
///
/// With r below 2^40 ticks, 2^33 crossings and cycles (five years at 50 Hz) n * sum k^2 stays below 2^99 and every other
/// product below 2^127, so i128 holds them all.
#[derive(Clone, Debug)]
pub struct Run {
    origin: Option<(u32, u64)>,
    /// Ticks a cycle of the line, from the first two crossings.
    period: i128,
    n: i128,
    k: i128,
    kk: i128,
    r: i128,
    kr: i128,
    rr: i128,
    /// Cycles from the first crossing to the last, the cycle numbers' wraps unrolled.
    cycles: u64,
    last_cycle: u32,
    last_ticks: u64,
    /// Single periods next to each other: the last one, the sum of squared differences, how many.
    last_period: Option<i128>,
    differences: i128,
    pairs: i128,
}

/// What a whole run says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Whole {
    /// Cycles from the first crossing to the last.
    pub cycles: u64,
    /// Cycles among them without a crossing.
    pub missed: u64,
    /// Time of the first crossing, seconds since the record began.
    pub start_s: f64,
    /// Time from first to last.
    pub span_s: f64,
    /// Mean frequency: cycles over time.
    pub mean_hz: f64,
    /// Half width of the mean's 95 % interval.
    pub mean_u95_hz: f64,
    /// Frequency by the least-squares line through all crossings.
    pub fit_hz: f64,
    /// Half width of the fit's 95 % interval; `None` with fewer than three crossings, and where the frequency moved so much that a
    /// straight line does not fit.
    pub fit_u95_hz: Option<f64>,
}

impl Run {
    /// With no crossings.
    pub const fn new() -> Self {
        Self {
            origin: None,
            period: 0,
            n: 0,
            k: 0,
            kk: 0,
            r: 0,
            kr: 0,
            rr: 0,
            cycles: 0,
            last_cycle: 0,
            last_ticks: 0,
            last_period: None,
            differences: 0,
            pairs: 0,
        }
    }

    /// Cycles from the first crossing to the last.
    pub const fn cycles(&self) -> u64 {
        self.cycles
    }

    /// Takes the crossing of cycle `cycle` (modulo 2^32) at `ticks`; later than the ones before.
    pub fn take(&mut self, cycle: u32, ticks: u64) {
        let Some((_, first)) = self.origin else {
            self.origin = Some((cycle, ticks));
            (self.n, self.last_cycle, self.last_ticks) = (1, cycle, ticks);
            return;
        };
        let step = i128::from(cycle.wrapping_sub(self.last_cycle));
        let length = i128::from(ticks) - i128::from(self.last_ticks);
        if self.n == 1 {
            self.period = length / step.max(1);
        }
        self.cycles += u64::from(cycle.wrapping_sub(self.last_cycle));
        let k = i128::from(self.cycles);
        let r = i128::from(ticks) - i128::from(first) - k * self.period;
        self.n += 1;
        self.k += k;
        self.kk += k * k;
        self.r += r;
        self.kr += k * r;
        self.rr += r * r;
        let single = (step == 1).then_some(length);
        if let (Some(a), Some(b)) = (self.last_period, single) {
            self.differences += (b - a) * (b - a);
            self.pairs += 1;
        }
        (self.last_period, self.last_cycle, self.last_ticks) = (single, cycle, ticks);
    }

    /// The run's frequencies by the clock that `config` describes; `None` with fewer than two crossings.
    ///
    /// Jitter for the mean comes from the differences of neighbouring periods, which have six times the variance of a
    /// stamp under white jitter and hardly see the grid wander; the mean has two stamps' worth of it, and q^2/6 of quantisation.
    /// The fit has the scatter about its line. On a wandering grid that scatter is no jitter, and would shrink with the number of
    /// crossings where the truth does not: once its variance is twice that of the jitter, no interval is given.
    pub fn whole(&self, config: &Config) -> Option<Whole> {
        let (_, first) = self.origin?;
        let spread = self.n * self.kk - self.k * self.k;
        if self.cycles == 0 || spread == 0 {
            return None;
        }
        let rate = f64::from(config.rate.hz()) * (1.0 + f64::from(config.clock_ppb) * 1e-9);
        let clock = f64::from(config.clock_tolerance_ppb) * 1e-9 * 0.95;
        let span = (self.last_ticks - first) as f64;
        let mean_hz = self.cycles as f64 * rate / span;
        let jitter = if self.pairs > 0 { self.differences as f64 / self.pairs as f64 / 6.0 } else { 0.0 };
        let mean_jitter = 1.96 * (2.0 * jitter + 1.0 / 6.0).sqrt() / span;
        let (n, spread_f) = (self.n as f64, spread as f64);
        let tilt = self.n * self.kr - self.k * self.r;
        let slope = self.period as f64 + tilt as f64 / spread_f;
        let fit_u95_hz = (self.n > 2).then_some(()).and_then(|()| {
            // n SSR = (n sum r^2 - (sum r)^2) - tilt^2/spread. Against the nearest integer line, r - d k, the last term is
            // small enough for f64.
            let d = tilt / spread;
            let r = self.r - d * self.k;
            let rr = self.rr - 2 * d * self.kr + d * d * self.kk;
            let scatter = (self.n * rr - r * r) as f64 - ((tilt - d * spread) as f64).powi(2) / spread_f;
            let scatter = scatter.max(0.0) / n / (n - 2.0);
            let moved = self.pairs >= 30 && scatter + 1.0 / 12.0 > 2.0 * (jitter + 1.0 / 12.0);
            let variance = (scatter + 1.0 / 12.0) * n / spread_f;
            let factor = if self.n > 3 { 1.96 + 2.41 / (n - 3.05) } else { 12.71 };
            (!moved).then(|| rate / slope * (factor * variance.sqrt() / slope).hypot(clock))
        });
        Some(Whole {
            cycles: self.cycles,
            missed: self.cycles + 1 - self.n as u64,
            start_s: first as f64 / f64::from(config.rate.hz()),
            span_s: span / f64::from(config.rate.hz()),
            mean_hz,
            mean_u95_hz: mean_hz * mean_jitter.hypot(clock),
            fit_hz: rate / slope,
            fit_u95_hz,
        })
    }
}

impl Default for Run {
    fn default() -> Self {
        Self::new()
    }
}
