//! COMTRADE records written here, in every layout and damaged in every way.

use std::f64::consts::PI;
use std::fmt::Write as _;
use std::path::PathBuf;

use proptest::prelude::*;
use tempfile::TempDir;

use crate::{edges, options, refusal};
use humtick::Polarity;
use humtick_sim::edge::TimedEdge;
use humtick_sim::front_end::FrontEnd;
use humtick_sim::input::{InputOptions, open};

const LAYOUTS: [&str; 4] = ["ASCII", "BINARY", "BINARY32", "FLOAT32"];

/// A record of two analog channels, `PUMP UA` with 50 Hz and `PUMP UB` upside down, and of 17 digital ones.
struct Record {
    layout: &'static str,
    year: u16,
    /// Sampling rates with their last samples; none: times from the stamps.
    rates: Vec<(f64, u32)>,
    samples: u32,
    /// Time of sample n, from 0.
    time: fn(u32) -> f64,
    begin: &'static str,
    /// Stamp units in a second.
    stamps_hz: f64,
    multiplier: &'static str,
}

impl Record {
    fn new(layout: &'static str, year: u16) -> Self {
        Self {
            layout,
            year,
            rates: vec![(1000.0, 400)],
            samples: 400,
            time: |n| f64::from(n) / 1000.0,
            begin: "03/02/2021,22:14:05.250000",
            stamps_hz: 1e6,
            multiplier: "1",
        }
    }

    fn configuration(&self) -> String {
        let mut text = match self.year {
            1991 => "hydro,cold store\r\n".to_owned(),
            year => format!("hydro,cold store,{year}\r\n"),
        };
        text += " 19 , 2A, 17D\r\n";
        let tail = if self.year == 1991 { "" } else { ",1,1,S" };
        for (number, name, scale) in [(1, "PUMP UA", "0.01"), (2, "PUMP UB", "1.0E-02")] {
            let _ = write!(text, "{number}, {name} ,A,,V, {scale} ,1.5,,-32767,32767{tail}\r\n");
        }
        for number in 1..=17 {
            let _ = write!(text, "{number},gate {number},0\r\n");
        }
        let _ = write!(text, "50\r\n{}\r\n", self.rates.len());
        if self.rates.is_empty() {
            let _ = write!(text, "0,{}\r\n", self.samples);
        }
        for (hz, last) in &self.rates {
            let _ = write!(text, "{hz},{last}\r\n");
        }
        let _ = write!(text, "{0}\r\n{0}\r\n{1}\r\n", self.begin, self.layout);
        if self.year >= 1999 {
            let _ = write!(text, "{}\r\n", self.multiplier);
        }
        if self.year >= 2013 {
            text += "+1h00,+1h00\r\nB,3\r\n";
        }
        text
    }

    fn data(&self) -> Vec<u8> {
        let mut data = Vec::new();
        for n in 0..self.samples {
            let t = (self.time)(n);
            let x = (20_000.0 * (2.0 * PI * 50.0 * t + 0.3).sin()).round() as i16;
            let stamp = (t * self.stamps_hz).round() as u32;
            if self.layout == "ASCII" {
                let line = format!("{},{stamp}, {x},{},{}\r\n", n + 1, -x, vec!["0"; 17].join(","));
                data.extend(line.into_bytes());
                continue;
            }
            data.extend((n + 1).to_le_bytes());
            data.extend(stamp.to_le_bytes());
            for x in [x, -x] {
                match self.layout {
                    "BINARY" => data.extend(x.to_le_bytes()),
                    "BINARY32" => data.extend(i32::from(x).to_le_bytes()),
                    _ => data.extend(f32::from(x).to_le_bytes()),
                }
            }
            data.extend([0x5a; 4]);
        }
        data
    }

    fn save(&self) -> Saved {
        Saved::new(self.configuration().as_bytes(), &self.data())
    }
}

/// A record on disk, as long as it lives.
struct Saved {
    _folder: TempDir,
    config: PathBuf,
    data: PathBuf,
}

