//! The board behind a pseudo-terminal, which a host opens like any serial device.

use std::fs::{File, remove_file, symlink_metadata};
use std::io::{self, Read, Write};
use std::os::unix::fs::{OpenOptionsExt, symlink};
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl};
use rustix::io::{FdFlags, fcntl_setfd};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, QueueSelector, tcflush, tcgetattr, tcsetattr};

use super::{HostLine, PortName};

/// The board's end of the pseudo-terminal.
#[derive(Debug)]
pub(super) struct PtyLine {
    /// None while the cable is pulled.
    board_end: Option<File>,
    device: PathBuf,
    link: Option<PathBuf>,
    /// Whether the link is there, and ours to remove.
    linked: bool,
    was_open: bool,
}

impl PtyLine {
    pub(super) fn open(link: Option<PathBuf>) -> io::Result<Self> {
        let mut line = Self {
            board_end: None,
            device: PathBuf::new(),
            link,
            linked: false,
            was_open: false,
        };
        line.restore()?;
        Ok(line)
    }

    /// Whether the host's end is open, and whether there is something to read.
    fn look(&self, longest: Duration) -> Option<PollFlags> {
        let board_end = self.board_end.as_ref()?;
        let mut ends = [PollFd::new(board_end, PollFlags::IN)];
        let timeout = Timespec {
            tv_sec: 0,
            tv_nsec: longest.as_nanos().min(999_999_999) as _,
        };
        poll(&mut ends, Some(&timeout)).ok()?;
        Some(ends[0].revents())
    }

    /// After a host has gone: throws away what it did not take, or the next host would read it.
    fn clean(&mut self) {
        match self.host_end() {
            // Where it fails, the next host's decoder copes with what is left.
            Ok(host_end) => drop(tcflush(&host_end, QueueSelector::IFlush)),
            // A host that was killed leaves the device locked for all but the superuser: it must be made anew.
            Err(_) => self.withdraw(),
        }
    }

    /// Opens the host's end for a moment: to set it up, or to throw away what no host took.
    fn host_end(&self) -> io::Result<File> {
        File::options()
            .read(true)
            .write(true)
            .custom_flags(OFlags::NOCTTY.bits() as i32)
            .open(&self.device)
    }
}

/// Puts a symbolic link in place of one that may be there already.
fn place_link(link: &Path, device: &Path) -> io::Result<()> {
    match symlink_metadata(link) {
        Ok(found) if found.file_type().is_symlink() => remove_file(link)?,
        Ok(_) => {
            return Err(io::Error::new(
                io::ErrorKind::AlreadyExists,
                format!("{} is no link: give the device another name", link.display()),
            ));
        }
        Err(_) => {}
    }
    symlink(device, link)
}

impl HostLine for PtyLine {
    fn address(&self) -> PortName {
        PortName::Device(self.link.clone().unwrap_or_else(|| self.device.clone()))
    }

    fn is_present(&self) -> bool {
        self.board_end.is_some()
    }

    fn is_open(&mut self) -> bool {
        // The system reports a hang-up as long as no program has the host's end open: what the line "terminal ready" is
        // on a real port.
        let open = self
            .look(Duration::ZERO)
            .is_some_and(|events| !events.contains(PollFlags::HUP));
        if self.was_open && !open {
            self.clean();
        }
        self.was_open = open;
        open
    }

    fn read(&mut self, buffer: &mut [u8]) -> usize {
        // Without a host the read fails, and there is nothing to take.
        self.board_end
            .as_mut()
            .map_or(0, |board_end| board_end.read(buffer).unwrap_or(0))
    }

    fn write(&mut self, bytes: &[u8]) -> usize {
        self.board_end
            .as_mut()
            .map_or(0, |board_end| board_end.write(bytes).unwrap_or(0))
    }

    fn wait(&mut self, longest: Duration) {
        if self.was_open {
            self.look(longest);
        } else {
            // A hang-up would end every wait at once.
            sleep(longest);
        }
    }

    fn withdraw(&mut self) {
        self.board_end = None;
        self.was_open = false;
        if let Some(link) = self.link.as_ref().filter(|_| self.linked) {
            self.linked = false;
            // A link that somebody else removed is gone as wanted.
            let _ = remove_file(link);
        }
    }

    fn restore(&mut self) -> io::Result<()> {
        let board_end = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
        fcntl_setfd(&board_end, FdFlags::CLOEXEC)?;
        fcntl_setfl(&board_end, fcntl_getfl(&board_end)? | OFlags::NONBLOCK)?;
        grantpt(&board_end)?;
        unlockpt(&board_end)?;
        let name = ptsname(&board_end, Vec::new())?;
        self.device = PathBuf::from(name.into_string().map_err(io::Error::other)?);
        let host_end = self.host_end()?;
        let mut settings = tcgetattr(&host_end)?;
        settings.make_raw();
        tcsetattr(&host_end, OptionalActions::Now, &settings)?;
        if let Some(link) = &self.link {
            place_link(link, &self.device)?;
            self.linked = true;
        }
        self.board_end = Some(File::from(board_end));
        Ok(())
    }
}

impl Drop for PtyLine {
    fn drop(&mut self) {
        self.withdraw();
    }
}
