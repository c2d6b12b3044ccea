//! A score against the limits of its scenario.

use super::{Errors, Response, Score};
use crate::moment::Moment;
use crate::scenario::{Limits, Within};

const NOTHING: &str = "no reading to judge";

/// What a limit says: `[least, most]`, or the most alone.
fn shown((least, most): Within) -> String {
    if least > 0.0 { format!("[{least}, {most}]") } else { format!("{most}") }
}

/// Said of what is better than it can be: a truth or a bound that is wrong would look like this.
fn below(value: Option<f64>, (least, _): Within) -> &'static str {
    if value.is_some_and(|value| value < least) { ", below the least" } else { "" }
}

fn is_within(value: Option<f64>, (least, most): Within) -> bool {
    value.is_some_and(|value| (least..=most).contains(&value))
}

impl Limits {
    /// How many there are.
    pub fn given(&self) -> usize {
        let given = [
            self.max_error_mhz.is_some(),
            self.rms_error_mhz.is_some(),
            self.max_instant_error_mhz.is_some(),
            self.max_rocof_error_hz_s.is_some(),
            self.max_interval_error_mhz.is_some(),
            self.rms_over_bound.is_some(),
            self.coverage.is_some(),
            self.response.is_some(),
            self.rocof_response.is_some(),
            self.lock_s.is_some(),
            self.false_readings.is_some(),
            self.unknown_readings.is_some(),
        ];
        given.into_iter().filter(|given| *given).count()
    }
}

/// What became of a limit.
#[derive(Clone, Debug, PartialEq)]
pub struct Held {
    /// Key, limit, and the figure.
    pub text: String,
    /// Whether it is kept. What has nothing to be judged by is not.
    pub kept: bool,
    /// The figure over the most that it may be, where the limit has a most of its own kind: 1 less that is the margin.
    pub used: Option<f64>,
}

impl Score {
    /// The limits that are broken: key, limit, and the figure. What has nothing to be judged by is broken too.
    pub fn broken(&self, limits: &Limits) -> Vec<String> {
        self.held(limits).into_iter().filter(|held| !held.kept).map(|held| held.text).collect()
    }

    /// The largest share of a limit that is used up; `None` without a limit that has a margin.
    pub fn used(&self, limits: &Limits) -> Option<f64> {
        self.held(limits).into_iter().filter_map(|held| held.used).reduce(f64::max)
    }

    /// What became of each limit.
    pub fn held(&self, limits: &Limits) -> Vec<Held> {
        let mut all = Vec::new();
        let mut hold = |kept: bool, used: Option<f64>, text: String| all.push(Held { text, kept, used });
        let worst_of = |errors: &Errors, unit: &str, per: f64| {
            errors.worst.map_or(NOTHING.into(), |(error, at)| {
                format!("the worst error is {:+.6} {unit}, at {:.3} s", error * per, at.seconds())
            })
        };
        for (key, limit, errors, unit, per) in [
            ("max_error_mhz", limits.max_error_mhz, &self.window, "mHz", 1e3),
            ("max_instant_error_mhz", limits.max_instant_error_mhz, &self.instant, "mHz", 1e3),
            ("max_rocof_error_hz_s", limits.max_rocof_error_hz_s, &self.rocof, "Hz/s", 1.0),
            ("max_interval_error_mhz", limits.max_interval_error_mhz, &self.intervals, "mHz", 1e3),
        ] {
            if let Some(limit) = limit {
                let worst = errors.worst.map(|(error, _)| error.abs() * per);
                let used = worst.map(|worst| worst / limit.1);
                let found = worst_of(errors, unit, per);
                let text = format!("{key} = {}: {found}{}", shown(limit), below(worst, limit));
                hold(is_within(worst, limit), used, text);
            }
        }
        if let Some(limit) = limits.rms_error_mhz {
            let rms = self.window.rms().map(|rms| rms * 1e3);
            let found = rms.map_or(NOTHING.into(), |rms| format!("it is {rms:.6} mHz"));
            let used = rms.map(|rms| rms / limit.1);
            let text = format!("rms_error_mhz = {}: {found}{}", shown(limit), below(rms, limit));
            hold(is_within(rms, limit), used, text);
        }
        if let Some(limit) = limits.rms_over_bound {
            let ratio = self.over_bound();
            let found = match (ratio, self.doubt()) {
                (Some(ratio), _) => format!("it is {ratio:.3}"),
                (None, Some(doubt)) => format!("the bound does not hold: {doubt}"),
                (None, None) => NOTHING.into(),
            };
            let text = format!("rms_over_bound = {}: {found}{}", shown(limit), below(ratio, limit));
            hold(is_within(ratio, limit), None, text);
        }
        if let Some((least, most)) = limits.coverage {
            let share = self.coverage.share();
            let found = share.map_or(NOTHING.into(), |share| {
                format!(
                    "the 95 % interval holds the truth in {share:.4} of {} readings",
                    self.coverage.judged
                )
            });
            hold(is_within(share, (least, most)), None, format!("coverage = [{least}, {most}]: {found}"));
        }
        for (key, limit, response, errors) in [
            ("response", limits.response, &self.response, &self.instant),
            ("rocof_response", limits.rocof_response, &self.rocof_response, &self.rocof),
        ] {
            if let (Some((off, most)), Some(response)) = (limit, response) {
                let (kept, found) = responded(response, errors, most);
                let used = response.worst.map_or(0.0, |(seconds, _)| seconds / most);
                hold(kept, (errors.count > 0).then_some(used), format!("{key} = [{off}, {most}]: {found}"));
            }
        }
        if let Some(limit) = limits.lock_s {
            let found = self.lock_s.map_or("never locked".into(), |lock| format!("locked after {lock:.3} s"));
            hold(self.lock_s.is_some_and(|lock| lock <= limit), None, format!("lock_s = {limit}: {found}"));
        }
        if let Some(limit) = limits.false_readings {
            let at = |at: Moment| format!(", the first at {:.3} s", at.seconds());
            let found =
                format!("there are {}{}", self.false_readings, self.first_false.map_or(String::new(), at));
            let found = if self.window.count == 0 { NOTHING.into() } else { found };
            hold(
                self.window.count > 0 && self.false_readings <= limit,
                None,
                format!("false_readings = {limit}: {found}"),
            );
        }
        if let Some(limit) = limits.unknown_readings {
            let text = format!(
                "unknown_readings = {}: there are {} of {}",
                shown(limit),
                self.unknown,
                self.readings
            );
            hold(self.readings > 0 && is_within(Some(self.unknown as f64), limit), None, text);
        }
        all
    }
}

fn responded(response: &Response, errors: &Errors, most: f64) -> (bool, String) {
    match response.worst {
        _ if errors.count == 0 => (false, NOTHING.into()),
        None => (true, "no reading was off".into()),
        Some((seconds, at)) => {
            (seconds <= most, format!("readings are off for {seconds:.4} s, from {:.3} s on", at.seconds()))
        }
    }
}
