use humtick::State;
use humtick::link::{MAX_LINE, Record, line};
use proptest::prelude::*;

use super::*;

fn record(sequence: u16) -> Line {
    let record = Record {
        sequence,
        time_ms: 100,
        state: State::Seeking,
        frequency: None,
        uncertainty: None,
        rocof: None,
        missed: 0,
        rejected: 0,
    };
    Line::new(line(&record, &mut [0; MAX_LINE]).strip_suffix(b"\n").unwrap()).unwrap()
}

fn sequence(line: &Line) -> u16 {
    Text::decode(line.bytes().trim_ascii_end()).unwrap().sequence
}

fn open(folder: &Path) -> Spool {
    Spool::open(folder, u64::MAX).unwrap()
}

/// Leaves everything as kill -9 would: nothing is written any more.
fn kill(spool: Spool) {
    let mut spool = std::mem::ManuallyDrop::new(spool);
    // The system lets go of a dead process's lock.
    spool._lock.unlock().unwrap();
    spool.append = None;
}

fn all(spool: &mut Spool) -> Vec<u16> {
    std::iter::from_fn(|| spool.to_send().unwrap()).map(|(_, line)| sequence(&line)).collect()
}

#[test]
fn what_was_not_delivered_comes_again_after_a_kill() {
    let folder = tempfile::tempdir().unwrap();
    let mut spool = open(folder.path());
    (0..10).for_each(|n| spool.push(record(n)).unwrap());
    for n in 0..4 {
        let (end, line) = spool.to_send().unwrap().unwrap();
        assert_eq!(sequence(&line), n);
        spool.arrived(end);
    }
    spool.save_now().unwrap();
    assert_eq!(spool.passed(), Passed { delivered: 4, waiting: 6, ..Passed::default() });
    kill(spool);
    let mut spool = open(folder.path());
    assert_eq!(spool.passed().waiting, 6);
    assert_eq!(all(&mut spool), [4, 5, 6, 7, 8, 9]);
    spool.again();
    spool.push(record(10)).unwrap();
    assert_eq!(all(&mut spool), [4, 5, 6, 7, 8, 9, 10]);
}

#[test]
fn a_line_cut_short_goes_and_the_next_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    let mut spool = open(folder.path());
    (0..3).for_each(|n| spool.push(record(n)).unwrap());
    kill(spool);
    let path = path_of(folder.path(), 0);
    let len = fs::metadata(&path).unwrap().len();
    OpenOptions::new().write(true).open(&path).unwrap().set_len(len - 5).unwrap();
    let mut spool = open(folder.path());
    spool.push(record(7)).unwrap();
    assert_eq!(all(&mut spool), [0, 1, 7]);
}

#[test]
fn a_damaged_line_costs_itself() {
    let folder = tempfile::tempdir().unwrap();
    let mut spool = open(folder.path());
    (0..3).for_each(|n| spool.push(record(n)).unwrap());
    kill(spool);
    let path = path_of(folder.path(), 0);
    let mut bytes = fs::read(&path).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(&path, bytes).unwrap();
    let mut spool = open(folder.path());
    assert_eq!(all(&mut spool), [0, 2]);
    assert_eq!(spool.passed(), Passed { found: 3, damaged: 1, waiting: 2, ..Passed::default() });
}

#[test]
fn two_relays_do_not_share_a_spool() {
    let folder = tempfile::tempdir().unwrap();
    let _one = open(folder.path());
    assert_eq!(Spool::open(folder.path(), 1).unwrap_err().kind(), ErrorKind::ResourceBusy);
}