impl Saved {
    fn new(config: &[u8], data: &[u8]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let saved = Self {
            config: folder.path().join("pump.cfg"),
            data: folder.path().join("pump.dat"),
            _folder: folder,
        };
        std::fs::write(&saved.config, config).unwrap();
        std::fs::write(&saved.data, data).unwrap();
        saved
    }

    fn edges(&self) -> Vec<TimedEdge> {
        edges(&self.config, Some("PUMP UA")).unwrap()
    }

    fn refusal(&self) -> String {
        refusal(&self.config, Some("PUMP UA"))
    }
}

/// The configuration of 2 + 17 channels with `from` replaced by `to`, with the data of its unharmed twin.
#[track_caller]
fn altered(layout: &'static str, from: &str, to: &str) -> Saved {
    let record = Record::new(layout, 1999);
    let text = record.configuration();
    assert!(text.contains(from), "`{from}` is not in the configuration");
    Saved::new(text.replacen(from, to, 1).as_bytes(), &record.data())
}

/// The same edges but for one tick of rounding: n·1 ms and n/(1 kHz) differ in the last binary digit.
#[track_caller]
fn assert_same(found: &[TimedEdge], expected: &[TimedEdge]) {
    assert_eq!(found.len(), expected.len());
    for (found, expected) in found.iter().zip(expected) {
        assert_eq!(found.polarity, expected.polarity);
        assert!(found.ticks.abs_diff(expected.ticks) <= 1, "{} and {} ticks", found.ticks, expected.ticks);
    }
}

/// A record of 5 kHz, one second, whose channel UA stands for 230 V of 50 Hz about zero, by integers a x + b = u, with UB beside it by a
/// scale and an offset of its own.
fn scaled(a: f64, b: f64) -> Saved {
    let config = format!(
        "hydro,workshop,1999\n2,2A,0D\n1,UA,A,,V,{a},{b},0,-32767,32767,1,1,S\n2,UB,B,,V,3,-1000,0,-32767,32767,1,1,S\n\
         50\n1\n5000,5000\n03/02/2021,22:14:05.250000\n03/02/2021,22:14:05.250000\nASCII\n1\n"
    );
    let line = |n: u32| {
        let u = 230.0 * 2f64.sqrt() * (2.0 * PI * 50.0 * f64::from(n) / 5000.0 + 0.3).sin();
        format!("{},{},{:.0},{n}\n", n + 1, 200 * n, (u - b) / a)
    };
    Saved::new(config.as_bytes(), (0..5000).map(line).collect::<String>().as_bytes())
}

/// Edges come where the volts cross zero, whatever integers stand for them; a negative scale turns the integers around, not the volts.
#[test]
fn scale_and_offset_belong_to_the_channel() {
    let front_end = FrontEnd { follow_mean: false, lowpass_hz: None, hysteresis_percent: 0.0 };
    for (a, b) in [(0.02, 0.0), (0.02, 60.0), (-0.02, 60.0), (-0.05, -45.5)] {
        let saved = scaled(a, b);
        let found = open(&saved.config, &InputOptions { front_end, ..options(Some("UA")) }).unwrap();
        let tick_hz = f64::from(found.tick_hz);
        let edges: Vec<_> = found.edges.map(Result::unwrap).collect();
        assert!(edges.len() > 90, "{} edges", edges.len());
        for edge in &edges {
            // Half cycles since the last rising zero before the record.
            let half = (edge.ticks as f64 / tick_hz * 50.0 + 0.3 / (2.0 * PI)) * 2.0;
            let off_s = (half - half.round()) / 100.0;
            // Half a step of 0.05 V over a slope of 102 V/ms.
            assert!(off_s.abs() < 0.5e-6, "{a} x + {b}: {off_s} s off at {edge:?}");
            let rising = (half.round() as u32).is_multiple_of(2);
            let polarity = if rising { Polarity::Rising } else { Polarity::Falling };
            assert_eq!(edge.polarity, polarity, "{a} x + {b}");
        }
    }
}

