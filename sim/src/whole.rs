//! Frequency over a whole run of crossings, however long, in constant memory.

use humtick::Config;

/// Crossings with one unbroken cycle count: exact sums against a line of integer period.
///
/// Two years of mains whose line is a tick a cycle off fit into 128 bits; should a record outgrow them, its straight line is
/// given up and the mean, which needs none of the sums, stays.
#[derive(Clone, Debug, Default)]
pub struct Run {
    origin: Option<(u32, u64)>,
    /// Ticks a cycle of the line, from the first two crossings.
    period: i128,
    /// `None` once they no longer fit.
    sums: Option<Sums>,
    crossings: u64,
    /// Cycles from the first crossing to the last, the cycle numbers' wraps unrolled.
    cycles: u64,
    last_cycle: u32,
    last_ticks: u64,
    /// The last step in cycles and its length; then over neighbouring equal steps the sum of squared differences, how many.
    last_step: Option<(i128, i128)>,
    differences: f64,
    pairs: u64,
}

/// Of n crossings the sums of k, k^2, r, k r and r^2, k being the cycle's number and r its distance from the line.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    n: i128,
    k: i128,
    kk: i128,
    r: i128,
    kr: i128,
    rr: i128,
}

impl Sums {
    fn with(&self, k: i128, r: i128) -> Option<Self> {
        Some(Self {
            n: self.n + 1,
            k: self.k.checked_add(k)?,
            kk: self.kk.checked_add(k.checked_mul(k)?)?,
            r: self.r.checked_add(r)?,
            kr: self.kr.checked_add(k.checked_mul(r)?)?,
            rr: self.rr.checked_add(r.checked_mul(r)?)?,
        })
    }

    /// n sum k^2 - (sum k)^2 and n sum k r - sum k sum r: their ratio is the slope.
    fn slope(&self) -> Option<(i128, i128)> {
        let of = |xy: i128, x: i128, y: i128| self.n.checked_mul(xy)?.checked_sub(x.checked_mul(y)?);
        Some((of(self.kk, self.k, self.k)?, of(self.kr, self.k, self.r)?))
    }

    /// Variance of the residuals about the least-squares line, in squared ticks; `None` with fewer than three crossings.
    fn scatter(&self) -> Option<f64> {
        let (spread, tilt) = self.slope()?;
        if self.n < 3 || spread == 0 {
            return None;
        }
        // n SSR = (n sum r^2 - (sum r)^2) - tilt^2/spread. Against the nearest integer line, r - d k, the last term is small enough
        // for f64.
        let d = tilt / spread;
        let r = self.r - d.checked_mul(self.k)?;
        let moved = (2 * d).checked_mul(self.kr)?;
        let rr = self.rr.checked_sub(moved)?.checked_add(d.checked_mul(d)?.checked_mul(self.kk)?)?;
        let about_mean = self.n.checked_mul(rr)?.checked_sub(r.checked_mul(r)?)?;
        let scatter = about_mean as f64 - ((tilt - d * spread) as f64).powi(2) / spread as f64;
        let n = self.n as f64;
        Some(scatter.max(0.0) / n / (n - 2.0))
    }
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
    /// Half width of the mean's 95 % interval; `None` where too few neighbouring cycles show the jitter.
    pub mean_u95_hz: Option<f64>,
    /// Frequency by the least-squares line through all crossings; `None` for a record whose sums outgrew 128 bits.
    pub fit_hz: Option<f64>,
    /// Half width of the fit's 95 % interval; `None` with fewer than three crossings, and where the frequency moved so much that a
    /// straight line does not fit.
    pub fit_u95_hz: Option<f64>,
}

/// The 95 % factor for a scatter with `freedom` degrees of freedom, from four on; the core's.
fn factor(freedom: f64) -> Option<f64> {
    (freedom >= 4.0).then(|| 1.96 + 2.41 / (freedom - 1.05))
}

impl Run {
    /// Cycles from the first crossing to the last.
    pub const fn cycles(&self) -> u64 {
        self.cycles
    }

