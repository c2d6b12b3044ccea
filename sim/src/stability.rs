//! Allan, modified Allan and time deviation: how far a frequency wanders as it is averaged for longer.
//!
//! Formulas: W. J. Riley, *Handbook of Frequency Stability Analysis*, NIST Special Publication 1065 (2008), section 5. With
//! phase points x in seconds, N of them, tau0 apart, and the second difference
//! d(i) = x(i+2m) - 2 x(i+m) + x(i) at tau = m tau0:
//!
//! | deviation | square of it | terms |
//! |---|---|---|
//! | ADEV, Allan | mean of d² over every m-th i, / 2 tau² | floor((N-1)/m) - 1 |
//! | OADEV, overlapping Allan | mean of d² over every i, / 2 tau² | N - 2m |
//! | MDEV, modified Allan | mean of (sum of m neighbouring d)², / 2 m² tau² | N - 3m + 1 |
//! | TDEV, time | tau² MDEV² / 3 | as MDEV |
//!
//! The overlapping form has the same expectation as the other and less scatter; its terms are not independent. MDEV and TDEV
//! tell white from flicker phase noise, which the Allan deviation cannot. Against tau, white phase noise falls as 1/tau in
//! OADEV and tau^(-3/2) in MDEV, white frequency noise as tau^(-1/2) in both.

pub mod plot;

/// Phase points an equal time apart, at least four.
#[derive(Clone, Debug)]
pub struct Phase {
    x_s: Vec<f64>,
    tau0_s: f64,
}

/// A series from which no deviation can be had.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum StabilityError {
    /// Fewer than three frequencies or four phase points.
    #[error("{frequencies} evenly spaced frequencies; three are the least")]
    TooShort {
        /// Frequencies there are; one less than phase points.
        frequencies: usize,
    },
    /// Not a length of time.
    #[error("the spacing is {0} s; expected a finite time above zero")]
    Spacing(f64),
    /// A NaN or infinity, or a value so large that its square is one.
    #[error("point {0} of the series, counted from 0, is not a number within 1e100")]
    NotFinite(usize),
    /// An averaging time that the series does not reach, or shorter than its spacing.
    #[error("averaging time {tau_s} s: this series gives {least_s} to {most_s} s")]
    Tau {
        /// The time asked for.
        tau_s: f64,
        /// The series' spacing.
        least_s: f64,
        /// A third of the series.
        most_s: f64,
    },
}

/// A deviation and how many terms it is the root mean square of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deviation {
    /// Fractional frequency, without unit, zero or more.
    pub value: f64,
    /// Squares in the mean, at least two.
    pub terms: usize,
}

/// All deviations at one averaging time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deviations {
    /// Averaging time over the spacing.
    pub m: usize,
    /// Averaging time in seconds.
    pub tau_s: f64,
    /// Allan deviation, without overlap.
    pub adev: Deviation,
    /// Overlapping Allan deviation.
    pub oadev: Deviation,
    /// Modified Allan deviation; equal to the overlapping one at m = 1.
    pub mdev: Deviation,
    /// Time deviation in seconds.
    pub tdev_s: f64,
}

impl Phase {
    /// Phase (time error) in seconds, points `tau0_s` seconds apart.
    pub fn from_phase(x_s: Vec<f64>, tau0_s: f64) -> Result<Self, StabilityError> {
        if !(tau0_s.is_finite() && tau0_s > 0.0) {
            return Err(StabilityError::Spacing(tau0_s));
        }
        if x_s.len() < 4 {
            return Err(StabilityError::TooShort { frequencies: x_s.len().saturating_sub(1) });
        }
        finite(&x_s)?;
        Ok(Self { x_s, tau0_s })
    }

    /// Frequency as a fraction of the nominal one, or as fractional deviation from it (the two differ by a constant, which no
    /// deviation sees), each the mean over `tau0_s` seconds.
    ///
    /// The mean is taken off before the fractions are summed to phase, so that the sum stays small and exact: ten million
    /// readings near 1 keep the last bits of their differences.
    pub fn from_fractional(y: &[f64], tau0_s: f64) -> Result<Self, StabilityError> {
        finite(y)?;
        let mean = mean(y);
        let mut phase = Sum::default();
        let mut x_s = Vec::with_capacity(y.len() + 1);
        x_s.push(0.0);
        x_s.extend(y.iter().map(|y| {
            phase.add((y - mean) * tau0_s);
            phase.value()
        }));
        Self::from_phase(x_s, tau0_s)
    }

    /// The largest m for which every deviation has at least two terms: a third of the series.
    pub fn longest(&self) -> usize {
        (self.x_s.len() - 1) / 3
    }

    /// m = 1, 2, 4, 8 ... as far as the series goes.
    pub fn octaves(&self) -> Vec<usize> {
        std::iter::successors(Some(1usize), |m| m.checked_mul(2))
            .take_while(|m| *m <= self.longest())
            .collect()
    }

