//! For how long readings are off after a step.

use crate::moment::Moment;

/// Readings that are off less than a second after the last that was belong to the same step.
const TOGETHER_S: f64 = 1.0;

/// The longest time in which readings are off by more than a limit.
///
/// Readings are placed in the middle of their windows. The time counts from the first that is off to the first that is not and that no other
/// which is off follows within a second; both ends fall on readings, so it is too long by up to one spacing of them. (IEC/IEEE 60255-118-1
/// defines response times so, between leaving a limit of error and coming back to stay: value from memory.)
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    limit: f64,
    /// The first that was off and the last, and the first after it that was not.
    open: Option<(Moment, Moment, Option<Moment>)>,
    /// The longest in seconds, and its begin; `None` if no reading was off.
    pub worst: Option<(f64, Moment)>,
}

impl Response {
    pub(super) fn new(limit: f64) -> Self {
        Self { limit, open: None, worst: None }
    }

    /// A reading's error; without a reading it is off.
    pub(super) fn take(&mut self, error: Option<f64>, middle: Moment) {
        if let Some((_, last, _)) = self.open
            && middle.since(last) > TOGETHER_S
        {
            self.close(middle);
        }
        let is_off = error.is_none_or(|error| error.abs() > self.limit);
        match &mut self.open {
            Some((_, last, on)) if is_off => (*last, *on) = (middle, None),
            Some((_, _, on)) => _ = on.get_or_insert(middle),
            None if is_off => self.open = Some((middle, middle, None)),
            None => {}
        }
    }

    /// Nothing more comes after `end`.
    pub(super) fn finish(&mut self, end: Moment) {
        self.close(end);
    }

    fn close(&mut self, now: Moment) {
        let Some((first, _, on)) = self.open.take() else { return };
        let seconds = on.unwrap_or(now).since(first);
        if self.worst.is_none_or(|(worst, _)| seconds > worst) {
            self.worst = Some((seconds, first));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn worst(off: impl Fn(f64) -> bool) -> Option<(f64, f64)> {
        let mut response = Response::new(0.005);
        for tenth in 1..100 {
            let at = f64::from(tenth) / 10.0;
            response.take(Some(if off(at) { -0.0051 } else { 0.005 }), Moment::from_s(at));
        }
        response.finish(Moment::from_s(10.0));
        response.worst.map(|(seconds, at)| ((seconds * 1e3).round() / 1e3, at.seconds()))
    }

    #[test]
    fn from_the_first_that_is_off_to_the_first_that_stays() {
        assert_eq!(worst(|_| false), None);
        assert_eq!(worst(|at| at == 3.0), Some((0.1, 3.0)));
        // Back between two lobes, and again off beyond a second: another step, and shorter.
        assert_eq!(worst(|at| [3.0, 3.1, 3.5, 6.0].contains(&at)), Some((0.6, 3.0)));
        assert_eq!(worst(|at| at > 9.55), Some((0.4, 9.6)));
    }

    #[test]
    fn an_unknown_reading_is_off_and_what_never_ends_lasts_to_the_end() {
        let mut response = Response::new(1.0);
        response.take(Some(1.0), Moment::second(1));
        response.take(None, Moment::second(2));
        response.take(None, Moment::from_s(2.5));
        response.finish(Moment::second(4));
        assert_eq!(response.worst, Some((2.0, Moment::second(2))));
    }
}
