//! `humtick listen` on a pseudo-terminal, and what stands on that.
//!
//! The terminal is the program's controlling one, as it is a user's: it hears of other sizes and of a hang-up, and finds no other terminal.

use std::env;
use std::fmt::Write as _;
use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind, Read, Write};
use std::num::NonZeroU16;
use std::os::fd::AsFd;
use std::os::unix::fs::OpenOptionsExt;
use std::os::unix::process::CommandExt;
use std::path::PathBuf;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use rustix::fs::OFlags;
use rustix::io::{FdFlags, fcntl_setfd};
use rustix::process::{ioctl_tiocsctty, setsid};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Termios, Winsize, tcgetattr, tcsetwinsize};
use vt100::{Callbacks, Parser, Screen};

/// Longer than anything here takes, even on a machine that is busy.
const PATIENCE: Duration = Duration::from_secs(60);

/// Where the arguments are for the process that becomes the program, one a line.
const ARGUMENTS: &str = "HUMTICK_TEST_ARGUMENTS";

/// The heads of the table's columns.
const HEADS: [&str; 9] =
    ["sensor", "trend", "Hz", "± 95 %", "state", "heard", "lost", "doubled", "grid time"];

/// A process of its own until it is the program: a session can be begun by no other, and between fork and exec that would be unsafe code.
#[test]
#[ignore = "no test: the first half of what the others start"]
fn begins_a_session() {
    let Ok(arguments) = env::var(ARGUMENTS) else { return };
    setsid().unwrap();
    ioctl_tiocsctty(io::stdin()).unwrap();
    let terminal = || Stdio::from(io::stdin().as_fd().try_clone_to_owned().unwrap());
    let mut program = Command::new(env!("CARGO_BIN_EXE_humtick"));
    program.arg("listen").args(arguments.lines()).env_remove(ARGUMENTS);
    panic!("{}", program.stdout(terminal()).stderr(terminal()).exec());
}

/// What goes beyond letters on a screen.
#[derive(Default)]
struct Odd(Vec<String>);

impl Callbacks for Odd {
    fn audible_bell(&mut self, _: &mut Screen) {
        self.0.push("bell".into());
    }

    fn visual_bell(&mut self, _: &mut Screen) {
        self.0.push("bell".into());
    }

    fn resize(&mut self, _: &mut Screen, size: (u16, u16)) {
        self.0.push(format!("size {size:?}"));
    }

    fn set_window_icon_name(&mut self, _: &mut Screen, name: &[u8]) {
        self.0.push(format!("icon {name:?}"));
    }

    fn set_window_title(&mut self, _: &mut Screen, title: &[u8]) {
        self.0.push(format!("title {title:?}"));
    }

    fn copy_to_clipboard(&mut self, _: &mut Screen, _: &[u8], data: &[u8]) {
        self.0.push(format!("clipboard {data:?}"));
    }

    fn unhandled_char(&mut self, _: &mut Screen, c: char) {
        self.0.push(format!("character {c:?}"));
    }

    fn unhandled_control(&mut self, _: &mut Screen, b: u8) {
        self.0.push(format!("control {b}"));
    }

    fn unhandled_escape(&mut self, _: &mut Screen, _: Option<u8>, _: Option<u8>, b: u8) {
        self.0.push(format!("escape {b}"));
    }

    fn unhandled_csi(&mut self, _: &mut Screen, _: Option<u8>, _: Option<u8>, params: &[&[u16]], c: char) {
        // The colour of underlines as it is by default, which this emulator has none of.
        if (params, c) == ([[59].as_slice()].as_slice(), 'm') {
            return;
        }
        self.0.push(format!("sequence {params:?} {c}"));
    }

    fn unhandled_osc(&mut self, _: &mut Screen, params: &[&[u8]]) {
        self.0.push(format!("command {params:?}"));
    }

    fn on_scroll(&mut self, _: vt100::capture::RowContents<'_>, is_live: bool) {
        if is_live {
            self.0.push("scrolled".into());
        }
    }
}

/// A terminal with a listener on it, which is killed in the end if it still runs.
pub struct Terminal {
    near: File,
    /// Held so that what it is set to can be seen when the program is gone.
    far: File,
    at_first: Termios,
    child: Child,
    parser: Parser<Odd>,
    /// Everything the program wrote.
    pub written: Vec<u8>,
}

