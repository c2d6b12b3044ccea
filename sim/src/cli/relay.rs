//! `humtick relay`: from the sensor's wire to the network.

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use clap::Args;
use humtick::link::Keep;
use humtick_sim::relay::{Counts, Plan, Relay};
use humtick_sim::wire::address::{Address, FORMS};
use humtick_sim::wire::greeting::Name;
use humtick_sim::wire::terminal;

use super::plain;

const EXAMPLE: &str = "\
Example: from the sensor at the serial port to the office, over a network that is away now and then; and to a broker

    humtick relay --from serial:/dev/ttyUSB0 --name cold-store --to tcp://office:7311 --spool /var/spool/mains
    humtick relay --from tcp-listen:0.0.0.0:7311 --to mqtt://broker/mains

Lines that are no readings are refused and counted; the others go out as they came, compact frames as lines. While the far end is away they wait: in memory, with
--spool on disk, where they outlive the relay itself, kill -9 included. What is not known to have arrived when a connection is lost goes out
again, so that each line arrives at least once, and what comes twice is told by its sequence number. A line is known to have arrived

    tcp://    when the far end says so (`kept N`, core/LINK.md); with one that never has, 6 s later if the connection still stands
    mqtt://   when the broker has acknowledged it: QoS 1, each line under TOPIC/NAME; TOPIC/NAME/state is retained, `gone` being the last will
    others    when it is written

Sensors that connect are told apart by the name they say first, or by their addresses; each has its own lane, spool and connection. What
came in and went out is said on standard error at the end, and whenever the signal SIGUSR1 comes.

Exit status: 0 done, 1 lines were lost: dropped for want of room, or left at the end in memory and on no disk; 2 wrong use.";

