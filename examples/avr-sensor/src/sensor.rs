//! The sensor behind its interrupts: queue, meter with least squares over a second, ten lines a second, sleep between.

use humtick::link::{Record, SensorTime, next};
use humtick::source::EdgeQueue;
use humtick::{Config, Edge, Meter, Reading, Settings, Source, Stamp};

use crate::{interrupts, serial, timer};

/// Edges there is room for: 160 ms of them at 50 Hz.
const ROOM: usize = 8;

/// From the interrupt to the main loop.
pub type Queue = EdgeQueue<ROOM>;

/// Ordinary quartz unless it is known to be exact.
const CONFIG: Config = if cfg!(feature = "exact-clock") {
    Config { clock_tolerance_ppb: 0, ..Config::mains(timer::RATE) }
} else {
    Config::mains(timer::RATE)
};

/// Checked by the compiler: the firmware carries no check and none of its divisions.
const SETTINGS: Settings = match CONFIG.check() {
    Ok(settings) => settings,
    Err(_) => panic!("mains settings fit the timer"),
};

/// The main loop: edges from `queue` into the meter, lines out, sleep between. Timer and interrupts are running.
pub fn run(queue: &'static Queue) -> ! {
    let mut meter = Meter::with(SETTINGS);
    let mut report = Report { sequence: 0, overruns: 0, time: SensorTime::new(timer::RATE, Stamp::new(0)) };
    serve(queue, &mut meter, &mut report)
}

/// Out of line, as is [`Report::send`]: what lies farther than 63 bytes up the stack takes seven instructions to reach.
#[inline(never)]
fn serve(queue: &'static Queue, meter: &mut Meter<64>, report: &mut Report) -> ! {
    let mut seen = 0;
    loop {
        // The tally first, then the queue: when that is empty, all edges before the overflow have been taken.
        let tally = timer::tally();
        let empty = take_edges(queue, meter, report);
        // Time passes by overflows, 30 a second. Without this a dead line would keep its last reading for ever.
        if empty && tally != seen {
            seen = tally;
            meter.idle(Stamp::new(u32::from(tally) << 16));
            report.send_due(queue, meter);
        }
        interrupts::sleep_unless(|| !queue.is_empty() || timer::tally() != seen);
    }
}

/// Takes what has come, and says whether that was all: a floating input brings edges as fast as they are taken, and the rest must not wait
/// for an end of it.
fn take_edges(queue: &'static Queue, meter: &mut Meter<64>, report: &mut Report) -> bool {
    for _ in 0..ROOM {
        let Ok(edge) = (&*queue).next_edge() else { return true };
        take_edge(meter, edge);
        report.send_due(queue, meter);
    }
    false
}

/// What goes with the lines.
struct Report {
    sequence: u16,
    /// Edges there had been no room for when the last line was sent.
    overruns: u16,
    time: SensorTime,
}

impl Report {
    fn send_due(&mut self, queue: &Queue, meter: &mut Meter<64>) {
        if let Some(reading) = take_reading(meter) {
            self.send(&reading, queue.overruns());
        }
    }

    #[inline(never)]
    fn send(&mut self, reading: &Reading, overruns: u16) {
        let mut record = Record::new(self.sequence, self.time.at(reading.middle), reading);
        // Edges that the queue had no room for count as rejected.
        record.rejected = record.rejected.saturating_add(overruns.wrapping_sub(self.overruns));
        self.sequence = next(self.sequence);
        if write_line(&record) {
            self.overruns = overruns;
        }
    }
}

/// Out of line, and with a name, for the harness to count its cycles; so are the next two.
#[inline(never)]
#[unsafe(no_mangle)]
fn take_edge(meter: &mut Meter<64>, edge: Edge) {
    meter.push(edge);
}

#[inline(never)]
#[unsafe(no_mangle)]
fn take_reading(meter: &mut Meter<64>) -> Option<Reading> {
    meter.take_reading()
}

#[inline(never)]
#[unsafe(no_mangle)]
fn write_line(record: &Record) -> bool {
    serial::send(record)
}
