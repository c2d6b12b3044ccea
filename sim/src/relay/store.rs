//! What waits in a lane: in memory by the core's backlog, or on disk.

use std::io;

use humtick::link::{self, Backlog, Keep};

use super::line::{Line, Passed};
use super::spool::Spool;

/// Stands for a line on its way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ticket {
    Memory(link::Ticket),
    /// Where the line ends in the spool.
    Spool(u64),
}

#[derive(Debug)]
pub(super) enum Store {
    Memory { backlog: Backlog<Line, Vec<Option<Line>>>, before: u64 },
    Spool(Box<Spool>),
}

impl Store {
    /// In memory, with room for so many lines.
    pub fn memory(keep: Keep, room: usize) -> Self {
        let room = if keep == Keep::Latest { 1 } else { room };
        Self::Memory { backlog: Backlog::new(keep, vec![None; room]), before: 0 }
    }

    /// Takes a line. What it says if the disk does not take it: the line is kept in memory then.
    pub fn push(&mut self, line: Line) -> io::Result<()> {
        match self {
            Self::Memory { backlog, before } => {
                backlog.push(line);
                *before += 1;
                Ok(())
            }
            Self::Spool(spool) => spool.push(line),
        }
    }

    pub fn next(&mut self) -> io::Result<Option<(Ticket, Line)>> {
        Ok(match self {
            Self::Memory { backlog, .. } => {
                backlog.next().map(|(ticket, line)| (Ticket::Memory(ticket), line))
            }
            Self::Spool(spool) => spool.to_send()?.map(|(end, line)| (Ticket::Spool(end), line)),
        })
    }

    pub fn arrived(&mut self, ticket: Ticket) {
        match (self, ticket) {
            (Self::Memory { backlog, .. }, Ticket::Memory(ticket)) => backlog.arrived(ticket),
            (Self::Spool(spool), Ticket::Spool(end)) => spool.arrived(end),
            // A store hands out its own tickets only.
            _ => {}
        }
    }

    pub fn again(&mut self) {
        match self {
            Self::Memory { backlog, .. } => backlog.again(),
            Self::Spool(spool) => spool.again(),
        }
    }

    /// Whether the next lines may cost others their place though these were to be kept: the disk takes none, and memory is nearly full.
    pub fn is_stuck(&self) -> bool {
        match self {
            Self::Memory { .. } => false,
            Self::Spool(spool) => spool.is_stuck(),
        }
    }

    /// Writes down what must not wait any longer.
    pub fn save(&mut self) {
        match self {
            Self::Memory { .. } => {}
            Self::Spool(spool) => spool.save(),
        }
    }

    /// Writes down everything.
    pub fn save_now(&mut self) {
        match self {
            Self::Memory { .. } => {}
            Self::Spool(spool) => spool.close(),
        }
    }

    pub fn passed(&self) -> Passed {
        match self {
            Self::Memory { backlog, before } => {
                let waiting = backlog.len() as u64;
                // The core's counts wrap around; what was pushed in all does not.
                let dropped = u64::from(backlog.passed().dropped);
                Passed {
                    found: 0,
                    delivered: before - waiting - dropped,
                    dropped,
                    damaged: 0,
                    waiting,
                    unsaved: waiting,
                }
            }
            Self::Spool(spool) => spool.passed(),
        }
    }
}
