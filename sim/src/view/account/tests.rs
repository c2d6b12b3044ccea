use humtick::link::{Record, next};
use humtick::{Frequency, State};

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
    let mut account = Account::new(Name::like("pump"), Limits::default(), None);
    rows.into_iter().for_each(|row| account.take(&row));
    account.end();
    account
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
    let mut account = Account::new(Name::like("pump"), bands.join(",").parse().unwrap(), None);
    for k in 0..300 {
        account.take(&row(k as u16, k, Some(if (100..200).contains(&k) { 55_000 } else { 50_000 })));
    }
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
    rows.extend((0..100u32).map(|n| {
        let row = row(n as u16, n, Some(50_001));
        Row { utc_ms: START + i64::from(restart + n) * 100, ..row }
    }));
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

/// A backlog that comes at once, with nothing before it to say when it was taken, is no mean of ten seconds.
#[test]
fn a_backlog_at_the_start_has_no_mean() {
    let late = |k: u32| {
        let mhz = if k < 1_000 { 51_000 } else { 50_000 };
        Row { utc_ms: START + i64::from(k.max(1_000)) * 100, ..row(k as u16, k, Some(mhz)) }
    };
    let account = account((0..1_600).map(late));
    assert_eq!(account.partial, 1);
    assert!(account.means.len() >= 5 && account.means.iter().all(|(_, hz)| (hz - 50.0).abs() < 1e-9));
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
