//! What a crossing, a reading and a line cost, in instructions; beside them the plain way, the last period by division in single precision.
//!
//! Instructions are told from the system timer, which under `-icount` runs in proportion to them: in which, a loop of known length says. They are a lower bound of cycles:
//! flash has no wait states here. Reads `stamps.bin`, writes `costs.txt`: a line for each cost with how often it came and the sum of it.
#![no_std]
#![no_main]

use core::fmt::{self, Write as _};
use core::hint::black_box;

use cortex_m::peripheral::{Peripherals, SYST, syst::SystClkSource};
use cortex_m_rt::entry;
use full_sensor::{Input, record};
use humtick::{Config, Meter, Stamp, TickRate};
use semihosting::fs::File;
use semihosting::io::{Read as _, Write as _};
use semihosting::process;

/// Turns of a loop of two instructions, with one turn more, by which the system timer is calibrated.
const TURNS: u32 = 100_000;

/// Something that is done again and again.
struct Cost {
    name: &'static str,
    times: u32,
    ticks: u64,
}

impl Cost {
    const fn new(name: &'static str) -> Self {
        Self { name, times: 0, ticks: 0 }
    }

    /// Does it, and adds what it cost more than nothing does.
    #[inline(always)]
    fn of<T>(&mut self, empty: u32, work: impl FnOnce() -> T) -> T {
        let (result, ticks) = timed(work);
        self.add(ticks - empty);
        result
    }

    fn add(&mut self, ticks: u32) {
        self.times += 1;
        self.ticks += u64::from(ticks);
    }
}

/// Timer ticks that `work` takes, with what it takes to ask.
#[inline(always)]
fn timed<T>(work: impl FnOnce() -> T) -> (T, u32) {
    let begin = SYST::get_current();
    let result = black_box(work());
    let end = SYST::get_current();
    // The timer counts down, in 24 bits.
    (result, begin.wrapping_sub(end) & 0xFF_FFFF)
}

struct Text(File);

impl fmt::Write for Text {
    fn write_str(&mut self, s: &str) -> fmt::Result {
        self.0.write_all(s.as_bytes()).map_err(|_| fmt::Error)
    }
}

#[entry]
fn main() -> ! {
    process::exit(i32::from(run().is_none()))
}

fn run() -> Option<()> {
    let mut timer = Peripherals::take()?.SYST;
    timer.set_clock_source(SystClkSource::Core);
    timer.set_reload(0xFF_FFFF);
    timer.clear_current();
    timer.enable_counter();
    let ((), delay) = timed(|| cortex_m::asm::delay(TURNS));
    let mut meter: Meter<64> = Meter::new(&Config::mains(TickRate::from_hz(2_000_000)?)).ok()?;
    let mut stamps = File::open(c"stamps.bin").ok()?;
    let (mut edge_cost, mut reading, mut full, mut naive) = (
        Cost::new("edge"),
        Cost::new("reading"),
        Cost::new("reading with rate of change"),
        Cost::new("naive period"),
    );
    let mut last = Stamp::new(0);
    let mut is_full = false;
    let mut buffer = [[0; 8]; 64];
    loop {
        let bytes = stamps.read(buffer.as_flattened_mut()).ok()?;
        if bytes == 0 {
            break;
        }
        for record in buffer.iter().take(bytes / 8) {
            let Some(Input::Mains(edge)) = record::decode(*record) else { continue };
            let ((), empty) = timed(|| ());
            edge_cost.of(empty, || {
                meter.push(edge);
            });
            naive.of(empty, || 2e6 / black_box(edge.stamp - last).count() as f32);
            last = edge.stamp;
            let (none, ticks) =
                timed(|| if is_full { meter.take_full_reading() } else { meter.take_reading() });
            if none.is_some() {
                (if is_full { &mut full } else { &mut reading }).add(ticks - empty);
                is_full = !is_full;
            }
        }
    }
    let mut out = Text(File::create(c"costs.txt").ok()?);
    for cost in [edge_cost, reading, full, naive] {
        let instructions = cost.ticks * 2 * u64::from(TURNS + 1) / u64::from(delay);
        writeln!(out, "{}\t{}\t{instructions}", cost.name, cost.times).ok()?;
    }
    Some(())
}

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    process::abort()
}
