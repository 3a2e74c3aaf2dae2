//! How a port is named.

use std::fmt;
use std::str::FromStr;

/// What `--port` names.
///
/// ```
/// use steadybench_host::port::PortAddress;
///
/// assert_eq!("/dev/ttyACM0".parse(), Ok(PortAddress::Device("/dev/ttyACM0".into())));
/// assert_eq!("com3".parse(), Ok(PortAddress::Device("com3".into())));
/// assert_eq!("E66178C1".parse(), Ok(PortAddress::UsbSerial("E66178C1".into())));
/// assert_eq!("tcp:bench:7000".parse(), Ok(PortAddress::Tcp("bench:7000".into())));
/// assert_eq!("virtual:greenhouse".parse(), Ok(PortAddress::Virtual("greenhouse".into())));
/// assert!("tcp:bench".parse::<PortAddress>().is_err());
/// ```
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum PortAddress {
    /// A serial device by the system's name for it.
    Device(String),
    /// A board by its USB serial number, wherever it is plugged in.
    UsbSerial(String),
    /// A virtual bench by its scenario.
    Virtual(String),
    /// A byte stream over the network, as `HOST:PORT`.
    Tcp(String),
}

impl FromStr for PortAddress {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if let Some(scenario) = text.strip_prefix("virtual:") {
            return if scenario.is_empty() {
                Err("a virtual bench needs its scenario, such as virtual:greenhouse".into())
            } else {
                Ok(Self::Virtual(scenario.into()))
            };
        }
        if let Some(address) = text.strip_prefix("tcp:") {
            return match address.rsplit_once(':') {
                Some((host, port)) if !host.is_empty() && port.parse::<u16>().is_ok() => {
                    Ok(Self::Tcp(address.into()))
                }
                _ => Err("a network port is written tcp:HOST:PORT, such as tcp:127.0.0.1:7000".into()),
            };
        }
        if text.is_empty() {
            return Err("it is empty; `steady ports` lists what there is".into());
        }
        let windows_name = text
            .get(..3)
            .is_some_and(|start| start.eq_ignore_ascii_case("com"))
            && text[3..].parse::<u16>().is_ok();
        Ok(if text.contains(['/', '\\']) || windows_name {
            Self::Device(text.into())
        } else {
            Self::UsbSerial(text.into())
        })
    }
}

impl fmt::Display for PortAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Device(name) | Self::UsbSerial(name) => f.write_str(name),
            Self::Virtual(scenario) => write!(f, "virtual:{scenario}"),
            Self::Tcp(address) => write!(f, "tcp:{address}"),
        }
    }
}
