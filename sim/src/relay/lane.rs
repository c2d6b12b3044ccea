//! One sensor's way through the relay: what waits, what is on its way, and what is known of it.

use std::collections::VecDeque;
use std::io;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use humtick::link::{Arrival, Record};

use super::line::{Line, Passed};
use super::spool::SAVE_LINES;
use super::store::{Store, Ticket};
use crate::wire::arrivals::{Arrivals, REPEATED};
use crate::wire::greeting::Name;

/// How it is known that a line has arrived.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Proof {
    /// It is not: written is delivered.
    Written,
    /// The connection still stood so much later, or ended as it should. Once the far end has told anything on any connection, what it tells.
    Stood(Duration),
    /// The far end tells.
    Told,
}

/// What came in and went out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Lines taken.
    pub taken: u64,
    /// Lines refused: damaged, of an unknown version, too long.
    pub refused: u64,
    /// Lines missing by their sequence numbers: lost before they came here.
    pub missing: u64,
    /// Lines sent once more after a connection was lost.
    pub again: u64,
    /// Connections made.
    pub connections: u64,
    /// What became of the lines.
    pub passed: Passed,
}

/// What a sender is to do.
pub(super) enum Next {
    /// Send this.
    Line(Line),
    /// Nothing more will come: tell the far end, and wait for it.
    Finish,
    /// The connection is lost.
    Broken(String),
    /// All has arrived, or time is up.
    Over,
}

pub(super) struct Lane {
    pub name: Name,
    state: Mutex<State>,
    bell: Condvar,
}

struct State {
    store: Store,
    arrivals: Arrivals,
    counts: Counts,
    /// Number of the connection; words of older ones are not heard.
    connection: u64,
    on_way: VecDeque<(Ticket, Instant)>,
    /// Lines of this connection known to have arrived.
    arrived: u64,
    proof: Proof,
    /// The far end has told something, on this connection or an earlier one.
    tells: bool,
    /// Lines that were on their way when the last connection was lost and have not been sent again yet.
    to_repeat: u64,
    broken: Option<String>,
    /// By when all has to be over.
    deadline: Option<Instant>,
    /// The far end was told that nothing more comes.
    finishing: bool,
}

/// Lines on their way at once. With those delivered since the spool last wrote down how many, they are what may be sent again.
const AHEAD: usize = REPEATED - SAVE_LINES as usize - 24;

/// How often what must not wait is looked after.
const TICK: Duration = Duration::from_millis(100);

