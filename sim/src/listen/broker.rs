//! Readings from a broker: MQTT 3.1.1 (OASIS), QoS 1, as `humtick relay` publishes them.
//!
//! ```text
//! TOPIC/NAME         lines; NAME is the sensor's
//! TOPIC/NAME/state   retained; "gone" when the sensor's relay is
//! ```

use std::hash::{BuildHasher, RandomState};
use std::time::Duration;

use rumqttc::{Client, ConnectReturnCode, Event, MqttOptions, Packet, Publish, QoS};

use super::message::Message;
use crate::wire::address::{Address, Host};
use crate::wire::broker::{GONE, LARGEST, plainly};
use crate::wire::greeting::Name;

/// From one try to connect to the next.
const AGAIN: Duration = Duration::from_secs(1);

/// Requests of ours on their way: two subscriptions, and acknowledgements.
const REQUESTS: usize = 1_000;

/// Reads what is published below `topic` until nobody hears it any more. With a `session` the broker keeps for it what comes while it is
/// away; without one, it begins anew with each connection. What is published is acknowledged by whoever hears of it, once it is kept.
pub fn read(
    address: &Address,
    broker: &Host,
    topic: &str,
    session: Option<&Name>,
    say: &impl Fn(Message) -> bool,
) {
    // Below the 23 characters that every broker takes (MQTT 3.1.1, 3.1.3.1), and no other listener's, wherever that may run.
    let own = || format!("humtick{:016x}", RandomState::new().hash_one(0));
    let id = session.map_or_else(own, |name| name.as_str().to_string());
    let mut options = MqttOptions::new(id, &broker.name, broker.port);
    options.set_max_packet_size(LARGEST, LARGEST);
    options.set_keep_alive(Duration::from_secs(5));
    options.set_clean_session(session.is_none());
    options.set_manual_acks(true);
    let (client, mut connection) = Client::new(options, REQUESTS);
    let mut is_told = false;
    for event in connection.iter() {
        match event {
            Ok(Event::Incoming(Packet::ConnAck(answer))) if answer.code == ConnectReturnCode::Success => {
                // A session may have been forgotten; once more does no harm.
                for filter in [format!("{topic}/+"), format!("{topic}/+/state")] {
                    // Fails only where the connection is being given up, which the next event says.
                    let _ = client.try_subscribe(filter, QoS::AtLeastOnce);
                }
                if !say(Message::Broker(client.clone())) {
                    return;
                }
                if std::mem::take(&mut is_told) && !say(Message::Note(format!("{address}: is there again"))) {
                    return;
                }
            }
            Ok(Event::Incoming(Packet::Publish(publish))) => {
                if !say(Message::Published(publish)) {
                    return;
                }
            }
            Ok(_) => {}
            Err(error) => {
                let error = plainly(&error);
                if !std::mem::replace(&mut is_told, true)
                    && !say(Message::Note(format!("{address}: {error}: tried again every second")))
                {
                    return;
                }
                std::thread::sleep(AGAIN);
            }
        }
    }
}

/// What is published below a topic, and by what level of it the sensor goes.
pub enum Said<'a> {
    /// A line of this sensor.
    Line(&'a str),
    /// Whether the relay of this sensor has gone.
    State { below: &'a str, is_gone: bool },
}

/// What `publish` is, if it is anything of ours.
pub fn said<'a>(topic: &str, publish: &'a Publish) -> Option<Said<'a>> {
    let below = publish.topic.strip_prefix(topic)?.strip_prefix('/')?;
    match below.split_once('/') {
        None => Some(Said::Line(below)),
        Some((below, "state")) => {
            Some(Said::State { below, is_gone: publish.payload.as_ref() == GONE.as_bytes() })
        }
        Some(_) => None,
    }
}
