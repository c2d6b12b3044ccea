//! Sensors that connect: each its lane, by the name that it says or by its address, and receipts back.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io::Write;
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::feed::{Feed, Said};
use super::source::{free_name, pour};
use super::{Lanes, Tell};
use crate::wire::greeting::{Name, receipt};

/// Connections at once, unless the system allows fewer handles. When there are more, the oldest that has said nothing of use makes room;
/// where all have, the new one is closed.
pub(super) const MOST: usize = 256;

/// After so long a connection that another of its name takes the place of was lost, as a rule without a word.
const FRESH: Duration = Duration::from_secs(1);

/// So often a connection that was still heard has its place taken, and it is said that there are two.
const TWICE: u32 = 3;

/// Who is connected.
#[derive(Default)]
struct Feeders {
    by_name: HashMap<Name, Feeder>,
    /// Those who have no lane yet, oldest first.
    strangers: BTreeMap<usize, TcpStream>,
    is_full_said: bool,
    /// Names of which it was said that there may be two.
    doubtful: BTreeSet<Name>,
}

/// Who feeds a lane.
struct Feeder {
    id: usize,
    stream: TcpStream,
    /// When something came from it last.
    heard: Arc<Mutex<Instant>>,
    /// How often it took the place of one that was heard still.
    quarrels: u32,
}

impl Feeders {
    /// Has the oldest stranger make room for another; whether there was one.
    fn evict(&mut self) -> bool {
        let oldest = self.strangers.pop_first();
        // One that has ended meanwhile makes room too.
        oldest.map(|(_, stream)| stream.shutdown(Shutdown::Both)).is_some()
    }

    /// Whoever is connected as `id` feeds this lane from now on. Whether it is time to say that there are two of its name.
    fn settle(&mut self, name: &Name, id: usize, stream: TcpStream, heard: Arc<Mutex<Instant>>) -> bool {
        self.strangers.remove(&id);
        let old = self.by_name.remove(name);
        let mut quarrels = 0;
        if let Some(old) = old {
            // A sensor that connects anew has left its old connection behind, whatever that one thinks.
            let _ = old.stream.shutdown(Shutdown::Both);
            let silence = old.heard.lock().unwrap_or_else(PoisonError::into_inner).elapsed();
            quarrels = if silence < FRESH { old.quarrels + 1 } else { 0 };
        }
        self.by_name.insert(name.clone(), Feeder { id, stream, heard, quarrels });
        quarrels >= TWICE && self.doubtful.len() < MOST && self.doubtful.insert(name.clone())
    }

    fn leave(&mut self, id: usize, name: Option<&Name>) {
        self.strangers.remove(&id);
        if let Some(name) = name
            && self.by_name.get(name).is_some_and(|feeder| feeder.id == id)
        {
            self.by_name.remove(name);
        }
    }
}

/// Takes connections for ever, `most` at once.
pub(super) fn take(listener: &TcpListener, most: usize, lanes: &Arc<Lanes>, tell: &Tell) {
    let feeders = Arc::new(Mutex::new(Feeders::default()));
    let open = Arc::new(AtomicUsize::new(0));
    let mut is_told = false;
    for id in 0.. {
        let (stream, peer) = match listener.accept() {
            Ok(accepted) => accepted,
            Err(e) => {
                // Out of handles, say: the others are served meanwhile.
                if !std::mem::replace(&mut is_told, true) {
                    tell(&format!("a connection cannot be taken: {e}"));
                }
                feeders.lock().unwrap_or_else(PoisonError::into_inner).evict();
                std::thread::sleep(Duration::from_millis(100));
                continue;
            }
        };
        is_told = false;
        let Ok(handle) = stream.try_clone() else { continue };
        if open.load(Ordering::Relaxed) >= most {
            let mut feeders = feeders.lock().unwrap_or_else(PoisonError::into_inner);
            if !feeders.evict() {
                lanes.refuse();
                if !std::mem::replace(&mut feeders.is_full_said, true) {
                    tell(&format!("{peer}: turned away, {most} connections are the most"));
                }
                continue;
            }
        }
        open.fetch_add(1, Ordering::Relaxed);
        feeders.lock().unwrap_or_else(PoisonError::into_inner).strangers.insert(id, handle);
        let (feeders, lanes, tell) = (Arc::clone(&feeders), Arc::clone(lanes), Arc::clone(tell));
        let open = Arc::clone(&open);
        std::thread::spawn(move || {
            connection(id, stream, peer, &feeders, &lanes, &tell);
            open.fetch_sub(1, Ordering::Relaxed);
        });
    }
}

