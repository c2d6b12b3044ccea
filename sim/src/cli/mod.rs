//! The command line: which verbs there are.

mod budget;
mod format;
mod listen;
mod measure;
mod progress;
mod relay;
mod scenario;
mod stability;
mod standin;
mod suite;
mod sweep;
mod synth;
mod trial;
mod view;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

pub use format::plain;

/// Mains frequency from zero crossings, with stated uncertainty.
///
/// Exit status: 0 done, 1 the signal never locked or a limit was broken, 2 wrong use or unreadable input.
#[derive(Parser)]
#[command(name = "humtick", version, max_term_width = 100)]
pub struct Cli {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Subcommand)]
enum Verb {
    /// What a board can do before it is built: reach and uncertainty, term by term
    Budget(budget::Options),
    /// Receives readings of many sensors, shows and keeps them, watches limits
    Listen(listen::Options),
    /// Readings from a recorded capture or waveform
    Measure(measure::Options),
    /// The second processor's job: serial or socket in, network out, nothing lost over a dropped connection
    Relay(relay::Options),
    /// Prints a template of a scenario file; checks one, lists and prints those that come with the program
    Scenario(scenario::Options),
    /// Allan and modified Allan deviation of logged readings
    Stability(stability::Options),
    /// Pretend sensors: sends link lines in real time, for building the far end without hardware
    Standin(standin::Options),
    /// Every scenario below a folder against its limits: the regression test of a filter setting
    Suite(suite::Options),
    /// One scenario over a range of one or two of its numbers, as table and picture
    Sweep(sweep::Options),
    /// Writes what a scenario's capture or waveform looks like
    Synth(synth::Options),
    /// A scenario through front end, timer and meter, scored against the truth
    Trial(trial::Options),
    /// The report of a log: trend, distribution, ten-second means, gaps, events
    View(view::Options),
}

impl Cli {
    /// Does what was asked.
    pub fn run(self) -> Result<ExitCode, String> {
        match self.verb {
            Verb::Budget(options) => budget::run(options),
            Verb::Listen(options) => listen::run(options),
            Verb::Measure(options) => measure::run(options),
            Verb::Relay(options) => relay::run(options),
            Verb::Scenario(options) => scenario::run(options),
            Verb::Stability(options) => stability::run(options),
            Verb::Standin(options) => standin::run(options),
            Verb::Suite(options) => suite::run(options),
            Verb::Sweep(options) => sweep::run(options),
            Verb::Synth(options) => synth::run(options),
            Verb::Trial(options) => trial::run(options),
            Verb::View(options) => view::run(options),
        }
    }
}
