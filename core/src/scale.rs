//! Stamps extended to 64 bits, for what outlasts the 32-bit scale.

use crate::unit::Stamp;

/// The latest moment on a scale of 64 bits whose low 32 are the stamp: 292 years at 1 GHz.
///
/// Right as long as two calls are less than 2^31 ticks apart, which is what the whole crate asks.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Scale(i64);

impl Scale {
    /// With `stamp` the latest moment.
    pub const fn new(stamp: Stamp) -> Self {
        Self(stamp.raw() as i64)
    }

    /// Where `stamp` lies, at most 2^31 ticks to either side of the latest moment.
    pub const fn at(self, stamp: Stamp) -> i64 {
        self.0 + stamp.offset(point(self.0)) as i64
    }

    /// Where `stamp` lies; it becomes the latest moment unless it is before that.
    pub fn advance(&mut self, stamp: Stamp) -> i64 {
        let at = self.at(stamp);
        self.0 = self.0.max(at);
        at
    }
}

/// The stamp of a place on the long scale.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "modulo 2^32 is what a stamp is")]
pub(crate) const fn point(at: i64) -> Stamp {
    Stamp::new(at as u32)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn follows_through_wraps(start: u32, gaps in prop::collection::vec(-(1i64 << 31) + 1..1 << 31, 1..50)) {
            let mut truth = i64::from(start);
            let mut scale = Scale::new(Stamp::new(start));
            let mut latest = truth;
            for gap in gaps {
                truth = latest + gap;
                prop_assert_eq!(scale.advance(point(truth)), truth);
                latest = latest.max(truth);
            }
        }
    }
}
