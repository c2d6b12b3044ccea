//! Limits: made-up readings for each rule, then a national blackout and a day of a 60 Hz grid.

use std::io::Write;
use std::path::PathBuf;

use humtick::watch::{
    BandFault, CONTINENTAL_EUROPE, EASTERN_INTERCONNECTION, EN_50160, EN_50160_ISLAND, Excursion,
    GREAT_BRITAIN, IRELAND, LOSS_OF_MAINS, NORDIC, Quantity, Side, TEXAS, WESTERN_INTERCONNECTION,
    WatchError,
};
use humtick::{Band, Config, ConfigError, Event, Frequency, Meter, Reading, Stamp, State, TickRate, Watch};
use proptest::prelude::*;

const RATE: u32 = 1_000_000;

fn config() -> Config {
    Config::mains(TickRate::from_hz(RATE).unwrap())
}

fn stamp(ticks: u64) -> Stamp {
    Stamp::new((ticks & 0xFFFF_FFFF) as u32)
}

/// A reading as a meter that has seen nothing gives it, with what the test wants.
fn reading(ticks: u64, state: State, frequency: Option<u64>, rocof: Option<i64>) -> Reading {
    let mut meter: Meter<4> = Meter::new(&config()).unwrap();
    meter.idle(Stamp::new(0));
    meter.idle(Stamp::new(RATE));
    let unknown = meter.take_reading().unwrap();
    let frequency = frequency.map(Frequency::from_nanohertz);
    Reading { middle: stamp(ticks), state, frequency, rocof, ..unknown }
}

fn nominal(hertz: u32) -> Frequency {
    Frequency::from_millihertz(hertz * 1_000)
}

fn milli(millihertz: i64) -> i64 {
    millihertz * 1_000_000
}

/// A second of a made-up series: a frequency in millihertz, nothing known, or the signal lost.
#[derive(Clone, Copy, Debug)]
enum Second {
    At(u64),
    Unknown,
    Lost,
}
use Second::{At, Lost, Unknown};

/// All events, with the second in which they came.
fn events<const K: usize>(bands: [Band; K], start: u64, series: &[Second]) -> Vec<(u64, Event)> {
    let mut watch = Watch::new(&config(), nominal(50), bands).unwrap();
    let mut events = Vec::new();
    for (second, &value) in (0..).zip(series) {
        let (state, frequency) = match value {
            At(millihertz) => (State::Locked, Some(millihertz * 1_000_000)),
            Unknown => (State::Coasting, None),
            Lost => (State::Lost, None),
        };
        let reading = reading(start + second * u64::from(RATE), state, frequency, None);
        watch.push(&reading, |event| events.push((second, event)));
    }
    events
}

/// An excursion in seconds from `origin`.
fn excursion(origin: u64, band: u8, side: Side, start: u64, extreme: i64, seconds: u64) -> Excursion {
    Excursion {
        band,
        side,
        start: stamp(origin + start * u64::from(RATE)),
        extreme: milli(extreme),
        ticks: seconds * u64::from(RATE),
    }
}

const BAND: Band = Band::millihertz(49_800, 50_200, 20);

#[test]
fn limits_are_inside_and_hysteresis_holds() {
    let series =
        [At(49_800), At(49_799), At(49_810), At(49_750), At(49_819), At(49_820), At(50_200), At(50_201)];
    assert_eq!(
        events([BAND], 0, &series),
        [
            (1, Event::Left(excursion(0, 0, Side::Below, 1, 49_799, 0))),
            (5, Event::Returned(excursion(0, 0, Side::Below, 1, 49_750, 4))),
            (7, Event::Left(excursion(0, 0, Side::Above, 7, 50_201, 0))),
        ]
    );
}

