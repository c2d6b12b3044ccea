//! What a meter takes in memory.

use humtick::Meter;

/// 64 crossings of six bytes are 384; the rest is the qualifier, the sums and the settings.
#[test]
fn a_meter_of_64_crossings_fits_in_640_bytes() {
    let bytes = size_of::<Meter<64>>();
    println!("a Meter<64> takes {bytes} bytes");
    assert!(bytes <= 640, "{bytes} bytes");
    assert!(bytes > 64 * 6, "{bytes} bytes do not hold 64 stamps with their steps and refusals");
}
