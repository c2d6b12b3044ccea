//! The grid's true frequency and phase as a table.

use std::io::{self, Write};

use crate::course::{Course, History};
use crate::moment::Moment;

/// A second in [`Every`]'s unit.
const SECOND: u64 = 1_000_000;

/// An even step of time: whole microseconds, at least one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Every(u64);

impl Every {
    /// `seconds`, rounded to the nearest microsecond; `None` outside 1 us to 1e6 s.
    pub fn from_s(seconds: f64) -> Option<Self> {
        let us = (seconds * SECOND as f64).round();
        (1.0..=1e12).contains(&us).then_some(Self(us as u64))
    }
}

/// Writes the header `t_s,frequency_hz,cycles` and a row for every step from 0 to `end`, both included: seconds, exactly; hertz,
/// rounded to a nanohertz; cycles since the start, to a thousandth of a millionth (20 ps at 50 Hz). At a step of the frequency it is the one
/// after. Returns the number of rows.
///
/// It is the grid's frequency, the integral of which is the cycles: phase jumps of the voltage, the low-pass's delay and the timer's clock are not
/// in it.
///
/// # Errors
/// Those of `to`.
pub fn frequency(mut to: impl Write, grid: Course, every: Every, end: Moment) -> io::Result<u64> {
    let mut grid = History::new(grid);
    writeln!(to, "t_s,frequency_hz,cycles")?;
    let mut reached = Moment::default();
    for row in 0.. {
        let us = row * every.0;
        let m = Moment { second: us / SECOND, part: (us % SECOND) as f64 / SECOND as f64 };
        if m.since(end) > 0.0 {
            return Ok(row);
        }
        // Steps of a day would have the course of a day in memory.
        while m.since(reached) > 1.0 {
            reached = reached.later(1.0);
            grid.rate(reached);
            grid.forget(reached);
        }
        let (hz, sum) = (grid.rate(m), grid.sum(m));
        grid.forget(m);
        let nano = i128::from(sum.whole) * 1_000_000_000 + (sum.part * 1e9).round() as i128;
        let (cycles, rest) = (nano / 1_000_000_000, nano % 1_000_000_000);
        writeln!(to, "{}.{:06},{hz:.9},{cycles}.{rest:09}", us / SECOND, us % SECOND)?;
    }
    Ok(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::course::Part;

    fn table(parts: Vec<Part>, every_s: f64, end_s: f64) -> String {
        let mut text = Vec::new();
        let every = Every::from_s(every_s).unwrap();
        frequency(&mut text, Course::new(parts), every, Moment::from_s(end_s)).unwrap();
        String::from_utf8(text).unwrap()
    }

    #[test]
    fn a_step_is_there_when_it_happens_and_its_cycles_are_counted() {
        let parts = vec![Part::Constant(50.0), Part::Step { at: 0.2, size: -0.125 }];
        assert_eq!(
            table(parts, 0.1, 0.3),
            "t_s,frequency_hz,cycles\n0.000000,50.000000000,0.000000000\n0.100000,50.000000000,5.000000000\n\
             0.200000,49.875000000,10.000000000\n0.300000,49.875000000,14.987500000\n"
        );
    }

    #[test]
    fn long_steps_are_as_exact_as_short_ones() {
        let long = table(vec![Part::Constant(50.013)], 100_000.0, 250_000.0);
        let last = long.lines().last().unwrap();
        assert_eq!(last, "200000.000000,50.013000000,10002600.000000000");
    }

    #[test]
    fn steps_are_whole_microseconds() {
        assert_eq!(Every::from_s(0.1), Some(Every(100_000)));
        assert_eq!((Every::from_s(4e-7), Every::from_s(1e6)), (None, Some(Every(1_000_000_000_000))));
        for nonsense in [0.0, -1.0, f64::NAN, f64::INFINITY, 1.1e6] {
            assert_eq!(Every::from_s(nonsense), None);
        }
    }
}
