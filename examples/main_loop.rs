//! A sensor's main loop, with a simulated timer in place of the registers: interrupt, queue, meter, idle.
//!
//! Run it: `cargo run --example main_loop`. The outlet is the cold store's; after four seconds its feeder trips.

use humtick::source::EdgeQueue;
use humtick::{Capture, Config, Meter, Polarity, Source, TickRate, timeline};

const TICK_HZ: u32 = 2_000_000;

/// From the interrupt to the main loop.
static QUEUE: EdgeQueue<8> = EdgeQueue::new();

/// What a 16-bit timer and its overflow tally show at `ticks`.
fn registers(ticks: u64) -> (u16, u32) {
    ((ticks & 0xFFFF) as u16, (ticks >> 16) as u32)
}

fn main() {
    let rate = TickRate::from_hz(TICK_HZ).expect("1 kHz to 1 GHz");
    let mut meter: Meter<64> = Meter::new(&Config::mains(rate)).expect("mains settings fit this rate");

    // 49.97 Hz, crossing after crossing, and then nothing.
    let crossings: Vec<u64> = (0..200).map(|k| (f64::from(k) * f64::from(TICK_HZ) / 49.97) as u64).collect();
    let mut coming = crossings.iter().copied().peekable();
    for ms in 0..6_000u64 {
        // The capture interrupt: registers and tally, read together, and the edge on its way.
        while let Some(ticks) = coming.next_if(|ticks| *ticks <= ms * 2_000) {
            let (raw, tally) = registers(ticks);
            let capture = Capture { raw: raw.into(), tally, pending: false, polarity: Polarity::Rising };
            QUEUE.send(capture.edge::<16>());
        }
        // The main loop. Read the clock first, then empty the queue: then all edges before `now` have been seen.
        let (raw, tally) = registers(ms * 2_000);
        let now = timeline::extend::<16>(tally, false, raw.into());
        while let Ok(edge) = (&QUEUE).next_edge() {
            meter.push(edge);
        }
        // Without this a dead line would keep its last reading for ever.
        meter.idle(now);
        if let Some(reading) = meter.take_reading() {
            match (reading.frequency, reading.expanded_uncertainty) {
                (Some(f), Some(u)) => println!("{ms:5} ms  {f} +- {u}  {:?}", reading.state),
                _ => println!("{ms:5} ms  unknown  {:?}", reading.state),
            }
        }
    }
}
