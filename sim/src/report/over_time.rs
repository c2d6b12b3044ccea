//! What happened over a whole trial, in as many columns as a picture has room for.

use crate::scenario::Scenario;
use crate::score::{Scored, half_width_apart};

/// Columns of a picture: a week has as many as a minute.
pub const COLUMNS: usize = 600;

/// Least and most of what falls into a column.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Least.
    pub low: f64,
    /// Most.
    pub high: f64,
}

impl Range {
    fn of(value: f64) -> Self {
        Self { low: value, high: value }
    }

    /// The range of both.
    pub fn and(self, other: Self) -> Self {
        Self { low: self.low.min(other.low), high: self.high.max(other.high) }
    }
}

/// What a column holds of readings with a number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known {
    /// Deviation of the readings from the nominal frequency, hertz.
    pub measured: Range,
    /// The same with the 95 % interval around each; where one has none, without it.
    pub band: Range,
    /// Errors over the window's truth, hertz; `None` where none can be judged.
    pub error: Option<Range>,
    /// Largest half width of a 95 % interval, hertz, and the same without what it allows for the clock.
    pub half_width: Option<(f64, f64)>,
}

/// A stretch of the trial.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Column {
    /// Mean of the moments in it, seconds.
    pub t_s: f64,
    count: u32,
    /// Deviation of the true frequency from nominal, hertz.
    pub truth: Range,
    /// Readings with a number.
    pub known: Option<Known>,
    /// Whether there was one without: curves are broken here.
    pub unknown: bool,
}

/// The columns of a trial.
#[derive(Clone, Debug)]
pub struct OverTime {
    nominal_hz: f64,
    duration_s: f64,
    /// What the clock may be off, relative.
    tolerance: f64,
    columns: Vec<Option<Column>>,
}

impl OverTime {
    /// Of a trial of `scenario`.
    pub fn new(scenario: &Scenario) -> Self {
        Self {
            nominal_hz: scenario.nominal_hz,
            duration_s: scenario.duration_s,
            tolerance: scenario.meter.clock_tolerance_ppm * 1e-6,
            columns: vec![None; COLUMNS],
        }
    }

    /// Takes a reading.
    pub fn take(&mut self, scored: &Scored) {
        let t_s = scored.reading.t_s;
        let place = (t_s / self.duration_s * COLUMNS as f64).clamp(0.0, (COLUMNS - 1) as f64) as usize;
        let truth = Range::of(scored.instant_hz - self.nominal_hz);
        let known = scored.reading.frequency_hz.map(|hz| {
            let (value, half_width) = (hz - self.nominal_hz, scored.reading.u95_hz);
            let half = half_width.unwrap_or(0.0);
            Known {
                measured: Range::of(value),
                band: Range { low: value - half, high: value + half },
                error: scored.window_hz.map(|truth| Range::of(hz - truth)),
                half_width: half_width.map(|half| (half, half_width_apart(half, self.tolerance * hz))),
            }
        });
        let here = Column { t_s, count: 1, truth, known, unknown: known.is_none() };
        let Some(column) = self.columns.get_mut(place) else { return };
        *column = Some(column.map_or(here, |column| column.and(&here)));
    }

    /// Columns that hold something, in order of time.
    pub fn columns(&self) -> impl Iterator<Item = &Column> + Clone {
        self.columns.iter().flatten()
    }

    /// Curves of what `of` takes from a column, broken where a reading was unknown.
    pub fn curves<T>(&self, of: impl Fn(&Known) -> Option<T>) -> Vec<Vec<(f64, T)>> {
        let mut curves = vec![Vec::new()];
        for column in self.columns() {
            if column.unknown && curves.last().is_some_and(|curve| !curve.is_empty()) {
                curves.push(Vec::new());
            }
            if let (Some(value), Some(curve)) = (column.known.as_ref().and_then(&of), curves.last_mut()) {
                curve.push((column.t_s, value));
            }
        }
        curves.retain(|curve| !curve.is_empty());
        curves
    }
}

