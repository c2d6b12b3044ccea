//! From pretend sensors over a relay and a real broker to two listeners, the broker restarted in the middle. Without mosquitto the test says
//! so, and with `HUMTICK_BROKER=required` that is a failure.

mod listening;
mod mosquitto;
mod port;

use std::io::Write;
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use listening::{Listening, Sender, line, until};
use mosquitto::Broker;
use port::Port;

/// A process that is killed when the test is over.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        // It may have ended.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_broker_that_restarts_loses_nothing_for_either_listener() {
    let folder = tempfile::tempdir().unwrap();
    let (held, for_relay) = (Port::new(), Port::new());
    let (port, relayed) = (held.number(), for_relay.number());
    let Some(mut broker) = Broker::start(folder.path(), port) else { return };
    let topic = format!("mqtt://127.0.0.1:{port}/mains");
    let listen =
        |session: &str| Listening::start(&["--from", &topic, "--session", session, "--format", "csv"]);
    let listeners = [listen("desk"), listen("office")];
    let mut relay = Command::new(env!("CARGO_BIN_EXE_humtick"));
    relay.args(["relay", "--from", &format!("tcp-listen:{relayed}"), "--to", &topic]);
    let _relay = Running(relay.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap());
    until(|| TcpStream::connect(("127.0.0.1", relayed)).is_ok());
    let mut pump = Sender::new(&format!("127.0.0.1:{relayed}"), Some("pump"));
    // A subscription has no sign on the outside but that something comes.
    let mut sequence = 0u16;
    let mut send = |count: u16| {
        for _ in 0..count {
            pump.send(&line(sequence, u32::from(sequence) * 100, Some(50_000 + u32::from(sequence % 100))));
            sequence += 1;
            std::thread::sleep(Duration::from_millis(5));
        }
        sequence - 1
    };
    let has = |listener: &Listening, number: u16| {
        listener
            .out()
            .lines()
            .any(|line| line.starts_with("pump,") && line.contains(&format!(",{number},locked,")))
    };
    until(|| {
        let number = send(1);
        std::thread::sleep(Duration::from_millis(100));
        listeners.iter().all(|listener| has(listener, number))
    });
    let first = send(100) - 100;
    broker.stop();
    send(100);
    let _broker = Broker::start(folder.path(), port).unwrap();
    let last = send(100);
    for listener in &listeners {
        until(|| has(listener, last));
    }
    for listener in listeners {
        let output = listener.interrupt();
        let rows = output.out.lines().filter(|line| line.starts_with("pump,"));
        let mut numbers: Vec<u16> =
            rows.map(|line| line.split(',').nth(3).unwrap().parse().unwrap()).collect();
        numbers.sort_unstable();
        numbers.retain(|number| *number >= first);
        assert_eq!(numbers, (first..=last).collect::<Vec<_>>(), "{}", output.err);
    }
}

