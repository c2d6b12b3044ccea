//! A way's bytes to what a sensor says: link lines or compact frames, whichever come, and its name ahead of them.
//!
//! Both are read until there is the first name or reading: it tells which they are. Frames end with a zero, which is in no line, and a name
//! ahead of frames ends with one too.

use humtick::link::{Compact, Decoder, Record, Refused, Text};

use super::greeting::{Name, NameError};

/// What has come.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Item<'a> {
    /// The sensor's name; only before the first reading.
    Name(Name),
    /// A reading, and the line that it came in without its LF; `None` if it came in a frame.
    Reading(Record, Option<&'a [u8]>),
    /// It says a name, and that is none; why. Counts as refused.
    NoName(NameError),
    /// A line or frame that is neither.
    Refused,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Lines,
    Frames,
}

/// See the [module](self).
#[derive(Clone, Debug, Default)]
pub struct Intake {
    lines: Decoder<Text>,
    /// Until it is known that lines come.
    frames: Decoder<Compact>,
    kind: Option<Kind>,
    has_reading: bool,
    /// There was a name or reading since it last began anew.
    is_right: bool,
}

impl Intake {
    /// Takes bytes in pieces of any size, and hands on what is whole with them.
    pub fn take(&mut self, bytes: &[u8], mut hand: impl FnMut(Item<'_>)) {
        let mut rest = bytes;
        while self.kind.is_none() && !rest.is_empty() {
            // As much as one of them may end with: what is behind it is read by one of them alone, if that decides it.
            let end =
                rest.iter().position(|byte| matches!(byte, b'\n' | 0)).map_or(rest.len(), |end| end + 1);
            let (piece, behind) = rest.split_at(end);
            rest = behind;
            self.lines(piece, &mut hand);
            if self.kind.is_none() {
                self.frames(piece, &mut hand);
            }
        }
        match self.kind {
            Some(Kind::Lines) => self.lines(rest, &mut hand),
            Some(Kind::Frames) => self.frames(rest, &mut hand),
            None => {}
        }
    }

    /// A datagram was whole, and what comes next begins another. Where there was nothing in it, the next may be of the other kind.
    pub fn end(&mut self, mut hand: impl FnMut(Item<'_>)) {
        if self.kind != Some(Kind::Frames) {
            self.lines(b"\n", &mut hand);
        }
        if self.kind != Some(Kind::Lines) {
            self.frames(&[0], &mut hand);
        }
        if !std::mem::take(&mut self.is_right) {
            *self = Self::default();
        }
    }

    fn lines(&mut self, bytes: &[u8], hand: &mut impl FnMut(Item<'_>)) {
        let Self { lines, kind, has_reading, is_right, .. } = self;
        lines.pass(bytes, |line, result| {
            let item = item(line, result, *has_reading);
            if matches!(item, Item::Name(_) | Item::Reading(..)) {
                (*kind, *is_right) = (Some(Kind::Lines), true);
            }
            *has_reading |= matches!(item, Item::Reading(..));
            hand(item);
        });
    }

    fn frames(&mut self, bytes: &[u8], hand: &mut impl FnMut(Item<'_>)) {
        let Self { frames, kind, has_reading, is_right, .. } = self;
        frames.pass(bytes, |frame, result| match item(frame, result, *has_reading) {
            // Garbage is counted as lines while there is nothing else.
            Item::Refused | Item::NoName(_) if kind.is_none() => {}
            item @ (Item::Refused | Item::NoName(_)) => hand(item),
            Item::Name(name) => {
                (*kind, *is_right) = (Some(Kind::Frames), true);
                hand(Item::Name(name));
            }
            Item::Reading(record, _) => {
                (*kind, *has_reading, *is_right) = (Some(Kind::Frames), true, true);
                hand(Item::Reading(record, None));
            }
        });
    }
}

fn item(encoded: &[u8], result: Result<Record, Refused>, has_reading: bool) -> Item<'_> {
    match result {
        Ok(record) => Item::Reading(record, Some(encoded)),
        // Whatever the reason: four figures at a name's end are read as a checksum.
        Err(_) if !has_reading => match Name::in_line(encoded) {
            Some(Ok(name)) => Item::Name(name),
            Some(Err(why)) => Item::NoName(why),
            None => Item::Refused,
        },
        Err(_) => Item::Refused,
    }
}

#[cfg(test)]
mod tests {
    use humtick::link::{MAX_FRAME, MAX_LINE, frame, line};
    use humtick::{Frequency, State};
    use proptest::prelude::*;

    use super::*;

    fn record(sequence: u16) -> Record {
        Record {
            sequence,
            time_ms: u32::from(sequence) * 100,
            state: State::Locked,
            // An LF among the bytes of its frame.
            frequency: Some(Frequency::from_nanohertz(49_990_010_010)),
            uncertainty: Some(Frequency::from_nanohertz(400_010)),
            rocof: None,
            missed: 10,
            rejected: 0,
        }
    }

    fn lines(numbers: std::ops::Range<u16>) -> Vec<u8> {
        numbers.flat_map(|n| line(&record(n), &mut [0; MAX_LINE]).to_vec()).collect()
    }

    fn frames(numbers: std::ops::Range<u16>) -> Vec<u8> {
        numbers.flat_map(|n| frame(&record(n), &mut [0; MAX_FRAME]).to_vec()).collect()
    }

    /// Names, sequence numbers with whether they came in lines, and how many were refused.
    type Taken = (Vec<String>, Vec<(u16, bool)>, u32);

    fn sort(item: Item<'_>, to: &mut Taken) {
        match item {
            Item::Name(name) => to.0.push(name.to_string()),
            Item::Reading(record, line) => to.1.push((record.sequence, line.is_some())),
            Item::NoName(_) | Item::Refused => to.2 += 1,
        }
    }

    fn taken(bytes: &[u8], piece: usize) -> Taken {
        let (mut intake, mut all) = (Intake::default(), Taken::default());
        bytes.chunks(piece).for_each(|bytes| intake.take(bytes, |item| sort(item, &mut all)));
        all
    }

    fn numbered(numbers: std::ops::Range<u16>, is_line: bool) -> Vec<(u16, bool)> {
        numbers.map(|n| (n, is_line)).collect()
    }

    #[test]
    fn lines_and_frames_are_told_apart_with_and_without_a_name() {
        assert!(frames(0..1).contains(&b'\n'));
        for piece in [1, 7, 4_096] {
            for name in ["", "saw-2026"] {
                let ahead =
                    |end: &str| if name.is_empty() { String::new() } else { format!("name {name}{end}") };
                let names: Vec<_> = [name.to_string()].into_iter().filter(|name| !name.is_empty()).collect();
                let text = [ahead("\r\n").into_bytes(), lines(0..20)].concat();
                assert_eq!(taken(&text, piece), (names.clone(), numbered(0..20, true), 0));
                let binary = [ahead("\0").into_bytes(), frames(0..20)].concat();
                // Without a name the first frame may end a line that is none.
                let (found, numbers, refused) = taken(&binary, piece);
                assert_eq!((found, numbers), (names.clone(), numbered(0..20, false)));
                assert!(refused <= u32::from(name.is_empty()), "{refused}");
            }
        }
    }

    #[test]
    fn a_name_that_is_none_is_told() {
        for name in ["-x", "k\u{e4}lte keller", ""] {
            let mut told = None;
            Intake::default().take(format!("name {name}\r\n").as_bytes(), |item| {
                if let Item::NoName(why) = item {
                    told = Some(why.to_string());
                }
            });
            assert!(told.unwrap().contains(name), "{name}");
        }
    }

    /// A stream that is joined in the middle costs what was cut; what is damaged costs itself, and a name behind readings is no name.
    #[test]
    fn what_is_damaged_costs_itself() {
        assert_eq!(taken(&lines(0..5)[20..], 64).1, numbered(1..5, true));
        assert_eq!(taken(&frames(0..5)[5..], 64).1, numbered(1..5, false));
        let mut bytes = frames(0..5);
        let length = frames(0..1).len();
        bytes[length + 4] ^= 4;
        let (_, numbers, refused) = taken(&bytes, 64);
        assert_eq!(numbers, [(0, false), (2, false), (3, false), (4, false)]);
        assert_eq!(refused, taken(&frames(0..5), 64).2 + 1);
        let text = [lines(0..2), b"name pump\r\n".to_vec(), lines(2..3)].concat();
        assert_eq!(taken(&text, 64), (vec![], numbered(0..3, true), 1));
        // Lines with a zero between them, from a line that was interrupted: it damages the one it is in.
        let text = [b"\0".to_vec(), lines(0..2), b"\0".to_vec(), lines(2..4)].concat();
        assert_eq!(taken(&text, 64).1, [(1, true), (3, true)]);
    }

    /// Each datagram is whole, with or without the end of its line or frame.
    #[test]
    fn datagrams_are_whole() {
        for (all, is_line) in [(lines as fn(_) -> _, true), (frames, false)] {
            let (mut intake, mut found) = (Intake::default(), Taken::default());
            for n in 0..6 {
                let datagram = all(n..n + 1);
                let whole = datagram.len() - usize::from(n % 2);
                intake.take(&datagram[..whole], |item| sort(item, &mut found));
                intake.end(|item| sort(item, &mut found));
            }
            assert_eq!(found.1, numbered(0..6, is_line));
            // Until the first frame is whole, an LF in it may end a line.
            assert!(found.2 <= u32::from(!is_line), "{}", found.2);
        }
    }

    /// A sender that changes from lines to frames, or back, costs one datagram.
    #[test]
    fn a_sender_may_change_its_mind() {
        let (mut intake, mut found) = (Intake::default(), Taken::default());
        for (n, all) in
            [lines as fn(_) -> Vec<u8>, lines, frames, frames, frames, lines, lines].iter().enumerate()
        {
            intake.take(&all(n as u16..n as u16 + 1), |item| sort(item, &mut found));
            intake.end(|item| sort(item, &mut found));
        }
        assert_eq!(found.1, [(0, true), (1, true), (3, false), (4, false), (6, true)]);
        assert!((2..=4).contains(&found.2), "{}", found.2);
    }

    proptest! {
        #[test]
        fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..400), piece in 1usize..50) {
            taken(&bytes, piece);
        }

        /// However the bytes are cut, the same comes out.
        #[test]
        fn pieces_do_not_matter(
            bytes in prop::collection::vec(prop_oneof![4 => any::<u8>(), 1 => Just(0), 1 => Just(b'\n')], 0..200),
            is_line: bool,
            piece in 1usize..50,
        ) {
            let all = [bytes, if is_line { lines(0..5) } else { frames(0..5) }].concat();
            prop_assert_eq!(taken(&all, piece), taken(&all, all.len()));
        }
    }
}
