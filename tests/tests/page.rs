//! The page of the shipped program in a real browser, by the tests of `tests/browser`.
//!
//! Where Node.js or the browser is missing, this says so and runs nothing; `STEADYBENCH_BROWSER=required` makes that an
//! error. It has its own `main`, since a test that passes silently cannot say what it left out.

#![cfg(unix)]

use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};

use steadybench_tests::program::steady;

/// Where Debian puts the browser; `STEADYBENCH_CHROMIUM` names another.
const CHROMIUM: &str = "/usr/bin/chromium";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if arguments.iter().any(|argument| argument == "--list") {
        println!("page_in_a_browser: test");
        return ExitCode::SUCCESS;
    }
    let filters: Vec<&String> = arguments
        .iter()
        .filter(|argument| !argument.starts_with('-'))
        .collect();
    if !filters.is_empty()
        && !filters
            .iter()
            .any(|part| "page_in_a_browser".contains(part.as_str()))
    {
        return ExitCode::SUCCESS;
    }
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("browser");
    let chromium = std::env::var_os("STEADYBENCH_CHROMIUM").map_or_else(|| CHROMIUM.into(), PathBuf::from);
    if let Err(missing) = prepare(&folder, &chromium) {
        println!("\nTHE PAGE WAS NOT TESTED IN A BROWSER: {missing}.\n");
        let required = std::env::var_os("STEADYBENCH_BROWSER").is_some_and(|value| value == "required");
        return if required {
            ExitCode::FAILURE
        } else {
            ExitCode::SUCCESS
        };
    }
    let program = steady();
    let pictures = pictures();
    println!("pictures go to {}", pictures.display());
    let passed = Command::new("npm")
        .args(["test", "--silent"])
        .current_dir(&folder)
        .env("STEADY", program.get_program())
        .env("STEADYBENCH_CHROMIUM", &chromium)
        .env("STEADYBENCH_PICTURES", &pictures)
        .status()
        .is_ok_and(|status| status.success());
    println!(
        "test page_in_a_browser ... {}",
        if passed { "ok" } else { "FAILED" }
    );
    if passed {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

/// Beside the programs of this build, outside of what is kept in the repository.
fn pictures() -> PathBuf {
    let target = std::env::var_os("CARGO_TARGET_DIR").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../target"),
        PathBuf::from,
    );
    target.join("pictures")
}

/// Sees that everything is there, and installs what drives the browser if need be.
fn prepare(folder: &Path, chromium: &Path) -> Result<(), String> {
    if !answers(Command::new("node").arg("--version")) {
        return Err("Node.js is not installed (Debian: apt-get install nodejs npm)".into());
    }
    if !chromium.exists() {
        return Err(format!(
            "{} is not there (Debian: apt-get install chromium; STEADYBENCH_CHROMIUM names another)",
            chromium.display()
        ));
    }
    if folder.join("node_modules/playwright-core").exists() && folder.join("node_modules/axe-core").exists() {
        return Ok(());
    }
    println!("installing what drives the browser: npm ci in tests/browser");
    let installed = Command::new("npm")
        .args(["ci", "--no-audit", "--no-fund", "--silent"])
        .current_dir(folder)
        .status();
    match installed {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(format!("npm ci failed in tests/browser ({status})")),
        Err(error) => Err(format!("npm cannot be run: {error}")),
    }
}

fn answers(command: &mut Command) -> bool {
    command
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
}
