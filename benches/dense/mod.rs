//! The same front end made the plain way: every grid point of the voltage and of its noise, one after the other. The baseline of the bench, and
//! an oracle for the simulator that visits only what matters: nothing here comes from there but the grid's phase.

use std::f64::consts::{PI, TAU};

use humtick_sim::course::{Course, Leg};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;

/// What is to be simulated.
pub struct Dense {
    /// Harmonics: order, amplitude, phase in turns; the fundamental of amplitude 1 apart.
    pub harmonics: Vec<(u32, f64, f64)>,
    /// Standard deviation of the noise.
    pub sigma: f64,
    /// Its bandwidth in hertz.
    pub bandwidth: f64,
    /// Grid points for each 1/bandwidth, even: 5 and more.
    pub points: usize,
    /// Distance of the thresholds.
    pub hysteresis: f64,
    /// Seed of the noise.
    pub seed: u64,
}

const TABLE: usize = 4096;
/// Zeros of the sinc on each side.
const ZEROS: usize = 16;

impl Dense {
    /// Hands each change of the comparator's output over the given seconds to `found`: seconds, whether it rises, and the grid's phase in turns.
    pub fn run(&self, mut course: Course, seconds: f64, mut found: impl FnMut(f64, bool, f64)) {
        let table: Vec<f64> = (0..=TABLE)
            .map(|k| {
                let x = k as f64 / TABLE as f64;
                let one = |(order, amplitude, phase): &(u32, f64, f64)| {
                    amplitude * (TAU * (f64::from(*order) * x + phase)).sin()
                };
                (TAU * x).sin() + self.harmonics.iter().map(one).sum::<f64>()
            })
            .collect();
        let grid_hz = self.points as f64 * self.bandwidth;
        // White draws at two a zero of the sinc (2 B) times 5/4, so that the window's slope has room below half their rate.
        let (draw_every, taps) = self.taps();
        let mut random = Pcg64::seed_from_u64(self.seed);
        let mut normal = move || -> f64 { StandardNormal.sample(&mut random) };
        // Twice as long as needed, so that every dot product is over one slice.
        let count = taps[0].len();
        let mut ring: Vec<f64> = vec![0.0; 2 * count];
        for k in 0..count {
            ring[k] = normal();
            ring[k + count] = ring[k];
        }
        let mut place = 0;
        let mut leg: Leg = course.next_leg();
        let (mut high, mut before) = (false, f64::NAN);
        let total = (seconds * grid_hz) as u64;
        let mut branch = 0;
        let mut start_index = 0u64;
        for i in 0..total {
            let x = (i - start_index) as f64 / grid_hz
                - leg.from.since(humtick_sim::moment::Moment::from_s(start_index as f64 / grid_hz));
            let x = if x < leg.length {
                x
            } else {
                leg = course.next_leg();
                start_index = i;
                -leg.from.since(humtick_sim::moment::Moment::from_s(i as f64 / grid_hz))
            };
            let turns = leg.sum.part + leg.gain(x);
            let place_in_cycle = (turns - turns.floor()) * TABLE as f64;
            let k = place_in_cycle as usize;
            let wave = table[k] + (table[k + 1] - table[k]) * (place_in_cycle - k as f64);
            let noise: f64 = ring[place..place + count].iter().zip(&taps[branch]).map(|(a, b)| a * b).sum();
            branch += 1;
            if branch == draw_every {
                branch = 0;
                ring[place] = normal();
                ring[place + count] = ring[place];
                place = (place + 1) % count;
            }
            let u = wave + self.sigma * noise;
            let level = if high { -self.hysteresis / 2.0 } else { self.hysteresis / 2.0 };
            if (u > level) != high && before.is_finite() {
                let back = (u - level) / (u - before) / grid_hz;
                found(i as f64 / grid_hz - back, !high, turns - leg.rate * back);
                high = !high;
            }
            before = u;
        }
    }

    /// Grid points from draw to draw, and for each point between them the weights of the draws around.
    fn taps(&self) -> (usize, Vec<Vec<f64>>) {
        let draw_every = self.points * 2 / 5;
        // The cut-off, in cycles a grid point, is chosen so that the slope is that of noise white to the bandwidth: 2 pi B/sqrt 3.
        let bandwidth = 1.0 / self.points as f64;
        let half = ZEROS as f64 / (2.0 * bandwidth);
        let count = (2.0 * half / draw_every as f64).ceil() as usize;
        let weight = |x: f64, cut: f64| {
            if x.abs() >= half {
                return 0.0;
            }
            let sinc = if x == 0.0 { 1.0 } else { (TAU * cut * x).sin() / (TAU * cut * x) };
            // Blackman's window.
            sinc * (0.42 + 0.5 * (PI * x / half).cos() + 0.08 * (TAU * x / half).cos())
        };
        let slope = |cut: f64| {
            let (mut value, mut rise) = (0.0, 0.0);
            for i in -(half as i64)..=half as i64 {
                let x = i as f64;
                value += weight(x, cut).powi(2);
                rise += ((weight(x + 0.01, cut) - weight(x - 0.01, cut)) / 0.02).powi(2);
            }
            (rise / value).sqrt()
        };
        let mut cut = bandwidth;
        for _ in 0..10 {
            cut *= TAU * bandwidth / 3f64.sqrt() / slope(cut);
        }
        let mut taps: Vec<Vec<f64>> = (0..draw_every)
            .map(|branch| {
                (0..count)
                    .map(|k| {
                        let draw = count as f64 / 2.0 - 1.0 - k as f64;
                        weight(branch as f64 + draw_every as f64 * draw, cut)
                    })
                    .collect()
            })
            .collect();
        let power = taps.iter().flatten().map(|w| w * w).sum::<f64>() / draw_every as f64;
        taps.iter_mut().flatten().for_each(|w| *w /= power.sqrt());
        (draw_every, taps)
    }
}
