//! The emulated ATmega328P: firmware built, edges played into it, what it sends and costs read back.
//!
//! The emulator is a program of its own, `examples/avr-bench`, so that who has no libsimavr can build and test everything else.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::{Mutex, OnceLock};

/// Cycles a second.
pub const CLOCK_HZ: f64 = 16e6;

/// Cycles in a tick of timer 1.
pub const TICK: u64 = 8;

/// What must be installed.
const HOW: &str = "apt-get install --no-install-recommends gcc libc6-dev gcc-avr avr-libc libsimavr-dev; \
    rustup component add rust-src --toolchain nightly";

/// A level change on the pin: when, in cycles, and to which level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Change {
    pub cycle: u64,
    pub high: bool,
}

/// Rising edges at `cycles`, each a pulse of a microsecond.
pub fn pulses(cycles: impl IntoIterator<Item = u64>) -> Vec<Change> {
    let pulse = |cycle| [Change { cycle, high: true }, Change { cycle: cycle + 16, high: false }];
    cycles.into_iter().flat_map(pulse).collect()
}

/// Fewest, mean and most cycles of something done again and again.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cost {
    pub least: f64,
    pub mean: f64,
    pub most: f64,
    pub count: f64,
}

/// What a run gave.
pub struct Run {
    /// Bytes of the serial port.
    pub bytes: Vec<u8>,
    /// The cycle in which each was out.
    pub times: Vec<u64>,
    /// Captures that the firmware read, in ticks since it started the timer.
    pub captures: Vec<u64>,
    /// That moment, in cycles.
    pub started: u64,
    /// Bytes of flash, of variables, of stack.
    pub flash: f64,
    pub static_ram: f64,
    pub stack: f64,
    costs: BTreeMap<String, Cost>,
}

/// A file beside the firmware's source.
pub fn beside(name: &str) -> PathBuf {
    examples().join("avr-sensor").join(name)
}

/// The folder of the firmware's packages, from whichever package this is compiled into.
fn examples() -> PathBuf {
    let mut folders = Path::new(env!("CARGO_MANIFEST_DIR")).ancestors().map(|above| above.join("examples"));
    folders.find(|folder| folder.join("avr-sensor").is_dir()).expect("the repository's examples")
}

impl Run {
    /// What an interrupt's handler or a watched function cost.
    #[track_caller]
    pub fn cost(&self, name: &str) -> Cost {
        *self.costs.get(name).unwrap_or_else(|| panic!("{name} never ran"))
    }

    /// The tick that an edge at `cycle` is to be captured in.
    pub fn tick(&self, cycle: u64) -> u64 {
        (cycle - self.started) / TICK
    }
}

/// The emulator, built; `None` where it is not installed and need not be.
pub fn emulator() -> Option<&'static Emulator> {
    static EMULATOR: OnceLock<Result<Emulator, String>> = OnceLock::new();
    match EMULATOR.get_or_init(Emulator::build) {
        Ok(emulator) => Some(emulator),
        Err(why) => {
            if std::env::var_os("HUMTICK_EMULATORS").is_some_and(|v| v == "required") {
                panic!("no emulated ATmega328P, and HUMTICK_EMULATORS=required: {why}\nto install: {HOW}");
            }
            #[allow(clippy::explicit_write, reason = "the harness captures eprintln")]
            let _ = writeln!(
                std::io::stderr(),
                "skipped: no emulated ATmega328P ({})\nto install: {HOW}",
                why.lines().last().unwrap_or_default()
            );
            None
        }
    }
}

pub struct Emulator {
    program: PathBuf,
    /// One firmware is built at a time, each once.
    firmware: Mutex<BTreeMap<String, PathBuf>>,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join("avr")
}

