//! The sensor's twin on the host: the same core, fed the captures that the firmware read, in the same order of events.

use humtick::link::{Decoder, Record, SensorTime, Text, line, next};
use humtick::{Config, Edge, Meter, Settings, Stamp, TickRate};

use super::board::Run;

/// The firmware's timer.
pub const TICK_HZ: u32 = 2_000_000;

/// Ticks from overflow to overflow.
const WRAP: u64 = 65_536;

fn settings() -> Settings {
    Config::mains(TickRate::from_hz(TICK_HZ).unwrap()).check().unwrap()
}

/// The serial text that goes with `captures`, in ticks, until the tick `until`.
pub fn text(captures: &[u64], until: u64) -> String {
    let mut meter: Meter<64> = Meter::with(settings());
    let mut time = SensorTime::new(TickRate::from_hz(TICK_HZ).unwrap(), Stamp::new(0));
    let (mut sequence, mut text, mut wrap) = (0, String::new(), 1);
    let mut report = |meter: &mut Meter<64>| {
        if let Some(reading) = meter.take_reading() {
            let record = Record::new(sequence, time.at(reading.middle), &reading);
            sequence = next(sequence);
            text += std::str::from_utf8(line(&record, &mut [0xA5; 96])).unwrap();
        }
    };
    for capture in captures.iter().copied().chain([until]) {
        // Time passes by overflows.
        while wrap * WRAP <= capture {
            meter.idle(Stamp::new((wrap * WRAP) as u32));
            report(&mut meter);
            wrap += 1;
        }
        if capture < until {
            meter.push(Edge::rising(Stamp::new(capture as u32)));
            report(&mut meter);
        }
    }
    text
}

/// The records that the firmware sent, every line of them whole.
#[track_caller]
pub fn records(run: &Run) -> Vec<Record> {
    let mut records = Vec::new();
    // The last line may be on its way still.
    let whole = run.bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    Decoder::<Text>::new().push(&run.bytes[..whole], |record| records.push(record.unwrap()));
    records
}