#[test]
fn all_layouts_give_the_same_edges() {
    let expected = Record::new("ASCII", 1999).save().edges();
    // 20 cycles less 32 samples.
    assert!((36..=38).contains(&expected.len()), "{} edges", expected.len());
    for layout in LAYOUTS {
        for year in [1991, 1999, 2013] {
            assert_eq!(Record::new(layout, year).save().edges(), expected, "{layout} of {year}");
            let mut stamped = Record::new(layout, year);
            stamped.rates.clear();
            assert_same(&stamped.save().edges(), &expected);
        }
    }
}

#[test]
fn units_of_stamps() {
    let expected = Record::new("ASCII", 1999).save().edges();
    for (begin, stamps_hz, multiplier) in [
        ("03/02/2021,22:14:05.250000", 1e4, "100"),
        ("03/02/2021,22:14:05.250000000", 1e9, "1.0"),
        ("03/02/2021,22:14:05.250000000", 1e7, "1E2"),
    ] {
        let mut record = Record { begin, stamps_hz, multiplier, ..Record::new("BINARY", 2013) };
        record.rates.clear();
        assert_same(&record.save().edges(), &expected);
    }
}

/// 250 samples at 1 kHz, then 4 kHz; the stamps say the same.
#[test]
fn several_rates_are_piecewise() {
    let time = |n: u32| if n < 250 { f64::from(n) / 1000.0 } else { 0.249 + f64::from(n - 249) / 4000.0 };
    let base = || Record { samples: 1250, time, ..Record::new("BINARY", 1999) };
    let rated = Record { rates: vec![(1000.0, 250), (4000.0, 1250)], ..base() }.save();
    let stamped = Record { rates: vec![], ..base() }.save();
    assert_same(&rated.edges(), &stamped.edges());
    let expected: Vec<f64> = rated.edges().iter().map(|edge| edge.ticks as f64 / 1e8).collect();
    assert!(expected.iter().any(|t| *t < 0.22) && expected.iter().any(|t| *t > 0.45));
    let opened = open(&rated.config, &options(Some("PUMP UA"))).unwrap();
    assert_eq!(opened.assumptions[0], "channel PUMP UA, 1000, then 4000 samples/s, 1250 samples, BINARY");
}

#[test]
fn channels_are_chosen() {
    let saved = Record::new("BINARY32", 1999).save();
    let upside_down = edges(&saved.config, Some("pump ub")).unwrap();
    assert_eq!(upside_down, edges(&saved.config, Some("2")).unwrap());
    assert_ne!(upside_down, saved.edges());
    let name = saved.config.display();
    let list = "choose --channel from: PUMP UA, PUMP UB";
    assert_eq!(refusal(&saved.config, None), format!("{name}: has 2 analog channels; {list}"));
    for wrong in ["0", "3", "PUMP"] {
        let expected = format!("{name}: has no analog channel `{wrong}`; {list}");
        assert_eq!(refusal(&saved.config, Some(wrong)), expected);
    }
}

/// Names in the code pages of the field; the numbers beside them must stay whole.
#[test]
fn code_pages_spoil_no_number() {
    let record = Record::new("ASCII", 1999);
    let expected = record.save().edges();
    let pages: [(&str, Vec<u8>); 5] = [
        ("UTF-8", "Насосная".as_bytes().to_vec()),
        ("cp1251", encoding_rs::WINDOWS_1251.encode("Насосная станция").0.into_owned()),
        ("cp866", encoding_rs::IBM866.encode("Насосная станция").0.into_owned()),
        ("GBK", encoding_rs::GBK.encode("水泵房電壓").0.into_owned()),
        ("lead byte before a comma", vec![b'U', 0x81]),
    ];
    for (page, name) in pages {
        let text = record.configuration();
        let (before, after) = text.split_once("PUMP UB").unwrap();
        let bytes = [before.as_bytes(), &name, after.as_bytes()].concat();
        let saved = Saved::new(&bytes, &record.data());
        assert_eq!(saved.edges(), expected, "{page}");
        assert_ne!(edges(&saved.config, Some("2")).unwrap(), expected, "{page}");
    }
    let saved = altered("ASCII", "PUMP UB", "Насосная");
    assert!(edges(&saved.config, Some("насосная")).is_ok());
}