#[test]
fn from_one_side_to_the_other_within_a_reading() {
    let series = [At(50_300), At(50_400), At(49_600), At(50_180)];
    assert_eq!(
        events([BAND], 0, &series),
        [
            (0, Event::Left(excursion(0, 0, Side::Above, 0, 50_300, 0))),
            (2, Event::Returned(excursion(0, 0, Side::Above, 0, 50_400, 2))),
            (2, Event::Left(excursion(0, 0, Side::Below, 2, 49_600, 0))),
            (3, Event::Returned(excursion(0, 0, Side::Below, 2, 49_600, 1))),
        ]
    );
}

#[test]
fn short_excursions_are_not_told() {
    let band = BAND.for_at_least(3_000);
    // Back inside, without hysteresis, before three seconds: nothing. Then four seconds outside, the deepest before it is told.
    let series = [
        At(49_700),
        At(49_700),
        At(49_700),
        At(49_805),
        At(49_700),
        At(49_500),
        At(49_790),
        At(49_790),
        At(49_790),
        At(50_000),
    ];
    assert_eq!(
        events([band], 0, &series),
        [
            (7, Event::Left(excursion(0, 0, Side::Below, 4, 49_500, 3))),
            (9, Event::Returned(excursion(0, 0, Side::Below, 4, 49_500, 5))),
        ]
    );
    // Two seconds on either side are not three on one.
    assert_eq!(
        events([band], 0, &[At(49_700), At(49_700), At(49_700), At(50_300), At(50_300), At(50_300)]),
        []
    );
}

#[test]
fn a_loss_cuts_off_and_is_an_event_of_its_own() {
    let one = 1_000_000;
    let series =
        [At(50_000), At(49_700), At(49_600), Lost, Lost, Unknown, At(49_650), At(50_000), Lost, At(50_000)];
    assert_eq!(
        events([BAND, BAND.for_at_least(5_000)], 0, &series),
        [
            (1, Event::Left(excursion(0, 0, Side::Below, 1, 49_700, 0))),
            // Outside until the last value; the second band's had not been told.
            (3, Event::CutOff(excursion(0, 0, Side::Below, 1, 49_600, 1))),
            (3, Event::Lost(stamp(3 * one))),
            (6, Event::Regained(stamp(6 * one), 3 * one)),
            (6, Event::Left(excursion(0, 0, Side::Below, 6, 49_650, 0))),
            (7, Event::Returned(excursion(0, 0, Side::Below, 6, 49_650, 1))),
            (8, Event::Lost(stamp(8 * one))),
            (9, Event::Regained(stamp(9 * one), one)),
        ]
    );
}

#[test]
fn unknown_is_neither_inside_nor_outside() {
    let series = [At(49_700), Unknown, Unknown, At(49_700), Unknown, At(50_000)];
    assert_eq!(
        events([BAND, BAND.for_at_least(2_000)], 0, &series),
        [
            (0, Event::Left(excursion(0, 0, Side::Below, 0, 49_700, 0))),
            // It waits for a value, not only for the time.
            (3, Event::Left(excursion(0, 1, Side::Below, 0, 49_700, 3))),
            (5, Event::Returned(excursion(0, 0, Side::Below, 0, 49_700, 5))),
            (5, Event::Returned(excursion(0, 1, Side::Below, 0, 49_700, 5))),
        ]
    );
}

#[test]
fn a_signal_that_never_was_is_not_lost() {
    let mut watch = Watch::new(&config(), nominal(50), [BAND]).unwrap();
    let mut told = 0;
    for second in 0..5 {
        watch.push(&reading(second * 1_000_000, State::Seeking, None, None), |_| told += 1);
    }
    watch.push(&reading(5_000_000, State::Locked, Some(50_000_000_000), None), |_| told += 1);
    assert_eq!((told, watch.is_lost()), (0, false));
    // A number that rests on cycles before the loss does not count.
    watch.push(&reading(6_000_000, State::Lost, Some(48_000_000_000), None), |event| {
        assert_eq!(event, Event::Lost(Stamp::new(6_000_000)));
        told += 1;
    });
    assert_eq!((told, watch.is_lost(), watch.running().count()), (1, true, 0));
}

