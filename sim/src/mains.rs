//! The mains of a scenario and the comparator on it: transitions, in order, from spans dealt out in batches to threads.
//!
//! ```text
//! [grid] phase -> [signal] spans ([waveform] of a cycle, changes by [disturb]) -> [comparator] (+ [noise], only within [bands]) -> transitions
//! ```
//!
//! Noise is a function of time, so a batch needs nothing from its neighbours but the comparator's state, which a run-in of one span and more finds out.
//! Where it does not (hysteresis wider than the noise while the mains is gone), the batch is run again from the right state.
//! The result is the same whatever the number of threads.

pub mod bands;
pub mod bezier;
pub mod comparator;
pub mod disturb;
pub mod grid;
pub mod noise;
pub mod probe;
pub mod signal;
pub mod waveform;

use std::sync::mpsc::{Receiver, Sender, channel};

use crate::edge::Transition;
use crate::mains::comparator::Comparator;
use crate::mains::signal::{Signal, Span};
use crate::moment::Moment;
use crate::scenario::Scenario;

/// Spans in a batch: 51 s where nothing happens.
const BATCH: usize = 512;

/// Spans to follow, after some to run in.
#[derive(Debug)]
struct Batch {
    run_in: Vec<Span>,
    spans: Vec<Span>,
}

/// What became of a batch.
#[derive(Debug)]
struct Done {
    batch: Batch,
    began_high: bool,
    ended_high: bool,
    transitions: Vec<Transition>,
}

impl Batch {
    /// Follows the batch from a guess.
    fn run(self, comparator: &mut Comparator) -> Done {
        let mut transitions = Vec::new();
        if let Some(first) = self.run_in.first().or(self.spans.first()) {
            comparator.guess(first);
        }
        for span in &self.run_in {
            comparator.run(span, &mut transitions);
        }
        transitions.clear();
        self.run_from(comparator.is_high, comparator, transitions)
    }

    /// Follows the batch from a known state.
    fn run_from(self, high: bool, comparator: &mut Comparator, mut transitions: Vec<Transition>) -> Done {
        comparator.is_high = high;
        for span in &self.spans {
            comparator.run(span, &mut transitions);
        }
        Done { batch: self, began_high: high, ended_high: comparator.is_high, transitions }
    }
}

/// One thread's ends of its channels.
struct Worker {
    batches: Sender<Batch>,
    done: Receiver<Done>,
}

/// The transitions of a scenario.
pub struct Mains {
    signal: Signal,
    comparator: Comparator,
    /// Whether the comparator's state is known, and what it is.
    is_high: Option<bool>,
    workers: Vec<Worker>,
    /// Whose turn it is to take a batch, and to give one back.
    next_in: usize,
    next_out: usize,
    dealt: usize,
    run_in: Vec<Span>,
    end: Moment,
    is_over: bool,
    current: std::vec::IntoIter<Transition>,
}

impl Mains {
    /// The transitions of `scenario` until its end, by `threads` threads beside the caller's; with none or one by the caller's alone.
    pub fn new(scenario: &Scenario, threads: usize) -> Self {
        let comparator = Comparator::new(scenario);
        let worker = |_| {
            let (batches, inbox) = channel::<Batch>();
            let (outbox, done) = channel();
            let mut comparator = comparator.clone();
            std::thread::spawn(move || {
                for batch in inbox {
                    if outbox.send(batch.run(&mut comparator)).is_err() {
                        break;
                    }
                }
            });
            Worker { batches, done }
        };
        Self {
            signal: Signal::new(scenario),
            workers: if threads > 1 { (0..threads).map(worker).collect() } else { Vec::new() },
            comparator,
            is_high: None,
            next_in: 0,
            next_out: 0,
            dealt: 0,
            run_in: Vec::new(),
            end: Moment::from_s(scenario.duration_s),
            is_over: false,
            current: Vec::new().into_iter(),
        }
    }

    /// The next batch, if there is more.
    fn gather(&mut self) -> Option<Batch> {
        if self.is_over {
            return None;
        }
        let mut spans = Vec::with_capacity(BATCH);
        while spans.len() < BATCH && !self.is_over {
            let mut span = self.signal.next_span();
            let left = self.end.since(span.from);
            if span.length >= left {
                span.length = left;
                self.is_over = true;
            }
            spans.push(span);
        }
        let run_in = self.run_in.clone();
        let end = spans.last()?.from;
        // Two whole cycles and more settle the state.
        let settles = |span: &Span| end.since(span.from) * span.rate() > 2.0;
        let last = spans.iter().rposition(settles).unwrap_or(0);
        self.run_in.extend_from_slice(&spans[last..]);
        let last = self.run_in.iter().rposition(settles).unwrap_or(0);
        self.run_in.drain(..last);
        Some(Batch { run_in, spans })
    }

    /// The next batch's outcome.
    fn next_done(&mut self) -> Option<Done> {
        if self.workers.is_empty() {
            let batch = self.gather()?;
            return Some(match self.is_high {
                Some(high) => batch.run_from(high, &mut self.comparator, Vec::new()),
                None => batch.run(&mut self.comparator),
            });
        }
        let count = self.workers.len();
        while self.dealt < 3 * count
            && let Some(batch) = self.gather()
        {
            // A thread that is gone has panicked; receiving from it says so below.
            self.workers[self.next_in].batches.send(batch).ok();
            self.next_in = (self.next_in + 1) % count;
            self.dealt += 1;
        }
        if self.dealt == 0 {
            return None;
        }
        let done = self.workers[self.next_out].done.recv().expect("a worker only ends when it is let go");
        self.next_out = (self.next_out + 1) % count;
        self.dealt -= 1;
        match self.is_high {
            Some(high) if high != done.began_high => {
                Some(done.batch.run_from(high, &mut self.comparator, Vec::new()))
            }
            _ => Some(done),
        }
    }
}

impl Iterator for Mains {
    type Item = Transition;

    fn next(&mut self) -> Option<Transition> {
        loop {
            if let Some(transition) = self.current.next() {
                return Some(transition);
            }
            let done = self.next_done()?;
            self.is_high = Some(done.ended_high);
            self.current = done.transitions.into_iter();
        }
    }
}
