//! Which ports there are.

use serde::Serialize;
use serialport::{SerialPortInfo, SerialPortType};
use steadybench_virtual::Scenario;

use crate::exit::Exit;
use crate::fault::Fault;

/// What this project's boards call themselves in their USB descriptor.
pub(crate) const USB_PRODUCT: &str = "Steadybench";

/// A port that a board may be on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ListedPort {
    /// The name that `--port` takes.
    pub name: String,
    /// The USB serial number, which `--port` takes too; it stays the same when the name changes.
    pub usb_serial: Option<String>,
    /// Whether its USB descriptor names this project, or it is a virtual bench.
    pub is_board: bool,
    /// What the device calls itself.
    pub what: String,
}

/// Every port, boards of this project first, then by name. A virtual bench is a port like any other.
///
/// # Errors
/// When the system does not say which ports there are.
pub fn list() -> Result<Vec<ListedPort>, Fault> {
    let mut ports: Vec<ListedPort> = serial_ports()?.iter().map(describe).collect();
    ports.extend(Scenario::all().iter().map(|scenario| ListedPort {
        name: format!("virtual:{}", scenario.name),
        usb_serial: None,
        is_board: true,
        what: format!("virtual bench: {}", scenario.description),
    }));
    ports.sort_by(|a, b| b.is_board.cmp(&a.is_board).then_with(|| a.name.cmp(&b.name)));
    Ok(ports)
}

/// The serial ports that the system lists.
pub(super) fn serial_ports() -> Result<Vec<SerialPortInfo>, Fault> {
    serialport::available_ports().map_err(|error| {
        Fault::new(Exit::Failed, "the list of serial ports", error.description)
            .remedy("name the port yourself, such as --port /dev/ttyACM0")
    })
}

fn describe(port: &SerialPortInfo) -> ListedPort {
    let (usb_serial, what, is_board) = match &port.port_type {
        SerialPortType::UsbPort(usb) => {
            let words = [usb.manufacturer.as_deref(), usb.product.as_deref()];
            let what = words.into_iter().flatten().collect::<Vec<_>>().join(" ");
            let is_board = what.contains(USB_PRODUCT);
            let what = if what.is_empty() {
                format!("USB {:04x}:{:04x}", usb.vid, usb.pid)
            } else {
                what
            };
            (usb.serial_number.clone(), what, is_board)
        }
        SerialPortType::PciPort => (None, "built-in serial port".to_owned(), false),
        SerialPortType::BluetoothPort => (None, "wireless serial port".to_owned(), false),
        SerialPortType::Unknown => (None, "serial port".to_owned(), false),
    };
    ListedPort {
        name: port.port_name.clone(),
        usb_serial,
        is_board,
        what,
    }
}
