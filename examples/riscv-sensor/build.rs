//! The memory of qemu's virtual board.

use std::path::PathBuf;
use std::{env, fs};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let out = PathBuf::from(env::var("OUT_DIR")?);
    fs::copy("memory/virt.x", out.join("memory.x"))?;
    println!("cargo::rustc-link-search={}", out.display());
    println!("cargo::rerun-if-changed=memory/virt.x");
    println!("cargo::rerun-if-changed=build.rs");
    Ok(())
}
