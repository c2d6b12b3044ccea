//! Readings to a real broker: mosquitto, started here on a port of its own. Without it the test says so, and with `HUMTICK_BROKER=required`
//! that is a failure.

use std::io::Write;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use humtick::link::{Arrival, Decoder, Text};
use humtick_sim::wire::arrivals::Arrivals;
use rumqttc::{Client, Event, MqttOptions, Packet, QoS};

use super::mosquitto::Broker;
use super::port::Port;
use super::{Relay, Sensor, until};

/// What a subscriber has.
#[derive(Clone, Debug, Default)]
struct Got {
    arrivals: Arrivals,
    kept: Vec<u16>,
    again: u32,
    missing: u32,
    /// States as they came, and whether the broker had kept them.
    states: Vec<(String, bool)>,
}

/// Subscribes to everything below `mains` until the test is over, on a session that lasts.
fn subscriber(port: u16, id: &str) -> Arc<Mutex<Got>> {
    let mut options = MqttOptions::new(id, "127.0.0.1", port);
    options.set_clean_session(false).set_keep_alive(Duration::from_secs(5));
    let (client, mut connection) = Client::new(options, 100);
    let got = Arc::new(Mutex::new(Got::default()));
    let (ready, is_ready) = (Arc::new(AtomicBool::new(false)), Arc::clone(&got));
    let subscribed = Arc::clone(&ready);
    std::thread::spawn(move || {
        for event in connection.iter() {
            match event {
                Ok(Event::Incoming(Packet::ConnAck(_))) => {
                    client.try_subscribe("mains/#", QoS::AtLeastOnce).unwrap()
                }
                Ok(Event::Incoming(Packet::SubAck(_))) => subscribed.store(true, Ordering::Relaxed),
                Ok(Event::Incoming(Packet::Publish(publish))) => {
                    let mut got = is_ready.lock().unwrap();
                    if publish.topic == "mains/saw/state" {
                        let state = String::from_utf8(publish.payload.to_vec()).unwrap();
                        got.states.push((state, publish.retain));
                        continue;
                    }
                    assert_eq!(publish.topic, "mains/saw");
                    Decoder::<Text>::new().push(&publish.payload, |result| {
                        let record = result.unwrap();
                        match got.arrivals.take(&record) {
                            Arrival::Again | Arrival::Late => got.again += 1,
                            Arrival::After(missing) => {
                                got.missing += u32::from(missing);
                                got.kept.push(record.sequence);
                            }
                            Arrival::Next | Arrival::Restarted => got.kept.push(record.sequence),
                        }
                    });
                }
                Ok(_) => {}
                Err(_) => std::thread::sleep(Duration::from_millis(50)),
            }
        }
    });
    until(|| ready.load(Ordering::Relaxed), |ready| *ready);
    got
}

/// One relay, two subscribers, the broker restarted in the middle: nothing is lost at QoS 1.
#[test]
fn a_broker_that_is_restarted_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let port = Port::new();
    let Some(mut broker) = Broker::start(folder.path(), port.number()) else { return };
    let subscribers = ["one", "two"].map(|id| subscriber(broker.port, id));
    let to = format!("mqtt://127.0.0.1:{}/mains", broker.port);
    let mut relay = Relay::start(&["--from", "-", "--to", &to, "--name", "saw", "--linger", "60"]);
    let mut sensor = Sensor::new();
    let mut say = |relay: &mut Relay, lines: u32| {
        for _ in 0..lines {
            relay.input().write_all(&sensor.line()).unwrap();
            std::thread::sleep(Duration::from_millis(2));
        }
    };
    say(&mut relay, 500);
    until(|| subscribers[0].lock().unwrap().kept.len(), |kept| *kept > 100);
    broker.stop();
    say(&mut relay, 300);
    broker = Broker::start(folder.path(), port.number()).unwrap();
    say(&mut relay, 500);
    let (status, counters) = relay.drain();
    assert!(status == 0 && counters.contains("1300 lines taken"), "{counters}");
    assert!(counters.contains("1300 delivered, 0 waiting, 0 dropped"), "{counters}");
    for subscriber in &subscribers {
        until(|| subscriber.lock().unwrap().kept.len(), |kept| *kept == 1_300);
        let got = subscriber.lock().unwrap().clone();
        assert!(got.kept.iter().copied().eq(0..1_300) && got.missing == 0, "{got:?}");
    }
    // It left as it should: the state that is kept says so.
    let late = subscriber(broker.port, "late");
    let got = until(|| late.lock().unwrap().clone(), |got| !got.states.is_empty());
    assert_eq!((got.states, got.kept.len()), (vec![("gone".into(), true)], 0));
}

/// The state is retained, and when the relay is killed the broker says `gone` in its place.
#[cfg(unix)]
#[test]
fn a_killed_relay_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    let port = Port::new();
    let Some(broker) = Broker::start(folder.path(), port.number()) else { return };
    let to = format!("mqtt://127.0.0.1:{}/mains", broker.port);
    let mut relay = Relay::start(&["--from", "-", "--to", &to, "--name", "saw"]);
    let early = subscriber(broker.port, "early");
    relay.input().write_all(&Sensor::new().line()).unwrap();
    until(|| early.lock().unwrap().states.clone(), |states| *states == [("locked".into(), false)]);
    let late = subscriber(broker.port, "late");
    until(|| late.lock().unwrap().states.clone(), |states| *states == [("locked".into(), true)]);
    relay.signal("-KILL");
    let gone = |states: &Vec<(String, bool)>| states.last().is_some_and(|(state, _)| state == "gone");
    until(|| early.lock().unwrap().states.clone(), gone);
}