fn connection(
    id: usize,
    mut stream: TcpStream,
    peer: SocketAddr,
    feeders: &Mutex<Feeders>,
    lanes: &Lanes,
    tell: &Tell,
) {
    let mut mine = None;
    serve(id, &mut stream, peer, feeders, lanes, tell, &mut mine);
    feeders.lock().unwrap_or_else(PoisonError::into_inner).leave(id, mine.as_ref());
}

/// Reads a connection to its end; `mine` is the name of the lane that it feeds.
fn serve(
    id: usize,
    stream: &mut TcpStream,
    peer: SocketAddr,
    feeders: &Mutex<Feeders>,
    lanes: &Lanes,
    tell: &Tell,
    mine: &mut Option<Name>,
) {
    let (Ok(handle), Ok(())) = (stream.try_clone(), stream.set_read_timeout(Some(RECEIPT))) else { return };
    let heard = Arc::new(Mutex::new(Instant::now()));
    let mut feed = Feed::new(tell);
    let mut receipts = lanes.plan.spool.is_some().then(|| Receipts::new(&handle)).flatten();
    // How it ends says nothing that the gap in the sequence will not.
    let _ = pour(stream, |bytes| {
        if !bytes.is_empty() {
            *heard.lock().unwrap_or_else(PoisonError::into_inner) = Instant::now();
        }
        if let (Some(lane), Some(_)) = (&feed.said.lane, &receipts) {
            lane.wait_for_room();
        }
        feed.take(bytes, |said| {
            let is_heard = said.is_some() && lanes.plan.spool.is_some();
            let Ok(handle) = handle.try_clone() else { return None };
            let mut feeders = feeders.lock().unwrap_or_else(PoisonError::into_inner);
            let name =
                said.unwrap_or_else(|| free_name(peer.ip(), |name| feeders.by_name.contains_key(name)));
            let lane = lanes.find(&name)?;
            // Whoever waits for receipts has its lines yet, and comes again.
            if is_heard && lane.is_stuck() {
                return None;
            }
            if feeders.settle(&name, id, handle, Arc::clone(&heard)) {
                tell(&format!(
                    "{name}: connections of this name take each other's place: do two sensors have it? Readings are lost"
                ));
            }
            *mine = Some(name);
            Some(lane)
        });
        if feed.said.is_turned_away {
            // Too many sensors, a spool that cannot be opened, a full disk, or the end: it comes again, and hears before what it need not bring.
            if let Some(receipts) = &mut receipts {
                receipts.say(&feed.said, true);
            }
            let _ = handle.shutdown(Shutdown::Both);
        }
        if let Some(receipts) = &mut receipts {
            receipts.say(&feed.said, false);
        }
    });
    if let Some(receipts) = &mut receipts {
        receipts.say(&feed.said, true);
    }
}

/// Tells a sender how many of its lines are on disk; one that does not read that is told no more.
struct Receipts {
    to: Option<TcpStream>,
    said: Option<u64>,
    last: Instant,
}

/// From one receipt to the next, and after the last line: a sender waits for it that has as many lines on their way as it may.
const RECEIPT: Duration = Duration::from_millis(200);

impl Receipts {
    fn new(stream: &TcpStream) -> Option<Self> {
        let to = stream.try_clone().ok()?;
        to.set_write_timeout(Some(Duration::from_millis(10))).ok()?;
        Some(Self { to: Some(to), said: None, last: Instant::now() })
    }

    fn say(&mut self, said: &Said<'_>, is_last: bool) {
        let Some(lane) = said.lane.as_ref().filter(|_| said.is_named) else { return };
        let is_first = self.said.is_none();
        // The first may say that there is nothing: who hears of receipts waits for them. The disk may have taken in the meantime what it did
        // not when the last line came.
        let lines = if lane.is_saved() { said.lines } else { self.said.unwrap_or(0) };
        if self.said == Some(lines) || !is_first && !is_last && self.last.elapsed() < RECEIPT {
            return;
        }
        (self.said, self.last) = (Some(lines), Instant::now());
        let text = receipt(lines);
        if self.to.as_mut().is_some_and(|to| to.write_all(text.as_bytes()).is_err()) {
            self.to = None;
        }
    }
}
