//! Counter values and overflow tallies become points on one 32-bit tick scale.
//!
//! # Background
//!
//! A 16-bit counter at 2 MHz wraps every 32.768 ms, so a 16.7 Hz period (59.9 ms) does not fit in it and one missed
//! 50 Hz edge (40 ms) reads as 7.232 ms. The usual cure is to tally overflows in an interrupt and put the tally above
//! the captured value. Between the counter's wrap and that interrupt, the tally is one short: a capture handler
//! that runs in this gap sees the overflow flag *pending* and cannot know, from the flag alone, whether the edge came
//! before the wrap (tally right) or after it (tally one short).
//!
//! # The rule of halves: [`extend`]
//!
//! Read the captured value, the tally and the pending flag together, with the overflow interrupt held off. A pending
//! overflow came before the edge if the captured value is in the lower half of the range, after it otherwise.
//!
//! Let W = 2^BITS ticks be one wrap, the edge at time e, the wrap at time o.
//!
//! Preconditions:
//! 1. the capture is read less than W/2 after the edge: it is read at e + L, with L <= W/2;
//! 2. an overflow is tallied less than W/2 after it happened, or the capture handler runs before it is;
//! 3. the overflow handler does not run between an edge and the reading of its capture. Give the capture the higher
//!    priority, or serve both flags in one handler, the capture first.
//!
//! Why it works: when the flag is pending, either o <= e, then the value counted from zero for e - o < W/2 ticks
//! (precondition 2) and is in the lower half; or e < o <= e + L, then the value is at least W - L >= W/2
//! (precondition 1) and is in the upper half. When it is not pending, every wrap until the reading has been tallied and by
//! precondition 3 all of them came before the edge. If precondition 3 is broken the stamp is exactly one wrap late.
//!
//! At 16 bits and 2 MHz a handler may be 16.384 ms late; at 8 bits and 1 MHz, 128 us.
//!
//! # The rule of distance: [`behind`]
//!
//! Take a coherent extended *now* (tally, flag and running counter read together and put through [`extend`])
//! and go back from it by the distance between the running counter and the captured value, modulo W. It needs only that
//! the capture is read less than one whole W after the edge, and that *now* itself is right, which takes precondition 2.
//! It does not mind which handler ran first. The price is one more counter read in the interrupt.

use crate::unit::{Edge, Polarity, Stamp};

/// What an interrupt can hand over: registers and tally, read together, nothing worked out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Capture {
    /// The captured counter value, below 2^BITS.
    pub raw: u32,
    /// Overflows tallied so far, modulo 2^(32 - BITS) or more: a tally of fewer bits would wrap before the scale does.
    pub tally: u32,
    /// Whether an overflow had happened that the tally does not hold yet.
    pub pending: bool,
    /// Which way the signal crossed.
    pub polarity: Polarity,
}

impl Capture {
    /// The edge on the tick scale, by the rule of halves ([`extend`]).
    pub const fn edge<const BITS: u32>(self) -> Edge {
        Edge { stamp: extend::<BITS>(self.tally, self.pending, self.raw), polarity: self.polarity }
    }
}

/// Whether a pending overflow of a counter of `bits` bits, 1 to 32, came before the capture of `raw`: the rule of halves.
/// The one statement of the rule, for counters whose width is known only at run time.
pub const fn restarted(bits: u32, pending: bool, raw: u32) -> bool {
    pending && raw >> (bits - 1) == 0
}

/// Extends a captured value with the overflow tally, modulo 2^32 ticks. The module head states how late the handlers
/// may be. Bits of `raw` above the counter's width are ignored.
pub const fn extend<const BITS: u32>(tally: u32, pending: bool, raw: u32) -> Stamp {
    const { assert!(BITS >= 8 && BITS <= 32, "counter width must be 8 to 32 bits") };
    let raw = raw & mask::<BITS>();
    let wraps = tally.wrapping_add(restarted(BITS, pending, raw) as u32);
    // On a 32-bit counter the wraps lie beyond the scale.
    let above = if BITS == 32 { 0 } else { wraps << (BITS % 32) };
    Stamp::new(above | raw)
}

/// The captured value as seen from a coherent `now` on the tick scale: `now` less the distance from `raw` to the
/// running counter, modulo 2^BITS. Right for any capture less than one wrap old. Bits of `raw` above the counter's width are
/// ignored.
pub const fn behind<const BITS: u32>(now: Stamp, raw: u32) -> Stamp {
    const { assert!(BITS >= 8 && BITS <= 32, "counter width must be 8 to 32 bits") };
    let distance = now.raw().wrapping_sub(raw) & mask::<BITS>();
    Stamp::new(now.raw().wrapping_sub(distance))
}

