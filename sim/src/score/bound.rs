//! What the noise of a scenario permits: the least scatter that any estimator can reach with such edges.
//!
//! An edge comes late by the noise over the slope of the voltage where it passes the threshold, sigma_n/S (zero-crossings.md: small
//! noise). The slope is that of the steady waveform, harmonics and direct voltage included, behind the low-pass. An interrupt that
//! stamps for itself adds its latency's standard deviation, (longest - shortest)/sqrt(12), and the counter q/sqrt(12). With N stamps
//! of that variance the frequency scatters by f^2 sigma sqrt(12/(N(N^2-1))) at least (Cramer-Rao, phase and period unknown; with both
//! polarities each has a phase of its own), and least squares reaches that.
//!
//! It holds for noise that is white from crossing to crossing and small: the first of several edges around one crossing scatters less than
//! sigma_n/S (0.75 of it where there are three), the middle of them half as much, so with wide noise and little hysteresis readings can be
//! better than the bound. It holds nothing else: not the clock, no interharmonics, flicker through a threshold off zero, impulses, notches,
//! no steps, and no missing edges but for their number.

use std::f64::consts::TAU;

use crate::mains::waveform::Lowpass;
use crate::scenario::{CaptureKind, Scenario};
use crate::settings::PolarityKind;

/// Standard deviation of a stamp by cause, in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bound {
    /// Noise at the comparator over the slope.
    pub noise_s: f64,
    /// Latency of an interrupt that stamps for itself.
    pub latency_s: f64,
    /// Quantisation to a tick.
    pub quantum_s: f64,
    /// The noise's slope over the voltage's, standard deviations; infinite where the voltage does not reach the threshold.
    pub steepness: f64,
    /// Crossings a cycle.
    polarities: u8,
}

impl Bound {
    /// Of the undisturbed part of a scenario, at its nominal frequency.
    pub fn new(scenario: &Scenario) -> Self {
        let (front, polarity) = (&scenario.front_end, scenario.meter.polarity);
        let wave = Wave::new(scenario);
        // Of a recording nothing is known.
        let noise = if scenario.recording.is_some() { f64::INFINITY } else { front.noise_percent / 100.0 };
        let late = |rising: bool| wave.slope(rising).map_or(f64::INFINITY, |slope| noise / slope.abs());
        let noise_s = match polarity {
            PolarityKind::Rising => late(true),
            PolarityKind::Falling => late(false),
            PolarityKind::Both => root_of_squares([late(true), late(false), 0.0]) / 2f64.sqrt(),
        };
        let latency = match scenario.timer.capture {
            CaptureKind::Hardware => 0.0,
            CaptureKind::Interrupt => (scenario.timer.latency_us.1 - scenario.timer.latency_us.0) * 1e-6,
        };
        Self {
            noise_s,
            latency_s: latency / 12f64.sqrt(),
            quantum_s: 1.0 / f64::from(scenario.timer.tick_hz) / 12f64.sqrt(),
            // Of a brick wall of bandwidth B: 2 pi B sigma / sqrt 3 a second.
            steepness: TAU * front.noise_bandwidth_hz * noise_s / 3f64.sqrt(),
            polarities: if polarity == PolarityKind::Both { 2 } else { 1 },
        }
    }

    /// Standard deviation of a stamp in seconds, all causes.
    pub fn stamp_s(&self) -> f64 {
        root_of_squares([self.noise_s, self.latency_s, self.quantum_s])
    }

    /// Least variance at the scenario's nominal frequency over a whole window, in hertz squared.
    pub(super) fn of_window(&self, scenario: &Scenario) -> Option<f64> {
        let hz = scenario.nominal_hz;
        // The meter's windows are of the nearest number of whole cycles; of half ones where crossings come at every half cycle.
        let crossings_hz = hz * f64::from(self.polarities);
        self.variance(hz, (scenario.meter.window_s * crossings_hz).round() / crossings_hz, 0)
            .filter(|variance| variance.is_finite())
    }

    /// Least variance of `frequency_hz` over `span_s` seconds, in hertz squared, where `missed` cycles have no crossing; `None` with too
    /// few crossings for a slope.
    pub(super) fn variance(&self, frequency_hz: f64, span_s: f64, missed: u32) -> Option<f64> {
        let all = (span_s * frequency_hz * f64::from(self.polarities)).round() + 1.0 - f64::from(missed);
        // The sum of squared distances from each polarity's middle, in cycles.
        let spread = |n: f64| n * (n * n - 1.0) / 12.0;
        let spread = if self.polarities == 1 {
            spread(all)
        } else {
            spread((all / 2.0).ceil()) + spread((all / 2.0).floor())
        };
        let late = frequency_hz * frequency_hz * self.stamp_s();
        (spread > 0.0).then(|| late * late / spread)
    }
}

