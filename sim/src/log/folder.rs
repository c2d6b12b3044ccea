//! A folder of logs that is being written to.
//!
//! Rows are handed to the system whole, many at a time: a listener that is killed loses none that it has handed over, and tears none. What
//! a crash of the machine tore is cut off when the file is next opened. Where the disk is full, rows wait in memory up to a bound; what goes
//! beyond it is counted and said.

use std::collections::VecDeque;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::row::Row;
use super::{head, sensor, utc};
use crate::wire::greeting::Name;

/// Bytes of rows that wait while they cannot be written: 20 s of a thousand sensors at ten readings a second.
const MOST_WAITING: usize = 16 << 20;

/// The same of one sensor, whose file alone may be in a bad way: 20 minutes.
const MOST_OF_ONE: usize = 1 << 20;

/// Files open at once: below what systems allow a process as a rule (1,024), with room for connections.
const MOST_OPEN: usize = 400;

/// From one try to the next where files cannot be written.
const AGAIN: Duration = Duration::from_secs(1);

/// No row is longer; a log whose last so many bytes have no end of line is none.
const LONGEST: u64 = 512;

/// What is to be said about a folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Notice {
    /// A row that a crash had torn was cut off its file.
    Cut(PathBuf),
    /// The file or folder was taken away, and has been made anew.
    Gone(PathBuf),
    /// Writing fails from now on; why.
    Failing(String),
    /// Writing goes on after so long, and so many readings were not written.
    Resumed(Duration, u64),
}

impl std::fmt::Display for Notice {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Cut(path) => write!(f, "{}: the last line was torn and has been cut off", path.display()),
            Self::Gone(path) => write!(f, "{}: was taken away, and is made anew", path.display()),
            Self::Failing(why) => write!(f, "the log cannot be written: {why}: readings wait in memory"),
            Self::Resumed(after, 0) => {
                write!(f, "the log is written again after {:.0} s; nothing was lost", after.as_secs_f64())
            }
            Self::Resumed(after, lost) => {
                write!(
                    f,
                    "the log is written again after {:.0} s; {lost} readings were lost",
                    after.as_secs_f64()
                )
            }
        }
    }
}

/// The folder.
#[derive(Debug)]
pub struct Folder {
    path: PathBuf,
    /// Held so that no second listener writes here.
    _lock: File,
    logs: Vec<Log>,
    /// Those with rows that wait, in order.
    waiting: Vec<usize>,
    bytes: usize,
    open: usize,
    turn: u64,
    trouble: Option<Trouble>,
    rows: u64,
    lost: u64,
}

#[derive(Debug)]
struct Trouble {
    since: Instant,
    next: Instant,
    lost_before: u64,
}

/// A sensor's log.
#[derive(Debug)]
struct Log {
    name: Name,
    file: Option<Day>,
    /// Rows by their day.
    chunks: VecDeque<Chunk>,
    is_waiting: bool,
}

#[derive(Debug)]
struct Day {
    day: i64,
    #[cfg(not(unix))]
    path: PathBuf,
    file: File,
    /// Where the last whole row ends.
    end: u64,
    /// Turn of the last write.
    used: u64,
}

#[derive(Debug)]
struct Chunk {
    day: i64,
    bytes: Vec<u8>,
    rows: u64,
}

/// A sensor's place in the folder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place(usize);

