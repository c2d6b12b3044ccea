//! `humtick standin` as a far end meets it.

mod port;

use std::io::{BufRead, BufReader, Read};
use std::net::{TcpListener, UdpSocket};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use humtick::link::{Arrival, Compact, Decoder, Sequence, Text};
use port::Port;

fn standin(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_humtick"));
    command.arg("standin").args(arguments).stdin(Stdio::null());
    command
}

/// What a far end makes of bytes: records, refused lines, and how the records follow one another.
fn received(bytes: &[u8]) -> (u32, u32, Vec<Arrival>) {
    let (mut decoder, mut sequence, mut arrivals) = (Decoder::<Text>::new(), Sequence::new(), Vec::new());
    decoder.push(bytes, |result| arrivals.extend(result.ok().map(|record| sequence.take(&record))));
    let counts = decoder.counts();
    (counts.records, counts.form + counts.checksum + counts.version + counts.oversize, arrivals)
}

#[track_caller]
fn number_before(said: &str, what: &str) -> u32 {
    let words: Vec<&str> = said.split([' ', ',', ';', '\n']).filter(|word| !word.is_empty()).collect();
    let of: Vec<&str> = what.split(' ').collect();
    let at = words.windows(of.len()).position(|w| w == of).unwrap_or_else(|| panic!("{what:?} in {said:?}"));
    words[at - 1].parse().unwrap()
}

#[test]
fn a_clean_line_in_a_pipe_in_real_time() {
    let began = Instant::now();
    let output = standin(&["hydro-by-day", "--duration", "5", "--speed", "5"]).output().unwrap();
    assert!(output.status.success());
    assert!(began.elapsed() > Duration::from_millis(900), "{:?}", began.elapsed());
    let (records, refused, arrivals) = received(&output.stdout);
    assert!((45..=51).contains(&records), "{records}");
    assert_eq!(refused, 0);
    assert!(arrivals.iter().all(|a| *a == Arrival::Next));
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(said, format!("{records} readings; {records} lines sent, 0 lost since nobody took them\n"));
}

/// The far end counts what the sensor says it has done.
#[test]
fn faults_are_done_as_counted() {
    let faults = ["--drop", "0.05", "--double", "0.05", "--corrupt", "0.05", "--reorder", "0.05"];
    let arguments = [["hydro-by-day", "--duration", "120", "--speed", "1000"].as_slice(), &faults].concat();
    let output = standin(&arguments).output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    let (readings, dropped) = (number_before(&said, "readings"), number_before(&said, "dropped"));
    let (doubled, damaged) = (number_before(&said, "doubled"), number_before(&said, "damaged"));
    assert!([dropped, doubled, damaged].iter().all(|n| (30..100).contains(n)), "{said}");
    assert_eq!(number_before(&said, "lines sent"), readings - dropped + doubled);
    let (records, refused, arrivals) = received(&output.stdout);
    // A damaged line that is doubled counts twice, a damaged delimiter costs the line behind it too.
    assert!((damaged..=damaged * 5 / 2).contains(&refused), "{refused}, {said}");
    assert!(records + refused <= readings - dropped + doubled);
    let again = arrivals.iter().filter(|a| **a == Arrival::Again).count() as u32;
    assert!((doubled / 2..=doubled).contains(&again), "{again}, {said}");
    let late = arrivals.iter().filter(|a| **a == Arrival::Late).count() as u32;
    let reordered = number_before(&said, "sent after the next");
    assert!((reordered / 2..=reordered * 3 / 2).contains(&late), "{late}, {said}");
    // The same again: one seed, one way of things.
    assert_eq!(standin(&arguments).output().unwrap().stdout, output.stdout);
}

/// More sensors than a program has handles as a rule.
#[cfg(unix)]
#[test]
fn many_ask_for_the_handles_that_they_need() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let to = format!("tcp://{}", listener.local_addr().unwrap());
    // Taken as long as the test lasts; whoever comes before is not waited for.
    let taking = std::thread::spawn(move || {
        let streams: Vec<_> = listener.incoming().take(200).map(Result::unwrap).collect();
        for mut stream in streams {
            stream.read_to_end(&mut Vec::new()).unwrap();
        }
    });
    let output = Command::new("bash")
        .args(["-c", "ulimit -S -n 64; exec \"$0\" \"$@\"", env!("CARGO_BIN_EXE_humtick"), "standin"])
        .args(["hydro-by-day", "--duration", "2", "--sensors", "200", "--to", &to])
        .output()
        .unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(said.contains(" lines sent, 0 lost") && !said.contains("trying again"), "{said}");
    taking.join().unwrap();
}

