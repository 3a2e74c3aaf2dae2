//! Puts the memory map where the linker finds it, and tells the linker which scripts make the image.

use std::path::PathBuf;
use std::{env, fs, io};

fn main() -> io::Result<()> {
    println!("cargo::rerun-if-changed=memory.x");
    println!("cargo::rerun-if-env-changed=DEFMT_LOG");
    // On a machine with an operating system there is no image to link; main.rs says what to do instead.
    if env::var("CARGO_CFG_TARGET_OS").as_deref() != Ok("none") {
        return Ok(());
    }
    let out = PathBuf::from(env::var_os("OUT_DIR").ok_or(io::ErrorKind::NotFound)?);
    fs::copy("memory.x", out.join("memory.x"))?;
    println!("cargo::rustc-link-search={}", out.display());
    for argument in ["--nmagic", "-Tlink.x", "-Tlink-rp.x", "-Tdefmt.x"] {
        println!("cargo::rustc-link-arg-bins={argument}");
    }
    Ok(())
}
