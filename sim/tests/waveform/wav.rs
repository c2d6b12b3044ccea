//! WAV files written here.

use std::f64::consts::PI;
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};
use proptest::prelude::*;
use tempfile::TempDir;

use crate::{edges, options, refusal};
use humtick_sim::input::open;

/// Writes 50 Hz into the last of `channels`, a constant into the others.
fn write(path: &Path, channels: u16, bits: u16, format: SampleFormat, frames: u32) {
    let spec = WavSpec { channels, sample_rate: 1000, bits_per_sample: bits, sample_format: format };
    let mut writer = WavWriter::create(path, spec).unwrap();
    for n in 0..frames {
        for channel in 0..channels {
            // Whole numbers that 8 bits hold: every format carries the same signal.
            let value = (100.0 * (2.0 * PI * 0.05 * f64::from(n) + 0.3).sin()).round();
            let value = if channel + 1 == channels { value } else { 5.0 };
            match format {
                SampleFormat::Int => writer.write_sample(value as i32).unwrap(),
                SampleFormat::Float => writer.write_sample(value as f32).unwrap(),
            }
        }
    }
    writer.finalize().unwrap();
}

fn folder() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cold-store.wav");
    (folder, path)
}

#[test]
fn all_formats_give_the_same_edges() {
    let (_folder, path) = folder();
    write(&path, 1, 16, SampleFormat::Int, 2000);
    let expected = edges(&path, None).unwrap();
    // 100 cycles less 32 samples: 196 or 197 edges.
    assert!((195..=198).contains(&expected.len()), "{} edges", expected.len());
    for (bits, format) in
        [(8, SampleFormat::Int), (24, SampleFormat::Int), (32, SampleFormat::Int), (32, SampleFormat::Float)]
    {
        for channels in [1, 2, 5] {
            write(&path, channels, bits, format, 2000);
            let found = edges(&path, Some(&channels.to_string())).unwrap();
            assert_eq!(found, expected, "{bits} bits, {format:?}, {channels} channels");
        }
    }
}

#[test]
fn channels_are_chosen() {
    let (_folder, path) = folder();
    write(&path, 2, 16, SampleFormat::Int, 500);
    assert_eq!(edges(&path, Some("left")).unwrap(), []);
    assert_eq!(edges(&path, Some(" Right ")).unwrap(), edges(&path, Some("2")).unwrap());
    let name = path.display();
    assert_eq!(
        refusal(&path, None),
        format!("{name}: has 2 channels; choose --channel left (1) or right (2)")
    );
    for wrong in ["0", "3", "middle", "-1", ""] {
        let expected = format!("{name}: has no channel `{wrong}`; choose --channel left (1) or right (2)");
        assert_eq!(refusal(&path, Some(wrong)), expected);
    }
    write(&path, 3, 16, SampleFormat::Int, 500);
    assert_eq!(
        refusal(&path, Some("left")),
        format!("{name}: has no channel `left`; choose --channel 1 to 3")
    );
    let opened = open(&path, &options(Some("3"))).unwrap();
    assert_eq!(opened.assumptions[0], "channel 3 of 3, 1000 samples/s, 500 samples, 16-bit integer");
}

#[test]
fn nothing_inside() {
    let (_folder, path) = folder();
    write(&path, 1, 16, SampleFormat::Int, 0);
    assert_eq!(refusal(&path, None), format!("{}: holds no samples", path.display()));
}

#[test]
fn not_a_number_is_named() {
    let (_folder, path) = folder();
    let spec =
        WavSpec { channels: 1, sample_rate: 1000, bits_per_sample: 32, sample_format: SampleFormat::Float };
    let mut writer = WavWriter::create(&path, spec).unwrap();
    for value in [0.0, 1.0, f32::NAN] {
        writer.write_sample(value).unwrap();
    }
    writer.finalize().unwrap();
    assert!(refusal(&path, None).ends_with("sample 3 is NaN, not a finite number"));
}

/// A header of 44 bytes and 300 samples of 2: cut anywhere, the message says where.
#[test]
fn truncated_at_every_byte() {
    let (_folder, path) = folder();
    write(&path, 1, 16, SampleFormat::Int, 300);
    let whole = std::fs::read(&path).unwrap();
    assert_eq!(whole.len(), 44 + 600);
    for length in 0..whole.len() {
        std::fs::write(&path, &whole[..length]).unwrap();
        let message = refusal(&path, None);
        let expected = match length.checked_sub(44) {
            None => "ends before its samples begin; not a whole WAV file".to_owned(),
            Some(data) => {
                format!("ends within sample {}, before its header says; copy it again", data / 2 + 1)
            }
        };
        assert!(message.ends_with(&expected), "{length} bytes: {message}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(300) })]

    /// Whatever the bytes, there is a result or an error.
    #[test]
    fn damaged_files_do_not_panic(
        float: bool,
        damage in prop::collection::vec((0_usize..60, any::<u8>()), 0..6),
    ) {
        let (_folder, path) = folder();
        let (bits, format) = if float { (32, SampleFormat::Float) } else { (16, SampleFormat::Int) };
        write(&path, 2, bits, format, 100);
        let mut bytes = std::fs::read(&path).unwrap();
        for &(at, byte) in &damage {
            bytes[at] = byte;
        }
        std::fs::write(&path, &bytes).unwrap();
        let found = edges(&path, Some("2"));
        prop_assert!(found.is_err() || found.unwrap().is_sorted_by_key(|edge| edge.ticks));
    }

    #[test]
    fn random_files_do_not_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let (_folder, path) = folder();
        std::fs::write(&path, &bytes).unwrap();
        prop_assert!(edges(&path, None).is_err());
    }
}
