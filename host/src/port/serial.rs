//! Serial devices of the operating system.

use std::path::Path;

use serialport::{SerialPort, SerialPortInfo, SerialPortType};

use crate::exit::Exit;
use crate::fault::Fault;

use super::connection::{Connection, READ_TIMEOUT};
use super::listing::serial_ports;

/// A USB serial device has no line rate of its own, but the system wants to be told one.
const NOMINAL_BAUD: u32 = 115_200;

/// The device behind a USB serial number.
pub(super) fn device_of(usb_serial: &str) -> Result<String, Fault> {
    let ports = serial_ports()?;
    device_among(&ports, usb_serial).ok_or_else(|| {
        Fault::new(
            Exit::NoPort,
            format!("port {usb_serial}"),
            "no device has that USB serial number",
        )
        .remedy(
            "plug the board in and look at `steady ports`; a device is named with its folder, such as /dev/ttyACM0",
        )
    })
}

fn device_among(ports: &[SerialPortInfo], usb_serial: &str) -> Option<String> {
    ports
        .iter()
        .find(|port| usb_serial_in(port).is_some_and(|number| number.eq_ignore_ascii_case(usb_serial)))
        .map(|port| port.port_name.clone())
}

/// The USB serial number of a device that is open, by which it is found again under another name. `None` for what is no
/// USB device, or where the system does not say.
fn usb_serial_of(name: &str) -> Option<String> {
    // A link, as the system keeps one for each USB device, is another name of the same device.
    let device =
        std::fs::canonicalize(name).map_or_else(|_| name.to_owned(), |path| path.display().to_string());
    let ports = serial_ports().ok()?;
    let port = ports
        .iter()
        .find(|port| port.port_name == name || port.port_name == device)?;
    usb_serial_in(port).map(str::to_owned)
}

fn usb_serial_in(port: &SerialPortInfo) -> Option<&str> {
    match &port.port_type {
        SerialPortType::UsbPort(usb) => usb.serial_number.as_deref().filter(|number| !number.is_empty()),
        _ => None,
    }
}

pub(super) fn open(name: &str) -> Result<Connection, Fault> {
    before_opening(name)?;
    let mut port = serialport::new(name, NOMINAL_BAUD)
        .timeout(READ_TIMEOUT)
        .open_native()
        .map_err(|error| refused(name, &error))?;
    // A board streams only to a host that says it listens. What is no real line, such as a pseudo-terminal, has no
    // such signal, and needs none.
    let _ = port.write_data_terminal_ready(true);
    let writer = port.try_clone_native().map_err(|error| refused(name, &error))?;
    Ok(Connection {
        reader: Box::new(port),
        writer: Box::new(writer),
        bench: None,
        name: name.to_owned(),
        usb_serial: usb_serial_of(name),
    })
}

fn busy(name: &str) -> Fault {
    Fault::new(Exit::PortBusy, format!("port {name}"), "another program holds it")
        .remedy("close the other program (a second steady, a terminal program), then try again")
}

fn refused(name: &str, error: &serialport::Error) -> Fault {
    let words = error.description.to_lowercase();
    // Windows says "Access is denied" for a port that another program holds.
    if words.contains("busy") || words.contains("denied") || words.contains("lock") {
        return busy(name);
    }
    Fault::new(
        Exit::NoPort,
        format!("port {name}"),
        format!("it cannot be opened: {}", error.description),
    )
    .remedy("unplug the board, plug it in again, and look at `steady ports`")
}

/// What can be known of a device before it is opened, said better than an error number says it.
#[cfg(unix)]
fn before_opening(name: &str) -> Result<(), Fault> {
    use rustix::fs::{Access, access};
    use std::os::unix::fs::{FileTypeExt, MetadataExt};

    let path = Path::new(name);
    let Ok(metadata) = path.metadata() else {
        return Err(
            Fault::new(Exit::NoPort, format!("port {name}"), "there is no such device")
                .remedy("plug the board in and look at `steady ports`"),
        );
    };
    if !metadata.file_type().is_char_device() {
        return Err(
            Fault::new(Exit::NoPort, format!("port {name}"), "it is not a serial device")
                .remedy("name a device that `steady ports` lists"),
        );
    }
    if access(path, Access::READ_OK | Access::WRITE_OK).is_err() {
        let groups = std::fs::read_to_string("/etc/group").unwrap_or_default();
        return Err(no_permission(name, metadata.gid(), &groups));
    }
    Ok(())
}

#[cfg(not(unix))]
fn before_opening(_name: &str) -> Result<(), Fault> {
    Ok(())
}

/// The fault of a device that this user may not open; `groups` is the text of `/etc/group`.
#[cfg(unix)]
fn no_permission(name: &str, gid: u32, groups: &str) -> Fault {
    let group = groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let group = fields.next()?;
        (fields.nth(1)?.parse() == Ok(gid)).then(|| group.to_owned())
    });
    let fault = Fault::new(
        Exit::Permission,
        format!("port {name}"),
        "this user may not open it",
    );
    match group.as_deref() {
        Some("root") | None => {
            fault.remedy("ask whoever keeps this computer for the right to open that device")
        }
        Some(group) => fault.remedy(format!(
            "join the group `{group}`: sudo usermod -aG {group} $USER, then log out and in again"
        )),
    }
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn permission_names_the_group_to_join() {
        let groups = "root:x:0:\ndialout:x:20:ann\n";
        insta::assert_snapshot!(no_permission("/dev/ttyACM0", 20, groups), @r"
        port /dev/ttyACM0: this user may not open it
          remedy: join the group `dialout`: sudo usermod -aG dialout $USER, then log out and in again
        ");
        insta::assert_snapshot!(no_permission("/dev/ttyACM0", 0, groups), @r"
        port /dev/ttyACM0: this user may not open it
          remedy: ask whoever keeps this computer for the right to open that device
        ");
    }

    #[test]
    fn a_board_is_found_by_its_usb_serial_number_whatever_its_device_is_called() {
        let port = |name: &str, serial: Option<&str>| SerialPortInfo {
            port_name: name.into(),
            port_type: SerialPortType::UsbPort(serialport::UsbPortInfo {
                vid: 0x1209,
                pid: 1,
                serial_number: serial.map(Into::into),
                manufacturer: None,
                product: None,
            }),
        };
        let ports = [
            port("/dev/ttyACM0", None),
            port("/dev/ttyACM1", Some("E4642C105B4A192F")),
            port("/dev/ttyACM2", Some("")),
        ];
        assert_eq!(
            device_among(&ports, "e4642c105b4a192f").as_deref(),
            Some("/dev/ttyACM1")
        );
        assert_eq!(device_among(&ports, "E4642C105B4A1930"), None);
        // What has no number is never found by it.
        assert_eq!(device_among(&ports, ""), None);
    }

    #[test]
    fn a_missing_device_and_a_plain_file_are_told_apart() {
        insta::assert_snapshot!(open("/dev/no-such-port").unwrap_err(), @r"
        port /dev/no-such-port: there is no such device
          remedy: plug the board in and look at `steady ports`
        ");
        let file = tempfile::NamedTempFile::new().unwrap();
        let fault = open(&file.path().display().to_string()).unwrap_err();
        assert_eq!(fault.exit(), Exit::NoPort);
        assert!(fault.to_string().contains("it is not a serial device"), "{fault}");
    }
}
