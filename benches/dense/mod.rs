//! The plain way to simulate a comparator on noisy mains: every point of an even grid is visited. It shares nothing with the simulator but
//! the course of the grid's phase.

use std::f64::consts::TAU;

use humtick_sim::course::Course;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;

/// Knots of the table of one cycle, read along straight lines: of the 25th harmonic it misses (25 * 2 pi / 16384)^2 / 8, 1.1e-5 of its
/// amplitude.
const KNOTS: usize = 16_384;
/// Grid points in 1/B.
const UNIT: f64 = 5.0;
/// Grid points from one white draw to the next.
const SPACING: usize = 2;
/// Draws that a point is a sum of: a pulse of 11.2/B.
const TAPS: usize = 28;
/// Points between two turns to the next draws, a whole number of spacings.
const BLOCK: usize = 2_048;
/// Parts of a step that are looked at where the comparator may switch.
const PARTS: u32 = 8;

/// What is simulated.
#[derive(Clone, Debug)]
pub struct Dense {
    /// Order, amplitude, and phase in turns at the comparator, the fundamental included.
    pub tones: Vec<(u32, f64, f64)>,
    /// Standard deviation of the noise.
    pub sigma: f64,
    /// Its bandwidth B in hertz.
    pub bandwidth_hz: f64,
    /// Distance of the thresholds, zero in their middle.
    pub hysteresis: f64,
    /// Of the noise.
    pub seed: u64,
    /// How long.
    pub seconds: f64,
}

impl Dense {
    /// Instants in seconds at which the comparator, low at first, switches, upwards and downwards in turn.
    pub fn transitions(&self, mut course: Course) -> Vec<f64> {
        let table = self.table();
        let mut noise = Noise::new(self.sigma, self.seed);
        let step = 1.0 / (UNIT * self.bandwidth_hz);
        let half = self.hysteresis / 2.0;
        // A cubic by values and slopes leaves the range of its ends by a third of a slope at most: seven deviations of that are 1.7 sigma.
        let margin = 2.0 * self.sigma;
        let mut leg = course.next_leg();
        let mut is_high = false;
        let mut out = Vec::new();
        // The voltage, and the slope per point of what of it is no noise.
        let mut points = [(0.0, 0.0); BLOCK + 1];
        for begin in (0..(self.seconds / step) as usize).step_by(BLOCK) {
            for (i, point) in points.iter_mut().enumerate() {
                let mut x = (begin + i) as f64 * step - leg.from.seconds();
                while x >= leg.length {
                    // The last point comes again as the next block's first.
                    if i == BLOCK {
                        break;
                    }
                    leg = course.next_leg();
                    x = (begin + i) as f64 * step - leg.from.seconds();
                }
                let turns = leg.sum.part + leg.gain(x);
                let place = (turns - turns.floor()) * KNOTS as f64;
                let knot = place as usize;
                let rise = table[knot + 1] - table[knot];
                let clean = table[knot] + rise * (place - knot as f64);
                *point = (clean + noise.value(i), rise * KNOTS as f64 * leg.rate_at(x) * step);
            }
            for i in 0..BLOCK {
                let (a, b) = (points[i], points[i + 1]);
                let is_quiet =
                    if is_high { a.0.min(b.0) > margin - half } else { a.0.max(b.0) < half - margin };
                if is_quiet {
                    continue;
                }
                let ends = ((a.0, a.1 + noise.slope(i)), (b.0, b.1 + noise.slope(i + 1)));
                let (mut last, mut u) = (0.0, a.0);
                for part in 1..=PARTS {
                    let x = f64::from(part) / f64::from(PARTS);
                    let next = hermite(ends, x);
                    let threshold = if is_high { -half } else { half };
                    if (next > threshold) != is_high {
                        let share = ((threshold - u) / (next - u)).clamp(0.0, 1.0);
                        out.push(((begin + i) as f64 + last + share * (x - last)) * step);
                        is_high = !is_high;
                    }
                    (last, u) = (x, next);
                }
            }
            noise.advance();
        }
        out
    }

    /// One cycle, and its first knot again.
    fn table(&self) -> Vec<f64> {
        let at = |k: usize| {
            let turns = k as f64 / KNOTS as f64;
            let tone = |(order, size, phase): &(u32, f64, f64)| {
                size * (TAU * (f64::from(*order) * turns + phase)).sin()
            };
            self.tones.iter().map(tone).sum()
        };
        (0..=KNOTS).map(at).collect()
    }
}

