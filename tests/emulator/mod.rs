//! Firmware, built for its own target and run on an emulated board.

use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// A 32-bit board that qemu knows.
#[derive(Clone, Copy, Debug)]
pub struct Board {
    /// As the tests name it.
    pub name: &'static str,
    /// Folder of the firmware in `examples`.
    pub example: &'static str,
    pub target: &'static str,
    emulator: &'static str,
    /// What the package that brings it is called.
    package: &'static str,
    machine: &'static [&'static str],
    /// Nanoseconds an instruction takes, as a power of two.
    shift: u32,
}

pub const CORTEX_M0: Board = Board {
    name: "Cortex-M0",
    example: "cortex-m-sensor",
    target: "thumbv6m-none-eabi",
    emulator: "qemu-system-arm",
    package: "qemu-system-arm",
    machine: &["-machine", "microbit"],
    shift: 10,
};

pub const CORTEX_M3: Board = Board {
    name: "Cortex-M3",
    target: "thumbv7m-none-eabi",
    machine: &["-machine", "mps2-an385"],
    shift: 7,
    ..CORTEX_M0
};

pub const RISC_V: Board = Board {
    name: "RV32IMC",
    example: "riscv-sensor",
    target: "riscv32imc-unknown-none-elf",
    emulator: "qemu-system-riscv32",
    package: "qemu-system-misc",
    machine: &["-machine", "virt", "-bios", "none"],
    shift: 0,
};

/// Whether `program` runs here. Where it does not, says what is left out, or fails if that must not be.
#[allow(clippy::explicit_write, reason = "the harness captures what eprintln prints")]
pub fn is_there(program: &str, how: &str) -> bool {
    let runs = Command::new(program).arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status();
    if runs.is_ok_and(|status| status.success()) {
        return true;
    }
    let must = std::env::var_os("HUMTICK_EMULATORS").is_some_and(|v| v == "required");
    assert!(!must, "{program} is required and does not run: {how}");
    let _ = writeln!(std::io::stderr(), "skipped: {program} does not run; {how}");
    false
}

fn example(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("examples").join(name)
}

/// A command for the compiler of the firmware in `example`, which has settings of its own; those of the tests would stand in their way.
pub fn cargo(example_name: &str) -> Command {
    let mut cargo = Command::new("cargo");
    cargo.current_dir(example(example_name));
    for (key, _) in std::env::vars_os() {
        let name = key.to_string_lossy();
        if name.starts_with("CARGO") && name != "CARGO_HOME" || name == "RUSTFLAGS" || name == "RUSTC_WRAPPER"
        {
            cargo.env_remove(&key);
        }
    }
    cargo
}

impl Board {
    /// Whether firmware for it can be built and run here.
    pub fn is_there(&self) -> bool {
        let installed = Command::new("rustup").args(["target", "list", "--installed"]).output();
        let has_target = installed
            .is_ok_and(|o| String::from_utf8_lossy(&o.stdout).lines().any(|line| line == self.target));
        if !has_target {
            let must = std::env::var_os("HUMTICK_EMULATORS").is_some_and(|v| v == "required");
            assert!(!must, "{} is required: rustup target add {}", self.target, self.target);
            #[allow(clippy::explicit_write, reason = "the harness captures eprintln")]
            let _ = writeln!(std::io::stderr(), "skipped: {}: rustup target add {}", self.name, self.target);
        }
        is_there(
            self.emulator,
            &format!("apt-get install {}; rustup target add {}", self.package, self.target),
        ) && has_target
    }

    /// The firmware's program, built.
    pub fn build(&self, program: &str, features: &[&str]) -> PathBuf {
        // One folder for each set of features, or each build would replace the last while tests run side by side.
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("firmware{}", features.concat()));
        let mut cargo = cargo(self.example);
        cargo.args(["build", "--release", "--locked", "--target", self.target, "--bin", program]);
        cargo.arg("--features").arg(features.join(",")).arg("--target-dir").arg(&folder);
        let out = cargo.output().expect("cargo runs");
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        folder.join(self.target).join("release").join(program)
    }

    /// Runs `firmware` in `folder` to its end and returns what it printed.
    pub fn run(&self, firmware: &Path, folder: &Path) -> Vec<u8> {
        let printed = folder.join("printed");
        let mut emulator = Command::new(self.emulator);
        emulator.args(self.machine).args(["-nographic", "-monitor", "none", "-serial", "none"]);
        emulator.args(["-semihosting-config", "enable=on,target=native", "-icount"]);
        emulator.arg(format!("shift={},sleep=off", self.shift)).arg("-kernel").arg(firmware);
        let mut child = emulator
            .current_dir(folder)
            .stdin(Stdio::null())
            .stdout(File::create(&printed).unwrap())
            .spawn()
            .unwrap();
        // A fault in the firmware loops for ever.
        let begin = Instant::now();
        let status = loop {
            if let Some(status) = child.try_wait().unwrap() {
                break status;
            }
            if begin.elapsed() > Duration::from_secs(300) {
                child.kill().unwrap();
                panic!("{}: {} hangs", self.name, firmware.display());
            }
            std::thread::sleep(Duration::from_millis(5));
        };
        assert!(status.success(), "{}: {} ended with {status}", self.name, firmware.display());
        std::fs::read(printed).unwrap()
    }
}