#[test]
fn line_ends_and_padding() {
    let record = Record::new("ASCII", 1999);
    let text = record.configuration().replace("\r\n", "\n");
    let data = String::from_utf8(record.data()).unwrap();
    // A byte order mark, LF, blank lines at the end, Ctrl-Z, blank stamps: all seen in the field.
    let data: String = data
        .lines()
        .map(|line| {
            let mut fields: Vec<_> = line.split(',').collect();
            fields[1] = " ";
            fields.join(",") + "\n"
        })
        .collect();
    let saved = Saved::new(format!("\u{feff}{text}\n\n").as_bytes(), format!("{data}\n \n\u{1a}").as_bytes());
    assert_eq!(saved.edges(), record.save().edges());
    std::fs::rename(&saved.data, saved.data.with_extension("DAT")).unwrap();
    assert_eq!(saved.edges(), record.save().edges());
}

#[test]
fn configurations_that_are_refused() {
    for (line, from, to, what) in [
        (1, "hydro,cold store,1999", "hydro", "expected station and device, separated by a comma"),
        (1, "1999", "later", "revision `later`: expected a year, as 1999, or nothing"),
        (2, " 19 , 2A, 17D", "2,17", "expected the numbers of channels, as `6,4A,2D`"),
        (2, " 19 ,", "20,", "2 analog and 17 digital channels are not 20"),
        (2, " 19 , 2A, 17D", "900000,2A,899998D", "900000 channels; at most 100000 are read"),
        (2, " 19 , 2A", "17,0A", "no analog channel, so no waveform"),
        (3, " 0.01 ", " much ", "the scale (field 6) is `much`: expected a number"),
        (3, ",1.5,", ",NaN,", "the offset (field 7) is `NaN`: expected a number"),
        (
            5,
            " 19 , 2A",
            "20,3A",
            "3 fields where an analog channel has 10 or more; fewer channels than line 2 says",
        ),
        (22, " 19 , 2A, 17D", "20,2A,18D", "expected a digital channel (number, name, ...); fewer channels"),
        (21, " 19 , 2A, 17D", "18,2A,16D", "the line frequency is `17,gate 17,0`: expected a number"),
        (
            23,
            "50\r\n1\r\n",
            "50\r\none\r\n",
            "the number of sampling rates is `one`: expected a whole number up to",
        ),
        (24, "1000,400", "1000", "expected a sampling rate and its last sample, as `4800,9600`"),
        (24, "1000,400", "-5,400", "sampling rate -5: expected 0.001 to 1e9 Hz"),
        (24, "1000,400", "1000,0", "last sample 0: expected more than 0"),
        (24, "1000,400", "1000,-1", "the last sample is `-1`: expected a whole number"),
        (
            25,
            "50\r\n1\r\n1000,400",
            "50\r\n2\r\n1000,400\r\n500,300",
            "last sample 300: expected more than 400",
        ),
        (24, "50\r\n1\r\n", "50\r\n0\r\n", "sampling rate 1000: expected 0, as no rate is announced"),
        (27, "ASCII", "ASCIIZ", "file type `ASCIIZ`: expected ASCII, BINARY, BINARY32 or FLOAT32"),
        (28, "ASCII\r\n1", "ASCII\r\n0", "time multiplier 0: expected 0.000001 to 1000000"),
    ] {
        let saved = altered("ASCII", from, to);
        let expected = format!("{}:{line}: {what}", saved.config.display());
        let message = saved.refusal();
        assert!(message.starts_with(&expected), "{to:?}: {message}");
    }
}

