use humtick::Frequency;
use humtick::link::next;

use super::*;

fn record(sequence: u16, time_ms: u32, mhz: u32) -> Record {
    Record {
        sequence,
        time_ms,
        state: State::Locked,
        frequency: Some(Frequency::from_millihertz(mhz)),
        uncertainty: None,
        rocof: None,
        missed: 0,
        rejected: 0,
    }
}

struct Bench {
    station: Station,
    id: Id,
    now: Instant,
    news: Vec<News>,
}

impl Bench {
    fn new(limits: &str) -> Self {
        let now = Instant::now();
        let limits = if limits.is_empty() { Limits::default() } else { limits.parse().unwrap() };
        let mut station = Station::new(limits, None, now);
        let id = station.claim(&Name::like("pump"), Way(1), &record(0, 0, 50_000), now).unwrap();
        Self { station, id, now, news: Vec::new() }
    }

    /// A reading, 100 ms after the one before.
    fn take(&mut self, record: Record) -> Vec<News> {
        self.now += Duration::from_millis(100);
        let news = &mut self.news;
        news.clear();
        self.station.take(self.id, record, self.now, 0, |what| news.push(what));
        news.clone()
    }

    fn sensor(&self) -> &Sensor {
        self.station.sensor(self.id).unwrap()
    }
}

#[test]
fn every_reading_is_lost_doubled_late_or_taken() {
    let mut bench = Bench::new("");
    let mut at = |sequence: u16| bench.take(record(sequence, 1_000 + u32::from(sequence) * 100, 50_001));
    assert_eq!(at(0), [News::Reading, News::State(State::Locked)]);
    assert_eq!(at(1), [News::Reading]);
    assert_eq!(at(1), []);
    assert_eq!(at(5), [News::Missing(3), News::Reading]);
    assert_eq!(at(3), [News::Reading]);
    assert_eq!(at(3), []);
    assert_eq!(at(5), []);
    assert_eq!(at(6), [News::Reading]);
    let tally = bench.sensor().tally;
    assert_eq!(tally, Tally { readings: 5, lost: 2, doubled: 3, late: 1, restarts: 0, refused: 0 });
    // What came late says nothing about now.
    assert_eq!(bench.sensor().last.sequence, 6);
}

/// A relay that was killed sends again what it had no receipt for. That is no restart of the sensor.
#[test]
fn a_stretch_that_comes_again_is_doubled_and_a_start_is_a_start() {
    let mut bench = Bench::new("");
    let of = |k: u16, start: u32| record(k, start + u32::from(k) * 100, 49_990 + u32::from(k) % 7);
    for k in 0..300 {
        bench.take(of(k, 0));
    }
    for k in 50..300 {
        assert_eq!(bench.take(of(k, 0)), [], "{k}");
    }
    assert_eq!(bench.take(of(300, 0)), [News::Reading]);
    assert_eq!(bench.sensor().tally, Tally { readings: 301, doubled: 250, ..Tally::default() });
    // The same numbers at other times.
    assert_eq!(bench.take(of(0, 7)), [News::Restarted, News::Reading]);
    for k in 1..10 {
        assert_eq!(bench.take(of(k, 7)), [News::Reading]);
    }
    assert_eq!(bench.sensor().tally.restarts, 1);
}

#[test]
fn numbers_turn_over_without_loss() {
    let mut bench = Bench::new("");
    let mut number = 65_000;
    for k in 0..2_000 {
        bench.take(record(number, k * 100, 50_000));
        number = next(number);
    }
    assert_eq!(bench.sensor().tally, Tally { readings: 2_000, ..Tally::default() });
}

#[test]
fn limits_are_told_when_left_and_when_kept_again() {
    let mut bench = Bench::new("49.8..50.2");
    let mut told = Vec::new();
    for (k, mhz) in [50_000, 49_790, 49_700, 49_805, 49_820].into_iter().enumerate() {
        told.extend(bench.take(record(k as u16, k as u32 * 100, mhz)).into_iter().filter_map(
            |news| match news {
                News::Limit { band, left, extreme } => Some((k, band, left, extreme)),
                _ => None,
            },
        ));
        assert_eq!(bench.sensor().is_outside(), (1..4).contains(&k), "{k}");
    }
    let band = || "49.8..50.2 Hz".to_string();
    assert_eq!(told, [(1, band(), true, 49.79), (4, band(), false, 49.7)]);
}