/// The oldest file makes place, its lines are counted, and what was delivered takes no room.
#[test]
fn there_is_a_limit_and_files_go_when_they_are_done_with() {
    let folder = tempfile::tempdir().unwrap();
    let mut spool = Spool::open(folder.path(), 2 * FILE).unwrap();
    let (lines, len) = (400_000, record(10_000).bytes().len() as u64);
    for n in 0..lines {
        spool.push(record(10_000 + (n % 50_000) as u16)).unwrap();
    }
    let passed = spool.passed();
    assert_eq!(passed.dropped + passed.waiting, lines);
    assert!((passed.waiting * len).abs_diff(3 * FILE / 2) <= FILE, "{passed:?}");
    let (first, line) = spool.to_send().unwrap().unwrap();
    assert_eq!(u64::from(sequence(&line)), 10_000 + passed.dropped % 50_000);
    assert_eq!(first, (passed.dropped + 1) * len);
    let mut last = first;
    while let Some((end, _)) = spool.to_send().unwrap() {
        last = end;
    }
    spool.arrived(last);
    spool.save_now().unwrap();
    assert_eq!(fs::read_dir(folder.path()).unwrap().filter(|e| path_ends(e, "lines")).count(), 1);
}

fn path_ends(entry: &io::Result<fs::DirEntry>, ending: &str) -> bool {
    entry.as_ref().unwrap().path().extension().is_some_and(|e| e == ending)
}

/// A disk that takes nothing: lines wait in memory, in order, are sent from there, and are written when it takes them again.
#[test]
fn lines_wait_in_memory_for_a_disk_that_fails() {
    let folder = tempfile::tempdir().unwrap();
    let mut spool = open(folder.path());
    (0..3).for_each(|n| spool.push(record(n)).unwrap());
    // Opened for reading, a file refuses to be written, as a full disk does.
    let path = path_of(folder.path(), 0);
    spool.append = Some(File::open(&path).unwrap());
    for n in 3..6 {
        assert!(spool.push(record(n)).is_err());
    }
    assert_eq!(all(&mut spool), [0, 1, 2, 3, 4, 5]);
    let (end, _) = (spool.again(), spool.to_send().unwrap().unwrap()).1;
    spool.arrived(end);
    spool.append = None;
    spool.push(record(6)).unwrap();
    assert_eq!(spool.unsaved.len(), 0);
    kill(spool);
    assert_eq!(all(&mut open(folder.path())), [0, 1, 2, 3, 4, 5, 6]);
}

/// A disk that is full, the file included that says what has arrived: what has arrived goes away all the same, and what waits in memory is
/// written where it was.
#[test]
fn what_has_arrived_makes_room_on_a_full_disk() {
    let folder = tempfile::tempdir().unwrap();
    let mut spool = open(folder.path());
    (0..3).for_each(|n| spool.push(record(n)).unwrap());
    spool.append = Some(File::open(path_of(folder.path(), 0)).unwrap());
    assert!(spool.push(record(3)).is_err());
    fs::create_dir(folder.path().join("arrived.new")).unwrap();
    for _ in 0..3 {
        let (end, _) = spool.to_send().unwrap().unwrap();
        spool.arrived(end);
    }
    spool.saved_at -= SAVE;
    spool.save();
    assert!(!path_of(folder.path(), 0).exists() && spool.unsaved.is_empty());
    assert_eq!(all(&mut spool), [3]);
    kill(spool);
    let mut spool = open(folder.path());
    assert_eq!(spool.passed(), Passed { found: 1, waiting: 1, ..Passed::default() });
    let (end, line) = spool.to_send().unwrap().unwrap();
    assert_eq!(sequence(&line), 3);
    spool.arrived(end);
    spool.saved_at -= SAVE;
    spool.save();
    // Nothing has a place any more, and a relay that starts now sends nothing again.
    assert!(spool.files.is_empty());
    kill(spool);
    assert!(all(&mut open(folder.path())).is_empty());
}

