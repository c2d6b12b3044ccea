//! One cycle of the voltage as the comparator sees it: harmonics and notches behind the low-pass, as a table over the phase.

use std::f64::consts::TAU;
use std::sync::LazyLock;

/// Knots a cycle. Between them runs a cubic by value and slope: of the 50th harmonic it misses (50 * 2 pi / 4096)^4 / 384, 9e-8 of
/// its amplitude.
const KNOTS: usize = 4096;

static SINES: LazyLock<Vec<f64>> =
    LazyLock::new(|| (0..KNOTS).map(|k| libm::sin(TAU * k as f64 / KNOTS as f64)).collect());

/// A low-pass of first order, or a Butterworth one of second, 3 dB down at its corner, that passes the nominal frequency with gain 1.
#[derive(Clone, Copy, Debug)]
pub struct Lowpass {
    /// Radians a second at the corner; `None` without a low-pass.
    pub corner: Option<f64>,
    /// Whether it is of second order.
    pub second_order: bool,
    /// Gain at zero frequency that makes the nominal's 1.
    pub gain: f64,
}

impl Lowpass {
    /// Of `order` 1 or 2 with its corner at `corner_hz`.
    pub fn new(corner_hz: Option<f64>, order: u8, nominal_hz: f64) -> Self {
        let flat = Self { corner: corner_hz.map(|hz| TAU * hz), second_order: order == 2, gain: 1.0 };
        Self { gain: 1.0 / flat.gain_at(nominal_hz), ..flat }
    }

    /// What 1 + j w / corner (first order), or 1 - (w / corner)^2 + j sqrt 2 w / corner (second), is: real and imaginary part.
    fn denominator(&self, hz: f64) -> (f64, f64) {
        let w = self.corner.map_or(0.0, |corner| TAU * hz / corner);
        if self.second_order { (1.0 - w * w, std::f64::consts::SQRT_2 * w) } else { (1.0, w) }
    }

    /// Gain at `hz`.
    pub fn gain_at(&self, hz: f64) -> f64 {
        let (re, im) = self.denominator(hz);
        self.gain / (re * re + im * im).sqrt()
    }

    /// Phase at `hz` in turns, negative for a delay.
    pub fn turns_at(&self, hz: f64) -> f64 {
        let (re, im) = self.denominator(hz);
        -libm::atan2(im, re) / TAU
    }
}

/// Commutation notches of one cycle.
#[derive(Clone, Copy, Debug)]
pub struct Notches {
    /// How many, evenly spaced.
    pub per_cycle: u32,
    /// Where the first begins, in turns.
    pub phase: f64,
    /// Of the amplitude.
    pub depth: f64,
    /// In turns.
    pub width: f64,
}

/// One cycle over its phase in turns.
#[derive(Clone, Debug)]
pub struct Table(Box<[[f64; 2]; KNOTS]>);

impl Table {
    /// The fundamental of amplitude 1 and `harmonics` (order, amplitude, phase in turns), and `notches`, behind `lowpass` at
    /// `nominal_hz`.
    pub fn new(
        harmonics: &[(u32, f64, f64)],
        notches: &[Notches],
        lowpass: &Lowpass,
        nominal_hz: f64,
    ) -> Self {
        let mut knots = Box::new([[0.0; 2]; KNOTS]);
        for (order, amplitude, phase) in [(1, 1.0, 0.0)].iter().chain(harmonics) {
            let hz = f64::from(*order) * nominal_hz;
            let amplitude = amplitude * lowpass.gain_at(hz);
            let (sine, cosine) = libm::sincos(TAU * (phase + lowpass.turns_at(hz)));
            let (a, b) = (amplitude * cosine, amplitude * sine);
            let rate = TAU * f64::from(*order) / KNOTS as f64;
            for (k, knot) in knots.iter_mut().enumerate() {
                let place = k * *order as usize % KNOTS;
                let (s, c) = (SINES[place], SINES[(place + KNOTS / 4) % KNOTS]);
                knot[0] += a * s + b * c;
                knot[1] += rate * (a * c - b * s);
            }
        }
        for notches in notches {
            add(&mut *knots, &filtered(&notches.cycle(), lowpass, nominal_hz));
        }
        Self(knots)
    }