#[test]
fn a_long_excursion_through_wraps() {
    // 5 hours at 1 MHz: 4.2 wraps; it starts just before one.
    let start = (1u64 << 32) - 1_500_000;
    let mut series = vec![At(50_000), At(49_700)];
    series.extend([At(49_650); 17_999]);
    series.push(At(50_000));
    assert_eq!(
        events([BAND], start, &series),
        [
            (1, Event::Left(excursion(start, 0, Side::Below, 1, 49_700, 0))),
            (18_001, Event::Returned(excursion(start, 0, Side::Below, 1, 49_650, 18_000))),
        ]
    );
}

#[test]
fn rate_of_change() {
    let mut watch = Watch::new(&config(), nominal(50), [BAND, LOSS_OF_MAINS]).unwrap();
    let mut told = Vec::new();
    let half = 500_000_000;
    let series = [
        None,
        Some(-2 * half),
        Some(-3 * half),
        None,
        Some(-5 * half),
        Some(-3 * half),
        Some(2 * half),
        None,
    ];
    for (i, rocof) in (0..).zip(series) {
        // Five readings a second.
        let reading = reading(i * 200_000, State::Locked, Some(50_000_000_000), rocof);
        watch.push(&reading, |event| told.push((i, event)));
    }
    let excursion = Excursion {
        band: 1,
        side: Side::Below,
        start: Stamp::new(400_000),
        extreme: -2_500_000_000,
        ticks: 600_000,
    };
    assert_eq!(
        told,
        [(5, Event::Left(excursion)), (6, Event::Returned(Excursion { ticks: 800_000, ..excursion }))]
    );
}

#[test]
fn bands_that_make_no_sense() {
    let refused = |band| Watch::new(&config(), nominal(50), [BAND, band]).err();
    let fault = |fault| Some(WatchError::Band(1, fault));
    assert_eq!(refused(Band { low: None, high: None, ..BAND }), fault(BandFault::NoLimit));
    assert_eq!(refused(Band::millihertz(50_000, 50_000, 0)), fault(BandFault::Order));
    assert_eq!(refused(Band::millihertz(50_200, 49_800, 0)), fault(BandFault::Order));
    assert_eq!(refused(Band::millihertz(59_800, 60_200, 0)), fault(BandFault::Nominal));
    assert_eq!(refused(Band::millihertz(50_000, 50_200, 0)), fault(BandFault::Nominal));
    assert_eq!(refused(Band::millihertz(49_800, 50_000, 0)), fault(BandFault::Nominal));
    assert_eq!(refused(Band::not_below_millihertz(51_000, 0)), fault(BandFault::Nominal));
    assert_eq!(refused(Band { low: Some(1), high: Some(2), ..LOSS_OF_MAINS }), fault(BandFault::Nominal));
    assert_eq!(refused(Band::millihertz(49_800, 50_200, 200)), None);
    assert_eq!(refused(Band::millihertz(49_800, 50_200, 201)), fault(BandFault::Hysteresis));
    assert_eq!(refused(Band { hysteresis: -1, ..BAND }), fault(BandFault::Hysteresis));
    assert_eq!(refused(Band { hysteresis: i64::MAX, ..BAND }), fault(BandFault::Hysteresis));
    let error = WatchError::Band(1, BandFault::Order);
    assert_eq!(error.to_string(), "band 1: the lower limit must be below the upper one");
    let bad = Config { every_ms: 0, ..config() };
    let error = Watch::new(&bad, nominal(50), [BAND]).err();
    assert_eq!(error, Some(WatchError::Config(ConfigError::Every)));
}

#[test]
fn every_preset_is_accepted_and_the_bands_widen() {
    fn check(hertz: u32, bands: &[Band]) {
        let mut outer = 0;
        for &band in bands {
            assert!(Watch::new(&config(), nominal(hertz), [band]).is_ok(), "{band:?}");
            if let (Quantity::Frequency, Some(low), Some(high)) = (band.quantity, band.low, band.high) {
                assert!(high - low > outer, "{band:?}");
                outer = high - low;
            }
        }
    }
    for bands in [&EN_50160[..], &EN_50160_ISLAND, &CONTINENTAL_EUROPE, &GREAT_BRITAIN, &IRELAND, &NORDIC] {
        check(50, bands);
    }
    for bands in [&EASTERN_INTERCONNECTION[..], &WESTERN_INTERCONNECTION, &TEXAS] {
        check(60, bands);
    }
    check(50, &[LOSS_OF_MAINS]);
}

