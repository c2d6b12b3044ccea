//! Ten-second means held to EN 50160 (2010): 50 Hz supplies with and without a connection to an interconnected system.

use humtick::watch::{Band, EN_50160, EN_50160_ISLAND};

/// What kind of supply.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Supply {
    /// Connected to an interconnected system.
    Synchronous,
    /// An island.
    Island,
}

/// A limit: so much of the time within so much.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rule {
    /// Hertz.
    pub low_hz: f64,
    /// Hertz.
    pub high_hz: f64,
    /// Share of the means that must lie within.
    pub share: f64,
    /// Over what the standard counts that share.
    pub over: &'static str,
}

/// A limit and what there was.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Verdict {
    /// The limit.
    pub rule: Rule,
    /// Means within.
    pub within: usize,
    /// Means in all.
    pub all: usize,
}

impl Verdict {
    /// Share of the means that lie within.
    pub fn share(&self) -> f64 {
        self.within as f64 / self.all as f64
    }

    /// Whether these means keep the limit.
    pub fn is_kept(&self) -> bool {
        self.share() >= self.rule.share
    }
}

impl Supply {
    /// Its two limits.
    pub fn rules(self) -> [Rule; 2] {
        let rule = |band: &Band, share, over| {
            let hertz = |limit: Option<i64>| limit.unwrap_or_default() as f64 / 1e9;
            Rule { low_hz: hertz(band.low), high_hz: hertz(band.high), share, over }
        };
        match self {
            Self::Synchronous => [rule(&EN_50160[0], 0.995, "a year"), rule(&EN_50160[1], 1.0, "always")],
            Self::Island => {
                [rule(&EN_50160_ISLAND[0], 0.95, "a week"), rule(&EN_50160_ISLAND[1], 1.0, "always")]
            }
        }
    }

    /// The limits held against ten-second means; none without means.
    pub fn verdicts(self, means: &[(i64, f64)]) -> Vec<Verdict> {
        let all = means.len();
        let rules = self.rules().into_iter().filter(|_| all > 0);
        let within =
            |rule: &Rule| means.iter().filter(|(_, hz)| (rule.low_hz..=rule.high_hz).contains(hz)).count();
        rules.map(|rule| Verdict { rule, within: within(&rule), all }).collect()
    }

    /// Its name for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Synchronous => "connected to an interconnected system",
            Self::Island => "island",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_counted_and_judged() {
        let means: Vec<_> = (0..1_000).map(|k| (k, if k < 6 { 49.4 } else { 50.5 })).collect();
        let [sync, always] = Supply::Synchronous.verdicts(&means)[..] else { panic!() };
        assert_eq!((sync.within, sync.all, sync.is_kept()), (994, 1_000, false));
        assert!(always.is_kept() && always.rule.low_hz == 47.0);
        assert!(Supply::Synchronous.verdicts(&means[2..])[0].is_kept());
        assert!(Supply::Island.verdicts(&means).iter().all(Verdict::is_kept));
        assert!(Supply::Island.verdicts(&[]).is_empty());
    }
}
