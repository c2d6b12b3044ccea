//! The second processor's job on a larger machine: link lines in, out over a network that comes and goes, nothing lost on the way.
//!
//! ```text
//! wire -> [source], [connections] -> [feed] -> lane of its sensor: [store] (memory: the core's backlog; disk: [spool]) -> [way] (tcp, udp, serial, [mqtt]) -> wire
//!                                                     ^--- what is known to have arrived ---'
//! ```
//!
//! What is guaranteed depends on what the far end tells:
//!
//! | to | a line counts as delivered when |
//! |---|---|
//! | `tcp://`, far end sends receipts | it has a receipt ([`greeting`](crate::wire::greeting)) |
//! | `tcp://`, it has never sent one | the connection still stands 6 s later, the network having answered; or was closed by the far end after the last line |
//! | `mqtt://` | the broker has acknowledged it (QoS 1) |
//! | `udp://`, serial ports, pseudo-terminals, `-` | it is written |
//!
//! What does not count as delivered when a connection is lost goes out again: each line at least once, in order, and what comes twice is told
//! by its sequence number and time ([`arrivals`](crate::wire::arrivals)). No more than some 1,000 lines of a sensor are on their way at once: to a
//! far end that sends no receipts some 170 a second get through. With a [`Spool`](spool) that holds across restarts of the relay, `kill -9` included; without, lines in memory go
//! with it. Lines dropped for want of room are counted.

mod connections;
mod feed;
mod lane;
mod line;
mod mqtt;
mod retry;
mod source;
pub mod spool;
mod store;
mod way;

pub use lane::Counts;
pub use line::{Line, Passed};

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::net::{SocketAddr, TcpListener, UdpSocket};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use humtick::link::Keep;

use crate::wire::address::Address;
use crate::wire::greeting::Name;
use crate::wire::handles;
use lane::Lane;
use retry::Retry;
use spool::Spool;
use store::Store;

/// What closing may take once time is up; a thread that a far end holds up for longer is left behind.
const CLOSING: Duration = Duration::from_secs(2);

/// Sensors at once; lines of more are refused.
pub const MOST_SENSORS: usize = 64;

/// Handles of which half are for connections that are taken, four each; the rest is for spools and the way out.
const HANDLES: u64 = 8 * connections::MOST as u64;

/// What users are told as it happens; a line each.
pub type Tell = Arc<dyn Fn(&str) + Send + Sync>;

/// What is to be relayed.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Where lines come from.
    pub from: Address,
    /// Where they go.
    pub to: Address,
    /// What the sensor is called where its line cannot say.
    pub name: Option<Name>,
    /// Whether a TCP far end is told names.
    pub says_name: bool,
    /// What waits in memory while the far end is away.
    pub keep: Keep,
    /// Lines that wait in memory at most, each sensor.
    pub room: usize,
    /// Folder of the spool: everything waits on disk.
    pub spool: Option<PathBuf>,
    /// Most bytes of a sensor's spool.
    pub spool_limit: u64,
    /// Longest wait between two attempts to connect.
    pub retry_most: Duration,
}

/// A running relay.
pub struct Relay {
    lanes: Arc<Lanes>,
    /// Where it listens, if it does.
    local: Option<SocketAddr>,
    source: JoinHandle<()>,
}

/// The lanes, by their sensors' names.
struct Lanes {
    plan: Plan,
    tell: Tell,
    /// `None` when the relay ends: there are no new ones then.
    all: Mutex<Option<BTreeMap<Name, Served>>>,
    refused: AtomicU64,
    is_full: AtomicU64,
    /// Sensors of which it was said that their spool cannot be opened.
    failing: Mutex<BTreeSet<Name>>,
}

/// A lane and the thread that serves it.
struct Served {
    lane: Arc<Lane>,
    thread: JoinHandle<()>,
}

impl Lanes {
    /// The lane of that sensor, made if there is none and there is room.
    fn find(&self, name: &Name) -> Option<Arc<Lane>> {
        let mut all = self.all.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(all) = &mut *all else {
            self.refuse();
            return None;
        };
        if let Some(served) = all.get(name) {
            return Some(Arc::clone(&served.lane));
        }
        let room = match self.plan.to {
            // Lines carry no name: two sensors on one wire could not be told apart.
            Address::Serial { .. } | Address::Pty { .. } | Address::Standard => 1,
            _ => MOST_SENSORS,
        };
        if all.len() >= room {
            self.refuse();
            if self.is_full.swap(1, Ordering::Relaxed) == 0 {
                let to = &self.plan.to;
                (self.tell)(&format!("{name}: left out, since {room} is as many sensors as go to {to}"));
            }
            return None;
        }
        let mut failing = self.failing.lock().unwrap_or_else(PoisonError::into_inner);
        match self.open(name) {
            Ok(lane) => {
                failing.remove(name);
                all.insert(name.clone(), Served { thread: self.serve(&lane), lane: Arc::clone(&lane) });
                Some(lane)
            }
            Err(e) => {
                // It comes again and again; there is no end to names.
                if failing.len() < MOST_SENSORS && failing.insert(name.clone()) {
                    (self.tell)(&format!("{name}: the spool cannot be opened: {e}; its lines are refused"));
                }
                self.refuse();
                None
            }
        }
    }