proptest! {
    /// Whatever comes, an excursion is told, then ended or cut off, each with the extreme that was seen.
    #[test]
    fn beginnings_and_ends_alternate(
        series in prop::collection::vec(
            prop_oneof![8 => (49_600u64..50_400).prop_map(At), 1 => Just(Unknown), 1 => Just(Lost)], 1..200),
        at_least in prop_oneof![Just(0u32), 1_000u32..4_000],
        start in 0u64..1 << 33,
    ) {
        let events = events([BAND.for_at_least(at_least)], start, &series);
        let mut running: Option<Excursion> = None;
        let mut lost = false;
        for (second, event) in events {
            match event {
                Event::Left(e) => {
                    prop_assert!(running.is_none() && !lost);
                    prop_assert!(e.ticks >= u64::from(at_least) * 1_000);
                    running = Some(e);
                }
                Event::Returned(e) | Event::CutOff(e) => {
                    let begun = running.take().expect("an end without a beginning");
                    prop_assert_eq!((begun.start, begun.side), (e.start, e.side));
                    let first = usize::try_from((e.start - stamp(start)).count() / RATE).unwrap();
                    let seen = series[first..usize::try_from(second).unwrap()].iter().filter_map(|v| match v {
                        At(millihertz) => Some(milli(i64::try_from(*millihertz).unwrap())),
                        _ => None,
                    });
                    let extreme = if e.side == Side::Below { seen.min() } else { seen.max() };
                    prop_assert_eq!(Some(e.extreme), extreme);
                }
                Event::Lost(_) => {
                    prop_assert!(!lost && running.is_none());
                    lost = true;
                }
                Event::Regained(..) => prop_assert!(std::mem::take(&mut lost)),
            }
        }
    }
}

/// A file of the folder of recordings, if this machine has it; otherwise says so, past the capture of test output.
#[allow(clippy::explicit_write, reason = "eprintln! is captured, and a silent skip is no good")]
fn recording(name: &str) -> Option<String> {
    let Some(folder) = std::env::var_os("HUMTICK_RECORDINGS") else {
        writeln!(std::io::stderr(), "skipped: {name}: HUMTICK_RECORDINGS is not set").unwrap();
        return None;
    };
    Some(std::fs::read_to_string(PathBuf::from(folder).join(name)).unwrap())
}

/// Second of the day as hh:mm:ss.
fn clock(second: u64) -> String {
    format!("{:02}:{:02}:{:02}", second / 3600, second / 60 % 60, second % 60)
}

/// One line an event: when it was known, what, which band and side, since when, how far in mHz, for how many seconds.
fn line(second: u64, origin: u64, event: Event) -> String {
    let about = |what: &str, e: Excursion| {
        // Wraps: what began lies less than 2^32 ticks back here.
        let since = second
            - u64::from((stamp((second - origin) * u64::from(RATE)) - e.start).count()) / u64::from(RATE);
        let seconds = e.ticks / u64::from(RATE);
        format!(
            "{what} {} {:?} since {} {} for {seconds}",
            e.band,
            e.side,
            clock(since),
            e.extreme / 1_000_000
        )
    };
    let what = match event {
        Event::Left(e) => about("left", e),
        Event::Returned(e) => about("returned", e),
        Event::CutOff(e) => about("cut off", e),
        Event::Lost(_) => "lost".to_owned(),
        Event::Regained(_, ticks) => format!("regained after {}", ticks / u64::from(RATE)),
    };
    format!("{} {what}", clock(second))
}

