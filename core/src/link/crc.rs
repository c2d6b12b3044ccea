//! CRC-16/IBM-3740: polynomial 0x1021, first value 0xFFFF, not reflected, nothing added in the end; of "123456789" it is 0x29B1
//! (catalogue of parametrised CRC algorithms).
//!
//! Written here, since the byte's way below needs no table: 256 entries are a quarter of an ATmega's RAM, where constants lie, and bit
//! by bit a line costs as much as everything else in it.

/// Before the first byte.
const FIRST: u16 = 0xFFFF;

/// With one byte more.
#[inline]
const fn with(crc: u16, byte: u8) -> u16 {
    let [high, low] = crc.to_be_bytes();
    let x = high ^ byte;
    let x = x ^ (x >> 4);
    // x times the polynomial x^12 + x^5 + 1, by bytes.
    u16::from_be_bytes([low ^ (x << 4) ^ (x >> 3), (x << 5) ^ x])
}

/// Of all these bytes.
pub(super) fn of(bytes: &[u8]) -> u16 {
    bytes.iter().fold(FIRST, |crc, byte| with(crc, *byte))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_catalogues_check_value() {
        assert_eq!(of(b"123456789"), 0x29B1);
    }
}