    /// m = 1, 2, 5, 10, 20, 50 ... as far as the series goes.
    pub fn decades(&self) -> Vec<usize> {
        std::iter::successors(Some(1usize), |m| m.checked_mul(10))
            .take_while(|m| *m <= self.longest())
            .flat_map(|m| [1, 2, 5].map(|step| m.saturating_mul(step)))
            .filter(|m| *m <= self.longest())
            .collect()
    }

    /// The m whose averaging time is nearest to `tau_s`, halves up.
    pub fn nearest(&self, tau_s: f64) -> Result<usize, StabilityError> {
        let m = (tau_s / self.tau0_s).round();
        if m >= 1.0 && m <= self.longest() as f64 {
            Ok(m as usize)
        } else {
            let most_s = self.longest() as f64 * self.tau0_s;
            Err(StabilityError::Tau { tau_s, least_s: self.tau0_s, most_s })
        }
    }

    /// Every deviation at `m` times the spacing, in time proportional to the length of the series whatever `m`; `None` unless
    /// 1 <= m <= [`longest`](Self::longest).
    pub fn deviations(&self, m: usize) -> Option<Deviations> {
        if !(1..=self.longest()).contains(&m) {
            return None;
        }
        let tau_s = m as f64 * self.tau0_s;
        let mdev = self.modified(m, tau_s);
        Some(Deviations {
            m,
            tau_s,
            adev: self.allan(m, m, tau_s),
            oadev: self.allan(m, 1, tau_s),
            mdev,
            tdev_s: tau_s * mdev.value / 3f64.sqrt(),
        })
    }

    /// Allan deviation over every `stride`-th second difference.
    fn allan(&self, m: usize, stride: usize, tau_s: f64) -> Deviation {
        let x = &self.x_s;
        let points = x.iter().zip(&x[m..]).zip(&x[2 * m..]).step_by(stride);
        root_mean_square(points.map(|((x0, x1), x2)| x2 - 2.0 * x1 + x0), tau_s)
    }

    /// Modified Allan deviation. The sum over m neighbours slides: it gains d(i+m) and loses d(i), which is a third
    /// difference; compensated, because the rounding of millions of steps would otherwise pile up.
    fn modified(&self, m: usize, tau_s: f64) -> Deviation {
        let x = &self.x_s;
        let mut window = Sum::default();
        for i in 0..m {
            window.add(x[i + 2 * m] - 2.0 * x[i + m] + x[i]);
        }
        let first = window.value();
        let steps = x.iter().zip(&x[m..]).zip(&x[2 * m..]).zip(&x[3 * m..]);
        let slid = steps.map(|(((x0, x1), x2), x3)| {
            window.add((x3 - x0) - 3.0 * (x2 - x1));
            window.value()
        });
        root_mean_square(std::iter::once(first).chain(slid), m as f64 * tau_s)
    }
}

/// The root of half the mean square of `terms`, over `scale`.
fn root_mean_square(terms: impl Iterator<Item = f64>, scale: f64) -> Deviation {
    let (mut squares, mut count) = (Sum::default(), 0);
    for term in terms {
        squares.add(term * term);
        count += 1;
    }
    Deviation { value: (squares.value() / (2.0 * count as f64)).sqrt() / scale, terms: count }
}

/// So bounded that the square of a third difference, summed over any series, is finite.
fn finite(values: &[f64]) -> Result<(), StabilityError> {
    match values.iter().position(|v| v.is_nan() || v.abs() > 1e100) {
        Some(place) => Err(StabilityError::NotFinite(place)),
        None => Ok(()),
    }
}

/// Mean of `values`; zero where there are none.
pub(crate) fn mean(values: &[f64]) -> f64 {
    let mut sum = Sum::default();
    values.iter().for_each(|v| sum.add(*v));
    sum.value() / values.len().max(1) as f64
}

/// A sum that carries along what each addition rounds away (A. Neumaier, *ZAMM* 54, 1974, 39-51; citation from memory).
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    sum: f64,
    lost: f64,
}

impl Sum {
    fn add(&mut self, value: f64) {
        let sum = self.sum + value;
        self.lost +=
            if self.sum.abs() >= value.abs() { (self.sum - sum) + value } else { (value - sum) + self.sum };
        self.sum = sum;
    }

    fn value(self) -> f64 {
        self.sum + self.lost
    }
}

#[cfg(test)]
mod tests {
    use super::Sum;

    #[test]
    fn a_sum_keeps_what_rounding_takes() {
        // Plain addition gives 0.
        let mut sum = Sum::default();
        for value in [1.0, 1e100, 1.0, -1e100] {
            sum.add(value);
        }
        assert_eq!(sum.value(), 2.0);
    }
}