const fn mask<const BITS: u32>() -> u32 {
    u32::MAX >> (32 - BITS)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A counter of BITS bits watched by two handlers, in absolute ticks.
    struct Board {
        /// When the edge came.
        edge: u64,
        /// When the capture handler reads.
        read: u64,
        /// How long after each wrap the tally is raised, unless the capture handler runs first.
        tally_delay: u64,
    }

    impl Board {
        /// Wraps tallied and pending at the moment of reading. `overflow_first`: a wrap whose delay has not run out is
        /// tallied just before the capture is read.
        fn seen<const BITS: u32>(&self, overflow_first: bool) -> (u32, bool) {
            let wraps = self.read >> BITS;
            let last_wrap = wraps << BITS;
            let waiting = wraps > 0 && self.read < last_wrap + self.tally_delay;
            if waiting && !overflow_first {
                (u32::try_from(wraps - 1).unwrap(), true)
            } else {
                (u32::try_from(wraps).unwrap(), false)
            }
        }

        fn raw<const BITS: u32>(at: u64) -> u32 {
            u32::try_from(at & ((1 << BITS) - 1)).unwrap()
        }

        fn truth(&self) -> Stamp {
            Stamp::new((self.edge & 0xFFFF_FFFF) as u32)
        }

        /// Whether a wrap between edge and reading was already tallied: precondition 3 broken.
        fn overtaken<const BITS: u32>(&self, overflow_first: bool) -> bool {
            let (tally, _) = self.seen::<BITS>(overflow_first);
            u64::from(tally) > self.edge >> BITS
        }

        fn by_halves<const BITS: u32>(&self, overflow_first: bool) -> Stamp {
            let (tally, pending) = self.seen::<BITS>(overflow_first);
            extend::<BITS>(tally, pending, Self::raw::<BITS>(self.edge))
        }

        fn by_distance<const BITS: u32>(&self, overflow_first: bool) -> Stamp {
            let (tally, pending) = self.seen::<BITS>(overflow_first);
            let now = extend::<BITS>(tally, pending, Self::raw::<BITS>(self.read));
            behind::<BITS>(now, Self::raw::<BITS>(self.edge))
        }
    }

    /// Every edge time in two wraps x every service delay of the capture x every delay of the tally x both orders.
    #[test]
    fn exhaustive_at_8_bits() {
        const W: u64 = 256;
        let mut late_by_a_wrap = 0u32;
        for edge in W..3 * W {
            for latency in 0..W {
                for tally_delay in 0..=W / 2 {
                    for overflow_first in [false, true] {
                        let board = Board { edge, read: edge + latency, tally_delay };
                        let truth = board.truth();
                        // Distance: any latency below a wrap, either order.
                        assert_eq!(board.by_distance::<8>(overflow_first), truth);
                        if latency > W / 2 {
                            continue;
                        }
                        let halves = board.by_halves::<8>(overflow_first);
                        if board.overtaken::<8>(overflow_first) {
                            assert_eq!(halves - truth, crate::Ticks::new(256));
                            late_by_a_wrap += 1;
                        } else {
                            assert_eq!(halves, truth);
                        }
                    }
                }
            }
        }
        assert!(late_by_a_wrap > 0, "precondition 3 was never put to the test");
    }

    /// The boundary itself, one step to each side: 127, 128, 129 ticks late of 256.
    #[test]
    fn at_half_the_range() {
        // The wrap falls right after the edge, so the reading sees it pending; the value is 255, 128 and 127.
        for (raw, truth) in [(255, 255), (129, 129), (128, 128)] {
            assert_eq!(extend::<8>(0, true, raw), Stamp::new(truth), "edge before the wrap, {raw}");
        }
        // Values below half belong to the new round.
        for raw in [0, 1, 126, 127] {
            assert_eq!(extend::<8>(0, true, raw), Stamp::new(256 + raw), "edge after the wrap, {raw}");
        }
        // One tick beyond the precondition the rule is wrong: an edge at 127, read 129 ticks later at 256.
        let late = Board { edge: 127, read: 256, tally_delay: 1 };
        assert_eq!(late.by_halves::<8>(false), Stamp::new(256 + 127));
        assert_eq!(late.by_distance::<8>(false), Stamp::new(127));
        // And the distance rule one tick beyond its own: read a whole wrap later.
        let later = Board { edge: 300, read: 556, tally_delay: 0 };
        assert_eq!(later.by_distance::<8>(false), Stamp::new(556));
    }

    #[test]
    fn the_scale_wraps_at_32_bits() {
        assert_eq!(extend::<32>(7, true, 5), Stamp::new(5));
        assert_eq!(extend::<16>(0x1_0003, false, 9), Stamp::new(0x0003_0009));
        assert_eq!(extend::<16>(u32::MAX, true, 1), Stamp::new(1));
        assert_eq!(behind::<16>(Stamp::new(2), 0xFFFF), Stamp::new(u32::MAX));
    }

    fn holds_at<const BITS: u32>(edge: u64, latency: u64, tally_delay: u64, first: bool) {
        let half = 1u64 << (BITS - 1);
        let board = Board {
            edge: edge + (1 << BITS),
            read: edge + (1 << BITS) + latency % (half + 1),
            tally_delay: tally_delay % (half + 1),
        };
        assert_eq!(board.by_distance::<BITS>(first), board.truth());
        if !board.overtaken::<BITS>(first) {
            assert_eq!(board.by_halves::<BITS>(first), board.truth());
        }
        let whole_wrap = Board { read: board.edge + latency % (2 * half), ..board };
        assert_eq!(whole_wrap.by_distance::<BITS>(first), board.truth());
    }

    proptest! {
        #[test]
        fn holds_at_16_24_and_32_bits(edge in 0u64..1 << 36, latency: u64, tally_delay: u64, first: bool) {
            holds_at::<16>(edge, latency, tally_delay, first);
            holds_at::<24>(edge, latency, tally_delay, first);
            holds_at::<32>(edge, latency, tally_delay, first);
        }
    }
}
