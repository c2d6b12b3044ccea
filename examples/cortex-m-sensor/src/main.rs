//! The sensor with everything on, as Cortex-M firmware.
//!
//! Stamps come from the file `stamps.bin` and lines go to `lines.txt`, through semihosting: no emulated machine has a capture unit with a
//! pin. On a board two capture channels take the files' place, as in `examples/main_loop.rs`, and a serial port that of the lines.
#![no_std]
#![no_main]

mod stack;

use cortex_m_rt::entry;
use full_sensor::{News, Sensor, record};
use humtick::TickRate;
use humtick::link::{MAX_LINE, line};
use semihosting::fs::File;
use semihosting::io::{self, Read as _, Write as _};
use semihosting::process;
#[cfg(feature = "log")]
use {cortex_m as _, defmt_semihosting as _};

/// Why it ended, as the exit status.
#[repr(i32)]
enum End {
    Done = 0,
    /// The rate is beyond a part of the sensor.
    Rate = 2,
    /// The host's files cannot be opened, read or written.
    File = 3,
    /// A record is none.
    Record = 4,
}

#[entry]
fn main() -> ! {
    process::exit(run() as i32)
}

fn run() -> End {
    let Some(mut sensor) = TickRate::from_hz(2_000_000).and_then(Sensor::new) else { return End::Rate };
    let (Ok(mut stamps), Ok(mut lines)) = (File::open(c"stamps.bin"), File::create(c"lines.txt")) else {
        return End::File;
    };
    let mut buffer = [[0; 8]; 64];
    loop {
        let Ok(bytes) = stamps.read(buffer.as_flattened_mut()) else { return End::File };
        if bytes == 0 {
            break;
        }
        for record in buffer.iter().take(bytes / 8) {
            let Some(input) = record::decode(*record) else { return End::Record };
            let mut written = Ok(());
            sensor.take(input, |news| match news {
                News::Reading(record) => written = write(&mut lines, line(&record, &mut [0; MAX_LINE])),
                _ => log(&news),
            });
            if written.is_err() {
                return End::File;
            }
        }
    }
    if stack::report().is_err() {
        return End::File;
    }
    End::Done
}

#[cfg(feature = "log")]
fn log(news: &News) {
    defmt::info!("{}", news);
}

#[cfg(not(feature = "log"))]
fn log(_: &News) {}

/// Writes all of it. The trait's own way slices by what the host says it took, which may panic.
fn write(file: &mut File, mut bytes: &[u8]) -> io::Result<()> {
    while !bytes.is_empty() {
        match file.write(bytes)? {
            0 => return Err(io::ErrorKind::WriteZero.into()),
            taken => bytes = bytes.get(taken..).unwrap_or_default(),
        }
    }
    Ok(())
}

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    process::abort()
}
