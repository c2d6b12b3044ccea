//! Readers of captures: recordings from the field, and files that nobody meant to write.

use std::io::Write;
use std::path::{Path, PathBuf};

use humtick::Polarity;
use humtick_sim::edge::TimedEdge;
use humtick_sim::input::{InputError, InputOptions, open};
use proptest::prelude::*;

fn options(signal: Option<&str>) -> InputOptions {
    InputOptions { signal: signal.map(str::to_owned), ..InputOptions::default() }
}

/// The folder of recordings, if this machine has it.
#[allow(clippy::explicit_write, reason = "eprintln! is captured, and a silent skip is no good")]
fn recordings() -> Option<PathBuf> {
    let folder = std::env::var_os("HUMTICK_RECORDINGS").map(PathBuf::from);
    if folder.is_none() {
        writeln!(std::io::stderr(), "skipped: HUMTICK_RECORDINGS is not set").unwrap();
    }
    folder
}

#[test]
fn recorded_dumps_have_the_edges_that_were_counted_in_them() {
    let Some(folder) = recordings() else { return };
    // Rising and falling edges, first and last tick: counted with a script that knows nothing of this reader.
    for (file, signal, tick_hz, rising, falling, first, last) in [
        ("radio-second-pulses-120s.vcd", "DATA", 1_000_000, 114, 114, 133_440, 100_383_281),
        ("radio-second-pulses-1800s.vcd", "dcf77.DATA", 1_000_000, 2_213, 2_213, 472_372, 1_799_522_030),
        ("bus-8ch-10ns.vcd", "Channel_3", 100_000_000, 640, 640, 559_852, 6_646_477),
        ("bus-8ch-10ns.vcd", "Channel_1", 100_000_000, 20, 20, 559_852, 6_629_915),
        ("mixed-real-1us.vcd", "D1", 1_000_000, 189, 188, 5, 4_985),
        ("jtag-8mhz-1ns.vcd", "TDI", 100_000_000, 80, 80, 209_665_862, 220_630_975),
        ("jtag-8mhz-1ns.vcd", "TCK", 100_000_000, 4_771, 4_772, 206_939_150, 221_316_662),
    ] {
        let recording = open(&folder.join("vcd").join(file), &options(Some(signal))).unwrap();
        assert_eq!(recording.tick_hz, tick_hz, "{file}");
        let edges: Vec<TimedEdge> = recording.edges.map(Result::unwrap).collect();
        let up = edges.iter().filter(|edge| edge.polarity == Polarity::Rising).count();
        assert_eq!((up, edges.len() - up), (rising, falling), "{file} {signal}");
        assert_eq!((edges[0].ticks, edges[edges.len() - 1].ticks), (first, last), "{file} {signal}");
    }
}

#[test]
fn a_recorded_dump_with_fractional_stamps_is_refused_at_the_line() {
    let Some(folder) = recordings() else { return };
    let path = folder.join("vcd/illegal-fractional-stamp.vcd");
    for signal in [None, Some("sys_clk")] {
        let error = open(&path, &options(signal)).err().expect("a fractional stamp");
        assert!(matches!(error, InputError::Line { line: 13, .. }), "{error}");
    }
}

/// Reads to the end: ticks never decrease, and nothing follows an error.
fn survives(ending: &str, content: &[u8]) -> Result<(), TestCaseError> {
    let mut file = tempfile::Builder::new().suffix(ending).tempfile().expect("a private file");
    file.write_all(content).expect("a few kilobytes");
    let Ok(recording) = open(file.path(), &options(None)) else { return Ok(()) };
    let (mut last, mut failed) = (0, false);
    for edge in recording.edges {
        prop_assert!(!failed, "went on after an error");
        match edge {
            Ok(edge) => {
                prop_assert!(edge.ticks >= last, "{} after {last}", edge.ticks);
                last = edge.ticks;
            }
            Err(_) => failed = true,
        }
    }
    Ok(())
}

const TALLIED: &str = "# tick_hz = 2000000, bits = 16\nraw,wraps,pending,level\n100,0,0,1\n20100,0,0,0\n40100,0,0,1\n\
                       60100,0,0,0\n14564,0,1,1\n34564,1,0,0\n";
const BARE: &str = "# tick_hz = 2000000\n# bits = 16\nraw,note\n60000,\"pump, start\"\n34464,\n8928,\n";
const TICKS: &str = "# tick_hz = 1000\nticks,level\n5,1\n15,0\n25,1\n";
const SECONDS: &str = "seconds\n0.01\n3.0e-2\n0.050000001\n";
const DUMP: &str = "$comment cold store $end\n$timescale 10 ns $end\n$scope module m $end\n$var wire 1 ! A $end\n\
                    $var real 64 r V $end\n$upscope $end\n$enddefinitions $end\n$dumpvars 0! r1.5 r $end\n#10 1!\n\
                    #20\n0!\n#30 x!\n#40 b1 !\n#50 0!\n";

#[test]
fn the_valid_files_are_valid() {
    let folder = tempfile::tempdir().unwrap();
    let count = |name: &str, text: &str| {
        let path: &Path = &folder.path().join(name);
        std::fs::write(path, text).unwrap();
        open(path, &options(None)).unwrap().edges.map(Result::unwrap).count()
    };
    let counts = [
        count("a.csv", TALLIED),
        count("b.csv", BARE),
        count("c.csv", TICKS),
        count("d.csv", SECONDS),
        count("e.VCD", DUMP),
    ];
    assert_eq!(counts, [6, 3, 3, 3, 4]);
}

/// A valid file with up to five bytes replaced, removed or inserted, a third of them digits and separators.
fn mutated() -> impl Strategy<Value = (&'static str, Vec<u8>)> {
    let files = [(".csv", TALLIED), (".csv", BARE), (".csv", TICKS), (".csv", SECONDS), (".vcd", DUMP)];
    let byte = prop_oneof![2 => any::<u8>(), 1 => prop::sample::select(b"0123456789,\n\r\"#$!-.e ".to_vec())];
    let change = (any::<prop::sample::Index>(), 0..3_u8, byte);
    (prop::sample::select(files.to_vec()), prop::collection::vec(change, 1..=5)).prop_map(
        |((ending, text), changes)| {
            let mut bytes = text.as_bytes().to_vec();
            for (at, kind, byte) in changes {
                let at = at.index(bytes.len());
                match kind {
                    0 => bytes[at] = byte,
                    1 => drop(bytes.remove(at)),
                    _ => bytes.insert(at, byte),
                }
            }
            (ending, bytes)
        },
    )
}

proptest! {
    #[test]
    fn random_bytes_are_survived(content in prop::collection::vec(any::<u8>(), 0..400)) {
        survives(".csv", &content)?;
        survives(".vcd", &content)?;
        // Behind a good head, so that the bytes reach the rows.
        survives(".csv", &[b"# tick_hz = 1000\n# bits = 8\nraw\n", content.as_slice()].concat())?;
        survives(".csv", &[b"seconds\n", content.as_slice()].concat())?;
        survives(".vcd", &[b"$timescale 1 s $end $var wire 1 ! A $end $enddefinitions $end ", content.as_slice()].concat())?;
    }

    #[test]
    fn mutated_files_are_survived((ending, content) in mutated()) {
        survives(ending, &content)?;
    }
}
