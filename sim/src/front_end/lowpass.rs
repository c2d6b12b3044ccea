//! Second-order Butterworth low-pass.

use std::f64::consts::{PI, SQRT_2};

/// A second-order Butterworth low-pass, 3 dB down at its corner, in transposed direct form II.
///
/// The analogue prototype 1/(s² + √2·s + 1) taken over by the bilinear transform with the corner prewarped
/// (A. V. Oppenheim, R. W. Schafer, Discrete-Time Signal Processing, section 7.2.2). With Ω = tan(π·f/fs)/tan(π·fc/fs)
/// the sampled filter delays a sine of frequency f by atan2(√2·Ω, 1 - Ω²)/(2π·f) seconds.
#[derive(Clone, Debug)]
pub(super) struct Lowpass {
    /// Gain of the input; the numerator is `b`·(1 + 2/z + 1/z²).
    b: f64,
    a1: f64,
    a2: f64,
    /// The two delays, or `None` before the first sample.
    delays: Option<[f64; 2]>,
}

impl Lowpass {
    /// A filter with its corner at `corner` of the sampling rate, above 0 and below 1/2.
    pub(super) fn new(corner: f64) -> Self {
        let k = (PI * corner).tan();
        let norm = 1.0 / (1.0 + SQRT_2 * k + k * k);
        Self {
            b: k * k * norm,
            a1: 2.0 * (k * k - 1.0) * norm,
            a2: (1.0 - SQRT_2 * k + k * k) * norm,
            delays: None,
        }
    }

    /// The output for the next sample. The filter starts settled on the first sample, as if that had stood for ever.
    pub(super) fn step(&mut self, x: f64) -> f64 {
        let [s1, s2] = self.delays.unwrap_or([(1.0 - self.b) * x, (self.b - self.a2) * x]);
        let y = self.b * x + s1;
        self.delays = Some([2.0 * self.b * x - self.a1 * y + s2, self.b * x - self.a2 * y]);
        y
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settled_on_the_first_sample() {
        let mut filter = Lowpass::new(0.05);
        for _ in 0..100 {
            assert!((filter.step(3.0) - 3.0).abs() < 1e-12);
        }
    }

    /// Gain 1/√(1 + Ω⁴) and phase -atan2(√2·Ω, 1 - Ω²), read from a sine after 2000 samples (the transient
    /// decays with exp(-π·√2·corner) a sample: below 1e-15 by then).
    #[test]
    fn gain_and_phase_are_butterworths() {
        let corner = 0.02_f64;
        for ratio in [0.1, 0.5, 1.0, 2.0, 8.0] {
            let f = corner * ratio;
            let mut filter = Lowpass::new(corner);
            let (mut re, mut im) = (0.0, 0.0);
            // A whole number of cycles of every f above is in 5000 samples.
            for n in 0..7000 {
                let angle = 2.0 * PI * f * f64::from(n);
                let y = filter.step(angle.sin());
                if n >= 2000 {
                    re += y * angle.sin() / 2500.0;
                    im += y * angle.cos() / 2500.0;
                }
            }
            let warped = (PI * f).tan() / (PI * corner).tan();
            let gain = 1.0 / (1.0 + warped.powi(4)).sqrt();
            let phase = -(SQRT_2 * warped).atan2(1.0 - warped * warped);
            assert!((re.hypot(im) - gain).abs() < 1e-9, "gain at {ratio} of the corner");
            assert!((im.atan2(re) - phase).abs() < 1e-7, "phase at {ratio} of the corner");
        }
    }
}
