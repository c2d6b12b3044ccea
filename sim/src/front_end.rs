//! Front end for sampled waveforms: optional low-pass, comparator with hysteresis, instants interpolated.
//!
//! Samples pass in blocks of two longest periods. A block's rms (under a Hann window) times √2 is its amplitude; the largest so far sets the
//! comparator's thresholds for the block itself and what follows, so that the first edge has its threshold already. A
//! record shorter than one block is its own block; a shorter rest at the end moves nothing.
//!
//! The comparator is a Schmitt trigger with thresholds ±W/2 around zero. It sees the signal interpolated to 64 points
//! or more in a shortest period; an edge is the instant at which the band-limited interpolation (sinc under a Kaiser
//! window, 16 samples on each side) crosses +W/2 upwards or -W/2 downwards. So 16 samples at the beginning and at the
//! end of a record give no edges, nor does the first passage out of the band between the thresholds: it is not known
//! from which side the signal came.
//!
//! A step between samples half as long again as the one before, or shorter by a third, is a gap or a change of
//! rate. The signal cannot be interpolated across it: the front end starts afresh there, keeping the amplitude.
//! Direct voltage is not removed; it moves rising and falling edges opposite ways and periods of one polarity not
//! at all.

mod interpolate;
mod lowpass;

use std::collections::VecDeque;
use std::f64::consts::{PI, SQRT_2};
use std::ops::Range;

use humtick::Polarity;

use crate::input::{InputError, TimedEdge};
use interpolate::{HALF, Interpolator};
use lowpass::Lowpass;

/// Points of a shortest period that the comparator sees at least.
const POINTS: f64 = 64.0;

/// Most points between two samples: a signal below half the sampling rate has two samples in its shortest period.
const MAX_FACTOR: f64 = POINTS / 2.0;

/// Samples in a block at most, whatever the sampling rate (16 MiB): bounds memory.
const MAX_BLOCK: usize = 1 << 20;

/// Steps between stamps may differ by this much, in seconds, without being a gap: stamps are rounded to microseconds.
const STAMP_ROUNDING: f64 = 1.5e-6;

/// One sample of a waveform.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Seconds since the first sample, increasing from sample to sample.
    pub t_s: f64,
    /// The signal in any unit.
    pub value: f64,
}

/// How a sampled waveform is turned into edges.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrontEnd {
    /// Second-order Butterworth low-pass corner in hertz, if any (`--lowpass`).
    pub lowpass_hz: Option<f64>,
    /// Width between the comparator's thresholds, in percent of the largest amplitude seen so far (`--hysteresis`),
    /// 0 to 100.
    pub hysteresis_percent: f64,
}

impl Default for FrontEnd {
    fn default() -> Self {
        Self { lowpass_hz: None, hysteresis_percent: 2.0 }
    }
}

impl FrontEnd {
    /// The edges of `samples`, instants rounded to the nearest tick of `tick_hz` since the first sample.
    ///
    /// `periods_s` are the shortest and the longest period expected. The first error ends the edges, after those of
    /// the samples before it.
    ///
    /// # Errors
    ///
    /// [`InputError::Option`] when a field of `self` is out of its range; from the iterator also when the low-pass
    /// corner is not below half the sampling rate.
    pub fn edges<I>(self, samples: I, periods_s: Range<f64>, tick_hz: u32) -> Result<Edges<I>, InputError>
    where
        I: Iterator<Item = Result<Sample, InputError>>,
    {
        if !(0.0..=100.0).contains(&self.hysteresis_percent) {
            let what = format!("--hysteresis {} is not 0 to 100 percent", self.hysteresis_percent);
            return Err(InputError::Option { what });
        }
        if let Some(corner) = self.lowpass_hz.filter(|corner| !(corner.is_finite() && *corner > 0.0)) {
            let what = format!("--lowpass {corner} is not a frequency above 0 Hz");
            return Err(InputError::Option { what });
        }
        Ok(Edges {
            front_end: self,
            samples,
            periods_s,
            tick_hz: f64::from(tick_hz),
            carried: None,
            run: None,
            amplitude: 0.0,
            found: VecDeque::new(),
            ending: None,
        })
    }
}

/// The edges of a sampled waveform; see [`FrontEnd::edges`].
#[derive(Debug)]
pub struct Edges<I> {
    front_end: FrontEnd,
    samples: I,
    periods_s: Range<f64>,
    tick_hz: f64,
    /// The first sample behind a gap.
    carried: Option<Sample>,
    run: Option<Run>,
    /// The largest amplitude of a block so far.
    amplitude: f64,
    /// Edges of the last block that have not been taken yet.
    found: VecDeque<TimedEdge>,
    /// Set when `samples` has ended: the error it ended with, if it was not taken yet.
    ending: Option<Option<InputError>>,
}

/// Samples between two gaps, as far as they are still needed.
#[derive(Debug, Default)]
struct Run {
    times: Vec<f64>,
    values: Vec<f64>,
    /// What depends on the sampling rate; known from the first block on.
    stages: Option<(Option<Lowpass>, Interpolator)>,
    /// Index of the next sample for the comparator.
    next: usize,
    /// The comparator's last state, `None` while the signal has not yet left the band between the thresholds.
    high: Option<bool>,
    /// The comparator's last point: position and value.
    last: (f64, f64),
}

