//! Windows of jittered stamps through meters, and how often the stated intervals hold the truth.

use humtick::{
    Biweight, Config, Edge, EndToEnd, Estimator, Hann, Kaiser6, LastPeriod, LeastSquares, Meter, Polarity,
    Reading, Triangular,
};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64;

use super::{meter, rate, stamp, value};

/// Ticks a second.
pub const TICKS: u32 = 2_000_000;

/// Ticks in a cycle of 50 Hz.
pub const PERIOD: u64 = 40_000;

/// A meter of any estimator and size.
pub trait Measures {
    /// Pushes a window's edges and takes the reading over them.
    fn window(&mut self, edges: &[Edge]) -> Option<Reading>;
}

impl<const N: usize, E: Estimator, const CHAINS: usize> Measures for Meter<N, E, CHAINS> {
    fn window(&mut self, edges: &[Edge]) -> Option<Reading> {
        for edge in edges {
            self.push(*edge);
        }
        self.take_full_reading()
    }
}

/// What the intervals are held against in order: the estimators' names.
pub const NAMES: [&str; 7] =
    ["last period", "end to end", "triangular", "least squares", "biweight", "Hann", "Kaiser 6"];

/// A window of `half_cycles`, gates so wide that they cut nothing, the clock left out, and a reading whenever asked for.
pub fn config(half_cycles: u32) -> Config {
    Config {
        gate_factor: 50,
        gate_floor_ppm: 250_000,
        holdoff_permille: 300,
        window_ms: 10 * half_cycles,
        every_ms: 1,
        clock_tolerance_ppb: 0,
        ..Config::mains(rate(TICKS))
    }
}

/// A meter of each estimator for windows of `N` crossings of one polarity.
pub fn meters<const N: usize>() -> Vec<Box<dyn Measures>> {
    let c = &config(2 * (N as u32 - 1));
    vec![
        Box::new(meter::<N, LastPeriod>(c)),
        Box::new(meter::<N, EndToEnd>(c)),
        Box::new(meter::<N, Triangular>(c)),
        Box::new(meter::<N, LeastSquares>(c)),
        Box::new(meter::<N, Biweight>(c)),
        Box::new(meter::<N, Hann>(c)),
        Box::new(meter::<N, Kaiser6>(c)),
    ]
}

/// Stamps of one window after another. Within a window the period is `PERIOD` + `drift`; each begins at a phase of its own.
pub struct Stamps {
    /// Edges in a window: of one polarity, or of both in turn.
    pub edges: usize,
    both: bool,
    /// Ticks a cycle beyond `PERIOD`.
    pub drift: f64,
    /// Hertz a second.
    pub ramp: f64,
    jitter: Normal<f64>,
    rng: Pcg64,
    /// Where the next window begins, and whether with a falling edge.
    origin: u64,
    falling: bool,
}

impl Stamps {
    pub fn new(edges: usize, drift: f64, jitter: f64, seed: u64) -> Self {
        let jitter = Normal::new(0.0, jitter).expect("a deviation is not negative");
        let rng = Pcg64::seed_from_u64(seed);
        Self { edges, both: false, drift, ramp: 0.0, jitter, rng, origin: 1 << 33, falling: false }
    }

    /// The same with edges of both polarities in turn, half a period apart.
    pub fn both(self) -> Self {
        Self { both: true, ..self }
    }

    /// The truth in hertz.
    pub fn hertz(&self) -> f64 {
        f64::from(TICKS) / (PERIOD as f64 + self.drift)
    }

    /// The next window, in fractions of a tick before rounding down to edges.
    pub fn window(&mut self) -> (Vec<f64>, Vec<Edge>) {
        let (mut exact, mut edges) = (vec![], vec![]);
        let (phase, stride) = (self.rng.random::<f64>(), if self.both { 0.5 } else { 1.0 });
        let f = self.hertz();
        for i in 0..self.edges {
            let cycles = stride * (i as f64 - 0.5 * (self.edges - 1) as f64);
            // f tau + R tau^2/2 = cycles, solved without cancellation; tau is zero in the middle of the window.
            let tau = 2.0 * cycles / (f + (f * f + 2.0 * self.ramp * cycles).sqrt());
            let from_start = stride * 0.5 * (self.edges - 1) as f64 * PERIOD as f64;
            let at = from_start + tau * f64::from(TICKS) + phase + self.jitter.sample(&mut self.rng);
            exact.push(at);
            let polarity = if self.falling { Polarity::Falling } else { Polarity::Rising };
            edges.push(Edge { stamp: stamp(self.origin.wrapping_add_signed(at.floor() as i64)), polarity });
            self.falling ^= self.both;
        }
        self.origin += (stride * self.edges as f64 * PERIOD as f64) as u64;
        (exact, edges)
    }
}

/// How often intervals held the truth, how wide they were and how far off the readings.
#[derive(Clone, Copy, Debug, Default)]
pub struct Tally {
    pub windows: u32,
    held: u32,
    width: f64,
    squares: f64,
}

impl Tally {
    /// `error` and `half` width in the same unit.
    pub fn take(&mut self, error: f64, half: f64) {
        self.windows += 1;
        self.held += u32::from(error.abs() <= half);
        self.width += half;
        self.squares += error * error;
    }

    /// A frequency against the truth, both in hertz.
    pub fn take_reading(&mut self, reading: &Reading, truth: f64) {
        let (frequency, half) = (reading.frequency.unwrap(), reading.expanded_uncertainty.unwrap());
        self.take(value(frequency) - truth, value(half));
    }

    pub fn coverage(&self) -> f64 {
        f64::from(self.held) / f64::from(self.windows)
    }

    pub fn mean_half_width(&self) -> f64 {
        self.width / f64::from(self.windows)
    }

    pub fn rmse(&self) -> f64 {
        (self.squares / f64::from(self.windows)).sqrt()
    }
}

/// Readings of `windows` windows by each meter, against the truth. The first windows, over which gates settle, are left out;
/// afterwards each must be a reading over exactly its own window.
pub fn run(meters: &mut [Box<dyn Measures>], stamps: &mut Stamps, cycles: u32, windows: u32) -> Vec<Tally> {
    let mut tallies = vec![Tally::default(); meters.len()];
    let truth = stamps.hertz();
    for i in 0..windows + SETTLING {
        let (_, edges) = stamps.window();
        for (meter, tally) in meters.iter_mut().zip(&mut tallies) {
            let reading = meter.window(&edges);
            if i >= SETTLING {
                let reading = reading.expect("a reading is due");
                assert_eq!((reading.cycles, reading.missed, reading.rejected), (cycles, 0, 0));
                tally.take_reading(&reading, truth);
            }
        }
    }
    tallies
}

/// Windows before the first that counts: of six crossings they are a hundred, more than a gate takes to settle.
pub const SETTLING: u32 = 20;

/// Windows of a Monte Carlo: `HUMTICK_WINDOWS`, or `usual`.
pub fn windows(usual: u32) -> u32 {
    std::env::var("HUMTICK_WINDOWS").map_or(usual, |n| n.parse().expect("HUMTICK_WINDOWS is a number"))
}