impl Folder {
    /// The folder at `path`, made if there is none.
    ///
    /// # Errors
    /// If it cannot be made or written to, or another listener writes there.
    pub fn open(path: &Path) -> io::Result<Self> {
        fs::create_dir_all(path)?;
        let lock = File::create(path.join(".lock"))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(io::Error::new(
                    io::ErrorKind::ResourceBusy,
                    "another listener writes to this folder",
                ));
            }
            Err(TryLockError::Error(e)) => return Err(e),
        }
        Ok(Self {
            path: path.into(),
            _lock: lock,
            logs: Vec::new(),
            waiting: Vec::new(),
            bytes: 0,
            open: 0,
            turn: 0,
            trouble: None,
            rows: 0,
            lost: 0,
        })
    }

    /// Makes room for a sensor of this name, which no other has.
    pub fn add(&mut self, name: &Name) -> Place {
        self.logs.push(Log { name: name.clone(), file: None, chunks: VecDeque::new(), is_waiting: false });
        Place(self.logs.len() - 1)
    }

    /// Whether [`take`](Self::take) has room for a row of this sensor.
    pub fn has_room(&self, place: Place) -> bool {
        let of_one = |log: &Log| log.chunks.iter().map(|chunk| chunk.bytes.len()).sum::<usize>();
        self.bytes < MOST_WAITING && self.logs.get(place.0).is_some_and(|log| of_one(log) < MOST_OF_ONE)
    }

    /// Takes a row of this sensor, to be written with the next [`flush`](Self::flush). Whether there was room for it; otherwise it is lost,
    /// and counted.
    pub fn take(&mut self, place: Place, row: &Row) -> bool {
        if !self.has_room(place) {
            self.lost += 1;
            return false;
        }
        let Some(log) = self.logs.get_mut(place.0) else { return false };
        let day = row.utc_ms.div_euclid(utc::DAY_MS);
        if log.chunks.back().is_none_or(|chunk| chunk.day != day) {
            log.chunks.push_back(Chunk { day, bytes: Vec::new(), rows: 0 });
        }
        if let Some(chunk) = log.chunks.back_mut() {
            let before = chunk.bytes.len();
            row.write(&mut chunk.bytes);
            chunk.rows += 1;
            self.bytes += chunk.bytes.len() - before;
        }
        if !log.is_waiting {
            log.is_waiting = true;
            self.waiting.push(place.0);
        }
        true
    }

    /// Whether everything taken of this sensor is in its file.
    pub fn is_written(&self, place: Place) -> bool {
        self.logs.get(place.0).is_some_and(|log| !log.is_waiting)
    }

    /// Rows written, and rows lost.
    pub const fn counts(&self) -> (u64, u64) {
        (self.rows, self.lost)
    }

    /// Whether writing fails at the moment.
    pub const fn is_failing(&self) -> bool {
        self.trouble.is_some()
    }

    /// Writes what waits. While writing fails, tries once a second.
    pub fn flush(&mut self, now: Instant, tell: &mut impl FnMut(Notice)) {
        if self.waiting.is_empty() || self.trouble.as_ref().is_some_and(|trouble| now < trouble.next) {
            return;
        }
        self.turn += 1;
        let mut fault = None;
        let mut waiting = std::mem::take(&mut self.waiting);
        // One file that is in a bad way does not keep the others from being written.
        waiting.retain(|place| {
            let result = self.write(*place, tell);
            let failed = result.is_err();
            if let (Err((path, error)), None) = (result, &fault) {
                fault = Some(format!("{}: {error}", path.display()));
            }
            failed
        });
        self.waiting = waiting;
        match (fault, &mut self.trouble) {
            (Some(_), Some(trouble)) => trouble.next = now + AGAIN,
            (Some(why), none) => {
                *none = Some(Trouble { since: now, next: now + AGAIN, lost_before: self.lost });
                tell(Notice::Failing(why));
            }
            (None, trouble) => {
                if let Some(trouble) = trouble.take() {
                    tell(Notice::Resumed(now - trouble.since, self.lost - trouble.lost_before));
                }
            }
        }
    }

    /// Writes what waits of one sensor.
    fn write(&mut self, place: usize, tell: &mut impl FnMut(Notice)) -> Result<(), (PathBuf, io::Error)> {
        let Some(log) = self.logs.get_mut(place) else { return Ok(()) };
        while let Some(chunk) = log.chunks.front() {
            let path =
                self.path.join(format!("{}-{}.csv", log.name, utc::date_text(chunk.day * utc::DAY_MS)));
            if log.file.as_ref().is_some_and(|file| file.day != chunk.day || file.is_gone()) {
                if log.file.take().is_some_and(|file| file.day == chunk.day) {
                    tell(Notice::Gone(path.clone()));
                }
                self.open -= 1;
            }
            let fault = |e| (path.clone(), e);
            let file = match &mut log.file {
                Some(file) => file,
                none => {
                    fs::create_dir_all(&self.path).map_err(fault)?;
                    let (file, end, was_torn) = open(&path, &log.name).map_err(fault)?;
                    if was_torn {
                        tell(Notice::Cut(path.clone()));
                    }
                    self.open += 1;
                    none.insert(Day {
                        day: chunk.day,
                        #[cfg(not(unix))]
                        path: path.clone(),
                        file,
                        end,
                        used: 0,
                    })
                }
            };
            file.used = self.turn;
            if let Err(error) = file.append(&chunk.bytes) {
                // Opened again, it loses what could not be cut off now.
                log.file = None;
                self.open -= 1;
                return Err(fault(error));
            }
            self.bytes -= chunk.bytes.len();
            self.rows += chunk.rows;
            log.chunks.pop_front();
        }
        log.is_waiting = false;
        if self.open > MOST_OPEN {
            self.close_half();
        }
        Ok(())
    }

    /// Closes the files that have been left alone the longest.
    fn close_half(&mut self) {
        let mut used: Vec<_> = self.logs.iter().filter_map(|log| Some(log.file.as_ref()?.used)).collect();
        let middle = used.len() / 2;
        let (_, limit, _) = used.select_nth_unstable(middle);
        let limit = *limit;
        // Of one turn all, or so many sensors at once would open and close theirs again and again for nothing.
        for log in &mut self.logs {
            if log.file.as_ref().is_some_and(|file| file.used <= limit) {
                log.file = None;
                self.open -= 1;
            }
        }
    }
}

