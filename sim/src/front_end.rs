//! Front end for sampled waveforms: optional low-pass, comparator with hysteresis, instants interpolated.

/// How a sampled waveform is turned into edges.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrontEnd {
    /// Second-order Butterworth low-pass corner in hertz, if any (`--lowpass`).
    pub lowpass_hz: Option<f64>,
    /// Width between the comparator's thresholds, in percent of the largest amplitude seen so far (`--hysteresis`).
    pub hysteresis_percent: f64,
}

impl Default for FrontEnd {
    fn default() -> Self {
        Self { lowpass_hz: None, hysteresis_percent: 2.0 }
    }
}
