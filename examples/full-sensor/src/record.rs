//! What the host writes for emulated boards to read: eight bytes an input, little-endian.
//!
//! | bytes | what |
//! |---|---|
//! | 0 to 3 | the stamp, in ticks modulo 2^32 |
//! | 4 | 0 a rising edge of the mains, 1 a falling one, 2 and 3 likewise of the pulse per second, 4 the time alone |
//! | 5 to 7 | 0 |

use humtick::{Edge, Polarity, Stamp};

use crate::Input;

/// An input in bytes.
pub type Record = [u8; 8];

/// The bytes of `input`.
pub fn encode(input: Input) -> Record {
    let falls = |edge: Edge| u8::from(edge.polarity == Polarity::Falling);
    let (stamp, kind) = match input {
        Input::Mains(edge) => (edge.stamp, falls(edge)),
        Input::Pulse(edge) => (edge.stamp, 2 + falls(edge)),
        Input::Time(now) => (now, 4),
    };
    let [a, b, c, d] = stamp.raw().to_le_bytes();
    [a, b, c, d, kind, 0, 0, 0]
}

/// The input of these bytes, if they are one.
pub fn decode([a, b, c, d, kind, rest @ ..]: Record) -> Option<Input> {
    let stamp = Stamp::new(u32::from_le_bytes([a, b, c, d]));
    let edge = |polarity| Edge { stamp, polarity };
    match (kind, rest) {
        (0, [0, 0, 0]) => Some(Input::Mains(edge(Polarity::Rising))),
        (1, [0, 0, 0]) => Some(Input::Mains(edge(Polarity::Falling))),
        (2, [0, 0, 0]) => Some(Input::Pulse(edge(Polarity::Rising))),
        (3, [0, 0, 0]) => Some(Input::Pulse(edge(Polarity::Falling))),
        (4, [0, 0, 0]) => Some(Input::Time(stamp)),
        _ => None,
    }
}
