//! An edge on the host's scale.

use humtick::Polarity;

use crate::moment::Moment;

/// An edge on a recording's own scale: ticks since the record began, never wrapping, never running backwards.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TimedEdge {
    /// Ticks since the record began.
    pub ticks: u64,
    /// Which way the signal crossed.
    pub polarity: Polarity,
}

/// A change of a level in simulated time: of the comparator's output, or of the wire behind it. Transitions alternate in polarity and
/// never run backwards.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Transition {
    /// When it happened, in true time.
    pub at: Moment,
    /// Which way.
    pub polarity: Polarity,
}
