//! The one way in which the recorder touches a disk, so that tests can make it fail.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Where files are appended to.
pub trait FileLayer: std::fmt::Debug + Send + Sync {
    /// Makes a folder that must not exist.
    ///
    /// # Errors
    /// As the system gives it, `AlreadyExists` among them.
    fn create_folder(&self, path: &Path) -> io::Result<()>;

    /// Makes a file that must not exist.
    ///
    /// # Errors
    /// As the system gives it, `AlreadyExists` among them.
    fn create_file(&self, path: &Path) -> io::Result<Box<dyn AppendFile>>;
}

/// Has what was appended to a file before it is called survive a power cut. It may be called on another thread, as a
/// disk may take seconds to answer.
///
/// Its error is as the system gives it, and `NotFound` when somebody removed the file meanwhile.
pub type Confirmation = Box<dyn FnOnce() -> io::Result<()> + Send>;

/// A file that only grows.
pub trait AppendFile: Send {
    /// Appends bytes from the front of `bytes` and says how many.
    ///
    /// # Errors
    /// As the system gives it; then none of `bytes` was appended.
    fn append(&mut self, bytes: &[u8]) -> io::Result<usize>;

    /// What has it survive a power cut.
    fn confirmation(&self) -> Confirmation;

    /// Opens the same file again, as after its disk was taken away and came back, and says how long it is.
    ///
    /// # Errors
    /// As the system gives it, `NotFound` when it is not there.
    fn reopen(&mut self) -> io::Result<u64>;
}

/// The disk.
#[derive(Clone, Copy, Debug, Default)]
pub struct Disk;

impl FileLayer for Disk {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        std::fs::create_dir(path)?;
        sync_folder_of(path)
    }

    fn create_file(&self, path: &Path) -> io::Result<Box<dyn AppendFile>> {
        let file = OpenOptions::new().append(true).create_new(true).open(path)?;
        sync_folder_of(path)?;
        Ok(Box::new(DiskFile {
            file: Arc::new(file),
            path: path.to_owned(),
        }))
    }
}

/// Opens a file of a job for reading, and no link in its place: a job may come from anybody, and a link may lead anywhere.
///
/// # Errors
/// As the system gives it, and of the kind `InvalidInput` when it is a link or no file.
pub fn open_unlinked(path: &Path) -> io::Result<File> {
    if !path.symlink_metadata()?.is_file() {
        return Err(io::Error::new(
            io::ErrorKind::InvalidInput,
            "it is a link or a folder, and no file of this job",
        ));
    }
    let mut options = OpenOptions::new();
    options.read(true);
    // Where it became a link since.
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::custom_flags(&mut options, rustix::fs::OFlags::NOFOLLOW.bits() as i32);
    options.open(path)
}

/// Has the name of a file or folder survive a power cut, as its bytes do.
pub(super) fn sync_folder_of(path: &Path) -> io::Result<()> {
    #[cfg(unix)]
    if let Some(folder) = path.parent() {
        let here = if folder.as_os_str().is_empty() {
            Path::new(".")
        } else {
            folder
        };
        File::open(here)?.sync_all()?;
    }
    #[cfg(not(unix))]
    let _ = path;
    Ok(())
}

struct DiskFile {
    file: Arc<File>,
    path: PathBuf,
}

impl AppendFile for DiskFile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<usize> {
        (&*self.file).write(bytes)
    }

    fn confirmation(&self) -> Confirmation {
        let file = Arc::clone(&self.file);
        Box::new(move || {
            file.sync_data()?;
            // A file without a name takes bytes as gladly as any, and they are gone when it is closed.
            #[cfg(unix)]
            {
                use std::os::unix::fs::MetadataExt;
                if file.metadata()?.nlink() == 0 {
                    return Err(io::Error::new(
                        io::ErrorKind::NotFound,
                        "the file was removed while it was being written",
                    ));
                }
            }
            Ok(())
        })
    }

    fn reopen(&mut self) -> io::Result<u64> {
        let mut options = OpenOptions::new();
        options.append(true);
        // What came back may not be what went: a link in its place leads to somebody else's file.
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::custom_flags(
            &mut options,
            rustix::fs::OFlags::NOFOLLOW.bits() as i32,
        );
        let file = options.open(&self.path)?;
        let length = file.metadata()?.len();
        self.file = Arc::new(file);
        Ok(length)
    }
}
