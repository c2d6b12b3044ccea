//! What a meter takes in memory.

use humtick::Meter;

/// 64 crossings of six bytes are 384; the rest is the qualifier and the settings.
#[test]
fn a_meter_of_64_crossings_fits_in_640_bytes() {
    let bytes = size_of::<Meter<64>>();
    println!("a Meter<64> takes {bytes} bytes");
    assert!(bytes <= 640, "{bytes} bytes");
    assert!(bytes > 64 * 6, "{bytes} bytes do not hold 64 stamps and the gaps between them");
}

/// 32 crossings of each polarity, a taper, and everything a meter keeps beside.
#[test]
fn a_tapered_meter_on_both_polarities_fits_in_1024_bytes() {
    let size = size_of::<humtick::Meter<32, humtick::Kaiser6, 2>>();
    println!("a Meter<32, Kaiser6, 2> takes {size} bytes");
    assert!(size <= 1_024, "{size} bytes");
}
