//! Front end for sampled waveforms: optional low-pass, comparator with hysteresis, instants interpolated.
//!
//! Samples pass in blocks of two longest periods (the first has 32 samples more). A block's rms (under a Hann window) times √2 is its amplitude; the largest so far sets the
//! comparator's thresholds for the block itself and what follows, so that the first edge has its threshold already. A
//! record shorter than one block is its own block; a shorter rest at the end moves nothing.
//!
//! The comparator is a Schmitt trigger with thresholds W/2 above and below their middle. It sees the signal interpolated to 64 points
//! or more in a shortest period; an edge is the instant at which the band-limited interpolation (sinc under a Kaiser
//! window, 16 samples on each side) crosses +W/2 upwards or -W/2 downwards. So 16 samples at the beginning and at the
//! end of a record give no edges, nor does the first passage out of the band between the thresholds: it is not known
//! from which side the signal came.
//!
//! A step between samples half as long again as the one before, or shorter by a third, is a gap or a change of
//! rate. The signal cannot be interpolated across it: the front end starts afresh there, keeping the amplitude.
//! The thresholds stand around zero, or around the mean of the last cycles. Direct voltage moves rising and falling edges
//! opposite ways and periods of one polarity not at all, while it stays what it is; one that decays after a switching moves them by
//! its rate of decay over the slope, ḋ/(2πfA) of the frequency. Before the comparator begins, the first block is rehearsed to
//! find the mean.

mod interpolate;
mod level;
mod lowpass;

use std::collections::VecDeque;
use std::f64::consts::{PI, SQRT_2};
use std::ops::Range;

use humtick::Polarity;

use crate::edge::TimedEdge;
use interpolate::{HALF, Interpolator};
use level::Level;
use lowpass::Lowpass;

/// Points of a shortest period that the comparator sees at least.
const POINTS: f64 = 64.0;

/// Most points between two samples: a signal below half the sampling rate has two samples in its shortest period.
const MAX_FACTOR: f64 = POINTS / 2.0;

/// Samples in a block at most, whatever the sampling rate (16 MiB): bounds memory.
const MAX_BLOCK: usize = 1 << 20;

/// Steps between stamps may differ by this much, in seconds, without being a gap: stamps are rounded to microseconds.
const STAMP_ROUNDING: f64 = 1.5e-6;

/// Rounding in interpolated values over a direct voltage, which must not be taken for a signal about it: 32 products of 2^-53 each are
/// some 4e-15.
const ROUNDING: f64 = 1e-12;

/// One sample of a waveform.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Seconds since the first sample, increasing from sample to sample.
    pub t_s: f64,
    /// The signal in any unit.
    pub value: f64,
}

/// A front end that cannot work as it was told to.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{what}")]
pub struct FrontEndError {
    /// Which option, what was found, what to do.
    pub what: String,
}

/// What a comparator's thresholds stand around.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Threshold {
    /// The mean of the last cycles: direct voltage does not matter.
    Mean,
    /// Zero.
    Zero,
}

/// How a sampled waveform is turned into edges.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrontEnd {
    /// Whether the comparator's thresholds follow the mean of the last cycles rather than stand around zero (`--threshold`).
    pub follow_mean: bool,
    /// Second-order Butterworth low-pass corner in hertz, if any (`--lowpass`).
    pub lowpass_hz: Option<f64>,
    /// Width between the comparator's thresholds, in percent of the largest amplitude seen so far (`--hysteresis`),
    /// 0 to 100.
    pub hysteresis_percent: f64,
}

