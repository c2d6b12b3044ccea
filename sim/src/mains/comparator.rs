//! A comparator with hysteresis on the voltage and its noise, followed only where it can switch.

use std::f64::consts::TAU;

use humtick::Polarity;

use crate::edge::Transition;
use crate::mains::bands::{Band, Bands, REACH, Thresholds, Way};
use crate::mains::bezier::Bezier;
use crate::mains::noise::Noise;
use crate::mains::signal::Span;
use crate::moment::Moment;
use crate::scenario::{Disturb, Scenario};

/// The least grid points a cycle.
const POINTS: f64 = 1_000.0;

/// Between grid points the voltage runs as a cubic by values and slopes, off by (2 pi f/grid)^4/384 of the amplitude of a tone of f: by no more
/// than this for any, a third of a nanosecond at the fundamental's slope at 50 Hz.
const CUBIC: f64 = 1e-7;

/// Grid points a second that the scenario's harmonics and tones need.
fn least_hz(scenario: &Scenario) -> f64 {
    let need = |hz: f64, amplitude: f64| TAU * hz * (amplitude / (384.0 * CUBIC)).sqrt().sqrt();
    let nominal = scenario.nominal_hz;
    let harmonics = scenario
        .voltage
        .harmonics
        .iter()
        .map(|(n, percent, _)| need(f64::from(*n) * nominal, percent / 100.0));
    let tones =
        scenario.voltage.interharmonics.iter().map(|(ratio, percent)| need(ratio * nominal, percent / 100.0));
    let signals = scenario.disturb.iter().map(|disturb| match disturb {
        Disturb::Signalling { hz, percent, .. } => need(*hz, percent / 100.0),
        _ => 0.0,
    });
    harmonics.chain(tones).chain(signals).fold((POINTS * nominal).max(1_000.0), f64::max).ceil()
}

/// A comparator and what it makes of spans, in order.
#[derive(Clone, Debug)]
pub struct Comparator {
    /// Grid points a second, a whole number.
    grid_hz: u32,
    noise: Option<Noise>,
    hysteresis: f64,
    offset: f64,
    /// Per second.
    drift: f64,
    reach: f64,
    /// Whether the output is high.
    pub is_high: bool,
    /// What the bands last looked up belong to, newest last.
    known: Vec<(Key, Bands)>,
}

/// The voltage at one place: without its noise, with it, and the slope per grid point.
#[derive(Clone, Copy, Debug)]
struct Point {
    clean: f64,
    value: f64,
    slope: f64,
}

/// What bands depend on.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Key {
    table: usize,
    amplitude: f64,
    level: f64,
    unrest: (f64, f64),
    thresholds: Thresholds,
}

/// Steps of the offset's drift that bands are made for.
const OFFSET_STEP: f64 = 1e-3;

/// How many bands are remembered.
const KNOWN: usize = 8;

impl Comparator {
    /// The comparator of `scenario`, low.
    pub fn new(scenario: &Scenario) -> Self {
        let front = &scenario.front_end;
        let sigma = front.noise_percent / 100.0;
        let least_hz = least_hz(scenario);
        let grid_hz = if sigma > 0.0 { Noise::grid_hz(front.noise_bandwidth_hz, least_hz) } else { least_hz };
        Self {
            grid_hz: grid_hz as u32,
            noise: (sigma > 0.0).then(|| Noise::new(scenario.seed, sigma, front.noise_bandwidth_hz, grid_hz)),
            hysteresis: front.hysteresis_percent / 100.0,
            offset: front.offset_percent / 100.0,
            drift: front.offset_drift_percent_h / 100.0 / 3_600.0,
            reach: REACH * sigma + 1e-6,
            is_high: false,
            known: Vec::new(),
        }
    }

    /// Middle of the thresholds at `m`.
    pub fn middle(&self, m: Moment) -> f64 {
        self.offset + self.drift * m.seconds()
    }

