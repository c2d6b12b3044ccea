//! When a reading was taken, by the listener's clock.
//!
//! It comes after it was taken: as a rule a little later, after a broken connection hours. The sensor's own time tells exactly how far apart
//! its readings are, but not when it started, and drifts. The least that a reading took so far places the others: it is carried
//! along the sensor's time, and rises by no more than two clocks may drift apart.

/// What the sensor's and the listener's clock may drift apart, both ordinary quartz with margin: 200 ppm.
const DRIFT: f64 = 200e-6;

/// Follows one sensor.
#[derive(Clone, Copy, Debug, Default)]
pub struct Places {
    /// The last reading's time as it was sent, the same counted on past 2^32, and what is added to it.
    last: Option<(u32, i64, f64)>,
}

impl Places {
    /// Milliseconds since 1970 of a reading with this time of the sensor, which came at `utc_ms`.
    pub fn place(&mut self, time_ms: u32, utc_ms: i64) -> f64 {
        let Some((last, counted, offset)) = self.last else {
            let time = i64::from(time_ms);
            self.last = Some((time_ms, time, (utc_ms - time) as f64));
            return utc_ms as f64;
        };
        let passed = i64::from(time_ms.wrapping_sub(last).cast_signed());
        let counted = counted + passed;
        let risen = offset + DRIFT * passed.max(0) as f64;
        let offset = risen.min((utc_ms - counted) as f64);
        self.last = Some((time_ms, counted, offset));
        counted as f64 + offset
    }

    /// The sensor started anew.
    pub const fn restart(&mut self) {
        self.last = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_backlog_lies_where_it_was_taken() {
        let mut places = Places::default();
        let start = 1_774_749_598_000i64;
        for k in 0..3_000u32 {
            // From 1000 to 2000 nothing came; then all of it at once.
            let came = if (1_000..2_000).contains(&k) { 2_000 } else { k };
            let at = places.place(k * 100, start + i64::from(came) * 100 + 30);
            let taken = start as f64 + f64::from(k) * 100.0;
            assert!((at - taken - 30.0).abs() < 21.0, "{k}: {}", at - taken);
        }
    }

    #[test]
    fn a_slow_clock_is_followed_through_its_wrap() {
        let mut places = Places::default();
        // 100 ppm slow, over ten days around the wrap.
        for k in 0..8_640u32 {
            let taken = i64::from(k) * 100_000;
            let own = u32::MAX.wrapping_sub(400_000_000).wrapping_add((f64::from(k) * 99_990.0) as u32);
            let at = places.place(own, taken);
            assert!((at - taken as f64).abs() <= 25.0, "{k}: {}", at - taken as f64);
        }
    }
}
