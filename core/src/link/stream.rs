//! Records out of a stream of bytes that may begin anywhere, have gaps, and hold garbage.

use super::Record;

/// Bytes a line or a frame may have without its delimiter; longer ones are garbage. Room for fields to come.
pub const MAX_ENCODED: usize = 128;

/// How records are written: [`Text`](super::Text) or `Compact` (feature `compact`).
pub trait Format {
    /// Stands behind every line or frame and in none.
    const DELIMITER: u8;

    /// Whether there is nothing between two delimiters.
    fn is_empty(encoded: &[u8]) -> bool;

    /// The record of a line or a frame without its delimiter.
    ///
    /// # Errors
    /// Why it is none.
    fn decode(encoded: &[u8]) -> Result<Record, Refused>;
}

/// Why a line or frame was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Refused {
    /// It is no line or frame, or its fields are no record, though its checksum is right.
    Form,
    /// Its checksum is wrong.
    Checksum,
    /// It is right, and of a version that is not known here.
    Version,
    /// It is longer than [`MAX_ENCODED`].
    Oversize,
}

/// What has come out of a stream.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Counts {
    /// Records.
    pub records: u32,
    /// Lines or frames refused, by [`Refused`]; all wrap around after 2^32.
    pub form: u32,
    /// See `form`.
    pub checksum: u32,
    /// See `form`.
    pub version: u32,
    /// See `form`.
    pub oversize: u32,
}

/// Takes bytes as they come, in pieces of any size, and gives the records in them. What is damaged costs itself and nothing behind its
/// delimiter; a delimiter that is damaged costs the line before it and the line after.
#[derive(Clone, Debug)]
pub struct Decoder<F> {
    held: heapless::Vec<u8, MAX_ENCODED>,
    /// What was held has become too long: everything up to the delimiter belongs to it.
    is_oversize: bool,
    counts: Counts,
    format: core::marker::PhantomData<F>,
}

impl<F: Format> Default for Decoder<F> {
    fn default() -> Self {
        Self::new()
    }
}

impl<F: Format> Decoder<F> {
    /// One that has seen nothing.
    pub const fn new() -> Self {
        Self {
            held: heapless::Vec::new(),
            is_oversize: false,
            counts: Counts { records: 0, form: 0, checksum: 0, version: 0, oversize: 0 },
            format: core::marker::PhantomData,
        }
    }

    /// What was counted so far.
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    /// Takes the next bytes and hands on what is complete with them, record or refusal, in order.
    pub fn push(&mut self, bytes: &[u8], mut take: impl FnMut(Result<Record, Refused>)) {
        self.pass(bytes, |_, result| take(result));
    }

    /// The same, with each line or frame as it came, without its delimiter: to be passed on with what a later version has added. Of one that
    /// is too long nothing is kept.
    pub fn pass(&mut self, bytes: &[u8], mut take: impl FnMut(&[u8], Result<Record, Refused>)) {
        let mut rest = bytes;
        while let Some(end) = rest.iter().position(|byte| *byte == F::DELIMITER) {
            let (piece, behind) = rest.split_at(end);
            rest = behind.get(1..).unwrap_or_default();
            self.end(piece, &mut take);
            self.held.clear();
            self.is_oversize = false;
        }
        if self.held.extend_from_slice(rest).is_err() {
            self.held.clear();
            self.is_oversize = true;
        }
    }

    /// What is held ends with `piece`; nothing where nothing stands between two delimiters.
    fn end(&mut self, piece: &[u8], take: &mut impl FnMut(&[u8], Result<Record, Refused>)) {
        let oversize = self.is_oversize || self.held.len() + piece.len() > MAX_ENCODED;
        // Whole in one piece, as nearly all are: nothing is copied.
        let encoded = if oversize {
            &[]
        } else if self.held.is_empty() {
            piece
        } else {
            // It was seen to fit.
            let _ = self.held.extend_from_slice(piece);
            &self.held
        };
        if oversize || !F::is_empty(encoded) {
            let result = if oversize { Err(Refused::Oversize) } else { F::decode(encoded) };
            self.counts.add(&result);
            take(encoded, result);
        }
    }
}

impl Counts {
    const fn add(&mut self, result: &Result<Record, Refused>) {
        let count = match result {
            Ok(_) => &mut self.records,
            Err(Refused::Form) => &mut self.form,
            Err(Refused::Checksum) => &mut self.checksum,
            Err(Refused::Version) => &mut self.version,
            Err(Refused::Oversize) => &mut self.oversize,
        };
        *count = count.wrapping_add(1);
    }
}
