use humtick::link::{Record, next};
use humtick::{Frequency, State};

use super::super::place::Survey;
use super::*;

const START: i64 = 1_774_742_400_000;

fn row(sequence: u16, k: u32, mhz: Option<u32>) -> Row {
    let record = Record {
        sequence,
        time_ms: k * 100,
        state: if mhz.is_some() { State::Locked } else { State::Lost },
        frequency: mhz.map(Frequency::from_millihertz),
        uncertainty: None,
        rocof: None,
        missed: 0,
        rejected: 0,
    };
    Row { utc_ms: START + i64::from(k) * 100, record }
}

fn account(rows: impl IntoIterator<Item = Row>) -> Account {
    limited(rows, Limits::default())
}

fn limited(rows: impl IntoIterator<Item = Row>, limits: Limits) -> Account {
    let rows: Vec<_> = rows.into_iter().collect();
    let mut survey = Survey::default();
    rows.iter().for_each(|row| survey.take(row));
    let mut account = Account::new(Name::like("pump"), limits, None, survey.end());
    rows.iter().for_each(|row| account.take(row));
    account.end();
    account
}

/// Another start of the sensor, after `start` steps of the one before.
fn anew(start: u32, k: u32, mhz: u32) -> Row {
    let row = row(k as u16, k, Some(mhz));
    Row { utc_ms: row.utc_ms + i64::from(start) * 100, ..row }
}

#[test]
fn ten_seconds_have_means_if_they_have_readings() {
    // 60 s; from 20 to 25 s half of a ten seconds is missing.
    let rows = (0..600).filter(|k| !(200..250).contains(k));
    let account = account(rows.map(|k| row(k as u16, k, Some(50_000 + k / 100))));
    let start = START / 10_000;
    let mean = |k: u32| 50.0 + f64::from(k) / 1e3;
    let means: Vec<_> =
        account.means.iter().map(|(ten, hz)| (ten - start, (hz * 1e6).round() / 1e6)).collect();
    assert_eq!(means, [(0, mean(0)), (1, mean(1)), (3, mean(3)), (4, mean(4)), (5, mean(5))]);
    assert_eq!(account.partial, 1);
    assert_eq!(account.longest().len(), 350);
    assert_eq!(account.longest_means().len(), 3);
}

/// Of three that are missing two come late: one gap of one reading is left of it, and what follows is whole.
#[test]
fn what_comes_late_was_not_lost() {
    let order = (0..50).chain([53, 50, 52]).chain(54..100).chain([101, 100]).chain(102..200);
    let account = account(order.map(|k| row(k as u16, k, Some(50_000))));
    let tally = account.tally();
    assert_eq!((tally.lost, tally.late, tally.readings), (1, 3, 199));
    let gaps: Vec<_> = account.gaps.iter().map(|gap| gap.kind).collect();
    assert_eq!(gaps, [GapKind::Lost(1)]);
    assert_eq!(account.gap_sums.map(|sum| sum.0), [0, 0, 1, 0]);
}

/// However many limits one reading leaves, each is an event.
#[test]
fn every_limit_that_is_left_is_an_event() {
    let bands: Vec<_> = (1..=12).map(|k| format!("49..50.{k:02}")).collect();
    let mhz = |k| if (100..200).contains(&k) { 55_000 } else { 50_000 };
    let account = limited((0..300).map(|k| row(k as u16, k, Some(mhz(k)))), bands.join(",").parse().unwrap());
    let limits = account.happened.iter().filter(|event| matches!(event.news, News::Limit { .. }));
    assert_eq!(limits.count(), 2 * bands.len());
}

/// There is a page of a sensor that never had a signal.
#[test]
fn a_log_without_a_frequency_has_a_page() {
    let account = account((0..100).map(|k| row(k as u16, k, None)));
    let mut page = crate::view::Page::new(crate::view::Supply::Synchronous);
    page.add(&account);
    assert!(page.html().contains("There was no reading with a frequency."));
}