#[test]
fn ascii_records_that_are_refused() {
    for (line, from, to, what) in [
        (1, "1,0, ", "one,0, ", "the sample number is `one`: expected a whole number"),
        (3, "\n3,2000,", "\n3,soon,", "the time stamp (field 2) is `soon`: expected a number"),
        (3, "\n3,2000,", "\n4,2000,", "sample number 4 where 3 is due"),
        (3, "\n3,2000,", "\n3,2000,7,", "22 fields; the configuration's channels make 21"),
        (3, "\n3,", "\n\n3,", "the file ends after 2 of 400 records"),
        (1, "1,0, 5910,", "1,0, ,", "the value of PUMP UA is missing"),
        (1, "1,0, 5910,", "1,0, 99999,", "the value of PUMP UA is missing"),
        (1, "1,0, 5910,", "1,0, inf,", "field 3 is `inf`: expected a number"),
        (1, "1,0, 5910,", "1,0, 1e200,", "the value of PUMP UA is not a finite number"),
    ] {
        let record = Record::new("ASCII", 1999);
        let data = String::from_utf8(record.data()).unwrap();
        assert!(data.contains(from), "`{from}` is not in the data");
        let saved = Saved::new(record.configuration().as_bytes(), data.replacen(from, to, 1).as_bytes());
        assert_eq!(saved.refusal(), format!("{}:{line}: {what}", saved.data.display()));
    }
    // What is wrong with another channel is no matter.
    let record = Record::new("ASCII", 1999);
    let data = String::from_utf8(record.data()).unwrap().replacen(",-5910,", ",,", 1);
    assert_eq!(Saved::new(record.configuration().as_bytes(), data.as_bytes()).edges(), record.save().edges());
}

#[test]
fn more_or_longer_lines_than_announced() {
    let record = Record::new("ASCII", 1999);
    let mut data = record.data();
    data.extend(b"401,400000\r\n");
    let saved = Saved::new(record.configuration().as_bytes(), &data);
    assert!(saved.refusal().ends_with(":401: more records than the 400 of the configuration"));
    let saved = Saved::new(record.configuration().as_bytes(), &[b'1'; 10_000]);
    assert!(saved.refusal().ends_with(":1: a line longer than 1344 bytes; not an ASCII data file"));
}

#[test]
fn binary_values_that_are_missing() {
    for (layout, mark) in [
        ("BINARY", i16::MIN.to_le_bytes().to_vec()),
        ("BINARY32", i32::MIN.to_le_bytes().to_vec()),
        ("FLOAT32", f32::MIN.to_le_bytes().to_vec()),
    ] {
        let record = Record::new(layout, 2013);
        let mut data = record.data();
        let width = data.len() / 400;
        data[9 * width + 8..][..mark.len()].copy_from_slice(&mark);
        let saved = Saved::new(record.configuration().as_bytes(), &data);
        let expected = format!("{}: record 10: the value of PUMP UA is missing", saved.data.display());
        assert_eq!(saved.refusal(), expected, "{layout}");
    }
    // A channel whose range goes down to the mark means it.
    let record = Record::new("BINARY", 1999);
    let mut data = record.data();
    data[8..10].copy_from_slice(&i16::MIN.to_le_bytes());
    let text = record.configuration().replace("-32767,", "-32768,");
    assert!(!Saved::new(text.as_bytes(), &data).edges().is_empty());
}

#[test]
fn stamps_that_cannot_be_followed() {
    for (stamp, what) in [
        (u32::MAX, "no time stamp, and the configuration has no sampling rate"),
        (8_000, "the time stamp is not later than the one before"),
    ] {
        let record = Record { rates: vec![], ..Record::new("FLOAT32", 2013) };
        let mut data = record.data();
        let width = data.len() / 400;
        data[9 * width + 4..][..4].copy_from_slice(&stamp.to_le_bytes());
        let saved = Saved::new(record.configuration().as_bytes(), &data);
        assert_eq!(saved.refusal(), format!("{}: record 10: {what}", saved.data.display()));
    }
}

#[test]
fn without_its_data_file() {
    let saved = Record::new("ASCII", 1999).save();
    std::fs::remove_file(&saved.data).unwrap();
    let expected = format!("{}: has no {} beside it", saved.config.display(), saved.data.display());
    assert_eq!(saved.refusal(), expected);
}