/// The second processor's job: serial or socket in, network out, nothing lost over a dropped connection
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Options {
    /// Where lines come from: serial:PATH[@BAUD], pty[:LINK], tcp-listen:[ADDRESS:]PORT, udp:[ADDRESS:]PORT, tcp://HOST:PORT or -
    #[arg(long, value_name = "ADDRESS")]
    from: Address,
    /// Where they go: tcp://HOST:PORT, mqtt://HOST[:PORT]/TOPIC, udp://HOST:PORT, serial:PATH[@BAUD], pty[:LINK] or -
    #[arg(long, value_name = "ADDRESS")]
    to: Address,
    /// What the sensor is called, where its line cannot say [default: by where its lines come from]
    #[arg(long)]
    name: Option<Name>,
    /// Tells a TCP far end no names
    #[arg(long)]
    nameless: bool,
    /// What waits while the far end is away
    #[arg(long, value_enum, default_value = "all")]
    keep: Kept,
    /// Lines that wait in memory at most, of each sensor; then the oldest are dropped
    #[arg(long, value_name = "N", default_value_t = 36_000, value_parser = clap::value_parser!(u32).range(1..=10_000_000))]
    room: u32,
    /// Keeps all that waits in a folder, so that it outlives the relay
    #[arg(long, value_name = "FOLDER")]
    spool: Option<PathBuf>,
    /// Most megabytes on disk, of each sensor; a day of ten readings a second is 50
    #[arg(long, value_name = "MB", default_value_t = 1_000, requires = "spool", value_parser = clap::value_parser!(u32).range(10..=1_000_000))]
    spool_limit: u32,
    /// Longest wait between two attempts to connect; they begin at 0.1 s and double, with jitter
    #[arg(long, value_name = "SECONDS", default_value_t = 10, value_parser = clap::value_parser!(u32).range(1..=3_600))]
    retry_most: u32,
    /// How long to go on delivering once nothing comes any more, or when told to end
    #[arg(long, value_name = "SECONDS", default_value_t = 10, value_parser = clap::value_parser!(u32).range(0..=86_400))]
    linger: u32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Kept {
    /// Everything, as long as there is room.
    All,
    /// The newest line only.
    Latest,
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    if let Address::UdpTo(_) | Address::Mqtt { .. } = options.from {
        return Err(format!("--from {}: nothing can be taken from there. All forms:\n{FORMS}", options.from));
    }
    if let Address::TcpListen(_) | Address::Udp(_) = options.to {
        return Err(format!("--to {}: nothing can be sent there. All forms:\n{FORMS}", options.to));
    }
    if let (Address::TcpListen(_) | Address::Udp(_), Some(name)) = (&options.from, &options.name) {
        return Err(format!(
            "--name {name}: at {} sensors are told apart by the names they say or by their addresses; leave it out",
            options.from
        ));
    }
    if let (Kept::Latest, Some(folder)) = (options.keep, &options.spool) {
        return Err(format!(
            "--spool {}: keeps all; leave out --keep latest, or the spool",
            folder.display()
        ));
    }
    let linger = Duration::from_secs(options.linger.into());
    let plan = Plan {
        from: options.from,
        to: options.to,
        name: options.name,
        says_name: !options.nameless,
        keep: if options.keep == Kept::All { Keep::All } else { Keep::Latest },
        room: options.room as usize,
        spool: options.spool,
        spool_limit: u64::from(options.spool_limit) * 1_000_000,
        retry_most: Duration::from_secs(options.retry_most.into()),
    };
    let (latest, spools) = (plan.keep == Keep::Latest, plan.spool.is_some());
    let asked = Asked::hear()?;
    let relay =
        Relay::start(plan, Arc::new(|text: &str| eprintln!("{}", plain(text)))).map_err(|e| e.to_string())?;
    if let Some(local) = relay.local() {
        eprintln!("listening at {local}");
    }
    while !relay.is_over() && !asked.stop.load(Ordering::Relaxed) {
        if asked.counts.swap(false, Ordering::Relaxed) {
            let (counts, refused) = relay.counts();
            say(&counts, refused, spools);
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    let (counts, refused) = relay.end(linger);
    terminal::remove_links();
    say(&counts, refused, spools);
    let lost = |counts: &Counts| {
        // Of all but the newest nobody asked for.
        !latest && counts.passed.dropped > 0 || counts.passed.unsaved > 0
    };
    Ok(if counts.iter().any(|(_, counts)| lost(counts)) { ExitCode::from(1) } else { ExitCode::SUCCESS })
}

fn say(all: &[(Name, Counts)], refused: u64, spools: bool) {
    if all.is_empty() {
        eprintln!("0 lines taken: no sensor has been heard");
    }
    for (name, counts) in all {
        let Counts { taken, refused, missing, again, connections, passed } = counts;
        let found =
            if passed.found > 0 { format!(" and {} found waiting", passed.found) } else { String::new() };
        eprintln!(
            "{name}: {taken} lines taken{found}, {refused} refused, {missing} missing before; {} delivered, {} waiting, {} dropped, \
             {} damaged on disk; {again} sent again, {connections} connections",
            passed.delivered, passed.waiting, passed.dropped, passed.damaged
        );
        if spools && passed.unsaved > 0 {
            eprintln!("{name}: {} of those that wait are not on disk", passed.unsaved);
        }
    }
    if refused > 0 {
        eprintln!(
            "{refused} connections, datagrams or sensors refused: too many, without a spool, or come at the end"
        );
    }
}

/// What signals ask for.
struct Asked {
    stop: Arc<AtomicBool>,
    counts: Arc<AtomicBool>,
}

impl Asked {
    fn hear() -> Result<Self, String> {
        let asked = Self { stop: Arc::default(), counts: Arc::default() };
        let stop = Arc::clone(&asked.stop);
        ctrlc::set_handler(move || stop.store(true, Ordering::Relaxed)).map_err(|e| e.to_string())?;
        #[cfg(unix)]
        signal_hook::flag::register(signal_hook::consts::SIGUSR1, Arc::clone(&asked.counts))
            .map_err(|e| e.to_string())?;
        Ok(asked)
    }
}