#[test]
fn each_gap_has_its_reason() {
    let mut rows = Vec::new();
    let (mut sequence, mut k) = (0, 0);
    let good = |rows: &mut Vec<Row>, sequence: &mut u16, k: &mut u32| {
        for _ in 0..100 {
            rows.push(row(*sequence, *k, Some(50_000)));
            (*sequence, *k) = (next(*sequence), *k + 1);
        }
    };
    good(&mut rows, &mut sequence, &mut k);
    // Lost on the way.
    (sequence, k) = (sequence + 20, k + 20);
    good(&mut rows, &mut sequence, &mut k);
    // Not sent.
    k += 30;
    good(&mut rows, &mut sequence, &mut k);
    // No signal.
    for _ in 0..40 {
        rows.push(row(sequence, k, None));
        (sequence, k) = (next(sequence), k + 1);
    }
    good(&mut rows, &mut sequence, &mut k);
    // A new start, 5 s later.
    let restart = k + 50;
    rows.extend((0..100).map(|n| anew(restart, n, 50_001)));
    let account = account(rows);
    let gaps: Vec<_> =
        account.gaps.iter().map(|gap| (((gap.length_s * 10.0).round() / 10.0), gap.kind)).collect();
    assert_eq!(
        gaps,
        [(2.1, GapKind::Lost(20)), (3.1, GapKind::Silent), (4.1, GapKind::NoSignal), (5.1, GapKind::Restart)]
    );
    assert_eq!(account.tally().restarts, 1);
    let events: Vec<_> = account.happened.iter().map(|event| event.news.clone()).collect();
    assert_eq!(
        events,
        [News::State(State::Locked), News::State(State::Lost), News::State(State::Locked), News::Restarted]
    );
}

/// A connection takes its time: what was said meanwhile comes at once, and that is no gap, then or later.
#[test]
fn a_late_start_makes_no_gaps() {
    let late =
        |k: u32| Row { utc_ms: START + i64::from(k.max(9)) * 100 + 50, ..row(k as u16, k, Some(50_000)) };
    let account = account((0..1_000).map(late));
    assert_eq!(account.gaps, []);
    assert!((account.spacing_s().unwrap() - 0.1).abs() < 1e-9);
}

/// A window that fills: its middle begins with a step of 10 ms and goes on by 50 ms, and only then by 100.
#[test]
fn the_first_steps_are_not_the_usual_ones() {
    let time_ms = |k: u32| match k {
        0 => 0,
        1..=18 => 10 + (k - 1) * 50,
        _ => 860 + (k - 18) * 100,
    };
    let account = account((0..300).map(|k| {
        let Row { record, utc_ms } = row(k as u16, k, Some(50_000));
        Row { record: Record { time_ms: time_ms(k), ..record }, utc_ms }
    }));
    assert_eq!(account.gaps, []);
    assert!((account.spacing_s().unwrap() - 0.1).abs() < 1e-3, "{:?}", account.spacing_s());
}

/// What comes at once, whatever there was before it, counts where it was taken.
#[test]
fn a_backlog_has_the_means_that_it_would_have_had() {
    let mhz = |k: u32| 50_000 + k / 100 % 37;
    let log = |from: u32, to: u32| {
        account((0..24_000).map(|k| {
            let came = if (from..to).contains(&k) { to } else { k };
            Row { utc_ms: START + i64::from(came) * 100 + 30, ..row(k as u16, k, Some(mhz(k))) }
        }))
    };
    let live = log(0, 0);
    assert_eq!((live.means.len(), live.partial), (240, 0));
    for (from, to) in [(0, 6_000), (6_020, 18_070), (20_010, 24_000)] {
        let late = log(from, to);
        assert_eq!((&late.means, late.partial, &late.gaps), (&live.means, 0, &vec![]));
        assert_eq!((late.extremes, late.span_s()), (live.extremes, live.span_s()));
    }
}

/// Between the last reading of one start and the first of the next lies what lay there, though both came at once and much later.
#[test]
fn a_restart_within_a_backlog_is_a_gap_as_long_as_it_was() {
    let rows = (0..12_000).map(|k| row(k as u16, k, Some(50_000)));
    let rows = rows.chain((0..12_000).map(|k| anew(12_049, k, 50_000)));
    let back = START + 1_800_000;
    let late = |row: Row| {
        let is_away = (START + 600_000..back).contains(&row.utc_ms);
        Row { utc_ms: if is_away { back } else { row.utc_ms }, ..row }
    };
    let account = account(rows.map(late));
    let gaps: Vec<_> = account.gaps.iter().map(|gap| (gap.from_ms, gap.length_s, gap.kind)).collect();
    assert_eq!(gaps, [((START + 1_199_900) as f64, 5.0, GapKind::Restart)]);
    assert_eq!((account.means.len(), account.partial), (239, 2));
}

