//! Edges as a value change dump of one wire (IEEE 1364-2005, clause 18), as a logic analyser saves it.

use std::io::{self, ErrorKind, Write};

use ::vcd::{SimulationCommand, TimescaleUnit, Value, Writer};
use humtick::Polarity;

use crate::edge::TimedEdge;

/// Name of the wire.
const SIGNAL: &str = "zero_crossing";

/// Finest time unit, 100 ps: with it 64 bits last 58 years, and a tick at 1 GHz is still ten units.
const FINEST_HZ: u64 = 10_000_000_000;

/// Writes `edges`, ticks of `tick_hz` (1 kHz to 1 GHz) in order of time, and a last time stamp at `end` ticks. Returns the number of edges.
///
/// The time unit is the longest of 1 ms, 100 us, 10 us ... 100 ps that divides a tick, and then instants are exact; where none does
/// (32,768 Hz), it is 100 ps, and instants are rounded to the nearest unit, half a unit up. [`crate::input`] reads them back on a scale of 100 MHz at
/// the finest (for mains) and rounds down.
///
/// Where two edges of one polarity follow each other (one between them was lost) the wire returns at the instant of the second, so that
/// it is there to be seen.
///
/// # Errors
/// Those of `to`; edges out of order, and those later than 2^64 time units, are [`ErrorKind::InvalidInput`].
pub fn edges(
    to: impl Write,
    tick_hz: u32,
    edges: impl IntoIterator<Item = TimedEdge>,
    end: u64,
) -> io::Result<u64> {
    let unit_hz = unit_hz(tick_hz);
    let units = |ticks: u64| {
        let scaled = u128::from(ticks) * u128::from(unit_hz);
        let tick_hz = u128::from(tick_hz);
        u64::try_from((scaled + tick_hz / 2) / tick_hz)
            .map_err(|_| invalid(format!("tick {ticks} is beyond the 64 bits of a dump's time")))
    };
    let mut writer = Writer::new(to);
    let (quantity, unit) = timescale(unit_hz);
    writer.version(concat!("humtick ", env!("CARGO_PKG_VERSION")))?;
    writer.timescale(quantity, unit)?;
    writer.add_module("humtick")?;
    let wire = writer.add_wire(1, SIGNAL)?;
    writer.upscope()?;
    writer.enddefinitions()?;
    writer.timestamp(0)?;

    let value = |high| if high { Value::V1 } else { Value::V0 };
    let mut edges = edges.into_iter().peekable();
    let mut high = edges.peek().is_some_and(|edge| edge.polarity == Polarity::Falling);
    writer.begin(SimulationCommand::Dumpvars)?;
    writer.change_scalar(wire, value(high))?;
    writer.end()?;
    let (mut count, mut last) = (0, 0);
    for edge in edges {
        if edge.ticks < last {
            return Err(invalid(format!("an edge at tick {} after one at tick {last}", edge.ticks)));
        }
        last = edge.ticks;
        let rising = edge.polarity == Polarity::Rising;
        writer.timestamp(units(last)?)?;
        if high == rising {
            writer.change_scalar(wire, value(!rising))?;
        }
        writer.change_scalar(wire, value(rising))?;
        high = rising;
        count += 1;
    }
    if end > last {
        writer.timestamp(units(end)?)?;
    }
    Ok(count)
}

fn invalid(what: String) -> io::Error {
    io::Error::new(ErrorKind::InvalidInput, what)
}

/// The lowest power of ten that is a multiple of `tick_hz`, or else the highest allowed.
fn unit_hz(tick_hz: u32) -> u64 {
    let powers = (3..10).map(|k| 10u64.pow(k));
    powers.into_iter().find(|hz| hz.is_multiple_of(tick_hz.into())).unwrap_or(FINEST_HZ)
}

fn timescale(unit_hz: u64) -> (u32, TimescaleUnit) {
    let (unit, hz) = match unit_hz {
        hz if hz <= 1_000 => (TimescaleUnit::MS, 1_000),
        hz if hz <= 1_000_000 => (TimescaleUnit::US, 1_000_000),
        hz if hz <= 1_000_000_000 => (TimescaleUnit::NS, 1_000_000_000),
        _ => (TimescaleUnit::PS, 1_000_000_000_000),
    };
    ((hz / unit_hz) as u32, unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_unit_is_the_longest_that_divides_a_tick() {
        for (tick_hz, hz, scale) in [
            (1_000, 1_000, (1, TimescaleUnit::MS)),
            (2_000, 10_000, (100, TimescaleUnit::US)),
            (62_500, 1_000_000, (1, TimescaleUnit::US)),
            (2_000_000, 10_000_000, (100, TimescaleUnit::NS)),
            (16_000_000, 10_000_000_000, (100, TimescaleUnit::PS)),
            (1_000_000_000, 1_000_000_000, (1, TimescaleUnit::NS)),
            (32_768, FINEST_HZ, (100, TimescaleUnit::PS)),
            (72_000_000, FINEST_HZ, (100, TimescaleUnit::PS)),
        ] {
            assert_eq!(unit_hz(tick_hz), hz, "{tick_hz}");
            assert_eq!(timescale(unit_hz(tick_hz)), scale, "{tick_hz}");
        }
    }
}
