//! A lane's lines on disk, so that a killed relay goes on where it was.
//!
//! A folder for each sensor. `NNN.lines` are link lines as they came, each with its own CRC, appended whole; `NNN`, 20 figures, is how many
//! bytes the spool had seen before, so that a byte's place in it is a number that only grows. `arrived` holds the place up to which lines have
//! arrived; it is replaced, never written over. A file whose lines have all arrived goes away. `lock` is held by the relay that uses the folder.
//!
//! What is guaranteed: a line that was appended is delivered at least once, whatever happens to the relay, `kill -9` included. After a loss
//! of power the last [`SYNC`] may be missing. Lines that had arrived since `arrived` was last replaced ([`SAVE`], [`SAVE_LINES`]) are sent again.

mod part;

use std::collections::VecDeque;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, BufRead, BufReader, ErrorKind, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use humtick::link::{Format, Text};

use super::line::{Line, Passed};
use part::{Part, is_gone, path_of, whole_lines};

/// From one write to the disk itself to the next: what a loss of power may cost.
pub const SYNC: Duration = Duration::from_secs(1);

/// From one replacement of `arrived` to the next.
pub const SAVE: Duration = Duration::from_millis(200);

/// Lines delivered after which it is replaced in any case.
pub const SAVE_LINES: u32 = 1_000;

/// Bytes of a file after which a new one is begun: some 70,000 lines.
const FILE: u64 = 4 << 20;

/// Lines that wait in memory for a disk that is full.
const UNSAVED: usize = 10_000;

/// See the [module](self).
#[derive(Debug)]
pub struct Spool {
    folder: PathBuf,
    _lock: File,
    /// Oldest first.
    files: VecDeque<Part>,
    /// End of the newest file, for appending.
    append: Option<File>,
    /// There may be part of a line behind the last whole one, which has to go before the next is written.
    is_torn: bool,
    /// What the disk did not take, with its place.
    unsaved: VecDeque<(u64, Line)>,
    read: Option<Reader>,
    /// Place of the next line to be sent.
    next: u64,
    /// Everything before this place has arrived.
    arrived: u64,
    /// What the file `arrived` says.
    saved: u64,
    saved_at: Instant,
    /// Lines delivered since that was last tried.
    unsaved_lines: u32,
    synced_at: Instant,
    /// Most bytes in all files.
    limit: u64,
    /// Place of the next line that comes: behind every one there has been.
    end: u64,
    /// What is to be said when it is next read.
    trouble: Option<String>,
    passed: Passed,
}

#[derive(Debug)]
struct Reader {
    /// The file's.
    start: u64,
    from: BufReader<File>,
    at: u64,
}

