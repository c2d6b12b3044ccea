//! The link, held against its document, the CRC's and COBS's own sources, and damage of every kind.

use humtick::link::{
    Arrival, Compact, Decoder, Format, MAX_ENCODED, MAX_FRAME, MAX_LINE, MAX_NUMBER, Outgoing, Record,
    Refused, SensorTime, Sequence, Text, frame, line, next, number, write_line,
};
use humtick::{Frequency, Stamp, State, TickRate};
use proptest::prelude::*;

const DOCUMENT: &str = include_str!("../core/LINK.md");

/// The document's examples: record, line, frame.
fn examples() -> Vec<(Record, String, Vec<u8>)> {
    let rows = DOCUMENT.split("## Worked examples").nth(1).unwrap().lines().filter(|row| row.contains('`'));
    let examples: Vec<_> = rows
        .map(|row| {
            let cells: Vec<_> = row.trim_matches('|').split('|').map(str::trim).collect();
            let maybe = |cell: &str| (!cell.is_empty()).then(|| cell.parse::<i64>().unwrap());
            let hertz = |cell: &str| maybe(cell).map(|n| Frequency::from_nanohertz(n as u64));
            let record = Record {
                sequence: cells[0].parse().unwrap(),
                time_ms: cells[1].parse().unwrap(),
                state: match cells[2] {
                    "Seeking" => State::Seeking,
                    "Locked" => State::Locked,
                    "Coasting" => State::Coasting,
                    "Lost" => State::Lost,
                    other => panic!("{other}"),
                },
                frequency: hertz(cells[3]),
                uncertainty: hertz(cells[4]),
                rocof: maybe(cells[5]),
                missed: cells[6].parse().unwrap(),
                rejected: cells[7].parse().unwrap(),
            };
            let hex = cells[9].trim_matches('`').as_bytes().chunks(2);
            let bytes = hex.map(|two| u8::from_str_radix(str::from_utf8(two).unwrap(), 16).unwrap());
            (record, cells[8].trim_matches('`').to_owned(), bytes.collect())
        })
        .collect();
    assert_eq!(examples.len(), 6);
    examples
}

fn text_of(record: &Record) -> Vec<u8> {
    line(record, &mut [0xAA; MAX_LINE]).to_vec()
}

fn frame_of(record: &Record) -> Vec<u8> {
    frame(record, &mut [0xAA; MAX_FRAME]).to_vec()
}

/// What a text line keeps of a record.
fn rounded(record: &Record) -> Record {
    let below = |n: u64| (n < 1_000_000_000 << 32).then_some(n);
    let micro = |f: Option<Frequency>, more| {
        let micro = below(f?.nanohertz().checked_add(more)?)? / 1_000;
        Some(Frequency::from_nanohertz(micro * 1_000))
    };
    let rocof = |r: i64| {
        let size = below(r.unsigned_abs().checked_add(50_000)?)? / 100_000 * 100_000;
        Some(size as i64 * r.signum())
    };
    Record {
        frequency: micro(record.frequency, 500),
        uncertainty: micro(record.uncertainty, 999),
        rocof: record.rocof.and_then(rocof),
        ..*record
    }
}

fn decoded<F: Format>(bytes: &[u8]) -> Vec<Result<Record, Refused>> {
    let mut all = Vec::new();
    Decoder::<F>::new().push(bytes, |result| all.push(result));
    all
}

fn accepted<F: Format>(bytes: &[u8]) -> Vec<Record> {
    decoded::<F>(bytes).into_iter().filter_map(Result::ok).collect()
}

#[test]
fn the_documents_examples_in_both_directions() {
    for (record, text, bytes) in examples() {
        assert_eq!(String::from_utf8(text_of(&record)).unwrap(), text.clone() + "\r\n");
        assert_eq!(decoded::<Text>(format!("{text}\r\n").as_bytes()), [Ok(rounded(&record))]);
        assert_eq!(frame_of(&record), bytes);
        assert_eq!(decoded::<Compact>(&bytes), [Ok(record)]);
    }
    // The line that is taken apart field by field is the second example.
    assert!(DOCUMENT.contains(&format!("```text\n{}\n```", examples()[1].1)));
    for (field, text) in examples()[1].1.split(' ').enumerate() {
        let name = if field == 9 { "last".to_owned() } else { (field + 1).to_string() };
        assert!(DOCUMENT.contains(&format!("| {name} | `{text}` |")), "{name} {text}");
    }
}