impl Lane {
    pub fn new(name: Name, store: Store) -> Self {
        let state = State {
            store,
            arrivals: Arrivals::default(),
            counts: Counts::default(),
            connection: 0,
            on_way: VecDeque::new(),
            arrived: 0,
            proof: Proof::Written,
            tells: false,
            to_repeat: 0,
            broken: None,
            deadline: None,
            finishing: false,
        };
        Self { name, state: Mutex::new(state), bell: Condvar::new() }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A thread that panicked has left whole numbers behind; the others go on.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A line has come.
    ///
    /// # Errors
    /// What the disk says if it does not take the line, which is kept in memory then.
    pub fn take(&self, line: Line, record: &Record) -> io::Result<()> {
        let mut state = self.state();
        state.counts.taken += 1;
        if let Arrival::After(missing) = state.arrivals.take(record) {
            state.counts.missing += u64::from(missing);
        }
        let kept = state.store.push(line);
        self.bell.notify_all();
        kept
    }

    /// Whether what comes could not be kept: the disk takes nothing, and memory is filling.
    pub fn is_stuck(&self) -> bool {
        self.state().store.is_stuck()
    }

    /// Waits while what comes could not be kept: a sender that waits for receipts has its lines yet.
    pub fn wait_for_room(&self) {
        let mut state = self.state();
        while state.store.is_stuck() && state.deadline.is_none() {
            state = self.bell.wait_timeout(state, TICK).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Whether nothing more is to be taken.
    pub fn is_ending(&self) -> bool {
        self.state().deadline.is_some()
    }

    /// Whether all that was taken is where it outlives the relay, if there is a spool.
    pub fn is_saved(&self) -> bool {
        self.state().store.passed().unsaved == 0
    }

    /// A line was refused.
    pub fn refuse(&self) {
        self.state().counts.refused += 1;
    }

    /// A connection is made; its number.
    pub fn connect(&self, proof: Proof) -> u64 {
        let mut state = self.state();
        state.connection += 1;
        state.counts.connections += 1;
        state.arrived = 0;
        // A far end that tells is waited for, even one that stops before it has told anything on this connection.
        let proof = if state.tells && matches!(proof, Proof::Stood(_)) { Proof::Told } else { proof };
        (state.proof, state.broken, state.finishing) = (proof, None, false);
        state.connection
    }

    /// The connection is over: what was on its way goes out again. Whether anything of it had arrived.
    pub fn disconnect(&self) -> bool {
        let mut state = self.state();
        // The number of the next connection: the old one is not heard any more.
        state.connection += 1;
        state.to_repeat = state.on_way.len() as u64;
        state.on_way.clear();
        state.store.again();
        state.arrived > 0
    }

    /// What to do now. Waits until there is something.
    ///
    /// # Errors
    /// What the spool says when it cannot be read.
    pub fn next(&self) -> io::Result<Next> {
        let mut state = self.state();
        loop {
            if let Some(why) = state.broken.take() {
                return Ok(Next::Broken(why));
            }
            state.believe();
            state.store.save();
            let is_late = state.deadline.is_some_and(|deadline| Instant::now() >= deadline);
            if is_late {
                return Ok(Next::Over);
            }
            if !state.finishing
                && state.on_way.len() < AHEAD
                && let Some((ticket, line)) = state.store.next()?
            {
                state.sent(ticket);
                return Ok(Next::Line(line));
            }
            if state.deadline.is_some() {
                // A far end that tells need not hear that nothing more comes: it has told of all there was.
                if !state.finishing && state.proof != Proof::Told && state.on_way.len() < AHEAD {
                    state.finishing = true;
                    return Ok(Next::Finish);
                }
                if state.on_way.is_empty() {
                    return Ok(Next::Over);
                }
            }
            state = self.bell.wait_timeout(state, TICK).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Waits before another attempt; `false` if it is too late for one.
    pub fn pause(&self, wait: Duration) -> bool {
        let until = Instant::now() + wait;
        let mut state = self.state();
        loop {
            state.store.save();
            // Where there is nothing to deliver there is nothing to connect for.
            let passed = state.store.passed();
            if state.deadline.is_some_and(|deadline| Instant::now() >= deadline || passed.waiting == 0) {
                return false;
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return true;
            }
            state = self.bell.wait_timeout(state, left.min(TICK)).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// The line that was handed out last is written: where nothing else can be known, it has arrived.
    pub fn written(&self) {
        let mut state = self.state();
        if state.proof == Proof::Written {
            state.arrive(1);
        }
    }

    /// The far end of this connection has so many of its lines.
    pub fn told(&self, connection: u64, lines: u64) {
        let mut state = self.state();
        if state.connection == connection {
            (state.proof, state.tells) = (Proof::Told, true);
            let more = lines.saturating_sub(state.arrived);
            state.arrive(more);
            self.bell.notify_all();
        }
    }

    /// One more line of this connection has arrived.
    pub fn told_one(&self, connection: u64) {
        let lines = self.state().arrived + 1;
        self.told(connection, lines);
    }

    /// The far end of this connection has closed it, or it is lost.
    pub fn broke(&self, connection: u64, how: Result<(), String>) {
        let mut state = self.state();
        if state.connection != connection {
            return;
        }
        if how.is_ok() && state.finishing && matches!(state.proof, Proof::Stood(_)) {
            // It read to the end, and closed.
            state.arrive(u64::MAX);
        }
        if how.is_err() || !state.finishing || !state.on_way.is_empty() {
            state.broken = Some(how.err().unwrap_or_else(|| "the far end closed the connection".into()));
        }
        self.bell.notify_all();
    }

    /// No line comes any more; what waits is delivered until `deadline`.
    pub fn end(&self, deadline: Instant) {
        self.state().deadline = Some(deadline);
        self.bell.notify_all();
    }

    /// Writes down, at the end, what is known of the lines: other threads may hold the lane for as long as the process lasts.
    pub fn save(&self) {
        self.state().store.save_now();
    }

    pub fn counts(&self) -> Counts {
        let state = self.state();
        Counts { passed: state.store.passed(), ..state.counts }
    }
}

impl State {
    fn sent(&mut self, ticket: Ticket) {
        if self.to_repeat > 0 {
            self.to_repeat -= 1;
            self.counts.again += 1;
        }
        self.on_way.push_back((ticket, Instant::now()));
    }

    /// So many more of those on their way have arrived.
    fn arrive(&mut self, lines: u64) {
        for _ in 0..lines {
            let Some((ticket, _)) = self.on_way.pop_front() else { break };
            self.arrived += 1;
            self.store.arrived(ticket);
        }
    }

    /// Believes what has been on its way for long enough.
    fn believe(&mut self) {
        if let Proof::Stood(long) = self.proof {
            let old = self.on_way.iter().take_while(|(_, when)| when.elapsed() >= long).count();
            self.arrive(old as u64);
        }
    }
}

#[cfg(test)]
mod tests;
