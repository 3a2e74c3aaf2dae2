//! What each exit code means, for scripts.

use std::process::ExitCode;

/// How a command ended. The numbers are kept from version to version; new ones are appended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Exit {
    /// Done, and nothing to report beyond what was printed.
    Done = 0,
    /// Something failed that has no code of its own; the message says what.
    Failed = 1,
    /// The command line, or a settings file it named, is wrong; nothing was done.
    Usage = 2,
    /// There is no such port, or none at all.
    NoPort = 3,
    /// Another program holds the port.
    PortBusy = 4,
    /// The system does not let this user open the port or folder.
    Permission = 5,
    /// Nothing on the port answered.
    SilentBoard = 6,
    /// Something answers on the port, and it is not a Steadybench board.
    NotABoard = 7,
    /// The board speaks another version of the protocol.
    ProtocolVersion = 8,
    /// Another board stands where the run's board was.
    AnotherBoard = 9,
    /// The board refused a command, or cannot measure.
    Refused = 10,
    /// The job folder cannot be used: in use by another program, not writable, or not a job folder.
    Folder = 11,
    /// The recording is closed and safe, but readings were lost on this computer (a full or failing disk).
    HostLosses = 12,
    /// The guard opened the supply relay during the run.
    GuardTripped = 13,
    /// A file or folder to be read is not what it should be.
    BadInput = 14,
    /// No collector is running in that job folder.
    NoCollector = 15,
    /// The job stays open: something is still altered, or cannot be read.
    NotRestored = 16,
}

impl Exit {
    /// Every code with its meaning, as `steady --help` lists them.
    pub const ALL: [(Self, &'static str); 17] = [
        (Self::Done, "done"),
        (Self::Failed, "failed for a reason that has no code of its own"),
        (
            Self::Usage,
            "the command line or a settings file is wrong; nothing was done",
        ),
        (Self::NoPort, "there is no such port"),
        (Self::PortBusy, "another program holds the port"),
        (Self::Permission, "no permission to open the port or folder"),
        (Self::SilentBoard, "nothing on the port answered"),
        (
            Self::NotABoard,
            "what answers on the port is not a Steadybench board",
        ),
        (
            Self::ProtocolVersion,
            "the board speaks another version of the protocol",
        ),
        (
            Self::AnotherBoard,
            "another board stands where the run's board was",
        ),
        (Self::Refused, "the board refused a command or cannot measure"),
        (Self::Folder, "the job folder cannot be used"),
        (
            Self::HostLosses,
            "recorded, but this computer lost readings (full or failing disk)",
        ),
        (
            Self::GuardTripped,
            "the guard opened the supply relay during the run",
        ),
        (
            Self::BadInput,
            "a file or folder to be read is not what it should be",
        ),
        (Self::NoCollector, "no collector is running in that job folder"),
        (
            Self::NotRestored,
            "the job stays open: something is still altered, or cannot be read",
        ),
    ];

    /// The number that the shell sees.
    #[must_use]
    pub const fn code(self) -> u8 {
        self as u8
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit.code())
    }
}

#[cfg(test)]
mod tests {
    use super::Exit;

    #[test]
    fn the_list_is_complete_and_in_order() {
        for (position, (exit, _)) in Exit::ALL.into_iter().enumerate() {
            assert_eq!(usize::from(exit.code()), position);
        }
    }
}