impl Drop for Terminal {
    fn drop(&mut self) {
        // It may have ended.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Terminal {
    pub fn start((columns, rows): (u16, u16), arguments: &[&str]) -> Self {
        let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        // Held by any child, its own included, it would never hang up.
        fcntl_setfd(&near, FdFlags::CLOEXEC).unwrap();
        grantpt(&near).unwrap();
        unlockpt(&near).unwrap();
        let path = PathBuf::from(ptsname(&near, Vec::new()).unwrap().into_string().unwrap());
        let flags = OFlags::NOCTTY.bits().cast_signed();
        let far = OpenOptions::new().read(true).write(true).custom_flags(flags).open(path).unwrap();
        let near = File::from(near);
        humtick_sim::wire::terminal::set_nonblocking(&near).unwrap();
        tcsetwinsize(&near, size(columns, rows)).unwrap();
        let at_first = tcgetattr(&far).unwrap();
        let child = Command::new(env::current_exe().unwrap())
            .args(["--ignored", "--exact", "terminal::begins_a_session"])
            .env(ARGUMENTS, arguments.join("\n"))
            .env("TERM", "xterm-256color")
            .env_remove("NO_COLOR")
            .stdin(far.try_clone().unwrap())
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        let (rows, columns) = (NonZeroU16::new(rows).unwrap(), NonZeroU16::new(columns).unwrap());
        let parser = Parser::new_with_callbacks(rows, columns, 0, Odd::default());
        Self { near, far, at_first, child, parser, written: Vec::new() }
    }

    pub fn signal(&self, signal: &str) {
        let child = self.child.id().to_string();
        assert!(Command::new("kill").args(["-s", &signal[3..], &child]).status().unwrap().success());
    }

    /// Takes what the program has written.
    fn look(&mut self) {
        let mut bytes = [0; 1 << 14];
        loop {
            match self.near.read(&mut bytes) {
                Ok(len) => {
                    self.parser.process(&bytes[..len]);
                    self.written.extend(&bytes[..len]);
                }
                Err(e) if e.kind() == ErrorKind::WouldBlock => return,
                Err(e) => panic!("{e}"),
            }
        }
    }

    /// Waits for something to be seen; in between `and` does something else.
    #[track_caller]
    pub fn until_while(&mut self, mut seen: impl FnMut(&Self) -> bool, mut and: impl FnMut()) {
        let began = Instant::now();
        loop {
            self.look();
            if seen(self) {
                return;
            }
            assert!(began.elapsed() < PATIENCE, "it is not on the screen:\n{}", self.text());
            and();
            thread::sleep(Duration::from_millis(10));
        }
    }

    #[track_caller]
    pub fn until(&mut self, seen: impl FnMut(&Self) -> bool) {
        self.until_while(seen, || {});
    }

    pub fn press(&mut self, keys: &[u8]) {
        self.near.write_all(keys).unwrap();
    }

    /// Makes it as wide and as high as a user does who pulls at a window.
    pub fn resize(&mut self, (columns, rows): (u16, u16)) {
        self.look();
        let (to_rows, to_columns) = (NonZeroU16::new(rows).unwrap(), NonZeroU16::new(columns).unwrap());
        let before = self.odd().len();
        self.parser.set_size(to_rows, to_columns);
        // Rows that go out of sight for that are not of the program's doing.
        self.parser.callbacks_mut().0.truncate(before);
        tcsetwinsize(&self.near, size(columns, rows)).unwrap();
    }

    /// Ends with the program.
    #[track_caller]
    pub fn wait(&mut self) -> ExitStatus {
        let mut status = None;
        let began = Instant::now();
        while status.is_none() {
            // One who does not read keeps the program waiting.
            self.look();
            status = self.child.try_wait().unwrap();
            assert!(began.elapsed() < PATIENCE, "it has not ended:\n{}", self.text());
            thread::sleep(Duration::from_millis(2));
        }
        self.look();
        status.unwrap()
    }

    /// Away with the terminal, as when a window is closed: nobody can look any more.
    pub fn hang_up(self) -> HungUp {
        // The fields cannot be moved out of what has a drop.
        let mut this = self;
        let gone = || File::open("/dev/null").unwrap();
        (this.near, this.far) = (gone(), gone());
        HungUp(this)
    }

    pub fn screen(&self) -> &Screen {
        self.parser.screen()
    }

    /// What is on it, row by row.
    pub fn rows(&self) -> Vec<String> {
        let (_, columns) = self.screen().size();
        self.screen().rows(0, columns.get()).collect()
    }

    pub fn text(&self) -> String {
        self.rows().iter().enumerate().fold(String::new(), |mut text, (number, row)| {
            writeln!(text, "{number:>3} {row}").unwrap();
            text
        })
    }

    /// Where `what` stands: row and column.
    pub fn place(&self, what: &str) -> Option<(u16, u16)> {
        self.rows().iter().enumerate().find_map(|(number, row)| {
            let (before, _) = row.split_once(what)?;
            Some((number as u16, before.chars().count() as u16))
        })
    }

    /// What is in a sensor's row, by its column's head; nothing where that column has no room.
    pub fn cell(&self, sensor: &str, head: &str) -> Option<String> {
        let rows = self.rows();
        let heads = rows.iter().find(|row| row.starts_with("│sensor ") && row.contains(" Hz "))?;
        let at = |head: &str| heads.split_once(head).map(|(before, _)| before.chars().count());
        let row = rows
            .iter()
            .find(|row| row.strip_prefix('│').and_then(|r| r.split(' ').next()) == Some(sensor))?;
        let number = HEADS.iter().position(|of| *of == head).unwrap();
        let from = at(head)?;
        let to = HEADS[number + 1..].iter().find_map(|next| at(next)).unwrap_or(row.chars().count() - 1);
        Some(row.chars().take(to).skip(from).collect::<String>().trim().to_string())
    }

    /// The sensor whose trend is shown.
    pub fn chosen(&self) -> Option<String> {
        let rows = self.rows();
        let title = rows.iter().find_map(|row| row.split_once(": mHz off "))?.0;
        Some(title.trim_start_matches("┌ ").to_string())
    }

    /// Whether a sensor's row says all of this.
    pub fn shows(&self, sensor: &str, cells: &[(&str, &str)]) -> bool {
        cells.iter().all(|(head, text)| self.cell(sensor, head).as_deref() == Some(*text))
    }

    /// Whether every box is closed at the screen's edge and no line goes on in the next: what was written was meant for this size.
    pub fn is_whole(&self) -> bool {
        let (rows, columns) = self.screen().size();
        let is_closed = |row: &String| {
            let (first, last) = (row.chars().next(), row.chars().nth(usize::from(columns.get()) - 1));
            let want = match first {
                Some('┌') => '┐',
                Some('│') => '│',
                Some('└') => '┘',
                _ => return true,
            };
            last == Some(want)
        };
        let text = self.rows();
        (0..rows.get()).all(|row| !self.screen().row_wrapped(row))
            && text.iter().all(is_closed)
            && text.iter().any(|row| row.starts_with("┌ sensors"))
            && text.last().unwrap().contains("q: end")
    }

    /// What it did that no letter does, nor a sequence that an ordinary terminal is sent.
    pub fn odd(&self) -> &[String] {
        &self.parser.callbacks().0
    }

    /// Where the listener says that it can be reached.
    pub fn at(&mut self) -> String {
        let place = |this: &Self| {
            let rows = this.rows();
            let of =
                |row: &String| Some(row.split_once(" tcp-listen:")?.1.split(' ').next().unwrap().to_string());
            rows.iter().find_map(of)
        };
        self.until(|this| place(this).is_some());
        place(self).unwrap()
    }

    /// Whether the terminal is as it was before: the other screen is gone, the cursor there, and lines are edited and keys mean signals.
    #[track_caller]
    pub fn assert_given_back(&self) {
        let (screen, now) = (self.screen(), tcgetattr(&self.far).unwrap());
        assert!(!screen.alternate_screen(), "{}", self.text());
        assert!(!screen.hide_cursor());
        assert_eq!(now.local_modes, self.at_first.local_modes);
        assert_eq!(now.input_modes, self.at_first.input_modes);
        assert_eq!(now.output_modes, self.at_first.output_modes);
    }

    /// Whether it is not: each of the above can be otherwise.
    pub fn is_taken_over(&self) -> bool {
        let now = tcgetattr(&self.far).unwrap();
        self.screen().alternate_screen()
            && self.screen().hide_cursor()
            && now.local_modes != self.at_first.local_modes
            && now.output_modes != self.at_first.output_modes
    }
}

/// A listener whose terminal is gone.
pub struct HungUp(Terminal);

impl HungUp {
    /// Its end.
    pub fn wait(&mut self) -> ExitStatus {
        let began = Instant::now();
        loop {
            if let Some(status) = self.0.child.try_wait().unwrap() {
                return status;
            }
            assert!(began.elapsed() < PATIENCE, "it has not ended");
            thread::sleep(Duration::from_millis(10));
        }
    }
}

fn size(columns: u16, rows: u16) -> Winsize {
    Winsize { ws_row: rows, ws_col: columns, ws_xpixel: 0, ws_ypixel: 0 }
}
