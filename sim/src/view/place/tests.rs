use humtick::State;
use humtick::link::{Record, next};
use proptest::prelude::*;

use super::*;

const START: i64 = 1_774_742_400_000;
const SECOND: i64 = 1_000;
const MINUTE: i64 = 60_000;
const HOUR: i64 = 3_600_000;

/// What every reading takes at least.
const WAY: i64 = 30;

/// A row, and when its reading was taken by the clock that stamped it.
#[derive(Clone, Copy, Debug)]
struct Taken(Row, f64);

fn row(sequence: u16, time_ms: u32, utc_ms: i64) -> Row {
    let record = Record {
        sequence,
        time_ms,
        state: State::Locked,
        frequency: None,
        uncertainty: None,
        rocof: None,
        missed: 0,
        rejected: 0,
    };
    Row { utc_ms, record }
}

/// A sensor that starts at `start`, with a clock that is slow by `ppm`, and gives `count` readings `step` apart. `came` says when one that
/// was taken at a moment came, but for the way, if none before it held it up; all in true time.
fn sensor(start: i64, step: i64, count: i64, ppm: f64, came: impl Fn(i64) -> i64) -> Vec<Taken> {
    let numbers = std::iter::successors(Some(0), |number| Some(next(*number)));
    let mut last = start;
    let readings = (0..count).zip(numbers).map(|(k, number)| {
        let taken = start + k * step;
        last = last.max(came(taken));
        let own = ((k * step) as f64 * (1.0 - ppm * 1e-6)) as i64;
        let Row { utc_ms, record } = row(number, own as u32, last + WAY);
        // No start says what another has said.
        Taken(Row { utc_ms, record: Record { rocof: Some(start), ..record } }, taken as f64)
    });
    readings.collect()
}

/// The connection is gone `from` one moment `to` another; what was taken meanwhile then comes within a second.
fn gone(from: i64, to: i64) -> impl Fn(i64) -> i64 {
    move |taken| if (from..to).contains(&taken) { to + (taken - from) * SECOND / (to - from) } else { taken }
}

/// All by a clock that is set by `by` at `at`, in true time.
fn set(all: &mut [Taken], at: i64, by: i64) {
    for Taken(row, taken) in all {
        if row.utc_ms >= at {
            row.utc_ms += by;
            *taken += by as f64;
        }
    }
}

fn places(rows: impl IntoIterator<Item = Row> + Clone) -> Vec<f64> {
    let mut survey = Survey::default();
    rows.clone().into_iter().for_each(|row| survey.take(&row));
    let mut places = survey.end();
    rows.into_iter().map(|row| places.place(&row)).collect()
}

/// How far each lies from where it was taken, but for the way; none after it came.
#[track_caller]
fn errors(all: &[Taken]) -> Vec<f64> {
    let placed = places(all.iter().map(|taken| taken.0));
    let error = |(Taken(row, taken), at): (&Taken, f64)| {
        assert!(at <= row.utc_ms as f64, "{at} after {}", row.utc_ms);
        at - taken - WAY as f64
    };
    all.iter().zip(placed).map(error).collect()
}

#[track_caller]
fn within(all: &[Taken], ms: f64) {
    for (k, error) in errors(all).into_iter().enumerate() {
        assert!(error.abs() <= ms, "{k}: {error}");
    }
}

/// At the start, where nothing has come before; between; and at the end, where nothing comes behind it.
#[test]
fn a_backlog_lies_where_it_was_taken() {
    let tenths = |came: &dyn Fn(i64) -> i64| sensor(START, 100, 24_000, 0.0, came);
    within(&tenths(&gone(START, START + 10 * MINUTE)), 0.0);
    within(&tenths(&gone(START + 10 * MINUTE, START + 30 * MINUTE)), 0.0);
    within(&tenths(&gone(START + 25 * MINUTE, START + HOUR)), 0.0);
    // Whole blocks of a backlog at either end of it.
    within(&tenths(&gone(START + 10 * MINUTE + 30 * SECOND, START + 30 * MINUTE + 30 * SECOND)), 0.0);
}

/// The sensor starts anew while the network is away: the end of one run and the start of the other come at once.
#[test]
fn a_backlog_about_a_restart_lies_where_it_was_taken() {
    for from in [20 * MINUTE, 20 * MINUTE + 10 * SECOND, 20 * MINUTE + 50 * SECOND] {
        let came = gone(START + from, START + 40 * MINUTE);
        let mut all = sensor(START, 100, 18_000, 0.0, &came);
        all.extend(sensor(START + 30 * MINUTE + 7 * SECOND, 100, 18_000, 0.0, &came));
        within(&all, 0.0);
    }
}