    /// Takes the crossing of cycle `cycle` (modulo 2^32) at `ticks`; later than the ones before.
    pub fn take(&mut self, cycle: u32, ticks: u64) {
        self.crossings += 1;
        let Some((_, first)) = self.origin else {
            self.origin = Some((cycle, ticks));
            self.sums = Sums::default().with(0, 0);
            (self.last_cycle, self.last_ticks) = (cycle, ticks);
            return;
        };
        let step = i128::from(cycle.wrapping_sub(self.last_cycle));
        let length = i128::from(ticks) - i128::from(self.last_ticks);
        if self.crossings == 2 {
            self.period = length / step.max(1);
        }
        self.cycles += u64::from(cycle.wrapping_sub(self.last_cycle));
        let k = i128::from(self.cycles);
        let r = i128::from(ticks) - i128::from(first) - k * self.period;
        self.sums = self.sums.and_then(|sums| sums.with(k, r));
        if let Some((_, before)) = self.last_step.filter(|(before, _)| *before == step) {
            self.differences += ((length - before) as f64).powi(2);
            self.pairs += 1;
        }
        (self.last_step, self.last_cycle, self.last_ticks) = (Some((step, length)), cycle, ticks);
    }

    /// The run's frequencies by the counter that `config` describes; `None` with fewer than two crossings.
    ///
    /// Jitter for the mean comes from the differences of neighbouring steps of equally many cycles, which have six times the
    /// variance of a stamp under white jitter and hardly see the grid wander; n of them, correlated by -2/3 and 1/6 with their
    /// neighbours, have n/1.94 degrees of freedom. The mean has two stamps' worth of that jitter, and q^2/6 of quantisation. The
    /// fit has the scatter about its line. On a wandering grid that scatter is no jitter, and would shrink with the number of
    /// crossings where the truth does not: once its variance is twice that of the jitter, no interval is given. Where jitter does not
    /// dither the quantisation, neither interval is narrower than what quantisation can do at most: q over the span for the mean,
    /// and by Cauchy q/2 sqrt(n/sum (k - mean)^2) for the line.
    pub fn whole(&self, config: &Config) -> Option<Whole> {
        let (_, first) = self.origin?;
        if self.cycles == 0 {
            return None;
        }
        let rate = f64::from(config.rate.hz()) * (1.0 + f64::from(config.clock_ppb) * 1e-9);
        let clock = f64::from(config.clock_tolerance_ppb) * 1e-9 * 0.95;
        let q = f64::from(config.resolution);
        let white = q * q / 12.0;
        let floor = |scatter: f64, bound: f64| if scatter < q * q / 3.0 { bound } else { 0.0 };
        let span = (self.last_ticks - first) as f64;
        let mean_hz = self.cycles as f64 * rate / span;
        let jitter = (self.pairs > 0).then(|| self.differences / self.pairs as f64 / 6.0);
        let mean_u95_hz = jitter.zip(factor(self.pairs as f64 / 1.94)).map(|(jitter, factor)| {
            let half = (factor * (2.0 * (jitter + white)).sqrt()).max(floor(jitter, q));
            mean_hz * (half / span).hypot(clock)
        });
        let line = self.sums.and_then(|sums| {
            let (spread, tilt) = sums.slope().filter(|(spread, _)| *spread != 0)?;
            Some((sums, spread as f64, self.period as f64 + tilt as f64 / spread as f64))
        });
        let fit_u95_hz = line.and_then(|(sums, spread, slope)| {
            let (scatter, n) = (sums.scatter()?, sums.n as f64);
            let moved = self.pairs >= 30 && scatter + white > 2.0 * (jitter? + white);
            let half = factor(n - 2.0)? * ((scatter + white) * n / spread).sqrt();
            let half = half.max(floor(scatter, q / 2.0 * n / spread.sqrt()));
            (!moved).then(|| rate / slope * (half / slope).hypot(clock))
        });
        Some(Whole {
            cycles: self.cycles,
            missed: self.cycles + 1 - self.crossings,
            start_s: first as f64 / f64::from(config.rate.hz()),
            span_s: span / f64::from(config.rate.hz()),
            mean_hz,
            mean_u95_hz,
            fit_hz: line.map(|(_, _, slope)| rate / slope),
            fit_u95_hz,
        })
    }
}
