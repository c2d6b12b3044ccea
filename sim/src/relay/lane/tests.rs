use humtick::link::{Keep, MAX_LINE, line};

use super::super::spool::Spool;
use super::*;

fn record(sequence: u16) -> Record {
    Record {
        sequence,
        time_ms: 100,
        state: humtick::State::Seeking,
        frequency: None,
        uncertainty: None,
        rocof: None,
        missed: 0,
        rejected: 0,
    }
}

/// With two lines.
fn filled() -> Lane {
    let lane = Lane::new(Name::like("saw"), Store::memory(Keep::All, 10));
    for sequence in 0..2 {
        let record = record(sequence);
        let text = line(&record, &mut [0; MAX_LINE]).strip_suffix(b"\n").and_then(Line::new).unwrap();
        lane.take(text, &record).unwrap();
    }
    lane
}

fn first(lane: &Lane) -> Line {
    match lane.next() {
        Ok(Next::Line(line)) => line,
        _ => panic!("there is a line"),
    }
}

/// Where written is delivered, handed out is not: what could not be written goes out again.
#[test]
fn what_could_not_be_written_goes_out_again() {
    let lane = filled();
    lane.connect(Proof::Written);
    let line = first(&lane);
    assert_eq!((lane.counts().passed.delivered, lane.counts().passed.waiting), (0, 2));
    assert!(!lane.disconnect());
    lane.connect(Proof::Written);
    assert_eq!(first(&lane), line);
    lane.written();
    assert_eq!((lane.counts().passed.delivered, lane.counts().passed.waiting), (1, 1));
    assert_eq!(lane.counts().again, 1);
}

/// That nothing is kept is word enough: nothing is believed to be from then on.
#[test]
fn a_far_end_that_has_told_anything_is_waited_for() {
    let lane = filled();
    let connection = lane.connect(Proof::Stood(Duration::ZERO));
    lane.told(connection, 0);
    let believed = |lane: &Lane| {
        lane.state().believe();
        lane.counts().passed.delivered
    };
    for _ in 0..2 {
        first(&lane);
        assert_eq!(believed(&lane), 0);
    }
    lane.told(connection, 1);
    assert_eq!(believed(&lane), 1);
    // It is known to tell from then on: on the next connection it may have stopped before its first word.
    lane.disconnect();
    lane.connect(Proof::Stood(Duration::ZERO));
    first(&lane);
    assert_eq!(believed(&lane), 1);
    // One that is not is believed.
    let lane = filled();
    lane.connect(Proof::Stood(Duration::ZERO));
    first(&lane);
    assert_eq!(believed(&lane), 1);
}

/// Told to end, a far end that tells is told so itself only when it has told of all lines: it may close right after.
#[test]
fn what_is_on_its_way_is_waited_for_before_the_end() {
    let lane = filled();
    let connection = lane.connect(Proof::Stood(Duration::MAX));
    lane.told(connection, 0);
    for _ in 0..2 {
        first(&lane);
    }
    lane.end(Instant::now() + Duration::from_secs(600));
    std::thread::scope(|scope| {
        let next = scope.spawn(|| lane.next().unwrap());
        std::thread::sleep(2 * TICK);
        assert!(!next.is_finished());
        lane.told(connection, 2);
        assert!(matches!(next.join().unwrap(), Next::Over));
    });
}

/// A sender that waits for receipts is not read while the disk takes nothing and memory fills; it is again when the disk does.
#[test]
fn a_stuck_lane_is_waited_for() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path().join("saw");
    let lane = Lane::new(Name::like("saw"), Store::Spool(Box::new(Spool::open(&folder, 1 << 30).unwrap())));
    lane.wait_for_room();
    // Something else in the folder's place.
    std::fs::remove_dir_all(&folder).unwrap();
    std::fs::write(&folder, "").unwrap();
    for sequence in 0..6_000 {
        let record = record(sequence);
        let text = line(&record, &mut [0; MAX_LINE]).strip_suffix(b"\n").and_then(Line::new).unwrap();
        assert!(lane.take(text, &record).is_err());
    }
    std::thread::scope(|scope| {
        let waiting = scope.spawn(|| lane.wait_for_room());
        std::thread::sleep(3 * TICK);
        assert!(!waiting.is_finished());
        std::fs::remove_file(&folder).unwrap();
        // As whoever sends does ten times a second.
        while !waiting.is_finished() {
            lane.state().store.save();
            std::thread::sleep(TICK);
        }
    });
    assert_eq!((lane.counts().passed.waiting, lane.counts().passed.unsaved), (6_000, 0));
}