/// Cut anywhere, a data file is refused where it ends; without the last line's end an ASCII file is whole.
#[test]
fn data_truncated_at_every_byte() {
    for layout in LAYOUTS {
        let record = Record { samples: 40, rates: vec![(1000.0, 40)], ..Record::new(layout, 1999) };
        let saved = record.save();
        let whole = record.data();
        for length in 0..whole.len() {
            std::fs::write(&saved.data, &whole[..length]).unwrap();
            let result = edges(&saved.config, Some("PUMP UA"));
            // The last field is the last digital channel's: its digit and the line's end are not looked at.
            let harmless = layout == "ASCII" && length >= whole.len() - 3;
            assert_eq!(result.is_ok(), harmless, "{layout}, {length} of {} bytes", whole.len());
        }
    }
    let record = Record::new("BINARY", 1999);
    let saved = Saved::new(record.configuration().as_bytes(), &record.data()[..7 * 16 + 5]);
    let message = saved.refusal();
    assert!(message.contains("ends within record 8 of 400: 5 of its 16 bytes"), "{message}");
}

/// Cut anywhere before the file type is whole, a configuration is refused; behind that 1991's ends.
#[test]
fn configurations_truncated_at_every_byte() {
    let record = Record::new("BINARY32", 1999);
    let saved = record.save();
    let expected = saved.edges();
    let whole = record.configuration();
    let end = whole.find("BINARY32").unwrap() + "BINARY32".len();
    for length in 0..whole.len() {
        std::fs::write(&saved.config, &whole.as_bytes()[..length]).unwrap();
        match edges(&saved.config, Some("PUMP UA")) {
            Ok(found) => assert!(length >= end && found == expected, "{length} bytes"),
            Err(error) => assert!(length < end, "{length} bytes: {error}"),
        }
    }
}

/// Replaces bytes at positions given as parts of the whole.
fn damage(bytes: &mut [u8], damage: &[(f64, u8)]) {
    for &(part, byte) in damage {
        let at = (part * bytes.len() as f64) as usize;
        bytes[at] = byte;
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    /// Whatever the bytes, there is a result in order of time or an error.
    #[test]
    fn damaged_records_do_not_panic(
        layout in prop::sample::select(LAYOUTS.to_vec()),
        stamped: bool,
        config in prop::collection::vec((0.0..1.0, any::<u8>()), 0..4),
        data in prop::collection::vec((0.0..1.0, any::<u8>()), 0..4),
    ) {
        let rates = if stamped { vec![] } else { vec![(1000.0, 100)] };
        let record = Record { samples: 100, rates, ..Record::new(layout, 2013) };
        let (mut text, mut bytes) = (record.configuration().into_bytes(), record.data());
        damage(&mut text, &config);
        damage(&mut bytes, &data);
        let found = edges(&Saved::new(&text, &bytes).config, Some("1"));
        prop_assert!(found.is_err() || found.unwrap().is_sorted_by_key(|edge| edge.ticks));
    }

    /// Digits and commas in the wrong places come nearer to the limits than random bytes.
    #[test]
    fn wrong_numbers_do_not_panic(
        line in 0_usize..28,
        fields in prop::collection::vec("[-+0-9.eEAD]{0,12}", 0..14),
    ) {
        let record = Record { samples: 50, ..Record::new("FLOAT32", 2013) };
        let text = record.configuration();
        let text: Vec<_> = text
            .lines()
            .enumerate()
            .map(|(n, old)| if n == line { fields.join(",") } else { old.to_owned() })
            .collect();
        let found = edges(&Saved::new(text.join("\n").as_bytes(), &record.data()).config, Some("1"));
        prop_assert!(found.is_err() || found.unwrap().is_sorted_by_key(|edge| edge.ticks));
    }

    #[test]
    fn random_configurations_are_refused(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        prop_assert!(edges(&Saved::new(&bytes, &bytes).config, Some("1")).is_err());
    }
}
