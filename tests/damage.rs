//! Ten million damaged lines and frames through the streaming decoder: no more are believed than a CRC of 16 bits lets through.

use humtick::link::{Compact, Decoder, Format, MAX_FRAME, MAX_LINE, Record, Text, frame, line};
use humtick::{Frequency, State};
use rand::{RngExt as _, SeedableRng as _};
use rand_pcg::Pcg64Mcg;

/// Of each kind.
const COUNT: u32 = 10_000_000;

fn record(sequence: u16) -> Record {
    Record {
        sequence,
        time_ms: 100 * u32::from(sequence),
        state: State::Locked,
        frequency: Some(Frequency::from_millihertz(50_000 + u32::from(sequence % 50))),
        uncertainty: Some(Frequency::from_nanohertz(411_000)),
        rocof: Some(-12_300_000),
        missed: 0,
        rejected: 2,
    }
}

/// How many of `COUNT` records are believed though `damage` was done to what says them, delimiter apart, and are not what they were.
fn believed<F: Format>(
    say: impl Fn(&Record) -> Vec<u8>,
    delimiter: usize,
    mut damage: impl FnMut(&mut [u8], &mut Pcg64Mcg),
) -> u32 {
    let mut random = Pcg64Mcg::seed_from_u64(10);
    let (mut decoder, mut wrong) = (Decoder::<F>::new(), 0);
    let said: Vec<_> = (0..1_000).map(|k| (record(k), say(&record(k)))).collect();
    for (record, clean) in said.iter().cycle().take(COUNT as usize) {
        let mut bytes = clean.clone();
        let inner = ..bytes.len() - delimiter;
        damage(&mut bytes[inner], &mut random);
        decoder.push(&bytes, |result| wrong += u32::from(result.is_ok_and(|found| found != *record)));
    }
    wrong
}

/// One in 65,536 is 153, with a standard deviation of 12: no more than five above it.
const MOST: u32 = 215;

fn line_of(record: &Record) -> Vec<u8> {
    line(record, &mut [0; MAX_LINE]).to_vec()
}

fn frame_of(record: &Record) -> Vec<u8> {
    frame(record, &mut [0; MAX_FRAME]).to_vec()
}

/// Three to eight figures of a line are others: its form is right, and only the CRC knows.
#[test]
fn lines() {
    let wrong = believed::<Text>(line_of, 2, |bytes, random| {
        let mut left = random.random_range(3..=8);
        while left > 0 {
            let at = random.random_range(0..bytes.len());
            if at > 1 && bytes[at].is_ascii_digit() {
                bytes[at] = random.random_range(b'0'..=b'9');
                left -= 1;
            }
        }
    });
    // Figures drawn again may be what they were: some lines are not hurt at all, and the others come to the CRC.
    assert!((80..=MOST).contains(&wrong), "{wrong}");
}

/// As many bytes of a frame are others, none of them the stuffing's.
#[test]
fn frames() {
    let wrong = believed::<Compact>(frame_of, 1, |bytes, random| {
        let mut left = random.random_range(3..=8);
        while left > 0 {
            let at = random.random_range(0..bytes.len());
            let (mut code, mut is_code) = (0, false);
            while code <= at {
                is_code = code == at;
                code += usize::from(bytes[code]);
            }
            if !is_code {
                bytes[at] = random.random_range(1..=255);
                left -= 1;
            }
        }
    });
    // Numbers of another length make most of them no records; that the others are left to the CRC is seen.
    assert!((1..=MOST).contains(&wrong), "{wrong}");
}

/// Two neighbouring bytes, a burst of up to 16 bits: none, a delimiter among them included.
#[test]
fn bursts() {
    let two = |bytes: &mut [u8], random: &mut Pcg64Mcg| {
        let at = random.random_range(0..bytes.len() - 1);
        bytes[at..at + 2].iter_mut().for_each(|byte| *byte ^= random.random::<u8>());
    };
    let wrong = (believed::<Text>(line_of, 2, two), believed::<Compact>(frame_of, 1, two));
    assert_eq!(wrong, (0, 0));
}
