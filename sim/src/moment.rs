//! Points in simulated time, as fine after a year as at the start.

/// Whole seconds since the start, and the rest of a second, 0 to 1. A double alone would be 4 ns coarse after a year.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Moment {
    /// Whole seconds.
    pub second: u64,
    /// The rest, in seconds.
    pub part: f64,
}

impl Moment {
    /// The start of the second.
    pub const fn second(second: u64) -> Self {
        Self { second, part: 0.0 }
    }

    /// So many seconds after the start; what lies before it is the start.
    pub fn from_s(seconds: f64) -> Self {
        Self::default().later(seconds.max(0.0))
    }

    /// This many seconds later, or earlier if negative; not before the start.
    pub fn later(self, seconds: f64) -> Self {
        let part = self.part + seconds;
        let whole = part.floor();
        let second = self.second as i64 + whole as i64;
        if second < 0 {
            return Self::default();
        }
        // A part a hair below zero rounds up to a whole second.
        let part = part - whole;
        if part < 1.0 {
            Self { second: second as u64, part }
        } else {
            Self { second: second as u64 + 1, part: 0.0 }
        }
    }

    /// Seconds from `earlier` to here.
    pub fn since(self, earlier: Self) -> f64 {
        (self.second as f64 - earlier.second as f64) + (self.part - earlier.part)
    }

    /// Seconds since the start, rounded.
    pub fn seconds(self) -> f64 {
        self.second as f64 + self.part
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn is_as_fine_after_a_year_as_at_the_start() {
        let year = Moment { second: 31_557_600, part: 0.25 };
        assert_eq!(year.later(1e-12).since(year), 0.25 + 1e-12 - 0.25);
        assert_eq!(year.later(0.75), Moment::second(31_557_601));
        assert_eq!(year.later(-0.5), Moment { second: 31_557_599, part: 0.75 });
        assert_eq!(Moment::from_s(3.5), Moment { second: 3, part: 0.5 });
        assert_eq!(Moment::from_s(1.0).later(-1e-300), Moment::second(1));
        assert_eq!(Moment::from_s(1.0).later(-2.0), Moment::default());
    }
}
