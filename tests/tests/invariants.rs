//! What must be absent, read off the sources (`DEVELOPERS.md`, "What must stay true"). The compiler holds the rest: the
//! workspace forbids `unsafe`, and the bare-target build of `.ci/run` has no allocator.

use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// Rust sources below `folder`, by their path from the project's top.
fn sources(folder: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut folders = vec![root().join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in
            std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()))
        {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let name = path
                    .strip_prefix(root())
                    .expect("below the top")
                    .display()
                    .to_string();
                found.push((name, std::fs::read_to_string(&path).expect("a source is text")));
            }
        }
    }
    assert!(!found.is_empty(), "{folder} has no sources");
    found
}

/// Lines of code, comments left out, that hold one of `words`; as `file:line: text`.
fn lines_with(sources: &[(String, String)], words: &[&str]) -> Vec<String> {
    let mut found = Vec::new();
    for (name, text) in sources {
        // What follows the first test module is no part of the product.
        let code = text.split("#[cfg(test)]").next().unwrap_or_default();
        for (at, line) in code.lines().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            if words.iter().any(|word| code.contains(word)) {
                found.push(format!("{name}:{}: {}", at + 1, line.trim()));
            }
        }
    }
    found
}

#[test]
fn what_runs_on_a_board_never_allocates() {
    for folder in ["protocol/src", "firmware/src"] {
        assert_eq!(
            lines_with(
                &sources(folder),
                &["extern crate alloc", "extern crate std", "alloc::", "Box<"]
            ),
            [""; 0]
        );
    }
}

#[test]
fn no_source_of_ours_is_unsafe() {
    for folder in [
        "protocol/src",
        "firmware/src",
        "firmware/boards",
        "host/src",
        "host/analysis/src",
        "tests/src",
    ] {
        assert_eq!(
            lines_with(&sources(folder), &["unsafe {", "unsafe fn", "unsafe impl"]),
            [""; 0]
        );
    }
}

#[test]
fn control_logic_names_no_board() {
    assert_eq!(
        lines_with(
            &sources("firmware/src"),
            &["embassy_rp", "rp2040", "PIN_", "Gpio"]
        ),
        [""; 0]
    );
}

#[test]
fn analysis_does_no_input_or_output_and_reads_no_clock() {
    let words = [
        "std::fs",
        "std::net",
        "std::thread",
        "std::process",
        "std::env",
        "Instant::now",
        "SystemTime",
        "println!",
    ];
    // The simulations of `swap` are tests in a file of their own.
    let product: Vec<_> = sources("host/analysis/src")
        .into_iter()
        .filter(|(name, _)| !name.ends_with("swap/simulation.rs"))
        .collect();
    assert_eq!(lines_with(&product, &words), [""; 0]);
}

#[test]
fn only_the_web_module_knows_http() {
    let outside: Vec<_> = sources("host/src")
        .into_iter()
        .filter(|(name, _)| !name.starts_with("host/src/web"))
        .collect();
    assert_eq!(lines_with(&outside, &["axum::", "http::", "hyper::"]), [""; 0]);
}

/// Calibrations and good units are kept in the user's own folder and not in a job; nothing else outside the recorder
/// writes a file. (An export appears by the library of temporary files, never in a run folder.)
#[test]
fn only_the_recorder_writes_in_a_job_folder() {
    let outside: Vec<_> = sources("host/src")
        .into_iter()
        .filter(|(name, _)| !name.starts_with("host/src/recorder") && name != "host/src/kept.rs")
        .filter(|(name, _)| !name.ends_with("/tests.rs"))
        .collect();
    let words = [
        "File::create",
        "OpenOptions",
        "fs::write",
        "create_dir",
        "fs::rename",
        "fs::remove",
        "fs::copy",
    ];
    assert_eq!(lines_with(&outside, &words), [""; 0]);
}

/// The top level stays as it is agreed. A job that somebody recorded there, or a virtual environment, is no part of the
/// sources: a folder counts by its manifest, its sources or its page of words.
#[test]
fn top_level_is_as_agreed() {
    let expected = ["firmware", "hardware-notes", "host", "protocol", "tests"];
    let mut folders: Vec<String> = std::fs::read_dir(root())
        .expect("the top")
        .map(|entry| entry.expect("an entry"))
        .filter(|entry| {
            let folder = entry.path();
            ["Cargo.toml", "README.md", "src"]
                .iter()
                .any(|mark| folder.join(mark).exists())
                || expected.iter().any(|name| folder.ends_with(name))
        })
        .map(|entry| entry.file_name().display().to_string())
        .filter(|name| !name.starts_with('.') && name != "target")
        .collect();
    folders.sort();
    assert_eq!(folders, expected);
}