impl Default for FrontEnd {
    /// What the program does unless told otherwise: thresholds about the mean, no low-pass, hysteresis of 2 %.
    fn default() -> Self {
        Self { follow_mean: true, lowpass_hz: None, hysteresis_percent: 2.0 }
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
    /// [`FrontEndError`] when a field of `self` is out of its range; from the iterator also when the low-pass
    /// corner is not below half the sampling rate.
    pub fn edges<I, E>(
        self,
        samples: I,
        periods_s: Range<f64>,
        tick_hz: u32,
    ) -> Result<Edges<I, E>, FrontEndError>
    where
        I: Iterator<Item = Result<Sample, E>>,
        E: From<FrontEndError>,
    {
        if !(0.0..=100.0).contains(&self.hysteresis_percent) {
            let what = format!("--hysteresis {} is not 0 to 100 percent", self.hysteresis_percent);
            return Err(FrontEndError { what });
        }
        if let Some(corner) = self.lowpass_hz.filter(|corner| !(corner.is_finite() && *corner > 0.0)) {
            let what = format!("--lowpass {corner} is not a frequency above 0 Hz");
            return Err(FrontEndError { what });
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
pub struct Edges<I, E> {
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
    ending: Option<Option<E>>,
}

/// Samples between two gaps, as far as they are still needed.
#[derive(Debug, Default)]
struct Run {
    times: Vec<f64>,
    values: Vec<f64>,
    /// What depends on the sampling rate; known from the first block on.
    stages: Option<Stages>,
}

/// What a sample passes on its way to an edge.
#[derive(Debug)]
struct Stages {
    lowpass: Option<Lowpass>,
    interpolator: Interpolator,
    comparator: Comparator,
}

/// A Schmitt trigger on the interpolated signal.
#[derive(Clone, Debug)]
struct Comparator {
    /// Index of the next sample.
    next: usize,
    /// The last state, `None` while the signal has not yet left the band between the thresholds.
    high: Option<bool>,
    /// The last point: position and value.
    last: Option<(f64, f64)>,
    /// What the thresholds stand around; `None` for zero.
    level: Option<Level>,
}

impl Comparator {
    /// Goes on as far as `values` can be interpolated. Hands each edge's position and polarity to `found`.
    fn advance(
        &mut self,
        values: &[f64],
        interpolator: &Interpolator,
        half_width: f64,
        mut found: impl FnMut(f64, Polarity),
    ) {
        while self.next + HALF < values.len() {
            for point in interpolator.points(values, self.next) {
                self.pass(point, values, interpolator, half_width, &mut found);
            }
            self.next += 1;
        }
    }

    fn pass(
        &mut self,
        point: (f64, f64),
        values: &[f64],
        interpolator: &Interpolator,
        half_width: f64,
        found: &mut impl FnMut(f64, Polarity),
    ) {
        let middle = self.level.as_ref().map_or(0.0, |level| level.at);
        let last = self.last.replace(point);
        if let (Some(level), Some(last)) = (&mut self.level, last) {
            level.pass(last, point);
        }
        let high = if point.1 > middle + half_width {
            Some(true)
        } else if point.1 < middle - half_width {
            Some(false)
        } else {
            self.high
        };
        let before = std::mem::replace(&mut self.high, high);
        let (Some(before), Some(now), Some(last)) = (before, high, last) else { return };
        if before == now {
            return;
        }
        let (threshold, polarity) = if now {
            (middle + half_width, Polarity::Rising)
        } else {
            (middle - half_width, Polarity::Falling)
        };
        // The level may have moved since the last point, and the threshold with it behind that point.
        let x = if (last.1 < threshold) == (point.1 < threshold) {
            last.0
        } else {
            interpolator.crossing(values, threshold, last, point)
        };
        found(x, polarity);
        if let (Some(level), true) = (&mut self.level, now) {
            level.crossed(x, last, point);
        }
    }

    /// Positions count from `samples` later on.
    fn forget(&mut self, samples: usize) {
        self.next -= samples;
        if let Some(last) = &mut self.last {
            last.0 -= samples as f64;
        }
        if let Some(level) = &mut self.level {
            level.forget(samples as f64);
        }
    }
}

impl<I, E> Edges<I, E>
where
    I: Iterator<Item = Result<Sample, E>>,
    E: From<FrontEndError>,
{
    /// Reads a block and passes it through the stages. At least one sample is read or the ending is known.
    fn block(&mut self) -> Result<(), FrontEndError> {
        let mut run = self.run.take().unwrap_or_default();
        let from = run.times.len();
        // A hair less, so that the last bit of a time does not decide to which block a sample belongs.
        let length = 2.0 * self.periods_s.end * (1.0 - 1e-9);
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
            // The first block holds what the interpolation needs on both sides, too.
            let start = if from == 0 { 2 * HALF } else { from };
            let long = run.times.get(start).is_some_and(|start| sample.t_s - start >= length);
            if long || run.times.len() - from >= MAX_BLOCK {
                break true;
            }
        };
        let first = run.stages.is_none();
        if first {
            run.stages = self.stages(&run.times, &run.values)?;
        }
        let Some(Stages { lowpass, interpolator, comparator }) = &mut run.stages else { return Ok(()) };
        let fresh = &mut run.values[from..];
        if let Some(lowpass) = lowpass {
            fresh.iter_mut().for_each(|value| *value = lowpass.step(*value));
        }
        let about = if self.front_end.follow_mean { mean_under_hann(fresh, |value| value) } else { 0.0 };
        // A part of a cycle may have an rms up to √2 times that of the whole; only whole blocks raise the amplitude.
        if whole || self.amplitude == 0.0 {
            let rms = mean_under_hann(fresh, |value| (value - about).powi(2)).sqrt();
            self.amplitude = self.amplitude.max(SQRT_2 * rms);
        }
        let half_width =
            (self.amplitude * self.front_end.hysteresis_percent / 200.0).max(about.abs() * ROUNDING);
        if first && comparator.level.is_some() {
            let mut rehearsal = comparator.clone();
            rehearsal.advance(&run.values, interpolator, half_width, |_, _| ());
            comparator.level = rehearsal.level.map(Level::settled);
        }
        let (times, tick_hz, edges) = (&run.times, self.tick_hz, &mut self.found);
        comparator.advance(&run.values, interpolator, half_width, |x, polarity| {
            let i = x as usize;
            let t = times[i] + (x - i as f64) * (times[i + 1] - times[i]);
            edges.push_back(TimedEdge { ticks: (t * tick_hz).round() as u64, polarity });
        });
        if self.carried.is_none() {
            run.forget();
            self.run = Some(run);
        }
        Ok(())
    }

    /// The stages for samples `values` at `times`, the first block of a run; `None` for less than two samples.
    fn stages(&self, times: &[f64], values: &[f64]) -> Result<Option<Stages>, FrontEndError> {
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
                return Err(FrontEndError { what });
            }
        };
        let factor = (POINTS / (self.periods_s.start * rate)).ceil().clamp(1.0, MAX_FACTOR);
        let level = self.front_end.follow_mean.then(|| {
            let cycle = self.periods_s.start * rate..self.periods_s.end * rate;
            Level::new(mean_under_hann(values, |value| value), cycle)
        });
        Ok(Some(Stages {
            lowpass,
            interpolator: Interpolator::new(factor as u32),
            comparator: Comparator { next: HALF - 1, high: None, last: None, level },
        }))
    }
}

/// Mean of `of` the values under a Hann window; 0 for none. Without the window, the part of a cycle that a block has too many or
/// too few would raise the held amplitude by a few percent, and so delay the edges of the first seconds ever more.
fn mean_under_hann(values: &[f64], of: impl Fn(f64) -> f64) -> f64 {
    let step = PI / values.len() as f64;
    let (sum, weights) = values.iter().enumerate().fold((0.0, 0.0), |(sum, weights), (i, value)| {
        let weight = (step * (i as f64 + 0.5)).sin().powi(2);
        (sum + weight * of(*value), weights + weight)
    });
    if weights > 0.0 { sum / weights } else { 0.0 }
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
        let Some(stages) = &mut self.stages else { return };
        // The last point lies in the interval before `next`, and needs HALF - 1 samples before that.
        let done = stages.comparator.next.saturating_sub(HALF);
        stages.comparator.forget(done);
        self.times.drain(..done);
        self.values.drain(..done);
    }
}

impl<I, E> Iterator for Edges<I, E>
where
    I: Iterator<Item = Result<Sample, E>>,
    E: From<FrontEndError>,
{
    type Item = Result<TimedEdge, E>;

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
                return Some(Err(error.into()));
            }
        }
    }
}
