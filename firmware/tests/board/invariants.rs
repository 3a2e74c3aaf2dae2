//! What must be absent from the library.

use std::path::{Path, PathBuf};

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
    found
}

/// Control logic never names a pin or a board.
#[test]
fn no_board_and_no_pin_is_named() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let paths = sources(&folder);
    assert!(paths.len() > 10, "{paths:?}");
    let forbidden = [
        "rp2040",
        "rp235",
        "stm32",
        "nrf5",
        "esp32",
        "cortex",
        "embassy_rp",
        "embassy_stm32",
        "gpio",
        "pin_",
        "_pin",
        "pico",
    ];
    for path in paths {
        let text = std::fs::read_to_string(&path).unwrap();
        for (number, line) in text.lines().enumerate() {
            let line = line.to_lowercase().replace("picovolt", "");
            for word in forbidden {
                assert!(!line.contains(word), "{}:{}: {word}", path.display(), number + 1);
            }
        }
    }
}

/// Neither crate of the board side can allocate or step outside the language's checks: no allocator is linked, no
/// standard library, no `unsafe`.
#[test]
fn nothing_allocates_and_nothing_is_unsafe() {
    let ours = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let protocol = Path::new(env!("CARGO_MANIFEST_DIR")).join("../protocol/src");
    for folder in [ours, protocol] {
        let root = std::fs::read_to_string(folder.join("lib.rs")).unwrap();
        assert!(
            root.contains("\n#![no_std]\n") && root.contains("\n#![forbid(unsafe_code)]\n"),
            "{folder:?}"
        );
        for path in sources(&folder) {
            let text = std::fs::read_to_string(&path).unwrap();
            for line in text.lines().filter(|line| !line.trim_start().starts_with("//")) {
                for word in ["extern crate", "alloc::", "std::", "unsafe "] {
                    assert!(!line.contains(word), "{}: {line}", path.display());
                }
            }
        }
    }
}