impl Day {
    /// Appends `bytes`, all or nothing.
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        if let Err(error) = self.file.write_all(bytes) {
            // Where even that fails, the next opening cuts off what of the last row is there.
            let _ = self.file.set_len(self.end);
            return Err(error);
        }
        self.end += bytes.len() as u64;
        Ok(())
    }

    /// Whether the file has no name any more.
    fn is_gone(&self) -> bool {
        #[cfg(unix)]
        {
            use std::os::unix::fs::MetadataExt;
            self.file.metadata().is_ok_and(|file| file.nlink() == 0)
        }
        #[cfg(not(unix))]
        {
            !self.path.exists()
        }
    }
}

/// A log to be appended to, its length, and whether a torn row was cut off it.
fn open(path: &Path, name: &Name) -> io::Result<(File, u64, bool)> {
    let mut file = OpenOptions::new().read(true).append(true).create(true).open(path)?;
    let length = file.metadata()?.len();
    let head = head(name);
    // A head that is not whole: the disk was full when it was begun.
    let mut start = vec![0; head.len().min(length as usize)];
    file.read_exact(&mut start)?;
    if !head.as_bytes().starts_with(&start) {
        let whose = start.split(|b| *b == b'\n').next().and_then(sensor);
        let what = match whose {
            Some(_) => "is the log of another sensor",
            None => "is no log of this version: move it away",
        };
        return Err(io::Error::new(io::ErrorKind::InvalidData, what));
    }
    if length <= head.len() as u64 {
        file.set_len(0)?;
        if let Err(error) = file.write_all(head.as_bytes()) {
            let _ = file.set_len(0);
            return Err(error);
        }
        return Ok((file, head.len() as u64, false));
    }
    let from = length.saturating_sub(LONGEST);
    file.seek(SeekFrom::Start(from))?;
    let mut tail = Vec::new();
    file.read_to_end(&mut tail)?;
    let Some(last) = tail.iter().rposition(|b| *b == b'\n') else {
        return Err(io::Error::new(io::ErrorKind::InvalidData, "ends in no line of a log: move it away"));
    };
    let end = from + last as u64 + 1;
    if end < length {
        file.set_len(end)?;
    }
    Ok((file, end, end < length))
}

#[cfg(test)]
mod tests;
