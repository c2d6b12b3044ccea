//! The compact frame: fields by postcard, a CRC behind them, stuffed by COBS.

use serde::{Deserialize, Serialize};

use super::stream::{Format, MAX_ENCODED, Refused};
use super::{Record, crc};
use crate::qualify::State;
use crate::unit::Frequency;

/// Bytes of the longest frame, the zero behind it included: 49 of fields, two of CRC, one of stuffing.
pub const MAX_FRAME: usize = 53;

/// Fields and CRC at their longest.
const MAX_PLAIN: usize = MAX_FRAME - 2;

const VERSION: u8 = 1;

/// The fields as they are written.
#[derive(Serialize, Deserialize)]
struct Fields {
    version: u8,
    sequence: u16,
    time_ms: u32,
    state: u8,
    frequency: Option<u64>,
    uncertainty: Option<u64>,
    rocof: Option<i64>,
    missed: u16,
    rejected: u16,
}

/// The frame of `record`, the zero behind it included, in `to`.
///
/// Its serialiser checks slices as it runs: firmware that must link without any way to panic writes text lines.
pub fn frame<'a>(record: &Record, to: &'a mut [u8; MAX_FRAME]) -> &'a [u8] {
    let fields = Fields {
        version: VERSION,
        sequence: record.sequence,
        time_ms: record.time_ms,
        state: match record.state {
            State::Seeking => 0,
            State::Locked => 1,
            State::Coasting => 2,
            State::Lost => 3,
        },
        frequency: record.frequency.map(Frequency::nanohertz),
        uncertainty: record.uncertainty.map(Frequency::nanohertz),
        rocof: record.rocof,
        missed: record.missed,
        rejected: record.rejected,
    };
    let mut plain = [0; MAX_PLAIN];
    // Both buffers hold the longest record there is.
    let Ok(written) = postcard::to_slice(&fields, &mut plain) else { return &[] };
    let len = written.len();
    let [low, high] = crc::of(written).to_le_bytes();
    if let Some([first, second]) = plain.get_mut(len..len + 2) {
        (*first, *second) = (low, high);
    }
    let Some(plain) = plain.get(..len + 2) else { return &[] };
    let Ok(stuffed) = cobs::try_encode(plain, to) else { return &[] };
    if let Some(delimiter) = to.get_mut(stuffed) {
        *delimiter = Compact::DELIMITER;
    }
    to.get(..=stuffed).unwrap_or_default()
}

/// Compact frames, which end with a zero.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Compact;

impl Format for Compact {
    const DELIMITER: u8 = 0;

    fn is_empty(encoded: &[u8]) -> bool {
        encoded.is_empty()
    }

    fn decode(encoded: &[u8]) -> Result<Record, Refused> {
        let mut plain = [0; MAX_ENCODED];
        let len = cobs::decode(encoded, &mut plain).map_err(|_| Refused::Form)?;
        let plain = plain.get(..len).unwrap_or_default();
        let (covered, crc) = plain.split_last_chunk::<2>().ok_or(Refused::Form)?;
        if u16::from_le_bytes(*crc) != crc::of(covered) {
            return Err(Refused::Checksum);
        }
        if covered.first() != Some(&VERSION) {
            return Err(Refused::Version);
        }
        // What is behind the fields is of a later time.
        let (fields, _): (Fields, _) = postcard::take_from_bytes(covered).map_err(|_| Refused::Form)?;
        Ok(Record {
            sequence: fields.sequence,
            time_ms: fields.time_ms,
            state: match fields.state {
                0 => State::Seeking,
                1 => State::Locked,
                2 => State::Coasting,
                3 => State::Lost,
                _ => return Err(Refused::Form),
            },
            frequency: fields.frequency.map(Frequency::from_nanohertz),
            uncertainty: fields.uncertainty.map(Frequency::from_nanohertz),
            rocof: fields.rocof,
            missed: fields.missed,
            rejected: fields.rejected,
        })
    }
}
