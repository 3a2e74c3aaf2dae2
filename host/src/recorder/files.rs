//! The one way in which the recorder touches a disk, so that tests can make it fail.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

/// Where files are appended to.
pub trait FileLayer: Send {
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

/// A file that only grows.
pub trait AppendFile: Send {
    /// Appends bytes from the front of `bytes` and says how many.
    ///
    /// # Errors
    /// As the system gives it; then none of `bytes` was appended.
    fn append(&mut self, bytes: &[u8]) -> io::Result<usize>;

    /// Has what was appended survive a power cut.
    ///
    /// # Errors
    /// As the system gives it, and `NotFound` when somebody removed the file meanwhile.
    fn sync(&mut self) -> io::Result<()>;
}

/// The disk.
#[derive(Clone, Copy, Debug, Default)]
pub struct Disk;

impl FileLayer for Disk {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        std::fs::create_dir(path)
    }

    fn create_file(&self, path: &Path) -> io::Result<Box<dyn AppendFile>> {
        let file = OpenOptions::new().append(true).create_new(true).open(path)?;
        // The file's name has to survive a power cut as its bytes do.
        #[cfg(unix)]
        if let Some(folder) = path.parent() {
            File::open(folder)?.sync_all()?;
        }
        Ok(Box::new(DiskFile(file)))
    }
}

struct DiskFile(File);

impl AppendFile for DiskFile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.0.sync_data()?;
        // A file without a name takes bytes as gladly as any, and they are gone when it is closed.
        #[cfg(unix)]
        {
            use std::os::unix::fs::MetadataExt;
            if self.0.metadata()?.nlink() == 0 {
                return Err(io::Error::new(
                    io::ErrorKind::NotFound,
                    "the file was removed while it was being written",
                ));
            }
        }
        Ok(())
    }
}
