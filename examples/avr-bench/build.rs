//! Compiles the shim against libsimavr.

fn main() {
    println!("cargo:rerun-if-changed=src/board.c");
    cc::Build::new().file("src/board.c").include("/usr/include/simavr").warnings(true).compile("board");
    println!("cargo:rustc-link-lib=simavr");
}