    /// Both thresholds at `m`.
    pub fn thresholds(&self, m: Moment) -> Thresholds {
        let (middle, half) = (self.middle(m), self.hysteresis / 2.0);
        Thresholds { lower: middle - half, upper: middle + half, reach: self.reach }
    }

    /// The comparator as it most likely stands when `span` begins.
    pub fn guess(&mut self, span: &Span) {
        self.is_high = span.at(0.0).0 > self.middle(span.from);
    }

    /// Voltage with its noise `x` seconds after the begin of `span`.
    pub fn input(&mut self, span: &Span, x: f64) -> f64 {
        let z = self.place(span, x);
        self.ready(span, z as i64);
        // The thresholds' drift is in a point's voltage; here it is not wanted.
        self.point(span, z).value + self.drift * x
    }

    /// Appends the transitions within `span`.
    pub fn run(&mut self, span: &Span, out: &mut Vec<Transition>) {
        let whole = (self.place(span, 0.0), self.place(span, span.length));
        let cycles = span.turns_at(span.length) - span.turns_at(0.0);
        // Bands cost some 20 us; a span shorter than a cycle is walked through.
        if !span.is_settled() || (cycles < 1.0 && span.is_changed) {
            self.walk(span, whole, None, out);
            return;
        }
        if span.is_changed {
            // A voltage that jumped may be anywhere.
            self.walk(span, (whole.0, (whole.0 + 1.0).min(whole.1)), None, out);
        }
        let place = self.lookup(span);
        let (first, last) = (span.turns_at(0.0), span.turns_at(span.length));
        let mut i = 0;
        let mut turn = -1.0;
        loop {
            let Bands::Some(bands) = &self.known[place].1 else {
                self.walk(span, whole, None, out);
                return;
            };
            let Some(band) = bands.get(i).copied() else {
                if bands.is_empty() || turn > last {
                    return;
                }
                (i, turn) = (0, turn + 1.0);
                continue;
            };
            i += 1;
            let begin = if self.is_high { band.from_high } else { band.from_low } + turn;
            let end = band.to + turn;
            if end <= first || begin >= last {
                continue;
            }
            let from =
                if begin > first { (self.place(span, span.when(begin)) as i64) as f64 } else { whole.0 };
            // A band that goes one way ends by itself.
            let to = if end < last && band.way == Way::Both {
                (self.place(span, span.when(end)) as i64 + 1) as f64
            } else {
                whole.1
            };
            self.walk(span, (from.max(whole.0), to.min(whole.1)), Some(&band), out);
        }
    }

    /// Grid place `x` seconds after the begin of `span`, counted from the whole second before.
    #[inline]
    fn place(&self, span: &Span, x: f64) -> f64 {
        (span.from.part + x) * f64::from(self.grid_hz)
    }

    fn lookup(&mut self, span: &Span) -> usize {
        let middle = (self.middle(span.from) / OFFSET_STEP).round() * OFFSET_STEP;
        // No span is longer than a second.
        let slack =
            if self.drift == 0.0 && middle == self.offset { 0.0 } else { OFFSET_STEP + self.drift.abs() };
        let half = self.hysteresis / 2.0;
        let thresholds = Thresholds { lower: middle - half, upper: middle + half, reach: self.reach + slack };
        let key = Key {
            table: std::sync::Arc::as_ptr(&span.table) as usize,
            amplitude: span.amplitude,
            level: span.level,
            unrest: span.unrest(),
            thresholds,
        };
        if let Some(place) = self.known.iter().rposition(|(k, _)| *k == key) {
            return place;
        }
        if self.known.len() == KNOWN {
            self.known.remove(0);
        }
        self.known.push((key, Bands::of(span, &thresholds)));
        self.known.len() - 1
    }