/// A sensor that starts often: at each start the network takes 20 s, is there for the rest of a minute, and goes away until the next.
#[test]
fn forty_seconds_tell_where_a_run_lies() {
    let mut all = Vec::new();
    for start in (0..4).map(|n| START + n * 20 * MINUTE) {
        let (first, rest) = (gone(start, start + 20 * SECOND), gone(start + MINUTE, start + 20 * MINUTE));
        all.extend(sensor(start, 100, 11_000, 0.0, |taken| first(rest(taken))));
    }
    within(&all, 0.0);
}

/// A connection that brings a backlog at one and a half times the pace of time, until there is none; or at five times, to the run's end.
#[test]
fn a_backlog_that_comes_slowly_lies_where_it_was_taken() {
    let (from, to) = (START + 30 * MINUTE, START + HOUR);
    let slowly = |tenths: i64| {
        move |taken: i64| if taken < from { taken } else { taken.max(to + (taken - from) * 10 / tenths) }
    };
    within(&sensor(START, 100, 108_000, 0.0, slowly(15)), 0.0);
    let mut all = sensor(START, 100, 30_000, 0.0, slowly(50));
    all.extend(sensor(START + 2 * HOUR, 100, 18_000, 0.0, |taken| taken));
    within(&all, 0.0);
}

/// A connection that comes back for an instant again and again, and brings two readings, seemingly at the pace of time.
#[test]
fn two_readings_are_no_pace() {
    let (from, to) = (START + 30 * MINUTE, START + HOUR);
    let came = |taken: i64| match (taken - from) / 100 {
        k if k < 0 || taken >= to => taken,
        k if k < 40 => from + k / 2 * 40 * SECOND + k % 2 * 100,
        _ => to,
    };
    within(&sensor(START, 100, 72_000, 0.0, came), 0.0);
}

/// What a relay sends again says nothing.
#[test]
fn what_comes_again_changes_nothing() {
    let mut all = sensor(START, 100, 24_000, 0.0, gone(START + 10 * MINUTE, START + 20 * MINUTE));
    let survey = |all: &[Taken]| {
        let mut survey = Survey::default();
        all.iter().for_each(|taken| survey.take(&taken.0));
        survey.blocks.iter().map(|block| (block.start_ms, block.offset_ms)).collect::<Vec<_>>()
    };
    let blocks = survey(&all);
    for k in [7_000, 13_000, 20_000] {
        let again: Vec<_> = all[k - 2_000..k].to_vec();
        let utc_ms = all[k].0.utc_ms;
        let again = again.into_iter().map(|Taken(row, taken)| Taken(Row { utc_ms, ..row }, taken));
        all.splice(k..k, again);
    }
    assert_eq!(survey(&all), blocks);
    within(&all, 0.0);
}

/// Rows whose stamps are not quite in order are of one run.
#[test]
fn stamps_may_go_back_a_little() {
    let mut all = sensor(START, 100, 24_000, 0.0, gone(START, START + 10 * MINUTE));
    for Taken(row, _) in all.iter_mut().skip(7).step_by(100) {
        row.utc_ms -= 10;
    }
    within(&all, 12.0);
}

/// A sensor whose time stands still and goes back a little, in rows that come at once.
#[test]
fn time_may_go_back_a_little() {
    let rows = [(0, 60_000), (1, 0), (2, 60_000)].map(|(number, time_ms)| row(number, time_ms, START));
    assert_eq!(places(rows), [0, -60_000, 0].map(|off| (START + off) as f64));
}

/// What a backlog is about says how fast the clocks drift apart: hours lie in a line, not where 200 ppm would take them.
#[test]
fn clocks_drift_on_during_a_backlog() {
    for ppm in [-100.0, 0.0, 100.0] {
        let came = gone(START + HOUR, START + 11 * HOUR);
        within(&sensor(START, SECOND, 12 * 3_600, ppm, came), 25.0);
    }
}

/// The listener's clock is set forward: all later readings are placed by the new time, from the first one on.
#[test]
fn a_clock_set_forward_is_followed_where_it_was_set() {
    let mut all = sensor(START, 100, 36_000, 0.0, |taken| taken);
    set(&mut all, START + 31 * MINUTE + 17 * SECOND, HOUR);
    within(&all, 0.0);
    // By less than a block is cut at: what is left of the block lies early, and nothing else.
    let mut all = sensor(START, 100, 36_000, 0.0, |taken| taken);
    set(&mut all, START + 31 * MINUTE + 17 * SECOND, 10 * SECOND);
    let errors = errors(&all);
    assert!(errors.iter().all(|error| *error == 0.0 || *error == -10_000.0));
    assert_eq!(errors.iter().filter(|error| **error < 0.0).count(), 430);
}

