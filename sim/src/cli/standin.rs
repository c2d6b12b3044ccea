//! `humtick standin`: pretend sensors on a scenario's mains, in real time.

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use clap::Args;
use humtick_sim::scenario::Instead;
use humtick_sim::standin::{self, Chances, Plan, Tally};
use humtick_sim::wire::address::{Address, FORMS};
use humtick_sim::wire::greeting::Name;

use super::plain;
use super::scenario::load;

const EXAMPLE: &str = "\
Example: three sensors on the outlet where the saw starts, of whose lines one in a hundred is lost and one in a thousand damaged

    humtick standin saw-start --to tcp://localhost:7311 --sensors 3 --drop 0.01 --corrupt 0.001

The mains, the board and its timer are simulated, the readings are the core's, and the lines are what its firmware would send; a
sensor keeps nothing, so that lines are lost while the far end is away. Sensors differ by their seeds: the first has the scenario's. On
TCP each has a connection of its own and says its name first (core/LINK.md); on UDP a socket of its own, on pty a terminal.

What was sent, and what was done to it on purpose, is said on standard error at the end: a far end should count the same.";

/// Pretend sensors: sends link lines in real time, for building the far end without hardware
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Scenario file, or the name of one that comes with the program (`humtick scenario --list`)
    scenario: PathBuf,
    /// Which case of a file that has several; without it they are listed
    #[arg(long, value_name = "LABEL")]
    case: Option<String>,
    /// Where the lines go: tcp://HOST:PORT, udp://HOST:PORT, serial:PATH[@BAUD], pty[:LINK], or - for standard output
    #[arg(long, value_name = "ADDRESS", default_value = "-")]
    to: Address,
    /// Seconds of the scenario in a second; a report of the log (`humtick view`) wants 1, since it goes by both clocks
    #[arg(long, value_name = "X", default_value_t = 1.0, value_parser = speed)]
    speed: f64,
    /// How many sensors, 1 to 20000
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=20_000))]
    sensors: u32,
    /// Seconds of scenario to run [default: the scenario's]
    #[arg(long, value_name = "SECONDS")]
    duration: Option<f64>,
    /// Where all randomness comes from; of one seed readings are the same each time, and a listener that knows them still takes them for
    /// repeated [default: the scenario's]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// What the sensors are called on TCP; several have their number behind it
    #[arg(long, default_value = "standin")]
    name: Name,
    /// Says no name: as sensors do that know nothing of networks
    #[arg(long, conflicts_with = "name")]
    nameless: bool,
    /// Sends compact frames, as sensors on radios do, instead of lines
    #[arg(long)]
    frames: bool,
    /// Starts the last of several sensors so many seconds of scenario after the first, the others in between
    #[arg(long, value_name = "SECONDS", default_value_t = 0.0, value_parser = seconds)]
    late: f64,
    /// Sets the clocks of several sensors up to so much apart from the scenario's
    #[arg(long, value_name = "PPM", default_value_t = 0.0, value_parser = ppm)]
    clock_spread: f64,
    /// Probability that a line is not sent
    #[arg(long, value_name = "P", default_value_t = 0.0, value_parser = probability)]
    drop: f64,
    /// Probability that it is sent twice
    #[arg(long, value_name = "P", default_value_t = 0.0, value_parser = probability)]
    double: f64,
    /// Probability that one to three of its bits are flipped
    #[arg(long, value_name = "P", default_value_t = 0.0, value_parser = probability)]
    corrupt: f64,
    /// Probability that it is sent after the next
    #[arg(long, value_name = "P", default_value_t = 0.0, value_parser = probability)]
    reorder: f64,
}

fn probability(text: &str) -> Result<f64, String> {
    within(text, (0.0, 1.0))
}

fn within(text: &str, (low, high): (f64, f64)) -> Result<f64, String> {
    let fits = |x: &f64| (low..=high).contains(x);
    text.parse().ok().filter(fits).ok_or_else(|| format!("expected {low} to {high}"))
}

fn speed(text: &str) -> Result<f64, String> {
    within(text, (0.001, 1e6))
}

fn seconds(text: &str) -> Result<f64, String> {
    within(text, (0.0, 1e6))
}

fn ppm(text: &str) -> Result<f64, String> {
    within(text, (0.0, 1_000.0))
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    match &options.to {
        Address::TcpListen(_) | Address::Udp(_) | Address::Mqtt { .. } => {
            return Err(format!(
                "--to {}: a sensor sends to tcp://, udp://, serial:, pty or -; `humtick relay` passes it on from there. All forms:\n{FORMS}",
                options.to
            ));
        }
        Address::Serial { .. } | Address::Standard if options.sensors > 1 => {
            return Err(format!("--sensors {}: {} has room for one sensor", options.sensors, options.to));
        }
        _ => {}
    }
    let instead = Instead { seed: options.seed, duration_s: options.duration };
    let (scenario, _) = load(&options.scenario, options.case.as_deref(), instead)?;
    let plan = Plan {
        scenario,
        to: options.to,
        sensors: options.sensors,
        speed: options.speed,
        frames: options.frames,
        late_s: options.late,
        clock_spread_ppm: options.clock_spread,
        name: (!options.nameless).then_some(options.name),
        chances: Chances {
            drop: options.drop,
            double: options.double,
            corrupt: options.corrupt,
            reorder: options.reorder,
        },
    };
    let stop = Arc::new(AtomicBool::new(false));
    let hears = Arc::clone(&stop);
    ctrlc::set_handler(move || hears.store(true, Ordering::Relaxed)).map_err(|e| e.to_string())?;
    match standin::run(&plan, &stop, |text| eprintln!("{}", plain(text))) {
        Ok(tally) => {
            eprintln!("{}", said(&tally, plan.frames));
            Ok(ExitCode::SUCCESS)
        }
        // Whoever read the output has had enough.
        Err(standin::StandinError::Write(e)) if e.kind() == std::io::ErrorKind::BrokenPipe => {
            Ok(ExitCode::SUCCESS)
        }
        Err(e) => Err(e.to_string()),
    }
}

fn said(tally: &Tally, frames: bool) -> String {
    let what = if frames { "frames" } else { "lines" };
    let Tally { readings, sent, unsent, done } = tally;
    let mut text = format!("{readings} readings; {sent} {what} sent, {unsent} lost since nobody took them");
    let done = [
        (done.dropped, "dropped"),
        (done.doubled, "doubled"),
        (done.corrupted, "damaged"),
        (done.reordered, "sent after the next"),
    ];
    for (count, what) in done.into_iter().filter(|(count, _)| *count > 0) {
        text += &format!(", {count} {what}");
    }
    text
}