impl<I> Edges<I>
where
    I: Iterator<Item = Result<Sample, InputError>>,
{
    /// Reads a block and passes it through the stages. At least one sample is read or the ending is known.
    fn block(&mut self) -> Result<(), InputError> {
        let mut run = self.run.take().unwrap_or_else(|| Run { next: HALF - 1, ..Run::default() });
        let from = run.times.len();
        let length = 2.0 * self.periods_s.end;
        let whole = loop {
            let sample = match self.carried.take().map(Ok).or_else(|| self.samples.next()) {
                Some(Ok(sample)) => sample,
                Some(Err(error)) => {
                    self.ending = Some(Some(error));
                    break false;
                }
                None => {
                    self.ending = Some(None);
                    break false;
                }
            };
            if run.gap_before(sample.t_s) {
                self.carried = Some(sample);
                break false;
            }
            run.times.push(sample.t_s);
            run.values.push(sample.value);
            if sample.t_s - run.times[from] >= length || run.times.len() - from >= MAX_BLOCK {
                break true;
            }
        };
        if run.stages.is_none() {
            run.stages = self.stages(&run.times)?;
        }
        let Some((lowpass, interpolator)) = &mut run.stages else { return Ok(()) };
        let fresh = &mut run.values[from..];
        if let Some(lowpass) = lowpass {
            fresh.iter_mut().for_each(|value| *value = lowpass.step(*value));
        }
        // A part of a cycle may have an rms up to √2 times that of the whole; only whole blocks raise the amplitude.
        if whole || self.amplitude == 0.0 {
            self.amplitude = self.amplitude.max(SQRT_2 * rms(fresh));
        }
        let threshold = self.amplitude * self.front_end.hysteresis_percent / 200.0;
        while run.next + HALF < run.values.len() {
            for point in interpolator.points(&run.values, run.next) {
                let high = if point.1 > threshold {
                    Some(true)
                } else if point.1 < -threshold {
                    Some(false)
                } else {
                    run.high
                };
                if let (Some(before), Some(now)) = (run.high, high)
                    && before != now
                {
                    let (level, polarity) =
                        if now { (threshold, Polarity::Rising) } else { (-threshold, Polarity::Falling) };
                    let x = interpolator.crossing(&run.values, level, run.last, point);
                    let i = x as usize;
                    let t = run.times[i] + (x - i as f64) * (run.times[i + 1] - run.times[i]);
                    self.found.push_back(TimedEdge { ticks: (t * self.tick_hz).round() as u64, polarity });
                }
                run.high = high;
                run.last = point;
            }
            run.next += 1;
        }
        if self.carried.is_none() {
            run.forget();
            self.run = Some(run);
        }
        Ok(())
    }

    /// Low-pass and interpolator for samples at `times`, the first block of a run; `None` for less than two samples.
    fn stages(&self, times: &[f64]) -> Result<Option<(Option<Lowpass>, Interpolator)>, InputError> {
        let [first, .., last] = times else { return Ok(None) };
        let rate = (times.len() - 1) as f64 / (last - first);
        let lowpass = match self.front_end.lowpass_hz {
            None => None,
            Some(corner) if corner < rate / 2.0 => Some(Lowpass::new(corner / rate)),
            Some(corner) => {
                let what = format!(
                    "--lowpass {corner} is not below half of the {rate:.6} samples/s at {first} s of the record; \
                     choose a lower corner or none"
                );
                return Err(InputError::Option { what });
            }
        };
        let factor = (POINTS / (self.periods_s.start * rate)).ceil().clamp(1.0, MAX_FACTOR);
        Ok(Some((lowpass, Interpolator::new(factor as u32))))
    }
}

/// Root mean square under a Hann window. Without the window, the part of a cycle that a block has too many or too few
/// would raise the held amplitude by a few percent, and so delay the edges of the first seconds ever more.
fn rms(values: &[f64]) -> f64 {
    let step = PI / values.len() as f64;
    let (sum, weights) = values.iter().enumerate().fold((0.0, 0.0), |(sum, weights), (i, value)| {
        let weight = (step * (i as f64 + 0.5)).sin().powi(2);
        (sum + weight * value * value, weights + weight)
    });
    if weights > 0.0 { (sum / weights).sqrt() } else { 0.0 }
}

impl Run {
    /// Whether a sample at `t_s` does not continue this run.
    fn gap_before(&self, t_s: f64) -> bool {
        let [.., before, last] = self.times[..] else { return false };
        let (old, new) = (last - before, t_s - last);
        (new > 1.5 * old || old > 1.5 * new) && (new - old).abs() > STAMP_ROUNDING
    }

    /// Drops the samples that are no longer needed.
    fn forget(&mut self) {
        // The last point lies in the interval before `next`, and needs HALF - 1 samples before that.
        let done = self.next.saturating_sub(HALF);
        self.times.drain(..done);
        self.values.drain(..done);
        self.next -= done;
        self.last.0 -= done as f64;
    }
}

impl<I> Iterator for Edges<I>
where
    I: Iterator<Item = Result<Sample, InputError>>,
{
    type Item = Result<TimedEdge, InputError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(edge) = self.found.pop_front() {
                return Some(Ok(edge));
            }
            if let Some(error) = &mut self.ending {
                return error.take().map(Err);
            }
            if let Err(error) = self.block() {
                self.ending = Some(None);
                return Some(Err(error));
            }
        }
    }
}
