//! Random streams that are the same on every machine, for ever: PCG XSL RR 128/64 (MCG), seeded by place rather than by turn, and
//! normal draws by number where each must stand alone.

use std::sync::LazyLock;

use rand_pcg::Pcg64Mcg;
use rand_pcg::rand_core::Rng as _;

/// One stream.
#[derive(Clone, Debug)]
pub struct Random(Pcg64Mcg);

/// What a stream is for. Each has its own, so that a change in one leaves the others alone.
#[derive(Clone, Copy, Debug)]
pub enum Use {
    /// Noise at the comparator.
    Noise,
    /// Wander of the grid's frequency.
    Grid,
    /// A disturbance, by place in the file.
    Disturb,
    /// Glitches at the comparator's output.
    Glitch,
    /// Wander of the timer's clock.
    Clock,
    /// Latencies and losses in the timer.
    Timer,
    /// Pulses of a reference.
    Reference,
    /// What becomes of a sensor's lines on their way.
    Line,
}

impl Random {
    /// The stream of `seed` for `what`, number `index`.
    #[inline]
    pub fn new(seed: u64, what: Use, index: u64) -> Self {
        let high = mixed(seed ^ mixed(what as u64 + 1));
        let low = mixed(high ^ index.wrapping_mul(0x9E37_79B9_7F4A_7C15));
        Self(Pcg64Mcg::new(u128::from(high) << 64 | u128::from(low)))
    }

    /// From 0 to 1, 1 excluded, in steps of 2^-53.
    pub fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 * (f64::EPSILON / 2.0)
    }

    /// Evenly distributed from `low` to `high`.
    pub fn between(&mut self, (low, high): (f64, f64)) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Exponentially distributed with mean 1.
    pub fn exponential(&mut self) -> f64 {
        -libm::log(1.0 - self.unit())
    }

    /// Normally distributed with mean 0 and variance 1.
    pub fn normal(&mut self) -> f64 {
        let z = &*ZIGGURAT;
        loop {
            let bits = self.0.next_u64();
            if let Some(x) = z.inside(bits).or_else(|| self.outside(z, bits)) {
                return x;
            }
        }
    }

    /// The draw of these bits, which are outside the rectangles, if it is one.
    #[cold]
    fn outside(&mut self, z: &Ziggurat, bits: u64) -> Option<f64> {
        let (layer, x) = z.place(bits);
        if layer == 0 {
            return Some(self.tail(x < 0.0));
        }
        let (lower, upper) = (z.density[layer], z.density[layer + 1]);
        (lower + (upper - lower) * self.unit() < libm::exp(-0.5 * x * x)).then_some(x)
    }

    /// Beyond the last layer (Marsaglia, Technometrics 6, 1964).
    fn tail(&mut self, negative: bool) -> f64 {
        loop {
            let x = self.exponential() / TAIL;
            let y = self.exponential();
            if 2.0 * y >= x * x {
                return if negative { -TAIL - x } else { TAIL + x };
            }
        }
    }
}

/// So many that fewer than 1 in 150 draws need more than a look at the table.
const LAYERS: usize = 512;
/// Where the tail begins with 512 layers of equal area `AREA`, tail included: worked out with 40 digits so that the layers close.
const TAIL: f64 = 3.852_046_150_368_391;
const AREA: f64 = 0.002_456_766_351_541_356;

/// Marsaglia and Tsang's ziggurat (J. Stat. Softw. 5(8), 2000), with the layer and the place in it from different bits.
#[derive(Debug)]
struct Ziggurat {
    /// Width of each layer, the widest first; the first is as wide as a rectangle of the tail's layer.
    x: [f64; LAYERS + 1],
    /// 2^-52 of it.
    step: [f64; LAYERS],
    density: [f64; LAYERS + 1],
}

static ZIGGURAT: LazyLock<Ziggurat> = LazyLock::new(|| {
    let density = |x: f64| libm::exp(-0.5 * x * x);
    let mut z = Ziggurat { x: [0.0; LAYERS + 1], step: [0.0; LAYERS], density: [0.0; LAYERS + 1] };
    z.x[0] = AREA / density(TAIL);
    z.x[1] = TAIL;
    for i in 2..LAYERS {
        z.x[i] = libm::sqrt(-2.0 * libm::log(AREA / z.x[i - 1] + density(z.x[i - 1])));
    }
    z.step = std::array::from_fn(|i| z.x[i] * f64::EPSILON);
    z.density = z.x.map(density);
    z
});

impl Ziggurat {
    /// The layer that these bits choose, and the place in it.
    #[inline]
    fn place(&self, bits: u64) -> (usize, f64) {
        let layer = bits as usize % LAYERS;
        (layer, (bits.cast_signed() >> 11) as f64 * self.step[layer])
    }

    /// The draw of these bits if they are inside the layer's rectangle, as nearly all are.
    #[inline]
    fn inside(&self, bits: u64) -> Option<f64> {
        let (layer, x) = self.place(bits);
        (x.abs() < self.x[layer + 1]).then_some(x)
    }
}