#[test]
fn grid_time_adds_up_over_short_gaps_and_begins_anew_after_long_ones() {
    let mut bench = Bench::new("");
    // 20 mHz fast, one reading a second, every tenth missing.
    for k in (0..=100u16).filter(|k| k % 10 != 5) {
        bench.take(record(k, u32::from(k) * 1_000, 50_020));
    }
    let grid = bench.sensor().grid().unwrap();
    assert!((grid.ahead_s - 0.04).abs() < 1e-9 && (grid.since_s - 100.0).abs() < 1e-9, "{grid:?}");
    bench.take(record(101, 110_000, 50_020));
    assert_eq!(bench.sensor().grid(), None);
    bench.take(Record { frequency: None, state: State::Lost, ..record(102, 111_000, 0) });
    bench.take(record(103, 112_000, 50_000));
    assert_eq!(bench.sensor().grid(), None);
}

#[test]
fn two_of_one_name_are_two_and_a_silent_way_gives_its_sensor_up() {
    let now = Instant::now();
    let mut station = Station::new(Limits::default(), None, now);
    let (name, first) = (Name::like("pump"), record(0, 0, 50_000));
    let mut claim = |way, now| {
        let id = station.claim(&name, Way(way), &first, now).unwrap();
        station.take(id, first, now, 0, |_| ());
        station.sensor(id).unwrap().name.to_string()
    };
    assert_eq!(claim(1, now), "pump");
    assert_eq!(claim(2, now), "pump-2");
    assert_eq!(claim(3, now), "pump-3");
    assert_eq!(claim(2, now), "pump-2");
    // All are silent: the newcomer goes on where the first one ended.
    let later = now + SILENT;
    assert_eq!(claim(4, later), "pump");
    let id = station.names[&name];
    assert!(station.is_held(id, Way(4)) && !station.is_held(id, Way(1)));
    station.release(id, Way(1));
    assert!(station.is_held(id, Way(4)));
    station.release(id, Way(4));
    assert_eq!(station.claim(&name, Way(5), &first, later), Some(id));
}

/// One that speaks every ten seconds is not silent after five; each silence is told once, and its end.
#[test]
fn silence_is_told_and_its_end() {
    let now = Instant::now();
    let mut station = Station::new(Limits::default(), None, now);
    let seconds = |s: u64| now + Duration::from_secs(s);
    let mut ids = [("pump", 100), ("cellar", 10_000)].map(|(name, step)| {
        let id = station.claim(&Name::like(name), Way(step), &record(0, 0, 50_000), now).unwrap();
        for k in 0..3u16 {
            station.take(id, record(k, u32::from(k) * step as u32, 50_000), now, 0, |_| ());
        }
        id
    });
    let mut silent = |at| {
        let mut silent = Vec::new();
        station.advance(seconds(at), |id| silent.push(id));
        silent
    };
    assert_eq!((silent(4), silent(5), silent(6)), (vec![], vec![ids[0]], vec![]));
    assert_eq!((silent(29), silent(30), silent(31)), (vec![], vec![ids[1]], vec![]));
    ids.reverse();
    for (id, time_ms) in ids.into_iter().zip([30_000, 300]) {
        assert!(station.sensor(id).unwrap().is_silent());
        let mut news = Vec::new();
        station.take(id, record(3, time_ms, 50_000), seconds(42), 0, |what| news.push(what));
        assert_eq!(news, [News::Heard(Duration::from_secs(42)), News::Reading]);
        assert!(!station.sensor(id).unwrap().is_silent());
    }
}

#[test]
fn there_are_only_so_many_sensors() {
    let now = Instant::now();
    let mut station = Station::new(Limits::default(), None, now);
    let first = record(0, 0, 50_000);
    for k in 0..MOST_SENSORS as u64 {
        assert!(station.claim(&Name::like(&format!("s{k}")), Way(k), &first, now).is_some());
    }
    assert_eq!(station.claim(&Name::like("more"), Way(9), &first, now), None);
    assert_eq!(station.sensors().len(), MOST_SENSORS);
}