impl Spool {
    /// The spool in `folder`, which is made if it is not there, with at most `limit` bytes in it. A line that was being written when the
    /// relay was killed is cut off.
    ///
    /// # Errors
    /// The disk's; [`ErrorKind::ResourceBusy`] if another relay uses it.
    pub fn open(folder: &Path, limit: u64) -> io::Result<Self> {
        fs::create_dir_all(folder)?;
        let lock = OpenOptions::new().create(true).truncate(false).write(true).open(folder.join("lock"))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(io::Error::new(ErrorKind::ResourceBusy, "another relay uses this spool"));
            }
            Err(TryLockError::Error(e)) => return Err(e),
        }
        let mut files = VecDeque::new();
        for entry in fs::read_dir(folder)? {
            let name = entry?.file_name();
            let number = name.to_str().and_then(|name| name.strip_suffix(".lines"));
            if let Some(start) = number.filter(|n| n.len() == 20).and_then(|n| n.parse().ok()) {
                files.push_back(Part { start, end: start });
            }
        }
        files.make_contiguous().sort_unstable_by_key(|part| part.start);
        let mut waiting = 0;
        let arrived = fs::read_to_string(folder.join("arrived"));
        // Without it everything goes out again, which is better than not at all.
        let arrived = arrived.ok().and_then(|text| text.trim().parse().ok());
        let arrived = arrived.unwrap_or_else(|| files.front().map_or(0, |part| part.start));
        for part in &mut files {
            let (end, lines) = whole_lines(&path_of(folder, part.start), part.start, arrived)?;
            part.end = end;
            waiting += lines;
        }
        let now = Instant::now();
        let end = files.back().map_or(0, |part| part.end).max(arrived);
        let mut spool = Self {
            folder: folder.into(),
            _lock: lock,
            files,
            append: None,
            is_torn: true,
            unsaved: VecDeque::new(),
            read: None,
            next: arrived,
            arrived,
            saved: arrived,
            saved_at: now,
            unsaved_lines: 0,
            synced_at: now,
            limit,
            end,
            trouble: None,
            passed: Passed { found: waiting, waiting, ..Passed::default() },
        };
        spool.clear();
        Ok(spool)
    }

    /// Takes a line.
    ///
    /// # Errors
    /// The disk's; the line, and those after it, wait in memory then until it takes them.
    pub fn push(&mut self, line: Line) -> io::Result<()> {
        self.unsaved.push_back((self.end, line));
        self.end += line.bytes().len() as u64;
        self.passed.waiting += 1;
        if self.unsaved.len() > UNSAVED {
            self.drop_unsaved();
        }
        self.write()
    }

    /// Whether memory is nearly full of lines that the disk does not take: a connection has a hundred and more at once.
    pub fn is_stuck(&self) -> bool {
        self.unsaved.len() > UNSAVED / 2
    }

    /// Drops the oldest line in memory that is not on its way. What is on disk is older, and waits on. The very first stays in any case: it
    /// goes where the newest file ends, and without it each line dropped would begin another file.
    fn drop_unsaved(&mut self) {
        let to_send = self.unsaved.partition_point(|(place, _)| *place < self.next);
        let oldest = if to_send < self.unsaved.len() { to_send.max(1) } else { 1 };
        if self.unsaved.remove(oldest).is_some() {
            self.passed.dropped += 1;
            self.passed.waiting = self.passed.waiting.saturating_sub(1);
        }
    }

    /// Writes what the disk has not got.
    fn write(&mut self) -> io::Result<()> {
        while let Some((place, line)) = self.unsaved.front().copied() {
            let len = line.bytes().len() as u64;
            let fits =
                self.files.back().is_some_and(|part| part.end == place && part.end - part.start < FILE);
            if self.append.is_none() || !fits {
                if let Some(full) = self.append.take() {
                    full.sync_data()?;
                }
                let path = path_of(&self.folder, place);
                let file = if fits {
                    let start = self.files.back().map_or(place, |part| part.start);
                    let path = path_of(&self.folder, start);
                    OpenOptions::new()
                        .write(true)
                        .open(&path)
                        .inspect_err(|e| self.forget_if_gone(start, e))?
                } else {
                    fs::create_dir_all(&self.folder)?;
                    File::create(path)?
                };
                if !fits {
                    self.files.push_back(Part { start: place, end: place });
                }
                (self.append, self.is_torn) = (Some(file), true);
            }
            let (Some(file), Some(part)) = (&mut self.append, self.files.back_mut()) else { break };
            if self.is_torn {
                let whole = part.end - part.start;
                file.set_len(whole)?;
                file.seek(SeekFrom::Start(whole))?;
            }
            self.is_torn = true;
            file.write_all(line.bytes())?;
            self.is_torn = false;
            part.end = place + len;
            self.unsaved.pop_front();
        }
        if self.synced_at.elapsed() >= SYNC {
            self.synced_at = Instant::now();
            if let Some(file) = &self.append {
                file.sync_data()?;
            }
        }
        self.make_room()
    }

    /// Takes away the oldest files while there are too many bytes in all.
    fn make_room(&mut self) -> io::Result<()> {
        while let (Some(first), Some(last)) = (self.files.front(), self.files.back())
            && self.files.len() > 1
            && last.end - first.start > self.limit
        {
            let (start, end) = (first.start, first.end);
            let path = path_of(&self.folder, start);
            let lines = whole_lines(&path, start, self.arrived).map_or(0, |(_, lines)| lines);
            match fs::remove_file(path) {
                Ok(()) => {
                    self.files.pop_front();
                    self.give_up(lines, end);
                }
                Err(e) if is_gone(&e) => self.forget_if_gone(start, &e),
                Err(e) => return Err(e),
            }
        }
        Ok(())
    }

    /// Lets go of a file that somebody has taken away, and of the lines in it.
    fn forget_if_gone(&mut self, start: u64, error: &io::Error) {
        let Some(place) = self.files.iter().position(|part| part.start == start) else { return };
        if !is_gone(error) {
            return;
        }
        if place + 1 == self.files.len() {
            self.append = None;
        }
        let Some(gone) = self.files.remove(place) else { return };
        self.read = None;
        let lines = |part: &Part| {
            whole_lines(&path_of(&self.folder, part.start), part.start, self.arrived).map_or(0, |(_, n)| n)
        };
        let left = self.files.iter().map(lines).sum::<u64>() + self.unsaved.len() as u64;
        let lost = self.passed.waiting.saturating_sub(left);
        let path = path_of(&self.folder, start);
        self.trouble = Some(format!("{}: was taken away, and {lost} lines with it", path.display()));
        // Files before it have their turn yet.
        self.give_up(lost, if place == 0 { gone.end } else { self.arrived });
    }

    fn give_up(&mut self, lines: u64, end: u64) {
        self.passed.dropped += lines;
        self.passed.waiting = self.passed.waiting.saturating_sub(lines);
        self.arrived = self.arrived.max(end);
        self.next = self.next.max(end);
    }

    /// The next line to be sent, and the place behind it. Lines whose checksum does not hold are passed over.
    ///
    /// # Errors
    /// The disk's.
    pub fn to_send(&mut self) -> io::Result<Option<(u64, Line)>> {
        loop {
            if let Some(trouble) = self.trouble.take() {
                return Err(io::Error::other(trouble));
            }
            let Some(part) = self.files.iter().find(|part| part.end > self.next) else {
                let index = self.unsaved.partition_point(|(place, _)| *place < self.next);
                let Some((place, line)) = self.unsaved.get(index) else { return Ok(None) };
                self.next = place + line.bytes().len() as u64;
                return Ok(Some((self.next, *line)));
            };
            let at = self.next.max(part.start);
            let (start, end) = (part.start, part.end);
            let reader = match &mut self.read {
                Some(reader) if reader.start == start && reader.at == at => reader,
                _ => {
                    let mut file = match File::open(path_of(&self.folder, start)) {
                        Ok(file) => file,
                        Err(e) if is_gone(&e) => {
                            self.forget_if_gone(start, &e);
                            continue;
                        }
                        Err(e) => return Err(e),
                    };
                    file.seek(SeekFrom::Start(at - start))?;
                    self.read.insert(Reader { start, from: BufReader::new(file), at })
                }
            };
            let mut bytes = Vec::new();
            let len = reader.from.by_ref().take(end - at).read_until(b'\n', &mut bytes)? as u64;
            if len == 0 {
                // Shorter than it was: somebody cut it.
                self.read = None;
                self.next = end;
                continue;
            }
            reader.at += len;
            self.next = at + len;
            let text = bytes.strip_suffix(b"\n").unwrap_or(&bytes);
            match Line::new(text).filter(|_| Text::decode(text).is_ok()) {
                Some(line) => return Ok(Some((self.next, line))),
                None => {
                    self.passed.damaged += 1;
                    self.passed.waiting = self.passed.waiting.saturating_sub(1);
                }
            }
        }
    }

    /// The line that ends here has arrived, and all before it.
    pub fn arrived(&mut self, end: u64) {
        if end <= self.arrived {
            return;
        }
        self.arrived = end;
        self.passed.delivered += 1;
        self.unsaved_lines += 1;
        self.passed.waiting = self.passed.waiting.saturating_sub(1);
        while self.unsaved.front().is_some_and(|(place, line)| place + line.bytes().len() as u64 <= end) {
            self.unsaved.pop_front();
        }
    }

    /// Whatever has not arrived goes out again.
    pub const fn again(&mut self) {
        self.next = self.arrived;
    }

    /// Writes down how far lines have arrived, if that has changed and was not done just now; lets go of files; and hands to the disk what it
    /// did not take before. A disk that fails is tried again the next time and keeps nothing from being sent: what is sent makes room on it.
    pub fn save(&mut self) {
        if self.unsaved_lines >= SAVE_LINES || self.saved_at.elapsed() >= SAVE {
            // Until it is written down more goes out again after a kill, and that is all.
            let _ = self.save_now();
            self.look_after_newest();
            // Whoever pushes lines is told.
            let _ = self.write();
        }
    }

    /// Lines that go on into a file without a name would be on no disk.
    fn look_after_newest(&mut self) {
        if let (Some(_), Some(newest)) = (&self.append, self.files.back())
            && let start = newest.start
            && let Err(e) = fs::symlink_metadata(path_of(&self.folder, start))
        {
            self.forget_if_gone(start, &e);
        }
    }

    fn save_now(&mut self) -> io::Result<()> {
        self.saved_at = Instant::now();
        self.unsaved_lines = 0;
        if self.saved == self.arrived {
            return Ok(());
        }
        let new = self.folder.join("arrived.new");
        let written = fs::write(&new, format!("{}\n", self.arrived))
            .and_then(|()| fs::rename(new, self.folder.join("arrived")));
        if written.is_ok() {
            self.saved = self.arrived;
        }
        // In any case: this may be the room that is missing, and places in files that are gone do no harm.
        self.clear();
        written
    }

    /// Removes files of which everything has arrived; the one that is being written only if the disk takes nothing more.
    fn clear(&mut self) {
        while self.files.len() > 1 || !self.unsaved.is_empty() || self.saved != self.arrived {
            let Some(part) = self.files.front().filter(|part| part.end <= self.arrived) else { return };
            if self.read.as_ref().is_some_and(|reader| reader.start == part.start) {
                self.read = None;
            }
            if self.files.len() == 1 {
                self.append = None;
            }
            // One that cannot be removed is tried again after the next start.
            let _ = fs::remove_file(path_of(&self.folder, part.start));
            self.files.pop_front();
        }
    }

    /// What became of the lines since the start; those found then count as waiting.
    pub fn passed(&self) -> Passed {
        Passed { unsaved: self.unsaved.len() as u64, ..self.passed }
    }
}

impl Spool {
    /// Writes down how far lines have arrived, whenever that was done last: without it some lines go out twice.
    pub fn close(&mut self) {
        let _ = self.save_now();
    }
}

impl Drop for Spool {
    fn drop(&mut self) {
        self.close();
    }
}

#[cfg(test)]
mod tests;