/// Where memory has no room for more either, one of the lines in it is dropped: not those on disk, which the far end may still get.
#[test]
fn lines_that_memory_has_no_room_for_cost_none_on_disk() {
    let folder = tempfile::tempdir().unwrap();
    let mut spool = open(folder.path());
    (0..3).for_each(|n| spool.push(record(n)).unwrap());
    spool.append = Some(File::open(path_of(folder.path(), 0)).unwrap());
    let (unsaved, more) = (UNSAVED as u16, 5);
    for n in 3..3 + unsaved + more {
        assert!(spool.push(record(n)).is_err());
    }
    let waiting = u64::from(3 + unsaved);
    let passed = Passed { dropped: more.into(), waiting, unsaved: unsaved.into(), ..Passed::default() };
    assert_eq!(spool.passed(), passed);
    assert!(spool.is_stuck());
    // The first stays, so that the file goes on where it ended.
    let kept: Vec<u16> = (0..4).chain(4 + more..3 + unsaved + more).collect();
    assert_eq!(all(&mut spool), kept);
    // The disk takes them again, and another relay finds them there.
    spool.append = None;
    spool.write().unwrap();
    assert!(!spool.is_stuck());
    kill(spool);
    let mut spool = open(folder.path());
    assert_eq!(spool.passed().waiting, waiting);
    assert_eq!(all(&mut spool), kept);
}

/// Somebody takes the file away that is being written, and the folder with it: what was in it is said to be lost, what comes is not.
#[test]
fn a_file_taken_away_costs_what_was_in_it_and_no_more() {
    for whole_folder in [false, true] {
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path().join("saw");
        let mut spool = open(&folder);
        (0..10).for_each(|n| spool.push(record(n)).unwrap());
        let (end, _) = spool.to_send().unwrap().unwrap();
        spool.arrived(end);
        spool.read = None;
        if whole_folder {
            fs::remove_dir_all(&folder).unwrap();
        } else {
            fs::remove_file(path_of(&folder, 0)).unwrap();
        }
        let error = spool.to_send().unwrap_err();
        assert!(error.to_string().contains("was taken away, and 9 lines with it"), "{error}");
        assert_eq!(spool.to_send().unwrap(), None);
        assert_eq!(spool.passed(), Passed { delivered: 1, dropped: 9, ..Passed::default() });
        (10..13).for_each(|n| spool.push(record(n)).unwrap());
        assert_eq!(all(&mut spool), [10, 11, 12]);
        drop(spool);
        assert_eq!(all(&mut open(&folder)), [10, 11, 12]);
    }
}

/// The same where nobody reads: lines do not go on into a file that has no name.
#[test]
fn a_file_taken_away_is_found_missing() {
    let folder = tempfile::tempdir().unwrap();
    let mut spool = open(folder.path());
    (0..10).for_each(|n| spool.push(record(n)).unwrap());
    fs::remove_file(path_of(folder.path(), 0)).unwrap();
    spool.saved_at = Instant::now().checked_sub(SAVE).unwrap();
    spool.save();
    (10..13).for_each(|n| spool.push(record(n)).unwrap());
    assert_eq!(spool.passed(), Passed { dropped: 10, waiting: 3, ..Passed::default() });
    let error = spool.to_send().unwrap_err();
    assert!(error.to_string().contains("was taken away, and 10 lines with it"), "{error}");
    assert_eq!(all(&mut spool), [10, 11, 12]);
    kill(spool);
    assert_eq!(all(&mut open(folder.path())), [10, 11, 12]);
}

/// Room is made where the oldest file is not there any more, and what was in it counts as dropped.
#[test]
fn a_limit_holds_though_the_oldest_file_was_taken_away() {
    let folder = tempfile::tempdir().unwrap();
    let mut spool = Spool::open(folder.path(), 3 * FILE).unwrap();
    let count = (6 * FILE) / record(0).bytes().len() as u64;
    for n in 0..count {
        if n == count / 4 {
            fs::remove_file(path_of(folder.path(), 0)).unwrap();
        }
        spool.push(record((n % 60_000) as u16)).unwrap();
    }
    let bytes: u64 = fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().metadata().unwrap().len()).sum();
    assert!(bytes <= 4 * FILE, "{bytes}");
    assert_eq!(spool.passed().dropped + spool.passed().waiting, count);
}

