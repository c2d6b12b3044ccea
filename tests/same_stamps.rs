//! The same stamps through the host, ATmega328P, Cortex-M0, Cortex-M3 and RV32IMC: identical readings.
//!
//! The ATmega captures them, at pins of its own, so its stamps are the ones that all others are given. Its sensor has no rate of change and
//! counts edges that found no room; time, state, frequency and uncertainty are what all sensors say.

#[path = "avr/board.rs"]
#[allow(dead_code, reason = "costs and their budgets are held elsewhere")]
mod board;
#[allow(dead_code, reason = "costs and their budgets are held elsewhere")]
mod emulator;
#[path = "avr/pulses.rs"]
mod pulses;

use std::path::Path;

use emulator::{CORTEX_M0, CORTEX_M3, RISC_V};
use full_sensor::{Input, News, Sensor, record};
use humtick::link::{MAX_LINE, line};
use humtick::{Edge, Stamp, TickRate};
use humtick_sim::scenario::{Scenario, built_in};

/// Seconds of each scenario.
const LENGTH_S: f64 = 90.0;

/// From overflow to overflow of the ATmega's timer; its meter hears of time at each.
const WRAP: u64 = 65_536;

/// What the ATmega's main loop does, for the other sensors.
fn inputs(captures: &[u64], until: u64) -> Vec<Input> {
    let times = (1..=until / WRAP).map(|wrap| (wrap * WRAP, Input::Time(Stamp::new((wrap * WRAP) as u32))));
    let edges = captures.iter().map(|at| (*at, Input::Mains(Edge::rising(Stamp::new(*at as u32)))));
    let mut all: Vec<_> = times.chain(edges).collect();
    // Of the same tick, time first.
    all.sort_by_key(|(at, _)| *at);
    all.into_iter().map(|(_, input)| input).collect()
}

/// Time, state, frequency and uncertainty of each line.
fn told(text: &[u8]) -> Vec<String> {
    let text = std::str::from_utf8(text).unwrap();
    let whole = text.rsplit_once('\n').map_or("", |(whole, _)| whole);
    whole.lines().map(|line| line.split(' ').skip(2).take(4).collect::<Vec<_>>().join(" ")).collect()
}

#[test]
fn all_say_the_same() {
    let boards = [CORTEX_M0, CORTEX_M3, RISC_V];
    let Some(avr) = board::emulator() else { return };
    // Each says for itself that it is left out.
    if boards.iter().filter(|board| board.is_there()).count() < boards.len() {
        return;
    }
    for name in ["saw-start", "hydro-by-day", "welding-neighbour"] {
        let text = built_in::ALL.iter().find(|(n, _)| *n == name).unwrap().1;
        let scenario =
            Scenario { duration_s: LENGTH_S, ..Scenario::from_toml(text, Path::new(name)).unwrap() };
        let end = (LENGTH_S * board::CLOCK_HZ) as u64;
        let changes = pulses::changes(&pulses::transitions(&scenario));
        let run = avr.run(&avr.firmware("sensor", ""), "B0", &changes, end, &[]);
        let by_avr = told(&run.bytes);
        assert!(by_avr.len() as f64 > LENGTH_S * 9.0, "{name}: {} lines", by_avr.len());
        let inputs = inputs(&run.captures, run.tick(end));

        let mut sensor = Sensor::new(TickRate::from_hz(2_000_000).unwrap()).unwrap();
        let mut by_host = Vec::new();
        for input in &inputs {
            sensor.take(*input, |news| {
                if let News::Reading(record) = news {
                    by_host.extend_from_slice(line(&record, &mut [0; MAX_LINE]));
                }
            });
        }
        let by_host_told = told(&by_host);
        for (number, (avr, host)) in by_avr.iter().zip(&by_host_told).enumerate() {
            assert_eq!(avr, host, "{name}, line {}", number + 1);
        }
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("same").join(name);
        std::fs::create_dir_all(&folder).unwrap();
        let bytes: Vec<u8> = inputs.iter().flat_map(|input| record::encode(*input)).collect();
        std::fs::write(folder.join("stamps.bin"), bytes).unwrap();
        for board in boards {
            board.run(&board.build(board.example, &[]), &folder);
            let said = std::fs::read(folder.join("lines.txt")).unwrap();
            assert!(said == by_host, "{} over {name}", board.name);
        }
    }
}