/// The cubic by values and slopes at both ends.
fn hermite(((u0, s0), (u1, s1)): ((f64, f64), (f64, f64)), x: f64) -> f64 {
    let rise = u1 - u0;
    u0 + x * (s0 + x * (3.0 * rise - 2.0 * s0 - s1 + x * (s0 + s1 - 2.0 * rise)))
}

/// White draws behind a Blackman-windowed sinc, one phase of it for each point between two draws. Single precision is 1e-7 of sigma.
struct Noise {
    random: Pcg64Mcg,
    values: [[f32; TAPS]; SPACING],
    slopes: [[f32; TAPS]; SPACING],
    draws: [f32; BLOCK / SPACING + TAPS],
}

impl Noise {
    fn new(sigma: f64, seed: u64) -> Self {
        // The brick wall's mean-square slope is (2 pi B)^2 / 3 times its variance. The window rounds the wall; the cut-off makes up for it.
        let wanted = TAU / 3f64.sqrt() / UNIT;
        let all = || (1..TAPS * SPACING).map(|k| k as f64 - (TAPS * SPACING / 2) as f64);
        let (mut low, mut high) = (0.5, 1.5);
        for _ in 0..40 {
            let cut = 0.5 * (low + high);
            let power: f64 = all().map(|x| pulse(x, cut).powi(2)).sum();
            let steepness: f64 = all().map(|x| pulse_slope(x, cut).powi(2)).sum();
            *(if (steepness / power).sqrt() < wanted { &mut low } else { &mut high }) = cut;
        }
        let mut noise = Self {
            random: Pcg64Mcg::seed_from_u64(seed),
            values: [[0.0; TAPS]; SPACING],
            slopes: [[0.0; TAPS]; SPACING],
            draws: [0.0; BLOCK / SPACING + TAPS],
        };
        for phase in 0..SPACING {
            let place = |tap: usize| (phase + SPACING * (TAPS / 2)) as f64 - (SPACING * tap) as f64;
            let power: f64 = (0..TAPS).map(|tap| pulse(place(tap), low).powi(2)).sum();
            for tap in 0..TAPS {
                noise.values[phase][tap] = (sigma / power.sqrt() * pulse(place(tap), low)) as f32;
                noise.slopes[phase][tap] = (sigma / power.sqrt() * pulse_slope(place(tap), low)) as f32;
            }
        }
        noise.advance();
        noise.advance();
        noise
    }

    /// Goes on by a block.
    fn advance(&mut self) {
        self.draws.copy_within(BLOCK / SPACING.., 0);
        for draw in &mut self.draws[TAPS..] {
            *draw = StandardNormal.sample(&mut self.random);
        }
    }

    fn value(&self, point: usize) -> f64 {
        self.sum(&self.values[point % SPACING], point / SPACING)
    }

    fn slope(&self, point: usize) -> f64 {
        self.sum(&self.slopes[point % SPACING], point / SPACING)
    }

    /// Four lanes, which the processor adds at once.
    fn sum(&self, taps: &[f32; TAPS], first: usize) -> f64 {
        let mut lanes = [0.0f32; 4];
        for (taps, draws) in taps.chunks_exact(4).zip(self.draws[first..first + TAPS].chunks_exact(4)) {
            for lane in 0..4 {
                lanes[lane] += taps[lane] * draws[lane];
            }
        }
        f64::from((lanes[0] + lanes[2]) + (lanes[1] + lanes[3]))
    }
}

/// The pulse `x` points from its middle, its cut-off `cut` bandwidths.
fn pulse(x: f64, cut: f64) -> f64 {
    let turn = x / (TAPS * SPACING) as f64;
    let window = if turn.abs() < 0.5 {
        0.42 + 0.5 * (TAU * turn).cos() + 0.08 * (2.0 * TAU * turn).cos()
    } else {
        0.0
    };
    let angle = TAU * cut * x / UNIT;
    window * if angle == 0.0 { 1.0 } else { angle.sin() / angle }
}

/// Its slope per point.
fn pulse_slope(x: f64, cut: f64) -> f64 {
    (pulse(x + 1e-4, cut) - pulse(x - 1e-4, cut)) / 2e-4
}
