//! A virtual bench as a port: the real firmware library on a thread, behind a pseudo-terminal or, where the system has
//! none, a network port.

use std::sync::{Arc, Mutex, PoisonError, Weak};

use steadybench_virtual::{BenchOptions, PortName, Scenario, VirtualBench};

use crate::exit::Exit;
use crate::fault::{Fault, plain_reason};

use super::connection::{Connection, open_tcp};
use super::serial;

/// Benches that run: their seeds and numbers. Two at once are two boards, as on a bench.
static RUNNING: Mutex<Vec<(u64, u8, Weak<VirtualBench>)>> = Mutex::new(Vec::new());

/// Starts the bench of a scenario, `NAME` or `NAME,seed=N`, and opens its port. The bench lives as long as anybody holds
/// it.
pub(super) fn open(text: &str) -> Result<Connection, Fault> {
    let port = format!("port virtual:{text}");
    let (name, options) = parse(text).map_err(|rule| {
        Fault::new(Exit::NoPort, port.clone(), rule)
            .remedy("see `steady ports` for the virtual benches there are")
    })?;
    let scenario: Scenario = name
        .parse()
        .map_err(|error: steadybench_virtual::UnknownScenario| {
            Fault::new(Exit::NoPort, port.clone(), error.to_string())
        })?;
    let started = start_another(&scenario, options);
    let bench = started.map_err(|error| Fault::new(Exit::NoPort, port.clone(), plain_reason(&error)))?;
    open_again(bench)
}

/// Starts a bench with the first board number that none of its seed has at present.
fn start_another(scenario: &Scenario, mut options: BenchOptions) -> std::io::Result<Arc<VirtualBench>> {
    let mut running = RUNNING.lock().unwrap_or_else(PoisonError::into_inner);
    running.retain(|(_, _, bench)| bench.strong_count() > 0);
    let is_free = |number: &u8| {
        !running
            .iter()
            .any(|(seed, taken, _)| (*seed, *taken) == (options.seed, *number))
    };
    options.board_number = (0..=u8::MAX)
        .find(is_free)
        .ok_or_else(|| std::io::Error::other("256 virtual boards of one seed are running already"))?;
    let bench = Arc::new(start(scenario, &options)?);
    running.push((options.seed, options.board_number, Arc::downgrade(&bench)));
    Ok(bench)
}

/// Opens the port of a bench that is running: a board whose line was lost goes on, as one on a cable does.
///
/// # Errors
/// When the port cannot be opened.
pub fn open_again(bench: Arc<VirtualBench>) -> Result<Connection, Fault> {
    let mut connection = match bench.port() {
        PortName::Device(path) => serial::open(&path.display().to_string()),
        PortName::Tcp(address) => open_tcp(&address.to_string()),
    }?;
    connection.bench = Some(bench);
    Ok(connection)
}

#[cfg(unix)]
fn start(scenario: &Scenario, options: &BenchOptions) -> std::io::Result<VirtualBench> {
    VirtualBench::on_pty(scenario, options)
}

#[cfg(not(unix))]
fn start(scenario: &Scenario, options: &BenchOptions) -> std::io::Result<VirtualBench> {
    VirtualBench::on_tcp(scenario, options, 0)
}

fn parse(text: &str) -> Result<(&str, BenchOptions), String> {
    let mut parts = text.split(',');
    let name = parts.next().unwrap_or_default();
    let mut options = BenchOptions::default();
    for part in parts {
        options.seed = part
            .strip_prefix("seed=")
            .and_then(|seed| seed.parse().ok())
            .ok_or_else(|| format!("`{part}` is no option of a virtual bench; there is seed=NUMBER"))?;
    }
    Ok((name, options))
}
