//! `steady ports`: what a board may be on.

use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::port::{self, ListedPort};

/// Options of `steady ports`.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Lists the ports, boards of this project marked.
///
/// # Errors
/// When the system does not say which ports there are.
pub fn run(_args: &Args, console: &Console) -> Result<Exit, Fault> {
    let ports = port::list()?;
    console.result(&ports, |ports| in_words(ports));
    Ok(Exit::Done)
}

fn in_words(ports: &[ListedPort]) -> String {
    let mut lines: Vec<String> = ports
        .iter()
        .map(|port| {
            let mark = if port.is_board { "*" } else { " " };
            let serial = port.usb_serial.as_deref().unwrap_or("-");
            format!("{mark} {:<28} {:<20} {}", port.name, serial, port.what)
        })
        .collect();
    lines.insert(
        0,
        format!("  {:<28} {:<20} {}", "port", "USB serial number", "what it is"),
    );
    lines.push(
        "* a Steadybench board. A port is named to --port by its name or its USB serial number.".into(),
    );
    lines.join("\n")
}
