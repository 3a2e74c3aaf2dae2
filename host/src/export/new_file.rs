//! A file that appears whole or not at all, and replaces nothing that was there.

use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use crate::exit::Exit;
use crate::fault::{Fault, plain_reason};

/// A file in the making, beside the place where it is to be.
#[derive(Debug)]
pub struct NewFile {
    file: NamedTempFile,
    path: PathBuf,
    replace: bool,
}

impl NewFile {
    /// Begins a file that will be at `path`; what stands there is replaced only when `replace` is set, and only at the
    /// end.
    ///
    /// # Errors
    /// When something stands there and is not to be replaced, when the place is inside a run folder, and when the folder
    /// is not there or not writable.
    pub fn begin(path: &Path, replace: bool) -> Result<Self, Fault> {
        let shown = path.display().to_string();
        if path.is_dir() {
            return Err(Fault::usage(shown, "it is a folder").remedy("name a file"));
        }
        if path.symlink_metadata().is_ok() && !replace {
            return Err(is_there(path));
        }
        let folder = match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        let in_run = folder
            .ancestors()
            .any(|folder| folder.join("run.toml").exists() || folder.join("wire.log").exists());
        if in_run {
            return Err(
                Fault::usage(shown, "a run folder holds what was recorded and nothing else")
                    .remedy("choose a place outside the run folder"),
            );
        }
        let mut builder = tempfile::Builder::new();
        builder.prefix(".steady-").suffix(".part");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // As any program's files: the user's own mask decides.
            builder.permissions(std::fs::Permissions::from_mode(0o666));
        }
        let file = builder
            .tempfile_in(folder)
            .map_err(|error| Fault::file(Exit::Failed, folder, &error))?;
        Ok(Self {
            file,
            path: path.to_owned(),
            replace,
        })
    }

    /// Where to write.
    pub fn file(&mut self) -> &mut std::fs::File {
        self.file.as_file_mut()
    }

    /// Puts the whole file in its place.
    ///
    /// # Errors
    /// When something has come to stand there meanwhile, or the disk fails.
    pub fn finish(self) -> Result<u64, Fault> {
        let disk = |error: &io::Error| {
            Fault::new(Exit::Failed, self.path.display().to_string(), plain_reason(error))
        };
        self.file.as_file().sync_all().map_err(|error| disk(&error))?;
        let bytes = self
            .file
            .as_file()
            .metadata()
            .map_err(|error| disk(&error))?
            .len();
        if self.replace {
            self.file.persist(&self.path)
        } else {
            self.file.persist_noclobber(&self.path)
        }
        .map_err(|error| match error.error.kind() {
            ErrorKind::AlreadyExists => is_there(&self.path),
            _ => disk(&error.error),
        })?;
        Ok(bytes)
    }
}

fn is_there(path: &Path) -> Fault {
    Fault::usage(
        path.display().to_string(),
        "it is there already, and nothing is overwritten",
    )
    .remedy("choose another name, or replace it with --force")
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    #[test]
    fn nothing_is_overwritten_and_nothing_half_written_stays() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("readings.csv");
        drop(NewFile::begin(&path, false).unwrap());
        assert_eq!(std::fs::read_dir(&place).unwrap().count(), 0);

        let mut file = NewFile::begin(&path, false).unwrap();
        file.file().write_all(b"first").unwrap();
        assert_eq!(file.finish().unwrap(), 5);
        let fault = NewFile::begin(&path, false).unwrap_err().to_string();
        assert!(fault.contains("--force"), "{fault}");

        let mut file = NewFile::begin(&path, true).unwrap();
        file.file().write_all(b"second").unwrap();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "first");
        file.finish().unwrap();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "second");
    }

    #[test]
    fn what_came_meanwhile_is_not_overwritten_either() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("readings.csv");
        let file = NewFile::begin(&path, false).unwrap();
        std::fs::write(&path, "somebody else's").unwrap();
        assert!(file.finish().is_err());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "somebody else's");
    }

    #[test]
    fn a_run_folder_is_no_place() {
        let place = tempfile::tempdir().unwrap();
        std::fs::write(place.path().join("run.toml"), "").unwrap();
        let fault = NewFile::begin(&place.path().join("readings.csv"), true)
            .unwrap_err()
            .to_string();
        assert!(fault.contains("outside the run folder"), "{fault}");
    }
}