/// By the crate that computes all CRCs of the catalogue.
#[test]
fn the_crc_is_the_catalogues() {
    let catalogue = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740);
    assert_eq!(catalogue.checksum(b"123456789"), 0x29B1);
    for (record, text, _) in examples() {
        let (covered, crc) = text.split_at(text.len() - 4);
        assert_eq!(crc, format!("{:04X}", catalogue.checksum(covered.as_bytes())));
        let plain = cobs::decode_vec(&frame_of(&record)[..frame_of(&record).len() - 1]).unwrap();
        let (covered, crc) = plain.split_last_chunk::<2>().unwrap();
        assert_eq!(u16::from_le_bytes(*crc), catalogue.checksum(covered));
    }
}

/// Cheshire and Baker, Consistent Overhead Byte Stuffing, Figure 3 and section III: the stuffing that the frame relies on is theirs.
#[test]
fn the_stuffing_is_the_papers() {
    let packet = b"\x45\x00\x00\x2C\x4C\x79\x00\x00\x40\x06\x4F\x37";
    let stuffed = b"\x02\x45\x01\x04\x2C\x4C\x79\x01\x05\x40\x06\x4F\x37";
    let mut to = [0; 32];
    let len = cobs::encode(packet, &mut to);
    assert_eq!(&to[..len], stuffed);
    let len = cobs::decode(stuffed, &mut to).unwrap();
    assert_eq!(&to[..len], packet);
}

/// Every bit of every example, turned: the line or frame is refused, and where the delimiter is hit the two beside it are lost.
#[test]
fn every_flipped_bit_is_refused() {
    for (record, text, bytes) in examples() {
        let next = Record { sequence: 77, ..record };
        flips::<Text>(&(text + "\r\n").into_bytes(), &text_of(&next), rounded(&next));
        flips::<Compact>(&bytes, &frame_of(&next), next);
    }
}

fn flips<F: Format>(one: &[u8], after: &[u8], next: Record) {
    for bit in 0..8 * one.len() {
        let mut stream = [one, after, after].concat();
        stream[bit / 8] ^= 1 << (bit % 8);
        let found = accepted::<F>(&stream);
        // A CR that is none is a character too many; a delimiter that is none takes the line behind along.
        let expected = if bit / 8 == one.len() - 1 { 1 } else { 2 };
        assert_eq!(found, vec![next; expected], "bit {bit}");
    }
}

#[test]
fn every_truncation_is_refused() {
    for (record, text, bytes) in examples() {
        let line = (text + "\r\n").into_bytes();
        for cut in 1..line.len() - 2 {
            assert_eq!(accepted::<Text>(&[&line[..cut], b"\r\n"].concat()), [], "{cut}");
            assert_eq!(accepted::<Text>(&line[cut..]), [], "{cut}");
        }
        for cut in 1..bytes.len() - 1 {
            assert_eq!(accepted::<Compact>(&[&bytes[..cut], &[0]].concat()), [], "{cut}");
            assert_eq!(accepted::<Compact>(&bytes[cut..]), [], "{cut}");
        }
        assert_eq!(accepted::<Text>(&line), [rounded(&record)]);
    }
}

/// All bursts of up to 16 bits, wherever they begin, over the longest example: the CRC finds each (its polynomial has degree 16).
#[test]
fn every_burst_of_16_bits_is_found() {
    let (_, text, _) = &examples()[2];
    let line = text.as_bytes();
    let mut hurt = line.to_vec();
    for begin in 0..8 * line.len() - 16 {
        for pattern in (1..1_u32 << 16).step_by(2) {
            // Counted from the highest bit of the first byte, as the CRC sees them.
            let spread = u64::from(pattern.reverse_bits() >> 16) << (24 - 16 - begin % 8);
            for (byte, flip) in hurt[begin / 8..].iter_mut().zip(&spread.to_be_bytes()[5..]) {
                *byte ^= flip;
            }
            if Text::decode(&hurt).is_ok() {
                panic!("{pattern:04X} at {begin} passes");
            }
            for (byte, flip) in hurt[begin / 8..].iter_mut().zip(&spread.to_be_bytes()[5..]) {
                *byte ^= flip;
            }
        }
    }
}