    /// Makes the noise at this grid point and a few more ready, counted from the whole second before the begin of `span`; the first that
    /// is not.
    fn ready(&mut self, span: &Span, point: i64) -> i64 {
        let base = span.from.second as i64 * i64::from(self.grid_hz);
        self.noise.as_mut().map_or(i64::MAX, |noise| noise.prepare(base + point) - base)
    }

    /// The voltage at a place, less what the thresholds have drifted since the begin of `span`, where they are taken.
    #[inline]
    fn point(&self, span: &Span, z: f64) -> Point {
        let per_point = 1.0 / f64::from(self.grid_hz);
        let x = (z * per_point - span.from.part).max(0.0);
        let (clean, du) = span.at(x);
        let (clean, du) = (clean - self.drift * x, du - self.drift);
        let (v, dv) = self.noise.as_ref().map_or((0.0, 0.0), |noise| {
            let below = z as i64;
            let point = span.from.second as i64 * i64::from(self.grid_hz) + below;
            let t = z - below as f64;
            if t == 0.0 { noise.at(point) } else { Bezier::of(noise.at(point), noise.at(point + 1)).at(t) }
        });
        Point { clean, value: clean + v, slope: du * per_point + dv }
    }

    /// Follows the voltage from one grid place to another. In a band that goes one way only, no further than it can switch.
    fn walk(&mut self, span: &Span, (from, to): (f64, f64), band: Option<&Band>, out: &mut Vec<Transition>) {
        if from >= to {
            return;
        }
        let way = band.map_or(Way::Both, |b| b.way);
        let thresholds = self.thresholds(span.from);
        let done = match way {
            Way::Up => thresholds.lower + self.reach,
            Way::Down => thresholds.upper - self.reach,
            Way::Both => 0.0,
        };
        let (mut z, mut point) = (from, from as i64);
        let mut ready = self.ready(span, point);
        let mut last: Option<(f64, Point)> = None;
        loop {
            if point >= ready {
                ready = self.ready(span, point - 1);
            }
            let here = self.point(span, z);
            if let Some((begin, before)) = last {
                let width = z - begin;
                let piece =
                    Bezier::of((before.value, before.slope * width), (here.value, here.slope * width));
                self.switch(span, begin, width, piece, &thresholds, out);
                let is_over = match way {
                    Way::Up => self.is_high && here.clean > done,
                    Way::Down => !self.is_high && here.clean < done,
                    Way::Both => false,
                };
                if is_over || z >= to {
                    return;
                }
            }
            last = Some((z, here));
            point += 1;
            z = (point as f64).min(to);
        }
    }

    /// All switching within one piece, `width` grid points long.
    #[inline]
    fn switch(
        &mut self,
        span: &Span,
        z: f64,
        width: f64,
        piece: Bezier,
        thresholds: &Thresholds,
        out: &mut Vec<Transition>,
    ) {
        let (mut piece, mut begin) = (piece, 0.0);
        loop {
            // What is high falls: upside down it rises.
            let (sign, threshold, polarity) = if self.is_high {
                (-1.0, -thresholds.lower, Polarity::Falling)
            } else {
                (1.0, thresholds.upper, Polarity::Rising)
            };
            let Some(t) = Bezier(piece.0.map(|u| sign * u)).first_above(threshold) else { return };
            let t = begin + t * (1.0 - begin);
            let place = (z + t * width) / f64::from(self.grid_hz);
            out.push(Transition {
                at: Moment { second: span.from.second, part: 0.0 }.later(place),
                polarity,
            });
            self.is_high = !self.is_high;
            let left = (t - begin) / (1.0 - begin);
            piece = piece.rest(left);
            // It stands on the threshold that it just crossed; without hysteresis that is the next one as well.
            piece.0[0] = if self.is_high {
                piece.0[0].max(thresholds.lower)
            } else {
                piece.0[0].min(thresholds.upper)
            };
            begin = t;
            if begin >= 1.0 - 1e-12 {
                return;
            }
        }
    }
}
