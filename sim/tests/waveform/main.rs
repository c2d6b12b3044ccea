//! Waveforms from file to edge.

mod comtrade;
mod front_end;
mod recordings;
mod wav;

use std::path::Path;

use humtick_sim::edge::TimedEdge;
use humtick_sim::input::{InputError, InputOptions, open};

/// Options as for mains, with the channel chosen.
fn options(channel: Option<&str>) -> InputOptions {
    InputOptions { channel: channel.map(str::to_owned), ..InputOptions::default() }
}

/// All edges of a file, or the first error.
fn edges(path: &Path, channel: Option<&str>) -> Result<Vec<TimedEdge>, InputError> {
    open(path, &options(channel))?.edges.collect()
}

/// The message of the error that reading `path` must give.
#[track_caller]
fn refusal(path: &Path, channel: Option<&str>) -> String {
    match edges(path, channel) {
        Ok(edges) => panic!("accepted, {} edges", edges.len()),
        Err(error) => error.to_string(),
    }
}

#[test]
fn endings_are_known() {
    let message = refusal(Path::new("pump-house.mp3"), None);
    assert_eq!(message, "pump-house.mp3: expected a name ending in .csv, .vcd, .wav or .cfg");
}

#[test]
fn a_missing_file_is_named() {
    for name in ["no-such-file.wav", "no-such-file.cfg"] {
        assert!(refusal(Path::new(name), None).starts_with(name));
    }
}