#[test]
fn a_reader_of_this_version_reads_what_later_ones_add() {
    let catalogue = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740);
    let (record, text, bytes) = examples().remove(1);
    let closed =
        |fields: &str| format!("{fields} {:04X}\r\n", catalogue.checksum(format!("{fields} ").as_bytes()));
    let fields = text.rsplit_once(' ').unwrap().0;
    assert_eq!(decoded::<Text>(closed(&format!("{fields} 21.5 ok")).as_bytes()), [Ok(rounded(&record))]);
    let other = fields.replacen("h1", "h2", 1);
    assert_eq!(decoded::<Text>(closed(&other).as_bytes()), [Err(Refused::Version)]);
    let mut plain = cobs::decode_vec(&bytes[..bytes.len() - 1]).unwrap();
    plain.truncate(plain.len() - 2);
    let framed = |plain: &[u8]| {
        let all = [plain, &catalogue.checksum(plain).to_le_bytes()].concat();
        [cobs::encode_vec(&all), vec![0]].concat()
    };
    assert_eq!(decoded::<Compact>(&framed(&[&plain[..], &[1, 2, 3]].concat())), [Ok(record)]);
    plain[0] = 2;
    assert_eq!(decoded::<Compact>(&framed(&plain)), [Err(Refused::Version)]);
}

/// A right checksum alone makes no record.
#[test]
fn what_is_spelt_otherwise_is_refused() {
    let catalogue = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740);
    for fields in [
        "h1 1 1.000 L 50.000000 0.000100 0.0000 0",
        "h1 65536 1.000 L 50.000000 0.000100 0.0000 0 0",
        "h1 1 1.00 L 50.000000 0.000100 0.0000 0 0",
        "h1 1 4294967.296 L 50.000000 0.000100 0.0000 0 0",
        "h1 1 1.000 l 50.000000 0.000100 0.0000 0 0",
        "h1 1 1.000 L 50.00000 0.000100 0.0000 0 0",
        "h1 1 1.000 L +50.000000 0.000100 0.0000 0 0",
        "h1 1 1.000 L -50.000000 0.000100 0.0000 0 0",
        "h1 1 1.000 L .000000 0.000100 0.0000 0 0",
        "h1 1 1.000 L 50.000000 0.000100 --0.0000 0 0",
        "h1 1 1.000 L 50.000000 0.000100 0.0000 -1 0",
        "h1 1 1.000 L 99999999999999.000000 0.000100 0.0000 0 0",
        "h1  1 1.000 L 50.000000 0.000100 0.0000 0 0",
        "h1 1 1.000 L   0.0000 0 0",
        "",
    ] {
        let line = format!("{fields} {:04X}\n", catalogue.checksum(format!("{fields} ").as_bytes()));
        let expected = if fields.is_empty() { Refused::Version } else { Refused::Form };
        assert_eq!(decoded::<Text>(line.as_bytes()), [Err(expected)], "{fields}");
    }
}

#[test]
fn garbage_and_what_is_too_long_cost_themselves_alone() {
    let (record, text, bytes) = examples().remove(1);
    let (line, kept) = (format!("{text}\r\n"), rounded(&record));
    for long in [MAX_ENCODED, MAX_ENCODED + 1, 10_000] {
        let stream = ["x".repeat(long), "\n\r\n\n".into(), line.clone(), line.clone()].concat();
        let refused = if long > MAX_ENCODED { Refused::Oversize } else { Refused::Form };
        assert_eq!(decoded::<Text>(stream.as_bytes()), [Err(refused), Ok(kept), Ok(kept)]);
        let stream = [&vec![1; long][..], &[0, 0, 0], &bytes, &bytes].concat();
        let found = decoded::<Compact>(&stream);
        assert_eq!((found.len(), &found[1..]), (3, &[Ok(record), Ok(record)][..]));
        assert_eq!(found[0] == Err(Refused::Oversize), long > MAX_ENCODED);
    }
    let mut decoder = Decoder::<Text>::new();
    decoder.push(format!("a\n{line}{}\nh1 0000\n{}\n", "y".repeat(200), &text[1..]).as_bytes(), |_| {});
    let counts = decoder.counts();
    assert_eq!((counts.records, counts.oversize, counts.form + counts.checksum), (1, 1, 3));
}

