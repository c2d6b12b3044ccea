use humtick::State;
use humtick::link::Record;

use super::*;

const DAY: i64 = 1_774_742_400_000;

fn row(sequence: u16, utc_ms: i64) -> Row {
    let record = Record {
        sequence,
        time_ms: u32::from(sequence) * 100,
        state: State::Locked,
        frequency: Some(humtick::Frequency::from_millihertz(50_000)),
        uncertainty: None,
        rocof: None,
        missed: 0,
        rejected: 0,
    };
    Row { utc_ms, record }
}

fn name(text: &str) -> Name {
    text.parse().unwrap()
}

/// Sequence numbers in a log, all of whose lines must be rows.
fn numbers(path: &Path) -> Vec<u16> {
    let bytes = fs::read(path).unwrap();
    assert_eq!(bytes.last(), Some(&b'\n'));
    let lines: Vec<_> = bytes.split(|b| *b == b'\n').collect();
    assert!(sensor(lines[0]).is_some());
    assert_eq!(lines[1], crate::log::row::COLUMNS.as_bytes());
    lines[2..lines.len() - 1].iter().map(|line| Row::parse(line).unwrap().record.sequence).collect()
}

fn flush(folder: &mut Folder) -> Vec<Notice> {
    let mut notices = Vec::new();
    folder.flush(Instant::now(), &mut |notice| notices.push(notice));
    notices
}

#[test]
fn each_day_has_its_file_and_each_sensor_its_own() {
    let temp = tempfile::tempdir().unwrap();
    let mut folder = Folder::open(temp.path()).unwrap();
    let (pump, saw) = (folder.add(&name("pump")), folder.add(&name("saw")));
    for (place, sequence, at) in [
        (pump, 1, DAY - 1),
        (saw, 1, DAY - 1),
        (pump, 2, DAY),
        (pump, 3, DAY + 5),
        // The clock was set back.
        (pump, 4, DAY - 1_000),
    ] {
        assert!(folder.take(place, &row(sequence, at)));
    }
    assert!(!folder.is_written(pump));
    assert_eq!(flush(&mut folder), []);
    assert!(folder.is_written(pump) && folder.counts() == (5, 0));
    let of = |file: &str| numbers(&temp.path().join(file));
    assert_eq!(of("pump-2026-03-28.csv"), [1, 4]);
    assert_eq!(of("pump-2026-03-29.csv"), [2, 3]);
    assert_eq!(of("saw-2026-03-28.csv"), [1]);
}

#[test]
fn a_torn_row_is_cut_off_wherever_it_was_torn() {
    let temp = tempfile::tempdir().unwrap();
    let path = temp.path().join("pump-2026-03-29.csv");
    let write = |sequence| {
        let mut folder = Folder::open(temp.path()).unwrap();
        let pump = folder.add(&name("pump"));
        folder.take(pump, &row(sequence, DAY));
        flush(&mut folder)
    };
    assert_eq!(write(1), []);
    let one = fs::read(&path).unwrap();
    assert_eq!(write(2), []);
    let two = fs::read(&path).unwrap();
    for length in 0..=two.len() {
        fs::write(&path, &two[..length]).unwrap();
        let cut = !(length <= head(&name("pump")).len() || length == one.len() || length == two.len());
        let expected = if cut { vec![Notice::Cut(path.clone())] } else { vec![] };
        assert_eq!(write(3), expected, "{length}");
        let whole = usize::from(length >= one.len()) + usize::from(length == two.len());
        assert_eq!(numbers(&path), [&[1, 2][..whole], &[3]].concat(), "{length}");
    }
}

#[test]
fn what_is_no_log_is_left_alone() {
    let temp = tempfile::tempdir().unwrap();
    let path = temp.path().join("pump-2026-03-29.csv");
    for text in ["seconds,hz\n1,50\n".to_string(), head(&name("saw")), head(&name("pump")) + &"x".repeat(600)]
    {
        fs::write(&path, &text).unwrap();
        let mut folder = Folder::open(temp.path()).unwrap();
        let pump = folder.add(&name("pump"));
        folder.take(pump, &row(1, DAY));
        let notices = flush(&mut folder);
        assert!(matches!(&notices[..], [Notice::Failing(why)] if why.contains("log")), "{notices:?}");
        assert_eq!(fs::read_to_string(&path).unwrap(), text);
    }
}

#[test]
fn a_folder_taken_away_is_made_anew_and_one_taken_by_another_refused() {
    let temp = tempfile::tempdir().unwrap();
    let path = temp.path().join("logs");
    let mut folder = Folder::open(&path).unwrap();
    let busy = Folder::open(&path).unwrap_err();
    assert!(busy.to_string().contains("another listener"), "{busy}");
    let pump = folder.add(&name("pump"));
    folder.take(pump, &row(1, DAY));
    flush(&mut folder);
    fs::remove_dir_all(&path).unwrap();
    folder.take(pump, &row(2, DAY));
    let file = path.join("pump-2026-03-29.csv");
    assert_eq!(flush(&mut folder), [Notice::Gone(file.clone())]);
    assert_eq!(numbers(&file), [2]);
}

#[test]
fn what_cannot_be_written_waits_within_a_bound_and_is_written_later() {
    let temp = tempfile::tempdir().unwrap();
    let path = temp.path().join("pump-2026-03-29.csv");
    // A folder in the way.
    fs::create_dir(&path).unwrap();
    let mut folder = Folder::open(temp.path()).unwrap();
    let pump = folder.add(&name("pump"));
    let mut kept = 0u64;
    for sequence in 0..30_000u32 {
        let number = (sequence % 60_000) as u16;
        kept += u64::from(folder.take(pump, &row(number, DAY)));
        if sequence == 10 {
            assert!(matches!(&flush(&mut folder)[..], [Notice::Failing(_)]));
        }
    }
    // Rows have some 60 bytes.
    assert!((15_000..20_000).contains(&kept), "{kept}");
    let saw = folder.add(&name("saw"));
    assert!(folder.take(saw, &row(1, DAY)));
    assert!(folder.is_failing() && !folder.is_written(pump));
    // Not tried again within the second.
    assert_eq!(flush(&mut folder), []);
    fs::remove_dir(&path).unwrap();
    let mut notices = Vec::new();
    folder.flush(Instant::now() + AGAIN, &mut |notice| notices.push(notice));
    assert!(matches!(notices[..], [Notice::Resumed(_, lost)] if lost == 30_000 - kept), "{notices:?}");
    assert_eq!(numbers(&path).len() as u64, kept);
    assert_eq!(numbers(&temp.path().join("saw-2026-03-29.csv")), [1]);
    assert_eq!(folder.counts(), (kept + 1, 30_000 - kept));
}

#[test]
fn more_sensors_than_files_may_be_open() {
    let temp = tempfile::tempdir().unwrap();
    let mut folder = Folder::open(temp.path()).unwrap();
    let places: Vec<_> = (0..MOST_OPEN * 2 + 5).map(|k| folder.add(&name(&format!("s{k}")))).collect();
    for sequence in 1..4 {
        for place in &places {
            folder.take(*place, &row(sequence, DAY));
        }
        assert_eq!(flush(&mut folder), []);
        assert!(folder.open <= MOST_OPEN + 1);
    }
    for k in 0..places.len() {
        assert_eq!(numbers(&temp.path().join(format!("s{k}-2026-03-29.csv"))), [1, 2, 3]);
    }
}
