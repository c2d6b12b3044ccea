//! The program `humtick`: one verb a job.

mod cli;

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    match cli::Cli::parse().run() {
        Ok(code) => code,
        Err(message) => {
            // Some have a list of forms below.
            let lines: Vec<_> = message.lines().map(cli::plain).collect();
            eprintln!("humtick: {}", lines.join("\n"));
            ExitCode::from(2)
        }
    }
}
