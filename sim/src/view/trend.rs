//! Least, mean and most of a course, in as many columns as a picture has room for, however long it becomes.

use crate::report::over_time::Range;

/// Columns at most; at least half of them are in use once there was more than a second for each.
const COLUMNS: usize = 1_200;

/// A column.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Column {
    /// Least and most.
    pub range: Range,
    sum: f64,
    count: u64,
}

impl Column {
    /// Mean.
    pub fn mean(&self) -> f64 {
        self.sum / self.count as f64
    }

    fn and(self, other: Self) -> Self {
        Self {
            range: self.range.and(other.range),
            sum: self.sum + other.sum,
            count: self.count + other.count,
        }
    }
}

/// The columns, each as wide as the others: a second at first, twice as much whenever there are too many.
#[derive(Clone, Debug, Default)]
pub struct Course {
    start_s: f64,
    width_s: f64,
    columns: Vec<Option<Column>>,
}

impl Course {
    /// Takes a value at `t_s`; what lies before the first one counts as there.
    pub fn take(&mut self, t_s: f64, value: f64) {
        if self.columns.is_empty() {
            (self.start_s, self.width_s) = (t_s, 1.0);
        }
        let mut place = ((t_s - self.start_s) / self.width_s).max(0.0);
        while place >= COLUMNS as f64 {
            let both = |pair: &[Option<Column>]| pair.iter().flatten().copied().reduce(Column::and);
            self.columns = self.columns.chunks(2).map(both).collect();
            self.width_s *= 2.0;
            place /= 2.0;
        }
        let place = place as usize;
        if place >= self.columns.len() {
            self.columns.resize(place + 1, None);
        }
        let here = Column { range: Range { low: value, high: value }, sum: value, count: 1 };
        if let Some(column) = self.columns.get_mut(place) {
            *column = Some(column.map_or(here, |column| column.and(here)));
        }
    }

    /// Stretches of columns without an empty one between: each column's middle in seconds, and the column.
    pub fn stretches(&self) -> Vec<Vec<(f64, Column)>> {
        let middle = |place: usize| self.start_s + (place as f64 + 0.5) * self.width_s;
        let placed: Vec<_> = self
            .columns
            .iter()
            .enumerate()
            .map(|(place, column)| column.map(|c| (middle(place), c)))
            .collect();
        placed
            .split(Option::is_none)
            .filter(|s| !s.is_empty())
            .map(|s| s.iter().flatten().copied().collect())
            .collect()
    }

    /// First and last second.
    pub fn span(&self) -> (f64, f64) {
        (self.start_s, self.start_s + self.columns.len() as f64 * self.width_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_month_fits_and_no_extreme_is_lost() {
        let mut course = Course::default();
        for second in 0..2_592_000u32 {
            if !(1_000_000..1_100_000).contains(&second) {
                course.take(5.0 + f64::from(second), if second == 2_000_000 { 51.0 } else { 50.0 });
            }
        }
        let stretches = course.stretches();
        assert_eq!(stretches.len(), 2);
        let columns = stretches.iter().map(Vec::len).sum::<usize>();
        assert!((COLUMNS / 2..COLUMNS).contains(&(columns + 48)), "{columns}");
        let most = stretches.iter().flatten().map(|(_, c)| c.range.high).fold(0.0, f64::max);
        assert_eq!(most, 51.0);
        let (_, at) = stretches[1].iter().find(|(_, c)| c.range.high > 50.5).unwrap();
        assert!((at.mean() - 50.0 - 1.0 / course.width_s).abs() < 1e-9);
    }
}