/// Frames say what lines say, with the same faults, and a name ahead of them ends as they do.
#[test]
fn frames_are_what_lines_are() {
    let faults = ["--drop", "0.05", "--double", "0.05", "--corrupt", "0.05", "--reorder", "0.05", "--frames"];
    let arguments = [["hydro-by-day", "--duration", "120", "--speed", "1000"].as_slice(), &faults].concat();
    let output = standin(&arguments).output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    let (readings, dropped) = (number_before(&said, "readings"), number_before(&said, "dropped"));
    let (doubled, damaged) = (number_before(&said, "doubled"), number_before(&said, "damaged"));
    assert_eq!(number_before(&said, "frames sent"), readings - dropped + doubled);
    let mut decoder = Decoder::<Compact>::new();
    decoder.push(&output.stdout, |_| ());
    let counts = decoder.counts();
    let refused = counts.form + counts.checksum + counts.version + counts.oversize;
    assert!((damaged..=damaged * 5 / 2).contains(&refused), "{refused}, {said}");
    assert!(counts.records >= readings - dropped - 3 * damaged, "{counts:?}, {said}");
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let to = format!("tcp://{}", listener.local_addr().unwrap());
    let mut child = standin(&[
        "hydro-by-day",
        "--to",
        &to,
        "--duration",
        "3",
        "--speed",
        "10",
        "--name",
        "saw",
        "--frames",
    ])
    .stderr(Stdio::null())
    .spawn()
    .unwrap();
    let mut bytes = Vec::new();
    listener.accept().unwrap().0.read_to_end(&mut bytes).unwrap();
    child.wait().unwrap();
    assert!(bytes.starts_with(b"name saw\0"));
    let (mut decoder, mut sequence) = (Decoder::<Compact>::new(), Sequence::new());
    decoder.push(&bytes[9..], |result| assert_eq!(sequence.take(&result.unwrap()), Arrival::Next));
    assert!(decoder.counts().records > 20);
}

#[test]
fn each_of_several_has_a_connection_and_a_name() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let to = format!("tcp://{}", listener.local_addr().unwrap());
    let child = standin(&["hydro-by-day", "--to", &to, "--duration", "6", "--speed", "10", "--sensors", "5"])
        .args(["--late", "2", "--name", "cold-store", "--clock-spread", "40"])
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut names = Vec::new();
    let mut all = 0;
    for _ in 0..5 {
        let mut reader = BufReader::new(listener.accept().unwrap().0);
        let mut name = String::new();
        reader.read_line(&mut name).unwrap();
        names.push(name);
        let mut bytes = Vec::new();
        reader.read_to_end(&mut bytes).unwrap();
        let (records, refused, arrivals) = received(&bytes);
        assert!(refused == 0 && (55..=61).contains(&records) && arrivals.iter().all(|a| *a == Arrival::Next));
        all += records;
    }
    names.sort();
    assert_eq!(names, [1, 2, 3, 4, 5].map(|n| format!("name cold-store-{n}\r\n")));
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(number_before(&said, "lines sent"), all, "{said}");
}

/// What is lost while nobody listens is counted, and the rest arrives when somebody does.
#[test]
fn a_far_end_that_comes_late_gets_what_is_left() {
    let port = Port::new();
    let child = standin(&["hydro-by-day", "--duration", "40", "--speed", "10", "--nameless", "--to"])
        .arg(format!("tcp://{}", port.at()))
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    std::thread::sleep(Duration::from_millis(500));
    let listener = TcpListener::bind(port.at()).unwrap();
    let mut bytes = Vec::new();
    listener.accept().unwrap().0.read_to_end(&mut bytes).unwrap();
    let said = String::from_utf8(child.wait_with_output().unwrap().stderr).unwrap();
    let (records, refused, arrivals) = received(&bytes);
    assert_eq!(refused, 0);
    assert!(arrivals.iter().all(|a| *a == Arrival::Next));
    assert_eq!(number_before(&said, "lines sent"), records, "{said}");
    assert!(number_before(&said, "lost") > 0, "{said}");
    assert!(said.contains("trying again every second") && said.contains("connected to tcp://"), "{said}");
}

#[test]
fn datagrams_hold_a_line_each() {
    let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
    socket.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    let to = format!("udp://{}", socket.local_addr().unwrap());
    let mut child =
        standin(&["hydro-by-day", "--to", &to, "--duration", "3", "--speed", "10"]).spawn().unwrap();
    let mut bytes = [0; 512];
    for _ in 0..20 {
        let len = socket.recv(&mut bytes).unwrap();
        assert_eq!(received(&bytes[..len]).0, 1);
    }
    assert!(child.wait().unwrap().success());
}

#[cfg(unix)]
#[test]
fn a_pseudo_terminal_is_read_like_a_serial_port() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("sensor");
    let mut child = standin(&["hydro-by-day", "--duration", "30", "--speed", "10", "--to"])
        .arg(format!("pty:{}", link.display()))
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(child.stderr.take().unwrap());
    let mut line = String::new();
    said.read_line(&mut line).unwrap();
    assert!(line.starts_with("the sensor is at /dev/"), "{line}");
    let mut port = humtick_sim::wire::terminal::serial(&link, 115_200).unwrap();
    let mut bytes = vec![0; 4_000];
    port.read_exact(&mut bytes).unwrap();
    let (records, refused, _) = received(&bytes);
    assert!(records > 50 && refused <= 1, "{records}, {refused}");
    child.kill().unwrap();
    child.wait().unwrap();
}

#[test]
fn what_cannot_be_is_told() {
    for (arguments, why) in [
        (["--to", "tcp-listen:0", "--speed", "1"], "a sensor sends to"),
        (["--to", "-", "--sensors", "2"], "room for one sensor"),
        (["--to", "tcp://localhost", "--speed", "1"], "a port, 1 to 65535"),
        (["--to", "-", "--speed", "0"], "0.001 to 1000000"),
        (["--to", "-", "--drop", "1.5"], "0 to 1"),
        (["--to", "serial:/dev/none", "--speed", "1"], "serial:/dev/none@115200: "),
    ] {
        let output = standin(&["hydro-by-day"]).args(arguments).output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert!(output.status.code() == Some(2) && said.contains(why), "{said}");
    }
}