/// 28 April 2025, from 11:00:00, a row every two seconds. A voltage below a tenth of the first row's is no signal: the instrument went on
/// writing frequencies for half an hour.
#[test]
fn a_blackout_is_told_limit_by_limit_and_then_lost() {
    let Some(text) = recording("series/blackout-50hz-2s.csv") else { return };
    let bands = CONTINENTAL_EUROPE;
    let mut watch = Watch::new(&config(), nominal(50), bands).unwrap();
    let mut lines = Vec::new();
    let (origin, mut rows) = (11 * 3600, 0);
    for (row, text) in (0u64..).zip(text.lines().skip(1)) {
        let columns: Vec<&str> = text.split(',').collect();
        let [voltage, .., hertz, time] = columns[..] else { panic!("{text}") };
        let second = origin + 2 * row;
        assert!(time.ends_with(&clock(second)), "row {row} is at {time}");
        let (voltage, hertz): (f64, f64) = (voltage.parse().unwrap(), hertz.parse().unwrap());
        let (state, frequency) = if voltage.is_nan() {
            // Ten rows, one at a time, in which the instrument wrote nothing.
            (State::Coasting, None)
        } else if voltage < 2_710.0 {
            (State::Lost, None)
        } else {
            (State::Locked, Some((hertz * 1e9).round() as u64))
        };
        let reading = reading((second - origin) * u64::from(RATE), state, frequency, None);
        watch.push(&reading, |event| lines.push(line(second, origin, event)));
        rows += 1;
    }
    assert_eq!(rows, 3600);
    // Bands 0 to 3: +-50, +-200, +-800 mHz, 49.0 Hz. Within one row the grid fell through three of them.
    assert_eq!(
        lines,
        [
            "11:03:08 left 0 Below since 11:03:08 49948 for 0",
            "11:03:26 returned 0 Below since 11:03:08 49948 for 18",
            "12:33:16 left 0 Below since 12:33:16 49942 for 0",
            "12:33:20 left 1 Below since 12:33:20 48556 for 0",
            "12:33:20 left 2 Below since 12:33:20 48556 for 0",
            "12:33:20 left 3 Below since 12:33:20 48556 for 0",
            "12:33:24 cut off 0 Below since 12:33:16 47476 for 6",
            "12:33:24 cut off 1 Below since 12:33:20 47476 for 2",
            "12:33:24 cut off 2 Below since 12:33:20 47476 for 2",
            "12:33:24 cut off 3 Below since 12:33:20 47476 for 2",
            "12:33:24 lost",
        ]
    );
    assert!(watch.is_lost());
}

/// 86,400 readings of a 60 Hz grid, one a second.
#[test]
fn a_day_in_north_america() {
    let Some(text) = recording("series/day-60hz-1s-per-unit.csv") else { return };
    let mut watch = Watch::new(&config(), nominal(60), EASTERN_INTERCONNECTION).unwrap();
    let mut tally = [[0u32; 2]; 4];
    let mut longest = 0;
    let (mut low, mut high) = (i64::MAX, 0);
    for (second, text) in (0u64..).zip(text.lines().skip(1)) {
        let per_unit: f64 = text.split(',').nth(1).unwrap().parse().unwrap();
        let frequency = Some((per_unit * 60e9).round() as u64);
        let reading = reading(second * u64::from(RATE), State::Locked, frequency, None);
        watch.push(&reading, |event| match event {
            Event::Returned(e) => {
                tally[usize::from(e.band)][usize::from(e.side == Side::Above)] += 1;
                longest = longest.max(e.ticks / u64::from(RATE));
                (low, high) = (low.min(e.extreme), high.max(e.extreme));
            }
            Event::Left(_) => {}
            other => panic!("{other:?}"),
        });
    }
    // Counted by a few lines of another language as well. Only the governor deadband is left, 26 times downwards and 18 upwards; the
    // highest value lies on the next limit, which is inside.
    assert_eq!(tally, [[26, 18], [0, 0], [0, 0], [0, 0]]);
    assert_eq!((longest, low, high), (685, 59_950_800_000, 60_054_000_000));
    assert_eq!(watch.running().count(), 0);
}