/// The steady voltage at the comparator, in amplitudes of the undisturbed fundamental.
struct Wave {
    hz: f64,
    /// Order, amplitude, phase of each sine.
    tones: Vec<(f64, f64, f64)>,
    dc: f64,
    /// Rising and falling threshold.
    thresholds: (f64, f64),
}

impl Wave {
    fn new(scenario: &Scenario) -> Self {
        let (front, voltage) = (&scenario.front_end, &scenario.voltage);
        let hz = scenario.nominal_hz;
        let lowpass = Lowpass::new(front.lowpass_hz, front.lowpass_order, hz);
        let tones =
            std::iter::once((1.0, 1.0, 0.0)).chain(voltage.harmonics.iter().map(
                |(order, percent, degrees)| (f64::from(*order), percent / 100.0, degrees / 360.0 * TAU),
            ));
        let tones = tones.map(|(order, amplitude, phase)| {
            let at = order * hz;
            (order, amplitude * lowpass.gain_at(at), phase + TAU * lowpass.turns_at(at))
        });
        let half = front.hysteresis_percent / 200.0;
        let offset = front.offset_percent / 100.0;
        Self {
            hz,
            tones: tones.collect(),
            dc: lowpass.gain * voltage.dc_percent / 100.0,
            thresholds: (offset + half, offset - half),
        }
    }

    fn at(&self, turns: f64) -> f64 {
        let tone = |(order, size, phase): &(f64, f64, f64)| size * libm::sin(TAU * order * turns + phase);
        self.dc + self.tones.iter().map(tone).sum::<f64>()
    }

    /// Slope per second where the comparator switches, in the half cycle around the fundamental's zero; `None` where the wave does not
    /// reach the threshold there.
    fn slope(&self, rising: bool) -> Option<f64> {
        let threshold = if rising { self.thresholds.0 } else { self.thresholds.1 };
        let (_, _, phase) = self.tones[0];
        let zero = -phase / TAU + if rising { 0.0 } else { 0.5 };
        let sign = if rising { 1.0 } else { -1.0 };
        let below = |turns: f64| (self.at(turns) - threshold) * sign < 0.0;
        let (mut low, mut high) = (zero - 0.25, zero + 0.25);
        if !below(low) || below(high) {
            return None;
        }
        for _ in 0..52 {
            let middle = (low + high) / 2.0;
            if below(middle) { low = middle } else { high = middle }
        }
        let slope =
            |(order, size, phase): &(f64, f64, f64)| size * order * libm::cos(TAU * order * low + phase);
        Some(TAU * self.hz * self.tones.iter().map(slope).sum::<f64>())
    }
}

