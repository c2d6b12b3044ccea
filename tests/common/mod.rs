//! Edge trains from one seed, on a tick scale of 64 bits that never wraps; what a meter sees of them does.
#![allow(dead_code, reason = "each test file uses a part")]

pub mod exact;
pub mod monte_carlo;

use humtick::{Config, Crossing, Edge, Estimator, Frequency, Meter, Reading, Stamp, TickRate, Verdict};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64;

/// What becomes of ideal crossings on their way to the meter.
#[derive(Clone, Copy, Debug)]
pub struct Train {
    /// Ticks a second.
    pub rate: u32,
    /// Tick at which the train's second zero lies.
    pub origin: u64,
    /// Standard deviation of Gaussian jitter, in ticks.
    pub jitter: f64,
    /// Probability that a crossing gives no edge.
    pub missing: f64,
    /// Probability that a cycle has an edge too many, anywhere in it.
    pub extra: f64,
    pub seed: u64,
}

impl Train {
    /// No faults; the 32-bit scale wraps two seconds in.
    pub fn clean(rate: u32) -> Self {
        let origin = (1 << 32) - 2 * u64::from(rate);
        Self { rate, origin, jitter: 0.0, missing: 0.0, extra: 0.0, seed: 1 }
    }

    /// The tick of a moment, in fractions.
    pub fn ticks(&self, seconds: f64) -> f64 {
        self.origin as f64 + seconds * f64::from(self.rate)
    }

    /// The moment of a tick.
    pub fn seconds(&self, at: u64) -> f64 {
        (at as f64 - self.origin as f64) / f64::from(self.rate)
    }

    /// Ticks of the edges that come of ideal `crossings` (in seconds), in order of time. A counter rounds down.
    pub fn edges(&self, crossings: &[f64]) -> Vec<u64> {
        let mut rng = Pcg64::seed_from_u64(self.seed);
        let jitter = Normal::new(0.0, self.jitter).expect("a deviation is not negative");
        let mut edges = Vec::new();
        for (i, t) in crossings.iter().enumerate() {
            let at = self.ticks(*t);
            if !rng.random_bool(self.missing) {
                edges.push((at + jitter.sample(&mut rng)).floor() as u64);
            }
            if let Some(next) = crossings.get(i + 1)
                && rng.random_bool(self.extra)
            {
                edges.push((at + rng.random::<f64>() * (self.ticks(*next) - at)) as u64);
            }
        }
        edges.sort_unstable();
        edges
    }
}

/// Moments of the crossings of a signal of `frequency(t)` hertz, from zero to `seconds`.
pub fn crossings(frequency: impl Fn(f64) -> f64, seconds: f64) -> Vec<f64> {
    let (mut t, mut all) = (0.0, vec![]);
    while t < seconds {
        all.push(t);
        // The period at its own middle, which is right to second order.
        t += 1.0 / frequency(t + 0.5 / frequency(t));
    }
    all
}

/// `cycles` crossings of a steady signal, each rounded only once.
pub fn steady(hertz: f64, cycles: u32) -> Vec<f64> {
    (0..cycles).map(|k| f64::from(k) / hertz).collect()
}

pub fn rate(hz: u32) -> TickRate {
    TickRate::from_hz(hz).expect("a tick rate in range")
}

pub fn hertz(f: f64) -> Frequency {
    Frequency::from_nanohertz((f * 1e9).round() as u64)
}

pub fn value(f: Frequency) -> f64 {
    f.nanohertz() as f64 * 1e-9
}

/// [`Config::around`] with as many coasting cycles as the horizon allows, at most the default.
pub fn around(tick_hz: u32, nominal: f64) -> Config {
    let longest = f64::from(tick_hz) / (0.8 * nominal) + 2.0;
    let most = (f64::from(humtick::limit::HORIZON) / longest).min(25.0) as u8;
    Config { coast_cycles: most, ..Config::around(rate(tick_hz), hertz(nominal)) }
}

pub fn meter<const N: usize, E: Estimator>(config: &Config) -> Meter<N, E> {
    Meter::new(config).expect("a valid configuration")
}

pub fn stamp(at: u64) -> Stamp {
    Stamp::new((at & 0xFFFF_FFFF) as u32)
}

pub fn rising(at: u64) -> Edge {
    Edge::rising(stamp(at))
}

/// Pushes `edges` and shows, after each, the meter, the edge's tick, the verdict and the reading if one fell due.
pub fn feed<const N: usize, E: Estimator>(
    meter: &mut Meter<N, E>,
    edges: &[u64],
    mut look: impl FnMut(&Meter<N, E>, u64, Verdict, Option<Reading>),
) {
    for at in edges {
        let verdict = meter.push(rising(*at));
        let reading = meter.take_reading();
        look(meter, *at, verdict, reading);
    }
}

/// All readings of a train.
pub fn readings<const N: usize, E: Estimator>(config: &Config, edges: &[u64]) -> Vec<Reading> {
    let mut all = vec![];
    feed::<N, E>(&mut meter(config), edges, |_, _, _, reading| all.extend(reading));
    all
}

/// Crossings as plain numbers: (cycles, ticks), both counted from the first.
pub fn points(crossings: impl Iterator<Item = Crossing>) -> Vec<(i128, i128)> {
    let mut before: Option<Crossing> = None;
    let (mut k, mut t) = (0, 0);
    crossings
        .map(|c| {
            if let Some(b) = before.replace(c) {
                k += i128::from(c.cycle.wrapping_sub(b.cycle));
                t += i128::from((c.stamp - b.stamp).count());
            }
            (k, t)
        })
        .collect()
}

/// n sum k^2 - (sum k)^2.
pub fn spread(points: &[(i128, i128)]) -> i128 {
    let n = points.len() as i128;
    let k: i128 = points.iter().map(|p| p.0).sum();
    let kk: i128 = points.iter().map(|p| p.0 * p.0).sum();
    n * kk - k * k
}
