//! What a number of seeds says of all seeds.

use statrs::distribution::{Beta, Binomial, ContinuousCDF, DiscreteCDF};

/// Of what is said with confidence.
pub const CONFIDENCE: f64 = 0.95;

/// Between which shares of all seeds hold if `held` of `count` did: the exact interval of C. Clopper and E. Pearson (Biometrika 26, 1934),
/// each end excluded with 97.5 %. Nothing is known without a seed.
pub fn share(held: usize, count: usize) -> (f64, f64) {
    let tail = (1.0 - CONFIDENCE) / 2.0;
    let (k, n) = (held.min(count) as f64, count as f64);
    // Both shapes are above zero where these are asked for.
    let quantile = |a: f64, b: f64, p: f64| Beta::new(a, b).map(|beta| beta.inverse_cdf(p)).ok();
    let low = if held == 0 { None } else { quantile(k, n - k + 1.0, tail) };
    let high = if held >= count { None } else { quantile(k + 1.0, n - k, 1.0 - tail) };
    (low.unwrap_or(0.0), high.unwrap_or(1.0))
}

/// Between which two of `count` values in order, places counted from 0, the median of all lies with [`CONFIDENCE`] at least, whatever their
/// distribution (order statistics; H. David, H. Nagaraja, *Order Statistics*, 2003, 7.1; from memory). `None` for fewer than six.
pub fn of_median(count: usize) -> Option<(usize, usize)> {
    let halves = Binomial::new(0.5, count as u64).ok()?;
    // The median is below the value at place k with the chance that k or fewer of all lie below it.
    let low = (0..count / 2).rev().find(|place| halves.cdf(*place as u64) <= (1.0 - CONFIDENCE) / 2.0)?;
    Some((low, count - 1 - low))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close((low, high): (f64, f64), expected: (f64, f64)) {
        assert!((low - expected.0).abs() < 1e-6 && (high - expected.1).abs() < 1e-6, "{low} {high}");
    }

    /// Ends in closed form: 0.025^(1/n) where all hold; and the interval's own definition, tails of the binomial distribution.
    #[test]
    fn shares_exclude_what_is_less_likely_than_a_fortieth() {
        for n in [1, 5, 20, 300] {
            close(share(n, n), (0.025f64.powf(1.0 / n as f64), 1.0));
            close(share(0, n), (0.0, 1.0 - 0.025f64.powf(1.0 / n as f64)));
        }
        let at_least = |p: f64, k: u32, n: u32| -> f64 {
            let mut term = (1.0 - p).powi(n as i32);
            let mut sum = 0.0;
            for i in 0..=n {
                if i >= k {
                    sum += term;
                }
                term *= f64::from(n - i) / f64::from(i + 1) * p / (1.0 - p);
            }
            sum
        };
        for (k, n) in [(19, 20), (1, 20), (7, 12), (150, 300)] {
            let (low, high) = share(k as usize, n as usize);
            assert!((at_least(low, k, n) - 0.025).abs() < 1e-6, "{k} of {n}: {low}");
            assert!((1.0 - at_least(high, k + 1, n) - 0.025).abs() < 1e-6, "{k} of {n}: {high}");
        }
        assert_eq!(share(0, 0), (0.0, 1.0));
    }

    /// Tables of sign tests: of 6 the least and the most, of 20 the sixth and the fifteenth.
    #[test]
    fn the_median_lies_between_two_of_them() {
        assert_eq!([0, 1, 5].map(of_median), [None; 3]);
        assert_eq!(of_median(6), Some((0, 5)));
        assert_eq!(of_median(8), Some((0, 7)));
        assert_eq!(of_median(9), Some((1, 7)));
        assert_eq!(of_median(20), Some((5, 14)));
    }
}