/// An hour forward is no gap, and a gap about it is no hour.
#[test]
fn a_clock_that_is_set_makes_no_gap() {
    for by in [3_600_000, -3_600_000] {
        let set = move |row: Row| {
            let is_new = row.utc_ms >= START + 1_800_000;
            Row { utc_ms: row.utc_ms + if is_new { by } else { 0 }, ..row }
        };
        let rows = |lost: std::ops::Range<u32>| {
            let rows = (0..36_000).filter(move |k| !lost.contains(k));
            account(rows.map(|k| row(k as u16, k, Some(50_000))).map(set))
        };
        assert_eq!(rows(0..0).gaps, []);
        let account = rows(17_990..18_010);
        let gaps: Vec<_> = account.gaps.iter().map(|gap| (gap.from_ms, gap.length_s, gap.kind)).collect();
        assert_eq!(gaps, [((START + 1_798_900) as f64, 2.1, GapKind::Lost(20))]);
    }
}

/// How long the sensor was away is not known, and no less than nothing.
#[test]
fn a_restart_while_the_clock_is_set_back_has_no_length() {
    let rows = (0..6_000).map(|k| row(k as u16, k, Some(50_000)));
    let account = account(rows.chain((0..6_000).map(|k| anew(3_000, k, 50_000))));
    let gaps: Vec<_> = account.gaps.iter().map(|gap| (gap.length_s, gap.kind)).collect();
    assert_eq!(gaps, [(0.0, GapKind::Restart)]);
}

/// Ten seconds that the clock showed twice have one mean; if in part, none.
#[test]
fn what_a_clock_showed_twice_counts_once() {
    let log = |by: i64| {
        account((0..12_000).map(|k| {
            let Row { utc_ms, record } = row(k as u16, k, Some(if k < 6_050 { 50_000 } else { 50_010 }));
            Row { utc_ms: utc_ms - if k < 6_050 { 0 } else { by }, record }
        }))
    };
    let back = log(4_000);
    assert_eq!((back.means.len(), back.partial), (118, 2));
    let start = START / 10_000;
    assert!(back.means.iter().all(|(ten, _)| *ten != start + 60));
    let back = log(300_000);
    assert!(back.means.windows(2).all(|pair| pair[0].0 < pair[1].0));
    assert_eq!(back.means.len(), 90);
    assert!((back.means[59].1 - 50.0).abs() < 1e-9 && (back.means[60].1 - 50.01).abs() < 1e-9);
}

/// It fills the gap that it lies in, though that lies in a backlog and the clock has been set since.
#[test]
fn what_comes_late_is_known_by_when_it_was_taken() {
    let mut rows: Vec<_> = (0..12_000).map(|k| row(k as u16, k, Some(50_000))).collect();
    for row in &mut rows[..6_000] {
        row.utc_ms = START + 600_000;
    }
    for row in &mut rows[3_010..] {
        row.utc_ms += 3_600_000;
    }
    let late = rows.remove(3_000);
    rows.remove(2_990);
    rows.insert(3_015, Row { utc_ms: rows[3_015].utc_ms, ..late });
    let account = account(rows);
    let gaps: Vec<_> = account.gaps.iter().map(|gap| (gap.length_s, gap.kind)).collect();
    assert_eq!(gaps, [(0.2, GapKind::Lost(1))]);
}

/// Readings that come more rarely from some moment on, at first each of them a gap, soon are what is usual.
#[test]
fn another_pace_is_got_used_to() {
    let slow = (1..500).map(|n| row(200 + n as u16, 200 + n * 10, Some(50_000)));
    let account = account((0..200).map(|k| row(k as u16, k, Some(50_000))).chain(slow));
    assert!((15..25).contains(&account.gaps.len()), "{}", account.gaps.len());
    assert!((account.spacing_s().unwrap() - 1.0).abs() < 1e-3);
}

#[test]
fn distribution_and_extremes_are_those_of_the_readings() {
    let account =
        account((0..1_000).map(|k| row(k as u16, k, Some(if k == 500 { 60_000 } else { 49_990 + k % 3 }))));
    assert_eq!(account.beyond, 1);
    let bins: Vec<_> =
        account.bins.iter().enumerate().filter(|(_, n)| **n > 0).map(|(b, n)| (b as i64, *n)).collect();
    assert_eq!(bins.iter().map(|(b, _)| b - BINS / 2).collect::<Vec<_>>(), [-10, -9, -8]);
    assert_eq!(bins.iter().map(|(_, n)| n).sum::<u64>(), 999);
    let [least, most] = account.extremes.unwrap();
    assert_eq!((least.0, most.0), (49.99, 60.0));
    assert!((most.1 - (START + 50_000) as f64).abs() < 1.0);
}

#[test]
fn what_came_twice_counts_once() {
    let all: Vec<_> = (0..100).map(|k| row(k as u16, k, Some(50_000))).collect();
    let twice = all[50..].to_vec();
    let account = account(all.into_iter().chain(twice));
    assert_eq!((account.tally().readings, account.tally().doubled), (100, 50));
    assert_eq!(account.gaps, []);
}
