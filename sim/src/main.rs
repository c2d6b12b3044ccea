//! The program `humtick`: one verb a job.

mod cli;

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    match cli::Cli::parse().run() {
        Ok(code) => code,
        Err(message) => {
            eprintln!("humtick: {}", cli::plain(&message));
            ExitCode::from(2)
        }
    }
}
