//! Ways in that have to be waited for: standard input, serial lines, connections of our own making. Each has a thread that reads.

use std::collections::{BTreeSet, HashMap, VecDeque};
use std::fmt;
use std::io::{ErrorKind, Read};
use std::sync::Arc;
use std::sync::mpsc::SyncSender;
use std::thread;
use std::time::Duration;

use mio::Waker;
use rumqttc::{Client, Publish, QoS};

use super::broker::{self, Said, said};
use super::desk::{Desk, Watcher};
use super::feed::Feed;
use super::message::Message;
use super::{Options, PIECE};
use crate::log::folder::Folder;
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
    /// Of a broker's topics, by what is below its own.
    topics: HashMap<String, Feed>,
    session: Option<Name>,
    broker: Option<Client>,
    /// What is published and not acknowledged, in the order it came (MQTT 3.1.1, 4.6), and the topic that it is a line of. A broker has 65,535
    /// numbers for them, and sends no more.
    owed: VecDeque<(Option<String>, Publish)>,
    /// What is published and waits for room; goes on to `owed`.
    put_off: VecDeque<Publish>,
    /// Sensors whose relay has gone.
    gone: BTreeSet<String>,
    /// It was said that a broker is kept waiting.
    is_wait_told: bool,
    has_ended: bool,
}

impl From {
    /// Called as the options have it, or after the address.
    pub fn new(address: &Address, number: usize, options: &Options, ways: &mut u64) -> Self {
        *ways += 1;
        let feed = Feed::called(*ways, options.name.clone().unwrap_or_else(|| Name::of(address)));
        let (address, session) = (address.clone(), options.session.clone());
        Self {
            address,
            number,
            feed,
            topics: HashMap::new(),
            session,
            broker: None,
            owed: VecDeque::new(),
            put_off: VecDeque::new(),
            gone: BTreeSet::new(),
            is_wait_told: false,
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
                self.put_off.clear();
                self.broker = Some(client);
            }
            // What does not come again is taken or lost now; there is no end of it.
            Message::Published(publish) if self.put_off.is_empty() || publish.qos == QoS::AtMostOnce => {
                self.published(publish, ways, desk, watcher);
            }
            Message::Published(publish) => self.put_off.push_back(publish),
            Message::Bytes(bytes) => self.feed.take(&bytes, desk, watcher),
            Message::Broken => self.feed.begin_anew(desk, watcher),
            Message::Note(text) => watcher.note(&text),
            Message::Ended => {
                self.has_ended = true;
                self.feed.close(desk);
            }
        }
    }
}

impl From {
    /// What was put off, as far as there is room for it now.
    pub fn go_on(&mut self, ways: &mut u64, desk: &mut Desk, watcher: &mut dyn Watcher) {
        while let Some(publish) = self.put_off.pop_front() {
            if !self.published(publish, ways, desk, watcher) {
                return;
            }
        }
    }

    /// Takes what is published; `false` if it is put off.
    fn published(
        &mut self,
        mut publish: Publish,
        ways: &mut u64,
        desk: &mut Desk,
        watcher: &mut dyn Watcher,
    ) -> bool {
        let Address::Mqtt { topic, .. } = &self.address else { return true };
        let mut whose = None;
        match said(topic, &publish) {
            Some(Said::Line(below)) => {
                let below = below.to_string();
                if let Some(feed) = self.topic(&below, ways) {
                    feed.take(&publish.payload, desk, watcher);
                    // What is published is whole, with or without the end of its line.
                    feed.end(desk, watcher);
                    if feed.is_put_off() {
                        feed.resume();
                        if publish.qos == QoS::AtMostOnce {
                            // It does not come again, and is missing by its number.
                            return true;
                        }
                        self.put_off.push_front(publish);
                        return false;
                    }
                    whose = Some(below);
                }
            }
            Some(Said::State { below, is_gone }) => self.state(below, is_gone, watcher),
            None => {}
        }
        if publish.qos == QoS::AtMostOnce {
            return true;
        }
        publish.payload.clear();
        // Only a session lasts longer than the connection: without one nothing comes again, whatever is not acknowledged.
        let whose = whose.filter(|_| self.session.is_some());
        self.owed.push_back((whose, publish));
        true
    }

    /// Says what has changed about a sensor's relay.
    fn state(&mut self, below: &str, is_gone: bool, watcher: &mut dyn Watcher) {
        if is_gone && self.gone.len() < MOST_SENSORS && self.gone.insert(below.into()) {
            watcher.note(&format!("{below}: its relay has gone"));
        } else if !is_gone && self.gone.remove(below) {
            watcher.note(&format!("{below}: its relay is there again"));
        }
    }

    /// The feed of a topic; `None` where there are as many sensors as there may be. Topics without a reading make room for others.
    fn topic(&mut self, below: &str, ways: &mut u64) -> Option<&mut Feed> {
        if !self.topics.contains_key(below) {
            if self.topics.len() >= MOST_SENSORS {
                self.topics.retain(|_, feed| feed.sensor().is_some());
            }
            if self.topics.len() >= MOST_SENSORS {
                return None;
            }
            *ways += 1;
            // A broker that keeps a session sends again what was not acknowledged.
            let new = if self.session.is_some() { Feed::repeated } else { Feed::called };
            self.topics.insert(below.into(), new(*ways, Name::like(below)));
        }
        self.topics.get_mut(below)
    }