#[test]
fn numbers_for_those_who_want_no_more() {
    let shown = |nanohertz, decimals| {
        let mut to = [0xAA; MAX_NUMBER];
        String::from_utf8(number(Frequency::from_nanohertz(nanohertz), decimals, &mut to).to_vec()).unwrap()
    };
    assert_eq!(shown(50_002_999_999, 3), "50.003\r\n");
    assert_eq!(shown(50_002_499_999, 3), "50.002\r\n");
    assert_eq!(shown(50_002_500_000, 3), "50.003\r\n");
    assert_eq!(shown(49_500_000_000, 0), "50\r\n");
    assert_eq!(shown(49_499_999_999, 0), "49\r\n");
    assert_eq!(shown(999_999_999_999, 2), "1000.00\r\n");
    assert_eq!(shown(16_666_666_667, 9), "16.666666667\r\n");
    assert_eq!(shown(16_666_666_667, 200), "16.666666667\r\n");
    assert_eq!(shown(0, 1), "0.0\r\n");
    assert_eq!(shown((1 << 32) * 1_000_000_000 - 1, 9), "4294967295.999999999\r\n");
    assert_eq!(shown((1 << 32) * 1_000_000_000 - 1, 3), "");
    assert_eq!(shown(u64::MAX, 9), "");
}

/// A port that takes a byte only every other time it is asked.
struct Slow {
    taken: Vec<u8>,
    is_ready: bool,
}

impl embedded_hal_nb::serial::ErrorType for Slow {
    type Error = embedded_hal_nb::serial::ErrorKind;
}

impl embedded_hal_nb::serial::Write for Slow {
    fn write(&mut self, byte: u8) -> nb::Result<(), Self::Error> {
        self.is_ready = !self.is_ready;
        if !self.is_ready {
            return Err(nb::Error::WouldBlock);
        }
        self.taken.push(byte);
        Ok(())
    }

    fn flush(&mut self) -> nb::Result<(), Self::Error> {
        Ok(())
    }
}

#[test]
fn lines_go_out_whole() {
    let mut outgoing = Outgoing::new();
    let mut port = Slow { taken: Vec::new(), is_ready: false };
    assert_eq!(outgoing.send(&mut port), Ok(()));
    let mut expected = Vec::new();
    for (record, text, _) in examples() {
        outgoing.load(&record).unwrap();
        assert!(outgoing.load(&record).is_err() && !outgoing.is_done());
        while outgoing.send(&mut port).is_err() {}
        expected.extend_from_slice(format!("{text}\r\n").as_bytes());
    }
    assert_eq!(port.taken, expected);
    let record = examples().remove(1).0;
    outgoing.load(&record).unwrap();
    let bytes: Vec<_> = std::iter::from_fn(|| outgoing.next_byte()).collect();
    let mut written = [0; 200];
    let mut rest = &mut written[..];
    write_line(&record, &mut rest).unwrap();
    let left = rest.len();
    assert_eq!((&written[..200 - left], outgoing.is_done()), (&bytes[..], true));
}

#[test]
fn numbers_tell_what_was_lost() {
    let mut sequence = Sequence::new();
    let record = examples().remove(0).0;
    let mut take = |number| sequence.take(&Record { sequence: number, ..record });
    assert_eq!([0, 1, 2].map(&mut take), [Arrival::Next; 3]);
    assert_eq!(
        [5, 6, 6, 4].map(&mut take),
        [Arrival::After(2), Arrival::Next, Arrival::Again, Arrival::Late]
    );
    assert_eq!([7, 0, 1].map(&mut take), [Arrival::Next, Arrival::Restarted, Arrival::Next]);
    assert_eq!(
        [30_000, 60_000, 65_535, 1].map(&mut take),
        [Arrival::After(29_998), Arrival::After(29_999), Arrival::After(5_534), Arrival::Next]
    );
    // Started anew, and the first two lines lost.
    assert_eq!(
        [500, 2, 3, 4].map(&mut take),
        [Arrival::After(498), Arrival::Late, Arrival::Restarted, Arrival::Next]
    );
    assert_eq!((next(0), next(65_534), next(65_535)), (1, 65_535, 1));
}

