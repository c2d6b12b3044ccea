//! The page of `humtick listen --web`: what a browser is sent, and who may ask.

mod listening;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use listening::{Listening, Sender, line, until};
use serde_json::Value;

fn ask(at: &str, request: &str) -> TcpStream {
    let mut stream = TcpStream::connect(at).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    stream.write_all(request.as_bytes()).unwrap();
    stream
}

fn get(at: &str, path: &str) -> String {
    let mut text = String::new();
    ask(at, &format!("GET {path} HTTP/1.1\r\nHost: {at}\r\n\r\n")).read_to_string(&mut text).unwrap();
    text
}

/// The next event's name and what it says.
fn event(from: &mut impl BufRead) -> (String, Value) {
    let mut name = String::new();
    for text in from.lines().map(Result::unwrap) {
        if let Some(of) = text.strip_prefix("event: ") {
            name = of.into();
        } else if let Some(data) = text.strip_prefix("data: ") {
            return (name, serde_json::from_str(data).unwrap());
        }
    }
    panic!("the events ended");
}

#[test]
fn events_follow_what_sensors_say() {
    let arguments = ["--from", "tcp-listen:0", "--web", "0", "--limits", "49.8..50.2", "--format", "csv"];
    let mut listening = Listening::start(&arguments);
    let (at, page) = (listening.at("tcp-listen:"), listening.at("http://"));
    assert!(page.starts_with("127.0.0.1:"), "{page}");
    let mut pump = Sender::new(&at, Some("pump"));
    // No name at all: it is called after its address, and what it wanted to be called is nowhere.
    let mut hostile = Sender::new(&at, Some("</script><img src=x onerror=alert(1)>"));
    pump.send(&line(1, 100, Some(50_010)));
    hostile.send(&line(1, 100, Some(49_700)));
    until(|| listening.out().matches(",locked,").count() == 2);
    let mut events = BufReader::new(ask(&page, &format!("GET /events HTTP/1.1\r\nHost: {page}\r\n\r\n")));
    let (name, all) = event(&mut events);
    assert_eq!(name, "all");
    let of = |state: &Value, name: &str| {
        state["sensors"].as_array().unwrap().iter().find(|s| s["name"] == name).unwrap().clone()
    };
    assert_eq!(of(&all, "pump")["hz"], 50.01);
    assert_eq!((&of(&all, "127.0.0.1")["outside"], &all["outside"]), (&true.into(), &1.into()));
    assert!(!all.to_string().contains("onerror"));
    pump.send(&line(3, 300, Some(50_020)));
    let mut latest = all;
    while of(&latest, "pump")["hz"] != 50.02 {
        latest = event(&mut events).1;
    }
    assert_eq!((&of(&latest, "pump")["lost"], &of(&latest, "pump")["readings"]), (&1.into(), &2.into()));
    assert_eq!(latest["headlines"][0]["text"], "1 reading missing");
    for (path, part) in
        [("/", "/page.js"), ("/page.css", "prefers-color-scheme"), ("/page.js", "EventSource")]
    {
        let text = get(&page, path);
        assert!(text.starts_with("HTTP/1.1 200 OK\r\n") && text.contains(part), "{path}");
        assert!(text.contains("default-src 'none'"));
    }
    assert!(get(&page, "/../Cargo.toml").starts_with("HTTP/1.1 404"));
    let mut answer = String::new();
    let post = format!("POST / HTTP/1.1\r\nHost: {page}\r\nContent-Length: 0\r\n\r\n");
    ask(&page, &post).read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 405"), "{answer}");
    let output = listening.interrupt();
    assert_eq!(output.code, Some(0));
}

/// Readers that never ask, ask for too much, or take nothing: sensors are heard and others served all the same.
#[test]
fn bad_readers_harm_nobody() {
    let mut listening = Listening::start(&["--from", "tcp-listen:0", "--web", "0", "--format", "csv"]);
    let (at, page) = (listening.at("tcp-listen:"), listening.at("http://"));
    let _silent: Vec<_> = (0..200).map(|_| TcpStream::connect(&page).unwrap()).collect();
    let _deaf: Vec<_> =
        (0..20).map(|_| ask(&page, &format!("GET /events HTTP/1.1\r\nHost: {page}\r\n\r\n"))).collect();
    let mut endless = ask(&page, "GET / HTTP/1.1\r\n");
    for _ in 0..1_000 {
        if endless.write_all(&[b'a'; 1_000]).is_err() {
            break;
        }
    }
    let mut pump = Sender::new(&at, Some("pump"));
    for sequence in 0..50 {
        pump.send(&line(sequence, u32::from(sequence) * 100, Some(50_000)));
    }
    until(|| listening.out().matches("pump,").count() == 50);
    assert!(get(&page, "/").contains("</html>"));
    listening.interrupt();
}

/// One that has its answer and talks on is let go: reading all of it would be time that sensors need.
#[test]
fn a_reader_that_talks_on_is_let_go() {
    let mut listening = Listening::start(&["--from", "tcp-listen:0", "--web", "0", "--format", "csv"]);
    let page = listening.at("http://");
    let mut endless = ask(&page, &format!("GET /events HTTP/1.1\r\nHost: {page}\r\n\r\n"));
    endless.set_write_timeout(Some(Duration::from_secs(30))).unwrap();
    let taken = (0..1_000).take_while(|_| endless.write_all(&[b'a'; 100_000]).is_ok()).count();
    assert!(taken < 1_000, "all was taken");
    assert!(get(&page, "/").contains("</html>"));
    listening.interrupt();
}
