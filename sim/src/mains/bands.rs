//! Where in a cycle a comparator can switch at all: the phases at which the voltage is near one of its thresholds.
//!
//! Elsewhere the noise would have to reach beyond [`REACH`] standard deviations, so nothing is simulated there.

use crate::mains::signal::Span;

/// Standard deviations of noise that are looked at: an edge beyond comes once in 10^12 crossings.
pub const REACH: f64 = 7.0;

/// The comparator's thresholds and how far noise and tones reach from them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thresholds {
    /// Lower one, in amplitudes.
    pub lower: f64,
    /// Upper one.
    pub upper: f64,
    /// How far from them the voltage without its noise matters.
    pub reach: f64,
}

/// One stretch of a cycle, in turns.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Where a comparator that is low must be looked at from.
    pub from_low: f64,
    /// Where one that is high must.
    pub from_high: f64,
    /// To where.
    pub to: f64,
    /// Which way the voltage goes all along it, if only one.
    pub way: Way,
}

/// Which way the voltage goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// Up.
    Up,
    /// Down.
    Down,
    /// Up and down.
    Both,
}

/// All bands of a cycle.
#[derive(Clone, Debug, PartialEq)]
pub enum Bands {
    /// In order of their ends; a band may go on beyond a whole turn.
    Some(Vec<Band>),
    /// The comparator can switch anywhere.
    Everywhere,
}

impl Bands {
    /// The bands of what `span` repeats, its tones and flicker being taken as reach.
    pub fn of(span: &Span, thresholds: &Thresholds) -> Self {
        let (tones, flicker) = span.unrest();
        let knots = span.table.knots();
        let n = knots.len();
        let cells: Vec<Cell> = (0..n)
            .map(|k| {
                let ([u0, s0], [u1, s1]) = (knots[k], knots[(k + 1) % n]);
                let hull = [u0, u0 + s0 / 3.0, u1 - s1 / 3.0, u1].map(|u| span.amplitude * u + span.level);
                let low = hull.iter().copied().fold(f64::INFINITY, f64::min);
                let high = hull.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                let reach =
                    thresholds.reach + tones + flicker * span.amplitude * u0.abs().max(u1.abs()) * 1.01;
                Cell {
                    low_matters: high >= thresholds.upper - reach,
                    high_matters: low <= thresholds.lower + reach,
                    is_active: high >= thresholds.lower - reach && low <= thresholds.upper + reach,
                    rises: hull.windows(2).all(|w| w[0] <= w[1]),
                    falls: hull.windows(2).all(|w| w[0] >= w[1]),
                }
            })
            .collect();
        let Some(quiet) = cells.iter().position(|c| !c.is_active) else { return Self::Everywhere };
        let mut bands: Vec<Band> = Vec::new();
        let mut k = quiet;
        let turn = |k: usize| k as f64 / n as f64;
        while k < quiet + n {
            if !cells[k % n].is_active {
                k += 1;
                continue;
            }
            let begin = k;
            while cells[k % n].is_active {
                k += 1;
            }
            let here = || (begin..k).map(|k| (k, &cells[k % n]));
            let first = |matters: fn(&Cell) -> bool| here().find(|(_, c)| matters(c)).map_or(k, |(k, _)| k);
            let steady = tones == 0.0 && flicker == 0.0;
            let (way, from_low, from_high) = if steady && here().all(|(_, c)| c.rises) {
                (Way::Up, first(|c| c.low_matters), begin)
            } else if steady && here().all(|(_, c)| c.falls) {
                (Way::Down, begin, first(|c| c.high_matters))
            } else {
                (Way::Both, begin, begin)
            };
            bands.push(Band { from_low: turn(from_low), from_high: turn(from_high), to: turn(k), way });
        }
        bands.sort_by(|a, b| a.to.total_cmp(&b.to));
        Self::Some(bands)
    }
}

/// One piece between two knots.
struct Cell {
    low_matters: bool,
    high_matters: bool,
    is_active: bool,
    rises: bool,
    falls: bool,
}