/// What is not in the log is not acknowledged: a listener that cannot write, and is killed, leaves it with the broker.
#[test]
fn what_could_not_be_written_comes_again() {
    let folder = tempfile::tempdir().unwrap();
    let held = Port::new();
    let port = held.number();
    let Some(_broker) = Broker::start(folder.path(), port) else { return };
    let topic = format!("mqtt://127.0.0.1:{port}/mains");
    let (lost, kept) = (folder.path().join("lost"), folder.path().join("kept"));
    let listen = |log: &Path| {
        Listening::start(&[
            "--from",
            &topic,
            "--session",
            "desk",
            "--log",
            log.to_str().unwrap(),
            "--format",
            "csv",
        ])
    };
    let rows = |log: &Path| -> usize {
        let Ok(entries) = std::fs::read_dir(log) else { return 0 };
        let text = entries.map(|entry| std::fs::read_to_string(entry.unwrap().path()).unwrap());
        text.map(|text| text.lines().filter(|line| line.contains(",locked,")).count()).sum()
    };
    let mut relay = Command::new(env!("CARGO_BIN_EXE_humtick"));
    relay.args(["relay", "--from", "-", "--name", "pump", "--to", &topic]);
    let mut relay =
        Running(relay.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap());
    let mut to = relay.0.stdin.take().unwrap();
    let mut listener = listen(&lost);
    let mut sent = 0u16;
    let mut send = |count: u16| {
        for _ in 0..count {
            to.write_all(&line(sent, u32::from(sent) * 100, Some(50_000))).unwrap();
            sent += 1;
        }
        sent
    };
    until(|| {
        send(1);
        std::thread::sleep(Duration::from_millis(100));
        rows(&lost) > 0
    });
    // Acknowledged in the same turn that wrote it; that takes no second.
    std::thread::sleep(Duration::from_secs(1));
    std::fs::remove_dir_all(&lost).unwrap();
    std::fs::write(&lost, "taken by another").unwrap();
    let last = send(100) - 1;
    // As many as a broker has on their way as a rule are shown; then it waits.
    until(|| listener.err().contains("the broker keeps what follows"));
    assert!(!listener.out().contains(&format!(",{last},locked,")));
    listener.kill();
    let _listener = listen(&kept);
    until(|| rows(&kept) >= 100);
    assert_eq!(rows(&kept), 100);
}

/// Without a session nothing would come again: readings are shown though the log cannot be written. And what somebody else publishes there,
/// however large and kept for whoever comes, keeps no reading from coming.
#[test]
fn without_a_session_a_listener_goes_on_showing() {
    let folder = tempfile::tempdir().unwrap();
    let held = Port::new();
    let Some(broker) = Broker::start(folder.path(), held.number()) else { return };
    let topic = format!("mqtt://127.0.0.1:{}/mains", broker.port);
    let mut options = rumqttc::MqttOptions::new("junk", "127.0.0.1", broker.port);
    options.set_max_packet_size(1 << 20, 1 << 20);
    let (client, mut connection) = rumqttc::Client::new(options, 10);
    client.publish("mains/junk", rumqttc::QoS::AtLeastOnce, true, vec![b'x'; 200_000]).unwrap();
    let is_there = |event: Result<rumqttc::Event, _>| {
        matches!(event, Ok(rumqttc::Event::Incoming(rumqttc::Packet::PubAck(_))))
    };
    assert!(connection.iter().any(is_there));
    let log = folder.path().join("log");
    let listener = Listening::start(&["--from", &topic, "--format", "csv", "--log", log.to_str().unwrap()]);
    let mut relay = Command::new(env!("CARGO_BIN_EXE_humtick"));
    relay.args(["relay", "--from", "-", "--name", "pump", "--to", &topic]);
    let mut relay =
        Running(relay.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap());
    let mut to = relay.0.stdin.take().unwrap();
    let mut sent = 0u16;
    let mut send = |count: u16| {
        for _ in 0..count {
            to.write_all(&line(sent, u32::from(sent) * 100, Some(50_000))).unwrap();
            sent += 1;
        }
        sent - 1
    };
    until(|| {
        let number = send(1);
        std::thread::sleep(Duration::from_millis(100));
        listener.out().contains(&format!(",{number},locked,"))
    });
    std::fs::remove_dir_all(&log).unwrap();
    std::fs::write(&log, "taken by another").unwrap();
    let last = send(500);
    until(|| listener.out().contains(&format!(",{last},locked,")));
    until(|| listener.err().contains("the log cannot be written"));
    std::fs::remove_file(&log).unwrap();
    until(|| listener.err().contains("the log is written again"));
    let output = listener.interrupt();
    assert!(output.err.contains("nothing was lost"), "{}", output.err);
}

/// Two sessions of one name at one broker would take each other's connection.
#[test]
fn a_session_is_one_broker_s() {
    let arguments = ["--session", "desk", "--from", "mqtt://broker/mains", "--from", "mqtt://broker/other"];
    let output = listening::piped(&arguments, b"");
    assert_eq!(output.code, Some(2));
    assert!(
        output.err.contains("mqtt://broker:1883/other is of a broker that has this session already"),
        "{}",
        output.err
    );
}
