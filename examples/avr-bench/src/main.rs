//! Runs a firmware on the emulated board: edges in on standard input, serial bytes out on standard output, costs in a file.
//!
//! ```text
//! avr-bench FIRMWARE.elf --pin B0 --until CYCLE [--costs FILE [--watch FUNCTION]...] [--times FILE] [--captures FILE] < edges > bytes
//! ```
//!
//! `--times` writes the cycle of each byte, `--captures` each capture that the firmware has read, in ticks since it started the timer.
//!
//! An edge is a line `CYCLE LEVEL`, in order of time, level 1 or 0; a line without level is a pulse: high at the cycle, low 16 cycles later.

mod board;
mod symbols;

use std::error::Error;
use std::fmt::Write as _;
use std::io::{Read as _, Write as _};
use std::process::ExitCode;

use board::{Board, Edges};
use symbols::Symbols;

/// What the command line asks for.
#[derive(Default)]
struct Options {
    firmware: String,
    pin: String,
    until: u64,
    costs: Option<String>,
    times: Option<String>,
    captures: Option<String>,
    watch: Vec<String>,
}

fn options() -> Result<Options, Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let mut options = Options { pin: "B0".into(), ..Options::default() };
    while let Some(arg) = args.next() {
        if !arg.starts_with("--") {
            options.firmware = arg;
            continue;
        }
        let value = args.next().ok_or_else(|| format!("{arg} needs a value"))?;
        match arg.as_str() {
            "--pin" => options.pin = value,
            "--until" => options.until = value.parse().map_err(|_| "--until needs a number of cycles")?,
            "--costs" => options.costs = Some(value),
            "--captures" => options.captures = Some(value),
            "--times" => options.times = Some(value),
            "--watch" => options.watch.push(value),
            _ => return Err(format!("unknown option {arg}").into()),
        }
    }
    if options.firmware.is_empty() || options.until == 0 {
        return Err("wanted: FIRMWARE.elf --until CYCLE".into());
    }
    Ok(options)
}

fn run() -> Result<(), Box<dyn Error>> {
    let options = options()?;
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text)?;
    let edges = Edges::parse(&text)?;
    let symbols = Symbols::of(&options.firmware)?;
    let mut board = Board::new(&options.firmware, &options.pin)?;
    board.paint(symbols.end_of_variables()?);
    for name in &options.watch {
        board.watch(symbols.function(name)?)?;
    }
    let stopped = !board.run(&edges, options.until);
    let (bytes, at) = board.sent();
    std::io::stdout().write_all(bytes)?;
    if let Some(path) = &options.times {
        std::fs::write(path, lines(at))?;
    }
    if let Some(path) = &options.captures {
        std::fs::write(path, lines(board.captures()))?;
    }
    if let Some(path) = &options.costs {
        let mut costs = String::new();
        writeln!(costs, "timer_started = {}", board.started())?;
        writeln!(costs, "flash = {}", symbols.flash()?)?;
        writeln!(costs, "static_ram = {}", symbols.static_ram()?)?;
        writeln!(costs, "stack = {}", board.stack())?;
        let mut table = |name: &str, cost: board::Cost| {
            if cost.count == 0 {
                return Ok(());
            }
            let mean = cost.total as f64 / cost.count as f64;
            let (least, most, count) = (cost.least, cost.most, cost.count);
            writeln!(
                costs,
                "{name} = {{ least = {least}, mean = {mean:.1}, most = {most}, count = {count} }}"
            )
        };
        for vector in 1..board::VECTORS {
            table(&format!("interrupt_{vector}"), board.interrupt(vector))?;
        }
        for (i, name) in options.watch.iter().enumerate() {
            table(name, board.span(i))?;
        }
        std::fs::write(path, costs)?;
    }
    if stopped {
        return Err("the processor has stopped".into());
    }
    Ok(())
}

fn lines(numbers: &[u64]) -> String {
    numbers.iter().map(|number| format!("{number}\n")).collect()
}

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("avr-bench: {error}");
            ExitCode::FAILURE
        }
    }
}
