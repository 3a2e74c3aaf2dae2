//! What is made from a recording afterwards: `findings.json` beside it, `report.html` in the job, tables elsewhere.
//!
//! `report.html` is the one file that is replaced: it is made from the others, and the next one says no less. It is
//! written beside its place and renamed, so that there is always a whole one.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::exit::Exit;
use crate::fault::Fault;

use super::job::{folder_fault, is_locked};

/// Name of the findings beside a recording.
pub const FINDINGS_FILE: &str = "findings.json";

/// Name of the report in a job.
pub const REPORT_FILE: &str = "report.html";

/// Longest findings that are read back.
const MOST_BYTES: u64 = 256 << 20;

/// Whether a program records in the job at this moment.
#[must_use]
pub fn is_being_recorded(job: &Path) -> bool {
    is_locked(job)
}

/// The findings kept beside a recording; `None` when there are none.
///
/// # Errors
/// [`Exit::BadInput`] when the file cannot be read, is a link, or is larger than any this program makes.
pub fn kept_findings(board: &Path) -> Result<Option<Vec<u8>>, Fault> {
    let path = board.join(FINDINGS_FILE);
    let refuse = |rule: &str| Fault::new(Exit::BadInput, path.display().to_string(), rule);
    match path.symlink_metadata() {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(Fault::file(Exit::BadInput, &path, &error)),
        Ok(metadata) if !metadata.is_file() => {
            Err(refuse("it is a link or a folder, and no findings of this run"))
        }
        Ok(metadata) if metadata.len() > MOST_BYTES => Err(refuse("it is larger than any findings")),
        Ok(_) => std::fs::read(&path)
            .map(Some)
            .map_err(|error| Fault::file(Exit::BadInput, &path, &error)),
    }
}

/// Keeps findings beside a recording that has none.
///
/// # Errors
/// [`Exit::Folder`] or [`Exit::Permission`] when there are some already, or the folder cannot be written.
pub fn keep_findings(board: &Path, findings: &[u8]) -> Result<(), Fault> {
    let path = board.join(FINDINGS_FILE);
    let disk = |error: &io::Error| folder_fault(&path, error);
    let written = written_beside(board, findings).map_err(|error| disk(&error))?;
    written
        .persist_noclobber(&path)
        .map(drop)
        .map_err(|error| disk(&error.error))
}

/// Puts the report in its place, in place of an earlier one.
///
/// # Errors
/// [`Exit::Folder`] or [`Exit::Permission`] when the folder cannot be written, or a folder has the report's name.
pub fn replace_report(job: &Path, page: &str) -> Result<PathBuf, Fault> {
    let path = job.join(REPORT_FILE);
    let disk = |error: &io::Error| folder_fault(&path, error);
    let written = written_beside(job, page.as_bytes()).map_err(|error| disk(&error))?;
    written.persist(&path).map_err(|error| disk(&error.error))?;
    Ok(path)
}

/// Writes a table into a folder of the operator's choice, which is made where there is none. Nothing is overwritten.
///
/// # Errors
/// [`Exit::Folder`] or [`Exit::Permission`] when there is such a file already, or it cannot be written.
pub fn write_table(folder: &Path, name: &str, bytes: &[u8]) -> Result<PathBuf, Fault> {
    let path = folder.join(name);
    let disk =
        |error: io::Error| Fault::file(Exit::Folder, &path, &error).remedy("name a new or an empty folder");
    std::fs::create_dir_all(folder).map_err(disk)?;
    let written = written_beside(folder, bytes).map_err(disk)?;
    written
        .persist_noclobber(&path)
        .map_err(|error| disk(error.error))?;
    Ok(path)
}

/// A whole file without a name of its own yet, on the disk and readable as other files of the folder are.
fn written_beside(folder: &Path, bytes: &[u8]) -> io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".steady-").suffix(".part");
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o644));
    let mut file = builder.tempfile_in(folder)?;
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    Ok(file)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn findings_are_kept_once_and_a_report_is_remade() {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        assert_eq!(kept_findings(at).unwrap(), None);
        keep_findings(at, b"{}\n").unwrap();
        assert_eq!(keep_findings(at, b"[]\n").unwrap_err().exit(), Exit::Folder);
        assert_eq!(kept_findings(at).unwrap().unwrap(), b"{}\n");
        replace_report(at, "one").unwrap();
        let path = replace_report(at, "two").unwrap();
        assert_eq!(std::fs::read(path).unwrap(), b"two");
        write_table(&at.join("tables"), "runs.csv", b"run\r\n").unwrap();
        let again = write_table(&at.join("tables"), "runs.csv", b"").unwrap_err();
        assert!(again.to_string().contains("new or an empty folder"), "{again}");
        let left: Vec<_> = std::fs::read_dir(at)
            .unwrap()
            .filter_map(|entry| entry.unwrap().file_name().into_string().ok())
            .filter(|name| name.starts_with('.'))
            .collect();
        assert_eq!(left, [""; 0]);
    }

    #[cfg(unix)]
    #[test]
    fn a_link_in_place_of_a_report_is_replaced_and_not_followed() {
        let folder = tempfile::tempdir().unwrap();
        let elsewhere = tempfile::NamedTempFile::new().unwrap();
        std::os::unix::fs::symlink(elsewhere.path(), folder.path().join(REPORT_FILE)).unwrap();
        std::os::unix::fs::symlink(elsewhere.path(), folder.path().join(FINDINGS_FILE)).unwrap();
        replace_report(folder.path(), "page").unwrap();
        assert!(keep_findings(folder.path(), b"{}").is_err());
        assert!(kept_findings(folder.path()).is_err());
        assert_eq!(std::fs::read(elsewhere.path()).unwrap(), b"");
    }
}
