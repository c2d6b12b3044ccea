//! A listener as a process of its own, and sensors to talk to it.

// Each test file uses its part.
#![allow(dead_code)]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use humtick::link::{self, MAX_LINE, Record};
use humtick::{Frequency, State};

/// Longer than anything here takes, even on a machine that is busy.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// Waits for something that comes about.
#[track_caller]
pub fn until(mut holds: impl FnMut() -> bool) {
    let began = Instant::now();
    while !holds() {
        assert!(began.elapsed() < PATIENCE, "it has not come about");
        thread::sleep(Duration::from_millis(10));
    }
}

/// A line of the link; without a frequency, of a sensor that is seeking.
pub fn line(sequence: u16, time_ms: u32, millihertz: Option<u32>) -> Vec<u8> {
    let record = Record {
        sequence,
        time_ms,
        state: if millihertz.is_some() { State::Locked } else { State::Seeking },
        frequency: millihertz.map(Frequency::from_millihertz),
        uncertainty: millihertz.map(|_| Frequency::from_nanohertz(400_000)),
        rocof: millihertz.map(|_| 1_000_000),
        missed: 0,
        rejected: 0,
    };
    link::line(&record, &mut [0; MAX_LINE]).to_vec()
}

/// Reads. A wait with a limit is interrupted where the whole machine was halted for a moment (signal(7)).
pub fn read(from: &mut impl Read, buffer: &mut [u8]) -> std::io::Result<usize> {
    loop {
        match from.read(buffer) {
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            other => return other,
        }
    }
}

/// A sensor's connection.
pub struct Sender(pub TcpStream);

impl Sender {
    pub fn new(at: &str, name: Option<&str>) -> Self {
        let mut stream = TcpStream::connect(at).unwrap();
        stream.set_nodelay(true).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        if let Some(name) = name {
            stream.write_all(format!("name {name}\r\n").as_bytes()).unwrap();
        }
        Self(stream)
    }

    pub fn send(&mut self, bytes: &[u8]) {
        self.0.write_all(bytes).unwrap();
    }
}

/// What a listener said, and how it ended.
pub struct Output {
    pub out: String,
    pub err: String,
    pub code: Option<i32>,
}

/// A listener with this input, to its end.
pub fn piped(arguments: &[&str], input: &[u8]) -> Output {
    let mut child = command(None, arguments).stdin(Stdio::piped()).spawn().unwrap();
    // One that refuses to start reads nothing.
    let _ = child.stdin.take().unwrap().write_all(input);
    let output = child.wait_with_output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    Output { out: text(output.stdout), err: text(output.stderr), code: output.status.code() }
}

fn command(script: Option<&str>, arguments: &[&str]) -> Command {
    let program = env!("CARGO_BIN_EXE_humtick");
    let mut command = match script {
        Some(script) => {
            let mut shell = Command::new("bash");
            shell.args(["-c", script, program]);
            shell
        }
        None => Command::new(program),
    };
    command.arg("listen").args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// A listener that runs; killed if it still does in the end.
pub struct Listening {
    child: Child,
    out: Arc<Mutex<String>>,
    err: Arc<Mutex<String>>,
    readers: Vec<thread::JoinHandle<()>>,
}

impl Drop for Listening {
    fn drop(&mut self) {
        // It may have ended.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Listening {
    pub fn start(arguments: &[&str]) -> Self {
        Self::run(None, arguments)
    }

    /// By a shell's script, in which "$0" "$@" is the listener.
    pub fn start_by(script: &str, arguments: &[&str]) -> Self {
        Self::run(Some(script), arguments)
    }

    fn run(script: Option<&str>, arguments: &[&str]) -> Self {
        let mut child = command(script, arguments).stdin(Stdio::null()).spawn().unwrap();
        let (out, err) = (Arc::default(), Arc::default());
        let readers = vec![
            keep(child.stdout.take().unwrap(), Arc::clone(&out)),
            keep(child.stderr.take().unwrap(), Arc::clone(&err)),
        ];
        Self { child, out, err, readers }
    }

    /// One whose output nobody takes, and which has an input.
    pub fn unread(arguments: &[&str]) -> Self {
        let mut child = command(None, arguments).stdin(Stdio::piped()).spawn().unwrap();
        let (out, err) = (Arc::default(), Arc::default());
        let readers = vec![keep(child.stderr.take().unwrap(), Arc::clone(&err))];
        Self { child, out, err, readers }
    }

    pub fn input(&mut self) -> ChildStdin {
        self.child.stdin.take().unwrap()
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Where it listens, behind `kind`: `127.0.0.1:7311`.
    pub fn at(&mut self, kind: &str) -> String {
        let place = format!("listening at {kind}");
        until(|| self.err().lines().any(|line| line.contains(&place)));
        let err = self.err();
        let at = err.lines().find_map(|line| line.split_once(&place)).unwrap().1;
        at.trim_end_matches('/').to_string()
    }

    pub fn out(&self) -> String {
        self.out.lock().unwrap().clone()
    }

    pub fn err(&self) -> String {
        self.err.lock().unwrap().clone()
    }

    /// Ctrl-C, and what it said in the end.
    pub fn interrupt(mut self) -> Output {
        let done = Command::new("kill").args(["-INT", &self.child.id().to_string()]).status().unwrap();
        assert!(done.success());
        let code = self.child.wait().unwrap().code();
        self.readers.drain(..).for_each(|reader| reader.join().unwrap());
        Output { out: self.out(), err: self.err(), code }
    }

    /// One that was [`unread`](Self::unread) and whose input has ended: what it said after all.
    pub fn end(mut self) -> Output {
        self.readers.push(keep(self.child.stdout.take().unwrap(), Arc::clone(&self.out)));
        let code = self.child.wait().unwrap().code();
        self.readers.drain(..).for_each(|reader| reader.join().unwrap());
        Output { out: self.out(), err: self.err(), code }
    }

    /// Without a chance to do anything.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

fn keep(from: impl Read + Send + 'static, to: Arc<Mutex<String>>) -> thread::JoinHandle<()> {
    thread::spawn(move || {
        let mut from = BufReader::new(from);
        let mut line = String::new();
        while from.read_line(&mut line).unwrap() > 0 {
            to.lock().unwrap().push_str(&line);
            line.clear();
        }
    })
}