/// The sensor's time tells a start whose first line is lost from lines that are missing or late.
#[test]
fn a_time_gone_back_is_a_start() {
    let mut sequence = Sequence::new();
    let record = examples().remove(0).0;
    let mut take = |number, time_ms| sequence.take(&Record { sequence: number, time_ms, ..record });
    assert_eq!(take(40_000, 4_000_000), Arrival::Next);
    assert_eq!(take(1, 100), Arrival::Restarted);
    assert_eq!(take(2, 200), Arrival::Next);
    // The very same number, an hour earlier.
    assert_eq!([take(40_000, 4_000_000), take(40_000, 400_000)], [Arrival::Late, Arrival::Late]);
    assert_eq!([take(3, 300), take(3, 300)], [Arrival::Next, Arrival::Again]);
    // Out of order by less than a minute is late; round the end of the scale is on.
    assert_eq!([take(5, 60_400), take(4, 400)], [Arrival::After(1), Arrival::Late]);
    assert_eq!([take(6, u32::MAX - 50), take(7, 49)], [Arrival::Restarted, Arrival::Next]);
}

fn any_record() -> impl Strategy<Value = Record> {
    let state = prop::sample::select(vec![State::Seeking, State::Locked, State::Coasting, State::Lost]);
    // Numbers of every size: half of all drawn evenly would be the largest.
    let size = (any::<u64>(), 0u32..64).prop_map(|(n, shift)| n >> shift);
    let hertz = prop::option::of(size.clone().prop_map(Frequency::from_nanohertz));
    let rocof = prop::option::of((any::<i64>(), 0u32..64).prop_map(|(n, shift)| n >> shift));
    (any::<(u16, u32, u16, u16)>(), state, hertz.clone(), hertz, rocof).prop_map(
        |((sequence, time_ms, missed, rejected), state, frequency, uncertainty, rocof)| Record {
            sequence,
            time_ms,
            state,
            frequency,
            uncertainty,
            rocof,
            missed,
            rejected,
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2_000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn every_record_goes_there_and_back(record in any_record()) {
        prop_assert_eq!(decoded::<Text>(&text_of(&record)), [Ok(rounded(&record))]);
        prop_assert_eq!(decoded::<Compact>(&frame_of(&record)), [Ok(record)]);
        prop_assert!(frame_of(&record)[..frame_of(&record).len() - 1].iter().all(|byte| *byte != 0));
    }

    #[test]
    fn no_bytes_panic_and_pieces_do_not_matter(
        bytes in prop::collection::vec(prop_oneof![any::<u8>(), Just(0), Just(b'\n'), Just(b' '), b'0'..=b'9'], 0..600),
        record in any_record(),
        cuts in prop::collection::vec(0usize..700, 0..8),
    ) {
        pieces::<Text>(&[&bytes[..], b"\n", &text_of(&record)].concat(), &cuts, rounded(&record))?;
        pieces::<Compact>(&[&bytes[..], b"\0", &frame_of(&record)].concat(), &cuts, record)?;
    }

    #[test]
    fn sensor_time_is_ticks_over_rate(rate in 1_000u32..1_000_000_000, steps in prop::collection::vec(0u32..1 << 31, 1..40), start: u32) {
        let mut time = SensorTime::new(TickRate::from_hz(rate).unwrap(), Stamp::new(start));
        let (mut ticks, mut stamp) = (0_u64, start);
        for step in steps {
            // Long steps of slow counters take long here.
            let step = step.min(rate.saturating_mul(100));
            ticks += u64::from(step);
            stamp = stamp.wrapping_add(step);
            prop_assert_eq!(time.at(Stamp::new(stamp)), (ticks * 1_000 / u64::from(rate)) as u32);
        }
        let before = time;
        time.at(Stamp::new(stamp.wrapping_sub(5)));
        prop_assert_eq!(time, before);
    }
}

/// The stream gives the same however it is cut, and the record at its end whatever came before.
fn pieces<F: Format>(stream: &[u8], cuts: &[usize], last: Record) -> Result<(), TestCaseError> {
    let whole = decoded::<F>(stream);
    prop_assert_eq!(whole.last(), Some(&Ok(last)));
    let mut cuts: Vec<_> = cuts.iter().map(|cut| cut % (stream.len() + 1)).chain([0, stream.len()]).collect();
    cuts.sort_unstable();
    let (mut decoder, mut found) = (Decoder::<F>::new(), Vec::new());
    for pair in cuts.windows(2) {
        decoder.push(&stream[pair[0]..pair[1]], |result| found.push(result));
    }
    prop_assert_eq!(found, whole);
    Ok(())
}