/// Builds the package in `examples/NAME` with its own toolchain and settings, whatever those of this test are.
fn build(name: &str, options: &[&str]) -> Result<PathBuf, String> {
    let target = folder().join(name);
    let mut cargo = Command::new("cargo");
    cargo.current_dir(examples().join(name));
    for (key, _) in std::env::vars_os() {
        let text = key.to_string_lossy();
        let kept = ["CARGO_HOME", "RUSTUP_HOME", "CARGO_NET_OFFLINE"].contains(&&*text);
        if !kept && ["CARGO", "RUST", "__CARGO"].iter().any(|start| text.starts_with(start)) {
            cargo.env_remove(key);
        }
    }
    cargo.args(["build", "--release", "--locked", "--target-dir"]).arg(&target).args(options);
    let output = cargo.output().map_err(|error| format!("cargo: {error}"))?;
    if !output.status.success() {
        return Err(format!("{name} {options:?}:\n{}", String::from_utf8_lossy(&output.stderr)));
    }
    Ok(target)
}

impl Emulator {
    fn build() -> Result<Self, String> {
        let program = build("avr-bench", &[])?.join("release/avr-bench");
        // Whoever has the emulator but not the compiler has no firmware to run.
        build("avr-sensor", &["--bin", "stamps"])?;
        Ok(Self { program, firmware: Mutex::default() })
    }

    /// The ELF file of `bin` of `examples/avr-sensor`, with `features`, separated by commas.
    pub fn firmware(&self, bin: &str, features: &str) -> PathBuf {
        // A test that failed while it had the lock does not make the others fail.
        let mut built = self.firmware.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let key = format!("{bin}-{features}");
        if let Some(path) = built.get(&key) {
            return path.clone();
        }
        let target =
            build("avr-sensor", &["--bin", bin, "--features", features]).unwrap_or_else(|e| panic!("{e}"));
        let path = folder().join(format!("{key}.elf"));
        std::fs::copy(target.join("avr-none/release").join(format!("{bin}.elf")), &path).unwrap();
        built.insert(key, path.clone());
        path
    }

    /// Plays `changes` into `pin` and runs `firmware` to cycle `until`; counts the cycles of the functions `watch`.
    pub fn run(&self, firmware: &Path, pin: &str, changes: &[Change], until: u64, watch: &[&str]) -> Run {
        static RUNS: Mutex<u32> = Mutex::new(0);
        let number = {
            let mut runs = RUNS.lock().unwrap();
            *runs += 1;
            *runs
        };
        let file = |what: &str| folder().join(format!("{what}-{}-{number}", std::process::id()));
        let (costs, times, captures) = (file("costs"), file("times"), file("captures"));
        let mut command = Command::new(&self.program);
        command.arg(firmware).args(["--pin", pin, "--until", &until.to_string(), "--costs"]).arg(&costs);
        command.arg("--times").arg(&times).arg("--captures").arg(&captures);
        watch.iter().for_each(|name| {
            command.args(["--watch", name]);
        });
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let text: String =
            changes.iter().map(|change| format!("{} {}\n", change.cycle, u8::from(change.high))).collect();
        // It reads all of its input before it writes.
        child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
        let output = child.wait_with_output().unwrap();
        assert!(output.status.success(), "{}", firmware.display());
        let numbers = |path: &Path| -> Vec<u64> {
            std::fs::read_to_string(path).unwrap().lines().map(|line| line.parse().unwrap()).collect()
        };
        let table: toml::Table = std::fs::read_to_string(&costs).unwrap().parse().unwrap();
        let number = |key: &str| table[key].as_integer().unwrap();
        let cost = |value: &toml::Value| {
            let field =
                |key: &str| value[key].as_float().or(value[key].as_integer().map(|n| n as f64)).unwrap();
            Cost { least: field("least"), mean: field("mean"), most: field("most"), count: field("count") }
        };
        let run = Run {
            bytes: output.stdout,
            times: numbers(&times),
            captures: numbers(&captures),
            started: number("timer_started").try_into().unwrap(),
            flash: number("flash") as f64,
            static_ram: number("static_ram") as f64,
            stack: number("stack") as f64,
            costs: table.iter().filter(|(_, v)| v.is_table()).map(|(k, v)| (k.clone(), cost(v))).collect(),
        };
        // The part's 2,048 bytes, of which the stack must leave some: where it has met the variables, nobody would see it.
        assert!(run.static_ram + run.stack < 2_000.0, "{} and {}", run.static_ram, run.stack);
        [costs, times, captures].iter().for_each(|path| std::fs::remove_file(path).unwrap());
        run
    }
}
