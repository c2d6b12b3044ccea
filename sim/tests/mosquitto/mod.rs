//! A real broker, started on a port of its own. Where there is none the tests say so, and with `HUMTICK_BROKER=required` that is a failure.

// Each test file uses its part.
#![allow(dead_code)]

use std::io::Write;
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

pub struct Broker {
    child: Child,
    pub port: u16,
}

impl Broker {
    /// One that remembers sessions over a restart, with its files in `folder`; `None` where there is none.
    pub fn start(folder: &Path, port: u16) -> Option<Self> {
        let config = folder.join("broker.conf");
        // Messages that wait for a subscriber are written to disk at once, and none is dropped.
        let text = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location {}/\n\
             autosave_on_changes true\nautosave_interval 1\nmax_queued_messages 0\nuser root\n",
            folder.display()
        );
        std::fs::write(&config, text).unwrap();
        let start = |name: &str| {
            Command::new(name).arg("-c").arg(&config).stdout(Stdio::null()).stderr(Stdio::null()).spawn().ok()
        };
        let Some(child) = ["mosquitto", "/usr/sbin/mosquitto"].into_iter().find_map(start) else {
            let must = std::env::var("HUMTICK_BROKER").is_ok_and(|v| v == "required");
            assert!(!must, "mosquitto is required and not installed: apt-get install mosquitto");
            #[allow(clippy::explicit_write, reason = "the harness captures what eprintln prints")]
            let _ = writeln!(
                std::io::stderr(),
                "skipped: mosquitto is not installed (apt-get install mosquitto)"
            );
            return None;
        };
        let (broker, began) = (Self { child, port }, Instant::now());
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            assert!(began.elapsed() < Duration::from_secs(60), "the broker does not listen");
            std::thread::sleep(Duration::from_millis(10));
        }
        Some(broker)
    }

    /// Ends it as its user would.
    pub fn stop(&mut self) {
        // One that has ended meanwhile needs none.
        let _ = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status();
        let _ = self.child.wait();
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