/// The platform's own `hypot` is not the same everywhere.
fn root_of_squares(parts: [f64; 3]) -> f64 {
    parts.iter().map(|part| part * part).sum::<f64>().sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::score::tests::scenario;

    fn close(found: f64, expected: f64) {
        assert!((found / expected - 1.0).abs() < 1e-3, "{found} for {expected}");
    }

    /// zero-crossings.md: 2 V on 325 V at 50 Hz are 19.6 us; at a threshold the slope is less by sqrt(1 - (V/A)^2).
    #[test]
    fn noise_over_slope() {
        let mut scenario = scenario();
        scenario.front_end.noise_percent = 200.0 / 325.0;
        close(Bound::new(&scenario).noise_s, 19.588e-6);
        scenario.front_end.offset_percent = 60.0;
        close(Bound::new(&scenario).noise_s, 19.588e-6 / 0.8);
        scenario.front_end.offset_percent = 50.0;
        scenario.front_end.hysteresis_percent = 20.0;
        close(Bound::new(&scenario).noise_s, 19.588e-6 / 0.8);
        scenario.meter.polarity = PolarityKind::Falling;
        close(Bound::new(&scenario).noise_s, 19.588e-6 / (1.0f64 - 0.16).sqrt());
    }

    /// A fifth of 6 % that opposes the slope makes it 1 - 5 x 0.06 of itself; a low-pass leaves the fundamental as it is; direct
    /// voltage is an offset.
    #[test]
    fn what_changes_the_slope() {
        let mut scenario = scenario();
        scenario.front_end.noise_percent = 1.0;
        let plain = Bound::new(&scenario).noise_s;
        scenario.voltage.harmonics = vec![(5, 6.0, 180.0)];
        close(Bound::new(&scenario).noise_s, plain / 0.7);
        scenario.meter.polarity = PolarityKind::Both;
        close(Bound::new(&scenario).noise_s, plain / 0.7);
        scenario.voltage.harmonics.clear();
        scenario.front_end.lowpass_hz = Some(50.0);
        scenario.front_end.lowpass_order = 1;
        // The front end passes the fundamental with gain 1, whatever its corner.
        close(Bound::new(&scenario).noise_s, plain);
        scenario.front_end.lowpass_order = 2;
        close(Bound::new(&scenario).noise_s, plain);
        scenario.front_end.lowpass_hz = None;
        scenario.voltage.dc_percent = 60.0;
        close(Bound::new(&scenario).noise_s, plain / 0.8);
        scenario.voltage.dc_percent = 150.0;
        assert_eq!(Bound::new(&scenario).noise_s, f64::INFINITY);
    }

    /// The low-pass turns harmonics against each other: slope where the voltage behind it rises through the threshold, step by step.
    #[test]
    fn the_slope_behind_a_low_pass() {
        let mut scenario = scenario();
        scenario.front_end.noise_percent = 1.0;
        scenario.front_end.lowpass_hz = Some(120.0);
        scenario.front_end.offset_percent = 10.0;
        scenario.voltage.harmonics = vec![(3, 12.0, 40.0), (7, 8.0, -70.0)];
        let (step, tau) = (1e-6, 1.0 / (TAU * 120.0));
        // The front end passes the fundamental with gain 1: all is larger by what the pole takes of it.
        let gain = (1.0f64 + (50.0f64 / 120.0).powi(2)).sqrt();
        let (mut v, mut slope) = (0.0, 0.0);
        for i in 0..200_000 {
            let x = TAU * 50.0 * (f64::from(i) + 0.5) * step;
            let before = v;
            let tone = |order: f64, size: f64, degrees: f64| size * (order * x + degrees.to_radians()).sin();
            let input = gain * (tone(1.0, 1.0, 0.0) + tone(3.0, 0.12, 40.0) + tone(7.0, 0.08, -70.0));
            v += (input - v) * step / tau;
            if before < 0.1 && v >= 0.1 {
                slope = (v - before) / step;
            }
        }
        close(Bound::new(&scenario).noise_s, 0.01 / slope);
    }

    /// estimators.md: 20 us an edge and one second at 50 Hz are 0.476 mHz by least squares (N = 51); both polarities have half
    /// the variance.
    #[test]
    fn the_bound_is_least_squares() {
        let bound = Bound { noise_s: 12e-6, latency_s: 16e-6, quantum_s: 0.0, steepness: 0.0, polarities: 1 };
        close(bound.stamp_s(), 20e-6);
        let spread = 51.0 * (51.0 * 51.0 - 1.0) / 12.0;
        close(bound.variance(50.0, 1.0, 0).unwrap(), 50f64.powi(4) * 4e-10 / spread);
        close(bound.variance(50.0, 1.0, 0).unwrap().sqrt(), 0.4757e-3);
        let both = Bound { polarities: 2, ..bound }.variance(50.0, 1.0, 0).unwrap();
        assert!((bound.variance(50.0, 1.0, 0).unwrap() / both - 2.0).abs() < 0.1);
        assert_eq!(bound.variance(50.0, 0.02, 1), None);
    }

    /// 0.229 s at 50 Hz are 11.45 cycles: eleven of one polarity, eleven and a half of both.
    #[test]
    fn a_window_of_both_polarities_ends_at_half_cycles() {
        let mut scenario = scenario();
        scenario.front_end.noise_percent = 1.0;
        scenario.meter.window_s = 0.229;
        for (polarity, span_s) in [(PolarityKind::Rising, 0.22), (PolarityKind::Both, 0.23)] {
            scenario.meter.polarity = polarity;
            let bound = Bound::new(&scenario);
            close(bound.of_window(&scenario).unwrap(), bound.variance(50.0, span_s, 0).unwrap());
        }
    }

    #[test]
    fn an_interrupt_adds_its_latency() {
        let mut scenario = scenario();
        scenario.timer.latency_us = (2.0, 26.0);
        assert_eq!(Bound::new(&scenario).latency_s, 0.0);
        scenario.timer.capture = CaptureKind::Interrupt;
        close(Bound::new(&scenario).latency_s, 24e-6 / 12f64.sqrt());
        close(Bound::new(&scenario).quantum_s, 0.5e-6 / 12f64.sqrt());
    }
}
