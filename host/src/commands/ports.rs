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
    let heads = ["port", "USB serial number"];
    let cells = |port: &ListedPort| [port.name.clone(), port.usb_serial.clone().unwrap_or("-".into())];
    let width = |column: usize| {
        let longest = ports.iter().map(|port| cells(port)[column].len()).max();
        longest.unwrap_or(0).max(heads[column].len())
    };
    let widths = [width(0), width(1)];
    let line = |mark: &str, [name, serial]: [&str; 2], what: &str| {
        format!("{mark} {name:<0$}  {serial:<1$}  {what}", widths[0], widths[1])
    };
    let mut lines = vec![line(" ", heads, "what it is")];
    for port in ports {
        let [name, serial] = cells(port);
        lines.push(line(
            if port.is_board { "*" } else { " " },
            [&name, &serial],
            &port.what,
        ));
    }
    lines.push(
        "* a Steadybench board. A port is named to --port by its name or its USB serial number.".into(),
    );
    lines.join("\n")
}
