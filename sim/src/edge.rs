//! An edge on the host's scale.

use humtick::Polarity;

/// An edge on a recording's own scale: ticks since the record began, never wrapping, never running backwards.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TimedEdge {
    /// Ticks since the record began.
    pub ticks: u64,
    /// Which way the signal crossed.
    pub polarity: Polarity,
}
