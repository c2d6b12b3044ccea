//! The desk side of humtick: recordings in, through a front end, into the core.
pub mod front_end;
pub mod input;