    /// Value, and slope per turn, at a phase in turns, not negative.
    #[inline]
    pub fn at(&self, turns: f64) -> (f64, f64) {
        let place = turns * KNOTS as f64;
        let k = place as i64;
        let x = place - k as f64;
        let k = k as usize;
        let ([u0, s0], [u1, s1]) = (self.0[k % KNOTS], self.0[(k + 1) % KNOTS]);
        let rise = u1 - u0;
        let (c2, c3) = (3.0 * rise - 2.0 * s0 - s1, s0 + s1 - 2.0 * rise);
        let square = x * x;
        let value = (u0 + x * s0) + square * (c2 + x * c3);
        let slope = (s0 + x * 2.0 * c2) + square * (3.0 * c3);
        (value, slope * KNOTS as f64)
    }

    /// Values at the knots, from phase zero on, and the slopes from each to the next knot.
    pub fn knots(&self) -> &[[f64; 2]] {
        &*self.0
    }
}

/// Adds a cycle given by its values and slopes.
fn add(knots: &mut [[f64; 2]], more: &[[f64; 2]]) {
    for (knot, more) in knots.iter_mut().zip(more) {
        knot[0] += more[0];
        knot[1] += more[1];
    }
}

/// Knots that a notch's flank takes; 1/1024 of a cycle, 20 us at 50 Hz.
const FLANK: f64 = 4.0;

impl Notches {
    /// What the notches add to the fundamental, at each knot: against its sign, in trapezoids. Where the sine is smaller than the
    /// depth they go beyond zero, as real ones do.
    fn cycle(&self) -> Vec<f64> {
        let mut cycle = vec![0.0; KNOTS];
        for i in 0..self.per_cycle {
            let begin = (self.phase + f64::from(i) / f64::from(self.per_cycle)) * KNOTS as f64;
            let width = self.width * KNOTS as f64;
            let sign = -libm::sin(TAU * (begin + width / 2.0) / KNOTS as f64).signum();
            let first = begin.floor() as i64 - FLANK as i64;
            for k in first..=(begin + width + FLANK) as i64 + 1 {
                let from_begin = k as f64 - begin;
                let inside = from_begin.min(width - from_begin) / FLANK + 0.5;
                cycle[k.rem_euclid(KNOTS as i64) as usize] += sign * self.depth * inside.clamp(0.0, 1.0);
            }
        }
        cycle
    }
}

/// The answer of `lowpass` to a cycle given at the knots, by its Fourier series: values and slopes per knot.
fn filtered(cycle: &[f64], lowpass: &Lowpass, nominal_hz: f64) -> Vec<[f64; 2]> {
    if lowpass.corner.is_none() {
        return monotone(cycle);
    }
    let mean = cycle.iter().sum::<f64>() / KNOTS as f64 * lowpass.gain;
    let mut knots = vec![[mean, 0.0]; KNOTS];
    for order in 1..KNOTS / 2 {
        let turn = |k: usize| {
            let place = k * order % KNOTS;
            (SINES[place], SINES[(place + KNOTS / 4) % KNOTS])
        };
        let (mut a, mut b) = (0.0, 0.0);
        for (k, u) in cycle.iter().enumerate() {
            let (s, c) = turn(k);
            a += u * s;
            b += u * c;
        }
        let hz = order as f64 * nominal_hz;
        let scale = 2.0 / KNOTS as f64 * lowpass.gain_at(hz);
        let (sine, cosine) = libm::sincos(TAU * lowpass.turns_at(hz));
        let (a, b) = (scale * (a * cosine - b * sine), scale * (a * sine + b * cosine));
        let rate = TAU * order as f64 / KNOTS as f64;
        for (k, knot) in knots.iter_mut().enumerate() {
            let (s, c) = turn(k);
            knot[0] += a * s + b * c;
            knot[1] += rate * (a * c - b * s);
        }
    }
    knots
}

/// Slopes that do not overshoot where the lines have corners: the harmonic mean of both sides (Fritsch and Butland, 1984).
fn monotone(cycle: &[f64]) -> Vec<[f64; 2]> {
    let slope = |k: usize| cycle[(k + 1) % KNOTS] - cycle[k % KNOTS];
    let knot = |k: usize| {
        let (before, after) = (slope(k + KNOTS - 1), slope(k));
        let bend = if before * after > 0.0 { 2.0 * before * after / (before + after) } else { 0.0 };
        [cycle[k], bend]
    };
    (0..KNOTS).map(knot).collect()
}