/// An older file is taken away: the newer ones are sent.
#[test]
fn an_older_file_taken_away_is_passed_over() {
    let folder = tempfile::tempdir().unwrap();
    let mut spool = open(folder.path());
    let count = (2 * FILE + FILE / 2) / record(0).bytes().len() as u64;
    (0..count).for_each(|n| spool.push(record((n % 60_000) as u16)).unwrap());
    let starts: Vec<_> = spool.files.iter().map(|part| part.start).collect();
    let [_, second, third] = starts[..] else { panic!("{starts:?}") };
    fs::remove_file(path_of(folder.path(), second)).unwrap();
    let (mut sent, mut troubles, mut end) = (0, 0, 0);
    loop {
        match spool.to_send() {
            Ok(Some((place, _))) => (sent, end) = (sent + 1, place),
            Ok(None) => break,
            Err(_) => troubles += 1,
        }
    }
    assert_eq!((troubles, end), (1, spool.end));
    assert!(spool.passed().dropped > 0 && spool.passed().dropped + sent == count);
    assert!(spool.passed().waiting == sent && third > second);
}

/// A line that was written in part goes when the disk takes lines again, also where it could not be cut off at once.
#[test]
fn a_line_written_in_part_is_written_over() {
    let folder = tempfile::tempdir().unwrap();
    let mut spool = open(folder.path());
    (0..3).for_each(|n| spool.push(record(n)).unwrap());
    for is_reopened in [false, true] {
        spool.append.as_mut().unwrap().write_all(b"h1 3 0.100 S - ").unwrap();
        // As after a failure.
        spool.is_torn = true;
        if is_reopened {
            spool.append = None;
        }
        (0..3).for_each(|n| spool.push(record(n)).unwrap());
    }
    assert_eq!(all(&mut spool), [0, 1, 2, 0, 1, 2, 0, 1, 2]);
    kill(spool);
    assert_eq!(all(&mut open(folder.path())), [0, 1, 2, 0, 1, 2, 0, 1, 2]);
}

#[derive(Clone, Copy, Debug)]
enum Step {
    Push,
    Send,
    Arrive,
    Break,
    Kill,
    DiskFails,
    DiskWorks,
}

proptest! {
    /// Whatever happens, in any order: the far end gets every line that was pushed, without a gap, what comes twice came before; lines lost
    /// in memory with a kill while the disk failed excepted, which no spool can have.
    #[test]
    fn every_line_arrives(steps in prop::collection::vec(prop_oneof![
        6 => Just(Step::Push), 6 => Just(Step::Send), 3 => Just(Step::Arrive), 1 => Just(Step::Break), 1 => Just(Step::Kill),
        1 => Just(Step::DiskFails), 1 => Just(Step::DiskWorks),
    ], 1..120)) {
        let folder = tempfile::tempdir().unwrap();
        let mut spool = open(folder.path());
        let (mut pushed, mut seen, mut told, mut fails) = (0_u16, 0_u16, Vec::new(), false);
        for step in steps.into_iter().chain([Step::DiskWorks, Step::Break]) {
            match step {
                Step::Push => {
                    if fails && let Some(part) = spool.files.back() {
                        spool.append = Some(File::open(path_of(folder.path(), part.start)).unwrap());
                    }
                    let kept = spool.push(record(pushed));
                    prop_assert!(kept.is_ok() || fails);
                    pushed += 1;
                }
                Step::Send => {
                    if let Some((end, line)) = spool.to_send().unwrap() {
                        prop_assert!(sequence(&line) <= seen, "{} after {seen}", sequence(&line));
                        seen = seen.max(sequence(&line) + 1);
                        told.push(end);
                    }
                }
                Step::Arrive => {
                    if !told.is_empty() {
                        spool.arrived(told.remove(0));
                    }
                }
                Step::Break => {
                    spool.again();
                    told.clear();
                }
                Step::Kill if spool.unsaved.is_empty() => {
                    kill(spool);
                    spool = open(folder.path());
                    told.clear();
                }
                Step::Kill => {}
                Step::DiskFails => fails = true,
                Step::DiskWorks => {
                    fails = false;
                    spool.append = None;
                    let _ = spool.write();
                }
            }
        }
        while let Some((end, line)) = spool.to_send().unwrap() {
            prop_assert!(sequence(&line) <= seen);
            seen = seen.max(sequence(&line) + 1);
            spool.arrived(end);
        }
        prop_assert_eq!(seen, pushed);
        prop_assert_eq!(spool.passed().waiting, 0);
    }
}
