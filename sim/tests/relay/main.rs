//! `humtick relay` between a sensor and a far end that are made up here.

#[path = "../../../tests/avr/board.rs"]
#[allow(dead_code, reason = "costs and their budgets are held elsewhere")]
mod board;
mod broker;
mod end_to_end;
mod far_end;
mod faults;
#[path = "../listening/mod.rs"]
mod listening;
#[path = "../mosquitto/mod.rs"]
mod mosquitto;
mod passing;
#[path = "../port/mod.rs"]
mod port;
#[path = "../../../tests/avr/pulses.rs"]
mod pulses;
mod room;
#[path = "../../../tests/avr/twin.rs"]
mod twin;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Child, ChildStderr, Command, Stdio};
use std::time::{Duration, Instant};

use humtick::link::{MAX_LINE, Record, line, next};
use humtick::{Frequency, State};

/// Longer than anything here takes, on however slow a machine.
const PATIENCE: Duration = Duration::from_secs(90);

/// A relay that is killed when the test is over, however it ends.
struct Relay {
    child: Child,
    said: BufReader<ChildStderr>,
}

impl Relay {
    fn start(arguments: &[&str]) -> Self {
        Self::run(Command::new(env!("CARGO_BIN_EXE_humtick")), arguments)
    }

    /// By a shell's script, in which "$0" "$@" is the relay.
    #[cfg(target_os = "linux")]
    fn start_by(script: &str, arguments: &[&str]) -> Self {
        let mut shell = Command::new("bash");
        shell.args(["-c", script, env!("CARGO_BIN_EXE_humtick")]);
        Self::run(shell, arguments)
    }

    fn run(mut command: Command, arguments: &[&str]) -> Self {
        let mut child = command
            .arg("relay")
            .args(arguments)
            .args(["--retry-most", "1"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let said = BufReader::new(child.stderr.take().unwrap());
        Self { child, said }
    }

    /// One that takes connections, and where.
    fn listening(arguments: &[&str]) -> (Self, SocketAddr) {
        let mut relay = Self::start(&[["--from", "tcp-listen:0"].as_slice(), arguments].concat());
        let said = relay.says("listening at ");
        let address = said.strip_prefix("listening at ").unwrap().trim().parse().unwrap();
        (relay, address)
    }

    /// The next thing it says that contains `what`.
    #[track_caller]
    fn says(&mut self, what: &str) -> String {
        let mut all = String::new();
        loop {
            let mut said = String::new();
            let len = self.said.read_line(&mut said).unwrap();
            assert!(len > 0, "it ended without {what:?}: {all}");
            if said.contains(what) {
                return said;
            }
            all += &said;
        }
    }

    fn input(&mut self) -> &mut impl Write {
        self.child.stdin.as_mut().unwrap()
    }

    /// Ends it as its user would, or by the end of its input; exit status, and what it said last.
    fn end(mut self) -> (i32, String) {
        drop(self.child.stdin.take());
        self.signal("-TERM");
        let mut said = String::new();
        self.said.read_to_string(&mut said).unwrap();
        (self.child.wait().unwrap().code().unwrap(), said)
    }

    /// The same without a signal: the input ends.
    fn drain(mut self) -> (i32, String) {
        drop(self.child.stdin.take());
        let mut said = String::new();
        self.said.read_to_string(&mut said).unwrap();
        (self.child.wait().unwrap().code().unwrap(), said)
    }

    fn signal(&self, signal: &str) {
        // One that has ended meanwhile needs none.
        let _ = Command::new("kill").args([signal, &self.child.id().to_string()]).status();
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A sensor that numbers what it says.
struct Sensor {
    sequence: Option<u16>,
}

impl Sensor {
    const fn new() -> Self {
        Self { sequence: None }
    }

    fn line(&mut self) -> Vec<u8> {
        let sequence = self.sequence.map_or(0, next);
        self.sequence = Some(sequence);
        let record = Record {
            sequence,
            time_ms: u32::from(sequence) * 10,
            state: State::Locked,
            frequency: Some(Frequency::from_nanohertz(50_003_000_000 + u64::from(sequence) * 1_000)),
            uncertainty: Some(Frequency::from_nanohertz(412_000)),
            rocof: None,
            missed: 0,
            rejected: 2,
        };
        line(&record, &mut [0; MAX_LINE]).to_vec()
    }
}

/// Waits for `done`, and says what there was instead if it does not come.
#[track_caller]
fn until<T: std::fmt::Debug>(mut look: impl FnMut() -> T, done: impl Fn(&T) -> bool) -> T {
    let began = Instant::now();
    loop {
        let seen = look();
        if done(&seen) {
            return seen;
        }
        assert!(began.elapsed() < PATIENCE, "after {PATIENCE:?} there is {seen:?}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

fn text(path: &Path) -> String {
    path.to_str().unwrap().to_owned()
}

fn connected(to: SocketAddr) -> TcpStream {
    let stream = TcpStream::connect(to).unwrap();
    stream.set_nodelay(true).unwrap();
    stream
}