#[test]
fn a_clock_set_back_is_followed_where_it_was_set() {
    for by in [-HOUR, -150] {
        let mut all = sensor(START, 100, 36_000, 0.0, |taken| taken);
        set(&mut all, START + 31 * MINUTE + 17 * SECOND, by);
        within(&all, 0.0);
    }
}

/// A listener without a clock of its own is off for fifty minutes, goes on a minute after it went off by its clock, and five minutes later is
/// told the right time. Before, between and after, all lies where the clock would have it; whether the time was kept for it or is lost.
#[test]
fn a_clock_that_stood_still_moves_nothing_before_it() {
    for is_kept in [true, false] {
        let (off, on) = (START + 30 * MINUTE + 30 * SECOND, START + 80 * MINUTE + 30 * SECOND);
        let behind = on - off - MINUTE;
        let gone = gone(off, on);
        // No two blocks end alike.
        let mut all = sensor(START, 100, 72_000, 0.0, |taken| gone(taken) + taken / 100 * 7_919 % 151);
        all.retain(|Taken(_, taken)| is_kept || !(off as f64..on as f64).contains(taken));
        set(&mut all, on, -behind);
        set(&mut all, on - behind + 5 * MINUTE, behind);
        within(&all, 1.0);
    }
}

/// A listener is switched off and on, and its clock lacks half a minute for some minutes: the block that this happened in is moved, and no
/// other.
#[test]
fn a_clock_that_lacks_seconds_moves_a_block() {
    for pause in [2 * MINUTE, 25 * SECOND] {
        let (off, on) = (START + 30 * MINUTE + 20 * SECOND, START + 31 * MINUTE);
        let behind = 32 * SECOND;
        let mut all = sensor(START, 100, 72_000, 0.0, gone(off, on));
        set(&mut all, on, -behind);
        set(&mut all, on - behind + pause, behind);
        let errors = errors(&all);
        let block = 18_000..18_200;
        assert!(errors.iter().enumerate().all(|(k, error)| *error == 0.0 || block.contains(&k)));
    }
}

/// Ten days about the wrap of the sensor's time, either clock the faster by 100 ppm.
#[test]
fn drift_is_followed_through_a_wrap() {
    for ppm in [-100.0, 100.0] {
        let mut all = sensor(START, 10 * SECOND, 86_400, ppm, |taken| taken);
        for Taken(row, _) in &mut all {
            row.record.time_ms = row.record.time_ms.wrapping_sub(400_000_000);
        }
        within(&all, 25.0);
    }
}

/// A ceramic resonator, half a percent off, is not followed as closely, but does not run away.
#[test]
fn a_bad_clock_is_off_by_seconds() {
    for ppm in [-5_000.0, 5_000.0] {
        within(&sensor(START, SECOND, 86_400, ppm, |taken| taken), 5_400.0);
    }
}

/// Nothing says when it was taken; but how far apart it was is known, and that the last came when it came.
#[test]
fn nothing_but_a_backlog_keeps_its_distances() {
    let all = sensor(START, 100, 18_000, 0.0, |taken| START + HOUR + (taken - START) / 1_000);
    let placed = places(all.iter().map(|taken| taken.0));
    assert!(placed.windows(2).all(|pair| pair[1] - pair[0] == 100.0));
    assert_eq!(placed.last().copied(), all.last().map(|last| last.0.utc_ms as f64));
}

/// Each a block of its own, whose pace is that from the one before.
#[test]
fn rare_readings_are_placed_alike() {
    let came = gone(START + 10 * HOUR, START + 15 * HOUR);
    let mut all = sensor(START, 2 * MINUTE, 400, 0.0, &came);
    all.extend(sensor(START + 14 * HOUR, 2 * MINUTE, 400, 0.0, &came));
    within(&all, 0.0);
}

/// Radios that wait for a handful.
#[test]
fn batches_are_placed_alike() {
    for batch in [7 * SECOND, 20 * SECOND, 45 * SECOND, 5 * MINUTE] {
        let came = |taken: i64| taken - (taken - START) % batch + batch - 100;
        within(&sensor(START, 100, 18_000, 0.0, came), 0.0);
    }
}

/// A network that is slow for half an hour is no clock that drifts.
#[test]
fn a_slow_network_bends_little() {
    let slow = START + 30 * MINUTE..START + HOUR;
    let came = |taken: i64| if slow.contains(&taken) { taken + 2 * SECOND } else { taken };
    within(&sensor(START, 100, 72_000, 0.0, came), 0.0);
}