    fn open(&self, name: &Name) -> io::Result<Arc<Lane>> {
        let store = match &self.plan.spool {
            Some(folder) => {
                Store::Spool(Box::new(Spool::open(&folder.join(name.as_str()), self.plan.spool_limit)?))
            }
            None => Store::memory(self.plan.keep, self.plan.room),
        };
        Ok(Arc::new(Lane::new(name.clone(), store)))
    }

    fn serve(&self, lane: &Arc<Lane>) -> JoinHandle<()> {
        let Plan { to, says_name, retry_most, .. } = self.plan.clone();
        let (lane, tell) = (Arc::clone(lane), Arc::clone(&self.tell));
        std::thread::spawn(move || way::serve(&lane, &to, says_name, Retry::new(retry_most), &tell))
    }

    fn refuse(&self) {
        self.refused.fetch_add(1, Ordering::Relaxed);
    }
}

impl Relay {
    /// Begins. What an earlier relay has left in the spool goes out first.
    ///
    /// # Errors
    /// If it cannot listen, or the spool cannot be opened.
    pub fn start(plan: Plan, tell: Tell) -> io::Result<Self> {
        let most = (handles::ask_for(HANDLES).min(HANDLES) / 8).max(4) as usize;
        let lanes = Arc::new(Lanes {
            all: Mutex::new(Some(BTreeMap::new())),
            refused: AtomicU64::new(0),
            is_full: AtomicU64::new(0),
            failing: Mutex::default(),
            plan: plan.clone(),
            tell: Arc::clone(&tell),
        });
        for name in left(&plan)? {
            // Of most nothing is left: they come when they have something to say.
            let waiting = lanes.open(&name).map_err(|e| about(&name, &e))?.counts().passed.waiting;
            if waiting > 0 && lanes.find(&name).is_none() {
                tell(&format!("{name}: {waiting} lines of it stay in the spool"));
            }
        }
        let mine = Arc::clone(&lanes);
        let (local, source) = match &plan.from {
            Address::TcpListen(place) => {
                let listener = TcpListener::bind(place).map_err(|e| about(&plan.from, &e))?;
                let local = listener.local_addr()?;
                (Some(local), std::thread::spawn(move || connections::take(&listener, most, &mine, &tell)))
            }
            Address::Udp(place) => {
                let socket = UdpSocket::bind(place).map_err(|e| about(&plan.from, &e))?;
                let local = socket.local_addr()?;
                (Some(local), std::thread::spawn(move || source::datagrams(&socket, &mine, &tell)))
            }
            Address::UdpTo(_) | Address::Mqtt { .. } => {
                return Err(io::Error::other(format!("nothing can be taken from {}", plan.from)));
            }
            from => {
                let from = from.clone();
                let name = plan.name.unwrap_or_else(|| Name::of(&from));
                let lane = lanes.find(&name).ok_or_else(|| io::Error::other("the sensor has no way out"))?;
                let retry = Retry::new(plan.retry_most);
                (None, std::thread::spawn(move || source::single(&from, &lane, retry, &tell)))
            }
        };
        Ok(Self { lanes, local, source })
    }

    /// Where it listens: with the port that was free, if any was to be taken.
    pub const fn local(&self) -> Option<SocketAddr> {
        self.local
    }

    /// Whether nothing will come any more.
    pub fn is_over(&self) -> bool {
        self.source.is_finished()
    }

    /// What came in and went out, by sensor; and connections and sensors refused.
    pub fn counts(&self) -> (Vec<(Name, Counts)>, u64) {
        let all = self.lanes.all.lock().unwrap_or_else(PoisonError::into_inner);
        let counts =
            all.iter().flatten().map(|(name, served)| (name.clone(), served.lane.counts())).collect();
        (counts, self.lanes.refused.load(Ordering::Relaxed))
    }

    /// Takes nothing more, and delivers what waits for so long at most; the counts then.
    pub fn end(self, linger: Duration) -> (Vec<(Name, Counts)>, u64) {
        let deadline = Instant::now() + linger;
        let lanes = self.lanes.all.lock().unwrap_or_else(PoisonError::into_inner).take().unwrap_or_default();
        lanes.values().for_each(|served| served.lane.end(deadline));
        let mut counts = Vec::new();
        for (name, Served { lane, thread }) in lanes {
            while !thread.is_finished() && Instant::now() < deadline + CLOSING {
                std::thread::sleep(Duration::from_millis(5));
            }
            if thread.is_finished() {
                // One that panicked has said so; its counts stand.
                let _ = thread.join();
            }
            lane.save();
            counts.push((name, lane.counts()));
        }
        (counts, self.lanes.refused.load(Ordering::Relaxed))
    }
}

/// `error`, and what it is about.
fn about(what: impl std::fmt::Display, error: &io::Error) -> io::Error {
    io::Error::new(error.kind(), format!("{what}: {error}"))
}

/// Sensors of which something is in the spool.
fn left(plan: &Plan) -> io::Result<Vec<Name>> {
    let Some(folder) = &plan.spool else { return Ok(Vec::new()) };
    std::fs::create_dir_all(folder).map_err(|e| about(folder.display(), &e))?;
    let mut names = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() {
            names.extend(entry.file_name().to_str().and_then(|name| name.parse::<Name>().ok()));
        }
    }
    names.sort();
    Ok(names)
}
