//! Readings to a broker: MQTT 3.1.1 (OASIS), QoS 1.
//!
//! Each sensor has a connection of its own and two topics:
//!
//! ```text
//! TOPIC/NAME         each line as it came, CR and LF included; not retained
//! TOPIC/NAME/state   retained: seeking, locked, coasting or lost as the last line had it; gone when the relay is (last will)
//! ```
//!
//! A broker acknowledges publications in their order (MQTT 3.1.1, 4.6), so that acknowledgements only need counting. After a loss
//! everything not acknowledged is published again on a new session; the client's own memory is not used.

use std::collections::VecDeque;
use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use humtick::State;
use humtick::link::{Format, Text};
use rumqttc::{Client, Connection, Event, LastWill, MqttOptions, NetworkOptions, Packet, QoS};

use super::lane::{Lane, Proof};
use super::line::Line;
use crate::wire::address::Host;
use crate::wire::broker::{GONE, plainly};

/// Publications on their way at once.
const AHEAD: u16 = 100;

pub(super) struct Out {
    client: Client,
    topic: String,
    state: Option<State>,
    /// For each publication not acknowledged yet, whether it is a line.
    lines: Arc<Mutex<VecDeque<bool>>>,
}

impl Out {
    /// Connects, and takes the broker's words from then on.
    pub fn open(lane: &Arc<Lane>, broker: &Host, below: &str) -> io::Result<Self> {
        let topic = format!("{below}/{}", lane.name);
        let mut options = MqttOptions::new(client(&topic), &broker.name, broker.port);
        options.set_keep_alive(Duration::from_secs(5));
        options.set_clean_session(true);
        options.set_inflight(AHEAD);
        options.set_last_will(LastWill::new(format!("{topic}/state"), GONE, QoS::AtLeastOnce, true));
        let (client, mut connection) = Client::new(options, AHEAD.into());
        let mut network = NetworkOptions::new();
        network.set_connection_timeout(5);
        network.set_tcp_nodelay(true);
        connection.eventloop.set_network_options(network);
        match connection.recv() {
            Ok(Ok(Event::Incoming(Packet::ConnAck(_)))) => {}
            Ok(Ok(_)) => return Err(io::Error::other("the broker did not answer as one")),
            Ok(Err(e)) => return Err(io::Error::other(plainly(&e))),
            Err(_) => return Err(io::Error::other("the connection was given up")),
        }
        let number = lane.connect(Proof::Told);
        let lines = Arc::new(Mutex::new(VecDeque::new()));
        let (hears, sent) = (Arc::clone(lane), Arc::clone(&lines));
        std::thread::spawn(move || hear(&hears, number, connection, &sent));
        Ok(Self { client, topic, state: None, lines })
    }

    /// Publishes a line, and the state if it has changed.
    pub fn send(&mut self, line: &Line) -> io::Result<()> {
        self.publish(true, self.topic.clone(), line.bytes())?;
        let text = line.bytes().trim_ascii_end();
        // Only lines that decode are ever kept.
        if let Ok(record) = Text::decode(text)
            && self.state.replace(record.state) != Some(record.state)
        {
            self.publish(false, format!("{}/state", self.topic), name(record.state).as_bytes())?;
        }
        Ok(())
    }

    fn publish(&self, is_line: bool, topic: String, payload: &[u8]) -> io::Result<()> {
        self.lines.lock().unwrap_or_else(PoisonError::into_inner).push_back(is_line);
        // Waits while as many as may be are on their way; fails when the thread that hears has ended.
        self.client.publish(topic, QoS::AtLeastOnce, !is_line, payload).map_err(io::Error::other)
    }

    /// Leaves as it should: the will is not needed then, and is done here.
    pub fn close(&self) {
        // Where the connection is lost the broker executes the will.
        let _ = self.publish(false, format!("{}/state", self.topic), GONE.as_bytes());
        let _ = self.client.disconnect();
        // What was asked for is sent by the thread that hears, which ends with the connection and lets go of its end of this.
        for _ in 0..100 {
            if Arc::strong_count(&self.lines) == 1 {
                break;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

fn hear(lane: &Lane, number: u64, mut connection: Connection, sent: &Mutex<VecDeque<bool>>) {
    let why = loop {
        match connection.recv() {
            Ok(Ok(Event::Incoming(Packet::PubAck(_)))) => {
                let is_line = sent.lock().unwrap_or_else(PoisonError::into_inner).pop_front();
                if is_line == Some(true) {
                    lane.told_one(number);
                }
            }
            Ok(Ok(_)) => {}
            Ok(Err(e)) => break plainly(&e),
            Err(_) => break "the connection was given up".into(),
        }
    };
    lane.broke(number, Err(why));
}

const fn name(state: State) -> &'static str {
    match state {
        State::Seeking => "seeking",
        State::Locked => "locked",
        State::Coasting => "coasting",
        State::Lost => "lost",
    }
}

/// A client identifier that every broker must take: letters and figures, at most 23 (MQTT 3.1.1, 3.1.3.1). One topic, one identifier, so that
/// a relay that starts again takes the place of the connection it has left behind. FNV-1a, 64 bits.
fn client(topic: &str) -> String {
    let mix = |hash: u64, byte: u8| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3);
    format!("humtick{:016x}", topic.bytes().fold(0xCBF2_9CE4_8422_2325, mix))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identifiers_fit_every_broker() {
        let id = client("mains/cold-store");
        assert!(id.len() <= 23 && id.bytes().all(|b| b.is_ascii_alphanumeric()), "{id}");
        assert_ne!(id, client("mains/cold-storf"));
        // The hash's published value of "a".
        assert_eq!(client("a"), "humtickaf63dc4c8601ec8c");
    }
}