    /// Acknowledges what is in the log, or needs not be: a broker with a session keeps the rest for the next connection.
    pub fn acknowledge(&mut self, desk: &Desk, watcher: &mut dyn Watcher) {
        let Some(broker) = &self.broker else { return };
        while let Some((whose, publish)) = self.owed.front() {
            let sensor = whose.as_ref().and_then(|below| self.topics.get(below)).and_then(Feed::sensor);
            if sensor.is_some_and(|id| !desk.is_kept(id)) {
                let is_failing = desk.folder().is_some_and(Folder::is_failing);
                if is_failing && !std::mem::replace(&mut self.is_wait_told, true) {
                    watcher.note(&format!(
                        "{}: the broker keeps what follows, and nothing of it is shown, until the log is written again",
                        self.address
                    ));
                }
                return;
            }
            // One that finds no room goes at the next turn.
            if broker.try_ack(publish).is_err() {
                return;
            }
            self.owed.pop_front();
        }
        self.is_wait_told = false;
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
        if *address == Address::Standard || !say(Message::Broken) {
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

#[cfg(test)]
mod tests {
    use std::time::Instant;

    use super::*;
    use crate::log::row::Row;
    use crate::log::utc;
    use crate::station::{News, Sensor, Station};
    use humtick::link::{self, MAX_LINE, Record};

    /// Hears notes.
    #[derive(Default)]
    struct Ear(Vec<String>);

    impl Watcher for Ear {
        fn news(&mut self, _: &Sensor, _: &Row, _: &News) {}

        fn note(&mut self, text: &str) {
            self.0.push(text.into());
        }
    }

    struct Nobody;

    impl Watcher for Nobody {
        fn news(&mut self, _: &Sensor, _: &Row, _: &News) {}

        fn note(&mut self, _: &str) {}
    }

    fn from(session: Option<&str>) -> From {
        let session = session.map(|name| name.parse().unwrap());
        let options = Options { from: Vec::new(), name: None, session, web: None };
        From::new(&"mqtt://broker/mains".parse().unwrap(), 0, &options, &mut 0)
    }

    fn published(below: &str, sequence: u16) -> Message {
        let record = Record {
            sequence,
            time_ms: u32::from(sequence) * 100,
            state: humtick::State::Locked,
            frequency: Some(humtick::Frequency::from_millihertz(50_000)),
            uncertainty: None,
            rocof: None,
            missed: 0,
            rejected: 0,
        };
        let topic = format!("mains/{below}");
        Message::Published(Publish::new(topic, QoS::AtLeastOnce, link::line(&record, &mut [0; MAX_LINE])))
    }

    /// A desk that has no log of the pump: there is a folder in its place.
    fn failing(folder: &std::path::Path) -> Desk {
        std::fs::create_dir(folder.join(format!("pump-{}.csv", utc::date_text(0)))).unwrap();
        let folder = Folder::open(folder).unwrap();
        let mut desk = Desk::new(Station::new(Default::default(), None, Instant::now()), Some(folder));
        desk.at(Instant::now(), 0);
        desk
    }

    /// While there is no room, what a broker keeps is left waiting, in order and not to be acknowledged, and taken when there is.
    #[test]
    fn what_a_broker_sends_again_waits_for_room() {
        const SENT: u16 = 20_000;
        for session in [Some("desk"), None] {
            let temp = tempfile::tempdir().unwrap();
            let in_the_way = temp.path().join(format!("pump-{}.csv", utc::date_text(0)));
            std::fs::create_dir(&in_the_way).unwrap();
            let now = Instant::now();
            let folder = Folder::open(temp.path()).unwrap();
            let mut desk = Desk::new(Station::new(Default::default(), None, now), Some(folder));
            let (mut from, mut ways) = (from(session), 0);
            desk.at(now, 0);
            for sequence in 0..SENT {
                from.take(published("pump", sequence), &mut ways, &mut desk, &mut Nobody);
                desk.flush(&mut Nobody);
            }
            assert_eq!(from.owed.len() + from.put_off.len(), usize::from(SENT));
            assert_eq!(from.put_off.is_empty(), session.is_none());
            from.go_on(&mut ways, &mut desk, &mut Nobody);
            assert_eq!(from.put_off.is_empty(), session.is_none());
            std::fs::remove_dir(&in_the_way).unwrap();
            desk.at(now + Duration::from_secs(2), 0);
            desk.flush(&mut Nobody);
            from.go_on(&mut ways, &mut desk, &mut Nobody);
            desk.flush(&mut Nobody);
            let (written, lost) = desk.folder().unwrap().counts();
            assert_eq!((written + lost, lost == 0), (u64::from(SENT), session.is_some()));
            assert_eq!(from.owed.len(), usize::from(SENT));
            let tally = desk.station().sensors().next().unwrap().1.tally;
            assert_eq!((tally.readings, tally.doubled, tally.late), (u64::from(SENT), 0, 0));
            assert_eq!((tally.lost, tally.restarts), (0, 0));
        }
    }

    /// What does not come again is not waited for: without a session, or at QoS 0, nothing piles up.
    #[test]
    fn what_does_not_come_again_is_not_owed() {
        let temp = tempfile::tempdir().unwrap();
        let mut desk = failing(temp.path());
        let (mut from, mut ways) = (from(Some("desk")), 0);
        for sequence in 0..20_000 {
            let Message::Published(mut publish) = published("pump", sequence) else { return };
            publish.qos = QoS::AtMostOnce;
            from.take(Message::Published(publish), &mut ways, &mut desk, &mut Nobody);
            desk.flush(&mut Nobody);
        }
        assert!(from.owed.is_empty() && from.put_off.is_empty());
    }

    /// While one sensor's lines wait for room, others' that do not come again are taken; a name among them changes nothing about that.
    #[test]
    fn what_waits_keeps_nothing_else_from_being_taken() {
        let temp = tempfile::tempdir().unwrap();
        let mut desk = failing(temp.path());
        let (mut from, mut ways) = (from(Some("desk")), 0);
        let named = Publish::new("mains/pump", QoS::AtLeastOnce, "name pump\r\n");
        from.take(Message::Published(named), &mut ways, &mut desk, &mut Nobody);
        for sequence in 0..20_000 {
            from.take(published("pump", sequence), &mut ways, &mut desk, &mut Nobody);
            desk.flush(&mut Nobody);
        }
        assert!(!from.put_off.is_empty());
        for sequence in 0..50 {
            let Message::Published(mut publish) = published("saw", sequence) else { return };
            publish.qos = QoS::AtMostOnce;
            from.take(Message::Published(publish), &mut ways, &mut desk, &mut Nobody);
        }
        let of = |(_, sensor): (_, &Sensor)| (sensor.name.to_string(), sensor.tally.readings);
        let sensors: Vec<_> = desk.station().sensors().map(of).collect();
        assert_eq!(sensors[1], ("saw".to_string(), 50));
        assert_eq!(desk.folder().unwrap().counts().1, 0);
    }

    /// What was owed to a connection, or waited for room, is nothing to the next: the broker sends it again, with other numbers.
    #[test]
    fn a_new_connection_owes_nothing() {
        let temp = tempfile::tempdir().unwrap();
        let mut desk = failing(temp.path());
        let (mut from, mut ways) = (from(Some("desk")), 0);
        for sequence in 0..20_000 {
            from.take(published("pump", sequence), &mut ways, &mut desk, &mut Nobody);
            desk.flush(&mut Nobody);
        }
        assert!(!from.owed.is_empty() && !from.put_off.is_empty());
        // Never polled: nothing is sent.
        let (client, _connection) = Client::new(rumqttc::MqttOptions::new("desk", "broker", 1_883), 10);
        from.take(Message::Broker(client), &mut ways, &mut desk, &mut Nobody);
        assert!(from.owed.is_empty() && from.put_off.is_empty());
    }

    /// That a relay has gone is said once, and so is its return; what a state is otherwise is the sensor's business.
    #[test]
    fn a_relay_that_goes_and_comes_is_told_once() {
        let mut desk = Desk::new(Station::new(Default::default(), None, Instant::now()), None);
        let (mut from, mut ways, mut ear) = (from(None), 0, Ear::default());
        for state in ["locked", "gone", "gone", "seeking", "locked", "gone"] {
            let publish = Publish::new("mains/pump/state", QoS::AtLeastOnce, state);
            from.take(Message::Published(publish), &mut ways, &mut desk, &mut ear);
        }
        let gone = "pump: its relay has gone";
        assert_eq!(ear.0, [gone, "pump: its relay is there again", gone]);
    }

    /// Topics that differ are sensors that differ, though their names become the same; topics without readings make room for those with.
    #[test]
    fn a_topic_is_a_sensor_if_there_are_readings_in_it() {
        let mut desk = Desk::new(Station::new(Default::default(), None, Instant::now()), None);
        let (mut from, mut ways) = (from(None), 0);
        for k in 0..MOST_SENSORS {
            let garbage = Publish::new(format!("mains/garbage{k}"), QoS::AtLeastOnce, "h1 what");
            from.take(Message::Published(garbage), &mut ways, &mut desk, &mut Nobody);
        }
        for below in ["a b", "a-b"] {
            for sequence in 0..3 {
                from.take(published(below, sequence), &mut ways, &mut desk, &mut Nobody);
            }
        }
        let of = |(_, sensor): (_, &Sensor)| (sensor.name.to_string(), sensor.tally.readings);
        let sensors: Vec<_> = desk.station().sensors().map(of).collect();
        assert_eq!(sensors, [("a-b".to_string(), 3), ("a-b-2".to_string(), 3)]);
    }
}