impl Column {
    fn and(&self, other: &Self) -> Self {
        let both = |a: Option<Range>, b: Option<Range>| match (a, b) {
            (Some(a), Some(b)) => Some(a.and(b)),
            (a, b) => a.or(b),
        };
        let known = match (self.known, other.known) {
            (Some(a), Some(b)) => Some(Known {
                measured: a.measured.and(b.measured),
                band: a.band.and(b.band),
                error: both(a.error, b.error),
                half_width: match (a.half_width, b.half_width) {
                    (Some(a), Some(b)) => Some((a.0.max(b.0), a.1.max(b.1))),
                    (a, b) => a.or(b),
                },
            }),
            (a, b) => a.or(b),
        };
        let count = self.count + other.count;
        Self {
            t_s: self.t_s + (other.t_s - self.t_s) / f64::from(count),
            count,
            truth: self.truth.and(other.truth),
            known,
            unknown: self.unknown || other.unknown,
        }
    }
}

#[cfg(test)]
mod tests {
    use humtick::State;

    use super::*;
    use crate::entry::TimedReading;
    use crate::moment::Moment;

    fn scored(t_s: f64, hz: Option<f64>) -> Scored {
        let reading = TimedReading {
            t_s,
            span_s: 1.0,
            cycles: 50,
            frequency_hz: hz,
            u_hz: hz.map(|_| 0.001),
            u95_hz: hz.map(|_| 0.002),
            rocof_hz_s: None,
            rocof_u95_hz_s: None,
            missed: 0,
            rejected: 0,
            state: State::Locked,
        };
        let at = Moment::from_s(t_s);
        Scored { reading, first: at, last: at, window_hz: Some(50.0), instant_hz: 50.01, rocof_hz_s: 0.0 }
    }

    /// A week of ten readings a second has as many columns as a picture, each the least and most of its own thousand and eight.
    #[test]
    fn a_week_fits_and_no_extreme_is_lost() {
        let week = 7.0 * 86_400.0;
        let mut over_time = over_time(week);
        for k in 0..604_800u32 {
            let hz = if k == 300_000 { 51.0 } else { 50.0 + 0.001 * f64::from(k % 2) };
            over_time.take(&scored(f64::from(k) + 0.5, Some(hz)));
        }
        assert_eq!(over_time.columns().count(), COLUMNS);
        let measured = over_time.curves(|known| Some(known.measured));
        assert_eq!((measured.len(), measured[0].len()), (1, COLUMNS));
        let high = measured[0].iter().map(|(_, range)| range.high).fold(0.0, f64::max);
        assert_eq!(high, 1.0);
        let first = over_time.columns().next().unwrap();
        assert!((first.t_s - 504.0).abs() < 1e-6, "{}", first.t_s);
        let known = first.known.unwrap();
        let near = |range: Range, low: f64, high: f64| {
            assert!((range.low - low).abs() < 1e-9 && (range.high - high).abs() < 1e-9, "{range:?}");
        };
        near(known.measured, 0.0, 0.001);
        near(known.band, -0.002, 0.003);
        near(known.error.unwrap(), 0.0, 0.001);
        near(first.truth, 0.01, 0.01);
        // 0.002^2 = 0.9025 a^2 + n^2 + 25/98 a n with a = 20 ppm of 50.001 Hz.
        let (half, apart) = known.half_width.unwrap();
        let a = 20e-6 * 50.0;
        let together = 0.9025 * a * a + apart * apart + 25.0 / 98.0 * a * apart;
        assert!(half == 0.002 && (together.sqrt() - 0.002).abs() < 1e-7, "{half} {apart}");
    }

    fn over_time(duration_s: f64) -> OverTime {
        let text = format!("duration_s = {duration_s}\n[meter]\nclock_tolerance_ppm = 20");
        OverTime::new(&Scenario::from_toml(&text, std::path::Path::new("pump.toml")).unwrap())
    }

    #[test]
    fn curves_break_where_nothing_is_known() {
        let mut over_time = over_time(600.0);
        for k in 0..600u32 {
            let hz = (!(100..200).contains(&k) && k != 400).then_some(50.0);
            over_time.take(&scored(f64::from(k) + 0.5, hz));
        }
        let lengths: Vec<_> = over_time.curves(|known| known.half_width).iter().map(Vec::len).collect();
        assert_eq!(lengths, [100, 200, 199]);
        assert_eq!(over_time.columns().count(), 600);
    }
}
