//! The loop of a second processor: lines from the sensor's serial port in, out over a network that comes and goes.
//!
//! Run it: `cargo run --example second_processor`. The loop is `no_std` and has no allocator; ports and network are whatever the board
//! has. Here they are made up: a pump house's modem that is away for a third of the time, and that forgets what it had not passed on.

use std::collections::VecDeque;

use forward::{Network, Serial};
use humtick::State;
use humtick::link::{Arrival, Decoder, Keep, MAX_LINE, Record, Sequence, Text, line};

/// What runs on the second processor.
mod forward {
    use humtick::link::{Backlog, Decoder, Keep, MAX_LINE, Record, Text, Ticket, line};

    /// Bytes from the sensor, as many as have come; none is no error.
    pub trait Serial {
        /// Into `bytes`, how many.
        fn read(&mut self, bytes: &mut [u8]) -> usize;
    }

    /// A network that says what became of what it was given.
    pub trait Network {
        /// Whether it is there. Where it was away in between, what had not arrived is forgotten.
        fn is_up(&mut self) -> bool;
        /// Takes a line to be sent; `false` if it cannot now.
        fn send(&mut self, line: &[u8]) -> bool;
        /// How many more lines have arrived at the far end, in the order they were sent.
        fn arrived(&mut self) -> usize;
    }

    /// Records that wait: a minute and a half of ten a second are 44 KB.
    const ROOM: usize = 900;
    /// Lines on their way at once.
    const AHEAD: usize = 8;

    /// All that is between the two ports.
    pub struct Forward {
        decoder: Decoder<Text>,
        pub backlog: Backlog<Record, [Option<Record>; ROOM]>,
        on_their_way: [Option<Ticket>; AHEAD],
        was_up: bool,
    }

    impl Forward {
        pub const fn new(keep: Keep) -> Self {
            let backlog = Backlog::new(keep, [None; ROOM]);
            Self { decoder: Decoder::new(), backlog, on_their_way: [None; AHEAD], was_up: false }
        }

        /// One turn of the main loop; nothing in it waits.
        pub fn turn(&mut self, serial: &mut impl Serial, network: &mut impl Network) {
            let mut bytes = [0; 64];
            let len = serial.read(&mut bytes).min(bytes.len());
            // Damaged lines end here; `decoder.counts()` knows of them, and the far end sees the gap in the sequence.
            self.decoder.push(&bytes[..len], |record| {
                if let Ok(record) = record {
                    self.backlog.push(record);
                }
            });
            let is_up = network.is_up();
            if !is_up && self.was_up {
                self.backlog.again();
                self.on_their_way = [None; AHEAD];
            }
            self.was_up = is_up;
            if !is_up {
                return;
            }
            for _ in 0..network.arrived() {
                if let Some(ticket) = self.on_their_way[0].take() {
                    self.backlog.arrived(ticket);
                }
                self.on_their_way.rotate_left(1);
            }
            if let Some(free) = self.on_their_way.iter_mut().find(|place| place.is_none())
                && let Some((ticket, record)) = self.backlog.next()
            {
                // What is not taken comes again with what is on its way: the network counts as gone.
                if network.send(line(&record, &mut [0; MAX_LINE])) {
                    *free = Some(ticket);
                } else {
                    self.backlog.again();
                    self.on_their_way = [None; AHEAD];
                }
            }
        }
    }
}

/// A sensor that sends a line every other turn.
struct Sensor {
    sequence: u16,
    bytes: VecDeque<u8>,
}

impl Serial for Sensor {
    fn read(&mut self, bytes: &mut [u8]) -> usize {
        let len = self.bytes.len().min(bytes.len());
        for (place, byte) in bytes.iter_mut().zip(self.bytes.drain(..len)) {
            *place = byte;
        }
        len
    }
}

impl Sensor {
    fn reads(&mut self) {
        let record = Record {
            sequence: self.sequence,
            time_ms: u32::from(self.sequence) * 100,
            state: State::Seeking,
            frequency: None,
            uncertainty: None,
            rocof: None,
            missed: 0,
            rejected: 0,
        };
        self.bytes.extend(line(&record, &mut [0; MAX_LINE]));
        self.sequence += 1;
    }
}

/// A modem that passes a line on some turns after it took it, and the far end behind it.
#[derive(Default)]
struct Modem {
    turn: u32,
    inside: VecDeque<(u32, Vec<u8>)>,
    arrived: usize,
    decoder: Decoder<Text>,
    sequence: Sequence,
    kept: Vec<u16>,
    again: u32,
}

impl Network for Modem {
    fn is_up(&mut self) -> bool {
        self.turn += 1;
        let is_up = self.turn % 300 >= 100;
        if !is_up {
            self.inside.clear();
            self.arrived = 0;
        }
        while let Some((_, line)) = self.inside.pop_front_if(|(when, _)| *when <= self.turn) {
            self.arrived += 1;
            self.decoder.push(&line, |record| {
                let record = record.expect("the modem does no damage");
                match self.sequence.take(&record) {
                    Arrival::Again | Arrival::Late => self.again += 1,
                    _ => self.kept.push(record.sequence),
                }
            });
        }
        is_up
    }

    fn send(&mut self, line: &[u8]) -> bool {
        self.inside.push_back((self.turn + 5, line.into()));
        true
    }

    fn arrived(&mut self) -> usize {
        // Word of it gets lost now and then, with the connection.
        if self.turn % 300 >= 297 { 0 } else { std::mem::take(&mut self.arrived) }
    }
}

fn main() {
    let mut sensor = Sensor { sequence: 0, bytes: VecDeque::new() };
    let (mut modem, mut forward) = (Modem::default(), forward::Forward::new(Keep::All));
    for turn in 0..6_000 {
        if turn % 2 == 0 && turn < 5_000 {
            sensor.reads();
        }
        forward.turn(&mut sensor, &mut modem);
    }
    let passed = forward.backlog.passed();
    println!(
        "{} lines taken, {} delivered, {} dropped; the far end has {} and saw {} again",
        passed.taken,
        passed.delivered,
        passed.dropped,
        modem.kept.len(),
        modem.again
    );
    assert!(modem.kept.iter().copied().eq(0..2_500), "a line is missing at the far end");
    assert!(modem.again > 0, "word got lost, and yet nothing came twice");
}
