//! `humtick listen`: readings of many sensors, shown, kept and held to limits as they come.

mod lines;
mod screen;
mod summary;

use std::io::{IsTerminal, stdout};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use clap::Args;
use humtick_sim::listen::{self, Desk, Listener, Watcher};
use humtick_sim::log::folder::Folder;
use humtick_sim::log::utc;
use humtick_sim::station::limits::{self, Limits};
use humtick_sim::station::{self, News, Sensor, Station};
use humtick_sim::wire::address::{self, Address};
use humtick_sim::wire::greeting::Name;
use humtick_sim::wire::terminal;

use super::format::Format;
use super::trial::duration;

/// From one look at the clock to the next.
const TURN: Duration = Duration::from_millis(250);

const EXAMPLE: &str = "\
Example: the cold store's and the pump house's sensors over the village's network, kept and watched

    humtick listen --from tcp-listen:0.0.0.0:7311 --log mains --limits en-50160-island --web 8080

On a terminal every sensor is on the screen: its trend, what it says now, what was lost on the way. In a pipe each reading is a line. The
log has a file for each sensor and day (UTC); `humtick view mains -o mains.html` makes a report of it.";

/// Receives readings, shows and keeps them, watches limits
#[derive(Args)]
#[command(after_help = EXAMPLE, after_long_help = format!("{EXAMPLE}\n\nAddresses:\n{}\n\nLimits:\n{}", address::FORMS, limits::forms()))]
pub struct Options {
    /// Where readings come from; may be given more than once. `--help` lists the forms
    #[arg(long, value_name = "ADDRESS", required = true)]
    from: Vec<Address>,
    /// What a sensor is called that gives no name itself [default: its address]
    #[arg(long, value_name = "NAME")]
    name: Option<Name>,
    /// What a broker knows this listener by: it keeps for it what comes while it is away, or while the broker itself is, if it keeps anything
    #[arg(long, value_name = "NAME")]
    session: Option<Name>,
    /// Keeps every reading in this folder, a CSV for each sensor and day
    #[arg(long, value_name = "FOLDER")]
    log: Option<PathBuf>,
    /// Says when readings leave limits and keep them again: names or LOW..HIGH in hertz
    #[arg(long, value_name = "LIMITS")]
    limits: Option<Limits>,
    /// A page for browsers: a port on this machine, or an address to be reached at from others
    #[arg(long, value_name = "[ADDRESS:]PORT", value_parser = web)]
    web: Option<SocketAddr>,
    /// What deviations and grid time are from [default: 50 or 60 Hz, whichever is near]
    #[arg(long, value_name = "HZ", value_parser = nominal)]
    nominal: Option<f64>,
    /// Ends after so many seconds, 0.1 to 1e9 [default: with Ctrl-C, or standard input]
    #[arg(long, value_name = "SECONDS", value_parser = duration)]
    seconds: Option<f64>,
    /// Output: lines to read, CSV, or JSON Lines [default: a live screen on a terminal, lines elsewhere]
    #[arg(long)]
    format: Option<Format>,
}

fn web(text: &str) -> Result<SocketAddr, String> {
    match text.parse() {
        Ok(port) => Ok((Ipv4Addr::LOCALHOST, port).into()),
        Err(_) => text.parse().map_err(|_| "expected a port, or a numerical address, : and a port".into()),
    }
}

fn nominal(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(hz) if (0.1..=100_000.0).contains(&hz) => Ok(hz),
        _ => Err("expected hertz from 0.1 to 100000".into()),
    }
}

/// Who shows what comes.
trait Show: Watcher {
    /// What is there to be shown at this moment; whether to go on.
    fn show(&mut self, desk: &Desk, listener: &Listener, now: Instant) -> bool;

    /// It is over.
    fn end(&mut self, desk: &Desk);
}

/// Runs the verb.
pub fn run(options: Options) -> Result<ExitCode, String> {
    let folder =
        options.log.as_deref().map(|path| Folder::open(path).map_err(|e| format!("{}: {e}", path.display())));
    let folder = folder.transpose()?;
    let from = listen::Options {
        from: options.from,
        name: options.name,
        session: options.session,
        web: options.web,
    };
    let mut listener = Listener::open(&from)?;
    let stop = Arc::new(AtomicBool::new(false));
    let (told, waker) = (Arc::clone(&stop), listener.waker());
    ctrlc::set_handler(move || {
        told.store(true, Ordering::Relaxed);
        // Where that fails the turn ends by itself.
        let _ = waker.wake();
    })
    .map_err(|e| e.to_string())?;
    let now = Instant::now();
    let station = Station::new(options.limits.unwrap_or_default(), options.nominal, now);
    let mut desk = Desk::new(station, folder);
    let mut show: Box<dyn Show> = match options.format {
        None if stdout().is_terminal() => {
            Box::new(screen::Screen::open(&listener).map_err(|e| e.to_string())?)
        }
        format => Box::new(lines::Lines::open(format.unwrap_or(Format::Table), &listener)),
    };
    let end = options.seconds.map(|seconds| now + Duration::from_secs_f64(seconds));
    let result = serve(&mut listener, &mut desk, show.as_mut(), end, &stop);
    desk.flush(show.as_mut());
    listener.send_receipts(&mut desk);
    show.end(&desk);
    drop(show);
    terminal::remove_links();
    result?;
    summary::print(options.format.unwrap_or(Format::Table), &desk, &listener, now.elapsed());
    Ok(ExitCode::SUCCESS)
}

fn serve(
    listener: &mut Listener,
    desk: &mut Desk,
    show: &mut dyn Show,
    end: Option<Instant>,
    stop: &AtomicBool,
) -> Result<(), String> {
    let mut next = Instant::now();
    let mut receipts = next;
    loop {
        let now = Instant::now();
        let left = end.map_or(TURN, |end| end.saturating_duration_since(now).min(TURN));
        let wait = next.saturating_duration_since(now).min(left);
        listener.turn(wait, desk, show).map_err(|e| format!("cannot wait for readings: {e}"))?;
        desk.flush(show);
        listener.acknowledge(desk, show);
        let now = Instant::now();
        if now >= receipts {
            receipts = now + TURN;
            listener.send_receipts(desk);
        }
        if now >= next {
            next = now.max(next + Duration::from_secs(1));
            desk.at(now, utc::now_ms());
            desk.advance(show);
            if let Some(page) = listener.page() {
                page.tick(desk, now);
            }
        }
        let is_over = stop.load(Ordering::Relaxed) || listener.is_over() || end.is_some_and(|end| now >= end);
        if !show.show(desk, listener, now) || is_over {
            return Ok(());
        }
    }
}

/// What is said of a sensor's grid time: seconds ahead and since when.
fn grid(sensor: &Sensor) -> Option<(f64, f64)> {
    sensor.grid().map(|station::Grid { ahead_s, since_s }| (ahead_s, since_s))
}

/// The news as a word for machines.
fn event(news: &News) -> Option<&'static str> {
    Some(match news {
        News::Reading => return None,
        News::State(state) => humtick_sim::entry::state_name(*state),
        News::Restarted => "restarted",
        News::Missing(_) => "missing",
        News::Silent => "silent",
        News::Heard(_) => "heard",
        News::Limit { left: true, .. } => "outside",
        News::Limit { left: false, .. } => "inside",
    })
}
