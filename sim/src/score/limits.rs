//! A score against the limits of its scenario.

use super::Score;
use crate::scenario::Limits;

impl Score {
    /// The limits that are broken: key, limit, and the figure. What has nothing to be judged by is broken too.
    pub fn broken(&self, limits: &Limits) -> Vec<String> {
        let mut broken = Vec::new();
        let mut hold = |kept: bool, text: String| {
            if !kept {
                broken.push(text);
            }
        };
        if let Some(limit) = limits.max_error_mhz {
            let worst = self.window.worst;
            let found = worst.map_or("no reading to judge".into(), |(error, at)| {
                format!("the worst error is {:+.6} mHz, at {:.3} s", error * 1e3, at.seconds())
            });
            let kept = worst.is_some_and(|(error, _)| error.abs() * 1e3 <= limit);
            hold(kept, format!("max_error_mhz = {limit}: {found}"));
        }
        if let Some(limit) = limits.rms_error_mhz {
            let rms = self.window.rms();
            let found = rms.map_or("no reading to judge".into(), |rms| format!("it is {:.6} mHz", rms * 1e3));
            hold(rms.is_some_and(|rms| rms * 1e3 <= limit), format!("rms_error_mhz = {limit}: {found}"));
        }
        if let Some((least, most)) = limits.coverage {
            let share = self.coverage.share();
            let found = share.map_or("no reading to judge".into(), |share| {
                format!(
                    "the 95 % interval holds the truth in {share:.4} of {} readings",
                    self.coverage.judged
                )
            });
            let kept = share.is_some_and(|share| (least..=most).contains(&share));
            hold(kept, format!("coverage = [{least}, {most}]: {found}"));
        }
        if let Some(limit) = limits.lock_s {
            let found = self.lock_s.map_or("never locked".into(), |lock| format!("locked after {lock:.3} s"));
            hold(self.lock_s.is_some_and(|lock| lock <= limit), format!("lock_s = {limit}: {found}"));
        }
        if let Some(limit) = limits.false_readings {
            let first =
                self.first_false.map_or(String::new(), |at| format!(", the first at {:.3} s", at.seconds()));
            let found = format!("there are {}{first}", self.false_readings);
            let found = if self.window.count == 0 { "no reading to judge".into() } else { found };
            hold(
                self.window.count > 0 && self.false_readings <= limit,
                format!("false_readings = {limit}: {found}"),
            );
        }
        broken
    }
}