/// Those that came behind later ones lie where they were taken, in a block that has passed too.
#[test]
fn late_readings_lie_where_they_were_taken() {
    let mut all = sensor(START, 100, 24_000, 100.0, gone(START, START + 10 * MINUTE));
    for k in (500..24_000 - 400).step_by(500) {
        let mut late = all.remove(k);
        late.0.utc_ms = all[k + 399].0.utc_ms;
        all.insert(k + 400, late);
    }
    within(&all, 65.0);
    // From before the clock was set: forward, it lies where it was taken; back, where it would have been by the clock that is in force.
    for (by, off) in [(HOUR, 0), (-HOUR, -HOUR)] {
        let mut all = sensor(START, 100, 24_000, 0.0, |taken| taken);
        set(&mut all, START + 20 * MINUTE, by);
        let Taken(late, taken) = all.remove(11_990);
        let utc_ms = all[12_009].0.utc_ms;
        all.insert(12_010, Taken(Row { utc_ms, ..late }, taken + off as f64));
        within(&all, 0.0);
    }
}

/// Rows that were written between the passes are placed by what was known, and those of a new run by its first.
#[test]
fn a_log_may_grow_between_the_passes() {
    let mut all = sensor(START, 100, 24_000, 0.0, gone(START + 10 * MINUTE, START + 15 * MINUTE));
    all.extend(sensor(START + HOUR, 100, 3_000, 0.0, |taken| taken));
    for seen in [0, 1, 17_000, 23_990, 24_000] {
        let mut survey = Survey::default();
        all.iter().take(seen).for_each(|taken| survey.take(&taken.0));
        let mut places = survey.end();
        for (k, Taken(row, taken)) in all.iter().enumerate() {
            let error = places.place(row) - taken - WAY as f64;
            assert!(error == 0.0, "{seen}, {k}: {error}");
        }
    }
}

/// 24 bytes a minute, whatever comes.
#[test]
fn blocks_are_few() {
    assert_eq!(size_of::<Block>(), 24);
    let mut survey = Survey::default();
    for Taken(row, _) in sensor(START, 100, 864_000, 0.0, |taken| taken + (taken / 100) % 7) {
        survey.take(&row);
    }
    assert_eq!(survey.blocks.len(), 1_440);
}

proptest! {
    /// However connections come and go: with three minutes behind each time away in which readings come as they are taken, all lie where they
    /// were, but for what clocks drift meanwhile and for how a way varies.
    #[test]
    fn error_is_bounded(
        runs in prop::collection::vec((prop::collection::vec((1_000i64..1_260_000, any::<bool>()), 1..8), 0i64..600_000), 1..4),
        ppm in -100.0f64..100.0,
        step in prop::sample::select(vec![200i64, 1_000, 7_000]),
    ) {
        let mut start = START;
        let mut all = Vec::new();
        for (stretches, pause) in runs {
            let mut end = start;
            let mut away = Vec::new();
            for (length, is_away) in stretches {
                if is_away {
                    away.push(end..end + length);
                }
                end += length + 3 * MINUTE;
            }
            let came = |taken: i64| match away.iter().find(|away| away.contains(&taken)) {
                Some(away) => away.end,
                None => taken + taken * 7_919 % 20,
            };
            all.extend(sensor(start, step, (end - start) / step, ppm, came));
            start = end + pause;
        }
        // 21 minutes away at most; at the start of a run only what is behind them tells.
        let drift = 100e-6 * (21 * MINUTE) as f64;
        for error in errors(&all) {
            prop_assert!(error.abs() <= drift + 12.0 + 20.0 + 1.0, "{}", error);
        }
    }

    /// Nor does any lie after it came. Rows may have times that no line holds.
    #[test]
    fn no_rows_panic(rows in prop::collection::vec((any::<u16>(), any::<u32>(), any::<i64>(), 0u8..8), 0..300)) {
        let mut last = START;
        let rows: Vec<_> = rows.into_iter().map(|(number, time_ms, utc_ms, kind)| {
            // Most near the one before, so that runs have more than a row.
            last = match kind {
                0 => utc_ms,
                1 => i64::MAX,
                2 => i64::MIN,
                _ => last.saturating_add(utc_ms % 100_000),
            };
            row(number % 40, if kind < 4 { time_ms } else { time_ms % 1_000_000 }, last)
        }).collect();
        for (row, at) in rows.iter().zip(places(rows.clone())) {
            prop_assert!(at.is_finite());
            // Integers up to 2^53 are exact.
            prop_assert!(at <= row.utc_ms as f64 || row.utc_ms.unsigned_abs() > 1 << 53);
        }
    }
}