/// Normal draws with mean 0 and variance 1 by their numbers, in any order. The bits of draw k are output k of wyrand (Wang Yi, wyhash final
/// version 4.2), which is said to pass PractRand to 16 TiB (value from memory); noise of a simulated year takes 1 TiB.
#[derive(Clone, Copy, Debug)]
pub struct Normals {
    key: u64,
    ziggurat: &'static Ziggurat,
}

impl Normals {
    /// The draws of `seed` for `what`.
    pub fn new(seed: u64, what: Use) -> Self {
        Self { key: mixed(seed ^ mixed(what as u64 + 1)), ziggurat: &ZIGGURAT }
    }

    /// Draw number `index`.
    #[inline]
    pub fn draw(&self, index: i64) -> f64 {
        let state = self.key.wrapping_add(index.cast_unsigned().wrapping_mul(0x2D35_8DCC_AA6C_78A5));
        let product = u128::from(state) * u128::from(state ^ 0x8BB8_4B93_962E_ACC9);
        let bits = product as u64 ^ (product >> 64) as u64;
        self.ziggurat.inside(bits).unwrap_or_else(|| self.outside(bits))
    }

    /// A draw that takes more bits than its own.
    #[cold]
    fn outside(&self, bits: u64) -> f64 {
        let mut random = Random(Pcg64Mcg::new(u128::from(self.key) << 64 | u128::from(bits)));
        random.outside(self.ziggurat, bits).unwrap_or_else(|| random.normal())
    }
}

/// The finaliser of SplitMix64: every bit of the result depends on every bit of the argument.
const fn mixed(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ z >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ z >> 31
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the normal distribution's own table (NIST/SEMATECH e-Handbook, 1.3.6.7.1): the share beyond so many sigma.
    #[test]
    fn normal_draws_are_normal() {
        let mut random = Random::new(1, Use::Noise, 0);
        are_normal(std::iter::repeat_with(|| random.normal()));
        let normals = Normals::new(1, Use::Noise);
        are_normal((-1_000_000..).map(|k| normals.draw(k)));
    }

    fn are_normal(draws: impl Iterator<Item = f64>) {
        let n = 4_000_000;
        let (mut sum, mut squares, mut fourth) = (0.0, 0.0, 0.0);
        let mut beyond = [0u32; 5];
        for x in draws.take(n) {
            sum += x;
            squares += x * x;
            fourth += x * x * x * x;
            for (count, limit) in beyond.iter_mut().zip([0.5, 1.0, 2.0, 3.0, 4.0]) {
                *count += u32::from(x.abs() > limit);
            }
        }
        let n = n as f64;
        assert!((sum / n).abs() < 5.0 / n.sqrt(), "{}", sum / n);
        assert!((squares / n - 1.0).abs() < 5.0 * (2.0 / n).sqrt(), "{}", squares / n);
        assert!((fourth / n - 3.0).abs() < 5.0 * (96.0 / n).sqrt(), "{}", fourth / n);
        for (count, p) in beyond.iter().zip([0.617_075, 0.317_311, 0.045_500, 0.002_699_8, 6.334e-5]) {
            let sd = (n * p * (1.0 - p)).sqrt();
            assert!((f64::from(*count) - n * p).abs() < 4.5 * sd, "{count} beyond, {} expected", n * p);
        }
    }

    /// The mean beyond t is density over share beyond: 4.0848 for the tail's 3.852 (phi(t) = 2.3923e-4, Q(t) = 5.8567e-5).
    #[test]
    fn the_tail_is_as_long_either_way() {
        let mut random = Random::new(3, Use::Noise, 0);
        for negative in [false, true] {
            let n = 200_000;
            let sum: f64 = (0..n).map(|_| random.tail(negative).abs()).sum();
            // Its standard deviation is 0.22, that of the mean 0.0005.
            let mean = sum / f64::from(n);
            assert!((mean - 4.0848).abs() < 0.002, "{mean}");
        }
    }

    #[test]
    fn the_layers_close() {
        let z = &*ZIGGURAT;
        assert!((z.x[LAYERS]).abs() < 1e-6, "{}", z.x[LAYERS]);
        assert!(z.x.windows(2).all(|w| w[0] > w[1]));
    }

    #[test]
    fn streams_are_frozen_and_apart() {
        let first = |seed, what, index| Random::new(seed, what, index).0.next_u64();
        assert_eq!(first(1, Use::Noise, 0), FROZEN);
        let draw = |k| Normals::new(1, Use::Noise).draw(k).to_bits();
        assert_eq!(draw(0), FROZEN_DRAW);
        let all = [
            draw(0),
            draw(1),
            first(1, Use::Noise, 0),
            first(1, Use::Noise, 1),
            first(2, Use::Noise, 0),
            first(1, Use::Grid, 0),
        ];
        for (i, a) in all.iter().enumerate() {
            assert!(all.iter().skip(i + 1).all(|b| a != b));
        }
    }

    const FROZEN_DRAW: u64 = 4_605_918_974_041_032_728;
    const FROZEN: u64 = 4_628_158_852_463_500_020;
}
