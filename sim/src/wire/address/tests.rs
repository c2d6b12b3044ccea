use proptest::prelude::*;

use super::*;

#[track_caller]
fn reads(text: &str, written: &str) -> Address {
    let address: Address = text.parse().unwrap();
    assert_eq!(address.to_string(), written);
    address
}

#[track_caller]
fn refused(text: &str, why: &str) {
    let said = text.parse::<Address>().unwrap_err().to_string();
    assert!(said.starts_with(&format!("{text:?}: ")) && said.contains(why), "{said}");
}

#[test]
fn every_form() {
    let host = |name: &str, port| Host { name: name.into(), port };
    assert_eq!(reads("-", "-"), Address::Standard);
    assert_eq!(
        reads("tcp://pump-house:7311", "tcp://pump-house:7311"),
        Address::Tcp(host("pump-house", 7_311))
    );
    assert_eq!(reads("tcp://[::1]:1", "tcp://[::1]:1"), Address::Tcp(host("::1", 1)));
    assert_eq!(reads("udp://10.0.0.9:7311", "udp://10.0.0.9:7311"), Address::UdpTo(host("10.0.0.9", 7_311)));
    // Without an address nobody else gets in.
    assert_eq!(
        reads("tcp-listen:7311", "tcp-listen:127.0.0.1:7311"),
        Address::TcpListen(([127, 0, 0, 1], 7_311).into())
    );
    assert_eq!(reads("udp:0.0.0.0:0", "udp:0.0.0.0:0"), Address::Udp(([0, 0, 0, 0], 0).into()));
    reads("tcp-listen:[::]:80", "tcp-listen:[::]:80");
    let port = |path: &str, baud| Address::Serial { path: path.into(), baud };
    assert_eq!(reads("serial:/dev/ttyUSB0", "serial:/dev/ttyUSB0@115200"), port("/dev/ttyUSB0", BAUD));
    assert_eq!(reads("serial:/dev/usb@2@9600", "serial:/dev/usb@2@9600"), port("/dev/usb@2", 9_600));
    assert_eq!(reads("serial:/dev/usb@a", "serial:/dev/usb@a@115200"), port("/dev/usb@a", BAUD));
    assert_eq!(reads("pty", "pty"), Address::Pty { link: None });
    assert_eq!(reads("pty:a/b", "pty:a/b"), Address::Pty { link: Some("a/b".into()) });
    let mqtt = Address::Mqtt { broker: host("cold-store", 1_883), topic: "mains/village".into() };
    assert_eq!(reads("mqtt://cold-store/mains/village", "mqtt://cold-store:1883/mains/village"), mqtt);
    reads("mqtt://[::1]/mains", "mqtt://[::1]:1883/mains");
}

#[test]
fn what_cannot_be_meant_is_told() {
    for text in ["", "tcp", "tcp:1", "http://a:1", "COM3", "pump-house:7311"] {
        refused(text, "expected one of\ntcp://HOST:PORT");
    }
    for text in ["tcp://", "tcp://:1", "tcp://a b:1", "udp://a/b:1"] {
        refused(text, "name or address of a machine");
    }
    for text in ["tcp://a", "tcp://a:0", "tcp://a:65536", "tcp://::1:1", "udp://a:x"] {
        refused(text, "a port");
    }
    refused("tcp://[::1:1", "]");
    refused("tcp://[::1]1", "behind ]");
    refused("tcp://[1.2.3.4]:1", "version 6");
    for text in ["tcp-listen:", "udp:65536", "udp:localhost:1", "tcp-listen:::1:80"] {
        refused(text, "0.0.0.0 is all");
    }
    refused("serial:", "path");
    refused("serial:/dev/a@49", "50 to 4000000");
    refused("serial:/dev/a@99999999999", "50 to 4000000");
    refused("pty:", "path");
    for text in
        ["mqtt://a", "mqtt://a/", "mqtt://a//b", "mqtt://a/b/", "mqtt://a/+", "mqtt://a/b#", "mqtt://a/$SYS"]
    {
        refused(text, "topic");
    }
}

proptest! {
    /// Nothing panics, and what is read is read the same as it writes itself.
    #[test]
    fn any_text(text in "(tcp|udp|mqtt|serial|pty|tcp-listen)?(://|:)?[\\PC]{0,30}") {
        if let Ok(address) = text.parse::<Address>() {
            prop_assert_eq!(address.to_string().parse::<Address>(), Ok(address));
        }
    }
}
