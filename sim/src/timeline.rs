//! From captures to edges by the core's rule, for a counter whose width is known at run time only.

use humtick::{Capture, Edge};

/// [`Capture::edge`] for a counter of `bits` bits; `None` outside 8 to 32.
pub fn extender(bits: u32) -> Option<fn(Capture) -> Edge> {
    macro_rules! widths {
        ($($bits:literal)*) => {
            match bits {
                $($bits => Some(Capture::edge::<$bits>),)*
                _ => None,
            }
        };
    }
    widths!(8 9 10 11 12 13 14 15 16 17 18 19 20 21 22 23 24 25 26 27 28 29 30 31 32)
}

#[cfg(test)]
mod tests {
    use humtick::{Polarity, Stamp};

    use super::*;

    #[test]
    fn every_width_is_its_own() {
        for bits in 8..=32 {
            let extend = extender(bits).unwrap();
            let at = |raw| extend(Capture { raw, tally: 5, pending: true, polarity: Polarity::Falling });
            let half = 1u64 << (bits - 1);
            // Restarted just below half of the range, not from half on; whole wraps of 32 bits fall away.
            let below = Stamp::new((6 * 2 * half + half - 1) as u32);
            assert_eq!(at((half - 1) as u32), Edge::falling(below), "{bits}");
            assert_eq!(at(half as u32), Edge::falling(Stamp::new((5 * 2 * half + half) as u32)), "{bits}");
        }
        assert!(extender(7).is_none() && extender(33).is_none());
    }
}
