//! How a collector that is running is found by the folder it records in.

use std::fs::OpenOptions;
use std::io::Write;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::exit::Exit;
use crate::fault::Fault;

use super::job::{JobFolder, is_locked};

const FILE: &str = ".steady-collector.json";

/// Where a collector listens, and the word that lets one change something. Readable by its owner only.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Announcement {
    /// Where it listens.
    pub address: SocketAddr,
    /// What a request that changes something must show.
    pub token: String,
}

impl std::fmt::Debug for Announcement {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Announcement")
            .field("address", &self.address)
            .finish_non_exhaustive()
    }
}

/// Removes the announcement when dropped.
#[derive(Debug)]
pub struct Announced(PathBuf);

impl Drop for Announced {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

impl JobFolder {
    /// Says in the job folder where its collector listens. One that a killed collector left behind is replaced: this
    /// one holds the folder's lock.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub fn announce(&self, announcement: &Announcement) -> Result<Announced, Fault> {
        let path = self.path().join(FILE);
        let _ = std::fs::remove_file(&path);
        let mut options = OpenOptions::new();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let text = serde_json::to_string(announcement).unwrap_or_default();
        options
            .open(&path)
            .and_then(|mut file| file.write_all(text.as_bytes()))
            .map_err(|error| Fault::file(Exit::Folder, &path, &error))?;
        Ok(Announced(path))
    }
}

/// What a collector that was killed left behind in a job folder, so that the next one can be found under the same link;
/// nothing while a collector records there.
#[must_use]
pub fn left_behind(job: &Path) -> Option<Announcement> {
    let path = job.join(FILE);
    let is_file = path.symlink_metadata().is_ok_and(|metadata| metadata.is_file());
    if !is_file || is_locked(job) {
        return None;
    }
    let left: Announcement = serde_json::from_str(&std::fs::read_to_string(path).ok()?).ok()?;
    // What somebody else wrote there is no secret of this program's making.
    let made_here = left.token.len() == 32 && left.token.bytes().all(|byte| byte.is_ascii_hexdigit());
    made_here.then_some(left)
}

/// Finds the collector that records in a job folder.
///
/// # Errors
/// [`Exit::NoCollector`] when none does.
pub fn find_collector(job: &Path) -> Result<Announcement, Fault> {
    let none = || {
        Fault::new(
            Exit::NoCollector,
            job.display().to_string(),
            "no collector records in that job folder",
        )
        .remedy("start `steady collect`, or name its folder with --job")
    };
    let text = std::fs::read_to_string(job.join(FILE)).map_err(|_| none())?;
    if !is_locked(job) {
        return Err(none());
    }
    serde_json::from_str(&text).map_err(|_| none())
}
