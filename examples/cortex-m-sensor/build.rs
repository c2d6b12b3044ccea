//! Chooses the memory of the board that the target stands for.

use std::path::PathBuf;
use std::{env, fs};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let target = env::var("TARGET")?;
    let board = match target.as_str() {
        // The micro:bit's nRF51822.
        "thumbv6m-none-eabi" => "nrf51.x",
        // Arm's MPS2 board with image AN385.
        "thumbv7m-none-eabi" => "mps2-an385.x",
        _ => {
            return Err(format!(
                "no memory is known for {target}; thumbv6m-none-eabi and thumbv7m-none-eabi are"
            )
            .into());
        }
    };
    let out = PathBuf::from(env::var("OUT_DIR")?);
    let from = PathBuf::from(env::var("CARGO_MANIFEST_DIR")?).join("memory").join(board);
    fs::copy(&from, out.join("memory.x"))?;
    println!("cargo::rustc-link-search={}", out.display());
    if env::var_os("CARGO_FEATURE_LOG").is_some() {
        println!("cargo::rustc-link-arg-bins=-Tdefmt.x");
    }
    println!("cargo::rerun-if-changed={}", from.display());
    println!("cargo::rerun-if-changed=build.rs");
    Ok(())
}
