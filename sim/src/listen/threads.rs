//! Ways in that have to be waited for: standard input, serial lines, connections of our own making. Each has a thread that reads.

use std::collections::{HashMap, VecDeque};
use std::fmt;
use std::io::{ErrorKind, Read};
use std::sync::Arc;
use std::sync::mpsc::SyncSender;
use std::thread;
use std::time::Duration;

use mio::Waker;
use rumqttc::{Client, Publish};

use super::broker::{self, Said, said};
use super::desk::{Desk, Watcher};
use super::feed::Feed;
use super::message::Message;
use super::{Options, PIECE};
use crate::station::MOST_SENSORS;
use crate::wire::address::Address;
use crate::wire::greeting::Name;
use crate::wire::open::{self, Stream};

/// From one try to open to the next.
const AGAIN: Duration = Duration::from_secs(1);

/// A way in with a thread.
pub struct From {
    address: Address,
    number: usize,
    feed: Feed,
    /// Of a broker's topics.
    topics: HashMap<Name, Feed>,
    session: Option<Name>,
    broker: Option<Client>,
    /// What is published and not acknowledged, in the order it came (MQTT 3.1.1, 4.6), and whose line it was. A broker has 65,535 numbers for
    /// them, and sends no more.
    owed: VecDeque<(Option<Name>, Publish)>,
    has_ended: bool,
}

impl From {
    /// Called as the options have it, or after the address.
    pub fn new(address: &Address, number: usize, options: &Options, ways: &mut u64) -> Self {
        *ways += 1;
        let own = || match address {
            Address::Serial { path, .. } => {
                Name::like(&path.file_name().unwrap_or_default().to_string_lossy())
            }
            Address::Tcp(host) => Name::like(&host.name),
            Address::Standard => Name::like("input"),
            _ => Name::like("terminal"),
        };
        let feed = Feed::called(*ways, options.name.clone().unwrap_or_else(own));
        let (address, session) = (address.clone(), options.session.clone());
        Self {
            address,
            number,
            feed,
            topics: HashMap::new(),
            session,
            broker: None,
            owed: VecDeque::new(),
            has_ended: false,
        }
    }

    /// Begins to read.
    pub fn start(&self, outbox: SyncSender<(usize, Message)>, waker: Arc<Waker>) {
        let (address, number, session) = (self.address.clone(), self.number, self.session.clone());
        thread::spawn(move || {
            let say = |message| {
                let is_heard = outbox.send((number, message)).is_ok();
                // Where that fails the next turn looks all the same.
                let _ = waker.wake();
                is_heard
            };
            match &address {
                Address::Mqtt { broker, topic } => {
                    broker::read(&address, broker, topic, session.as_ref(), &say);
                }
                _ => read(&address, &say),
            }
            say(Message::Ended);
        });
    }

    pub const fn has_ended(&self) -> bool {
        self.has_ended
    }

    pub fn take(&mut self, message: Message, ways: &mut u64, desk: &mut Desk, watcher: &mut dyn Watcher) {
        match message {
            Message::Broker(client) => {
                // What is owed to a connection that is gone comes again, if it is to come.
                self.owed.clear();
                self.broker = Some(client);
            }
            Message::Published(publish) => self.published(publish, ways, desk, watcher),
            Message::Bytes(bytes) => self.feed.take(&bytes, desk, watcher),
            Message::Note(text) => watcher.note(&text),
            Message::Ended => {
                self.has_ended = true;
                self.feed.close(desk);
            }
        }
    }
}

impl From {
    fn published(
        &mut self,
        mut publish: Publish,
        ways: &mut u64,
        desk: &mut Desk,
        watcher: &mut dyn Watcher,
    ) {
        let Address::Mqtt { topic, .. } = &self.address else { return };
        let mut whose = None;
        match said(topic, &publish) {
            Some(Said::Line(name)) if self.topics.len() < MOST_SENSORS || self.topics.contains_key(&name) => {
                let feed = self.topics.entry(name.clone()).or_insert_with(|| {
                    *ways += 1;
                    Feed::called(*ways, name.clone())
                });
                feed.take(&publish.payload, desk, watcher);
                // What is published is whole, with or without the end of its line.
                feed.take(b"\n", desk, watcher);
                whose = Some(name);
            }
            Some(Said::Gone(name)) => watcher.note(&format!("{name}: its relay has gone")),
            _ => {}
        }
        publish.payload.clear();
        self.owed.push_back((whose, publish));
    }

    /// Acknowledges what is in the log, or needs not be: a broker with a session keeps the rest for the next connection.
    pub fn acknowledge(&mut self, desk: &Desk) {
        let Some(broker) = &self.broker else { return };
        while let Some((whose, publish)) = self.owed.front() {
            let sensor = whose.as_ref().and_then(|name| self.topics.get(name)).and_then(Feed::sensor);
            // One that finds no room goes at the next turn.
            if sensor.is_some_and(|id| !desk.is_kept(id)) || broker.try_ack(publish).is_err() {
                return;
            }
            self.owed.pop_front();
        }
    }
}

/// Reads until nothing can come or nobody hears any more; what is lost is opened again, standard input apart.
fn read(address: &Address, say: &impl Fn(Message) -> bool) {
    let mut buffer = vec![0; PIECE];
    let mut is_told = false;
    loop {
        let why = match open::stream(address) {
            Ok(mut stream) => {
                if is_told && !say(Message::Note(format!("{address}: is there again"))) {
                    return;
                }
                is_told = false;
                if let Stream::Pty(pty) = &stream
                    && !say(Message::Note(format!("{address}: {}", pty.far.display())))
                {
                    return;
                }
                loop {
                    match stream.read(&mut buffer) {
                        Ok(0) => break "has ended".to_string(),
                        Ok(length) => {
                            if !say(Message::Bytes(buffer.get(..length).unwrap_or_default().to_vec())) {
                                return;
                            }
                        }
                        Err(e) if e.kind() == ErrorKind::Interrupted => {}
                        Err(e) => break e.to_string(),
                    }
                }
            }
            Err(e) => e.to_string(),
        };
        // A line without its end is no line, but what comes next begins a new one.
        if *address == Address::Standard || !say(Message::Bytes(b"\n".to_vec())) {
            return;
        }
        if !std::mem::replace(&mut is_told, true)
            && !say(Message::Note(format!("{address}: {why}: tried again every second")))
        {
            return;
        }
        thread::sleep(AGAIN);
    }
}

impl fmt::Display for From {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.address.fmt(f)
    }
}
