//! Files kept in the user's configuration folder: written whole or not at all, the one before kept beside.

use std::io::Write;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::exit::Exit;
use crate::fault::Fault;

/// The folder `steadybench/NAME` of this user's configuration, or the one that the variable names.
///
/// # Errors
/// When the system does not say where a user's configuration is.
pub fn folder(name: &str, variable: &str) -> Result<PathBuf, Fault> {
    folder_by(name, variable, |name| std::env::var_os(name).map(PathBuf::from)).ok_or_else(|| {
        Fault::new(
            Exit::Failed,
            format!("the folder of the {name}"),
            "the system does not say where this user's configuration is",
        )
        .remedy(format!("set the variable {variable} to a folder"))
    })
}

/// The folder by the environment: where it is named, or the system's usual place.
fn folder_by(name: &str, variable: &str, get: impl Fn(&str) -> Option<PathBuf>) -> Option<PathBuf> {
    let given = |name: &str| get(name).filter(|path| path.is_absolute());
    if let Some(folder) = given(variable) {
        return Some(folder);
    }
    let base = if cfg!(windows) {
        given("APPDATA")?
    } else if cfg!(target_os = "macos") {
        given("HOME")?.join("Library/Application Support")
    } else {
        given("XDG_CONFIG_HOME").or_else(|| Some(given("HOME")?.join(".config")))?
    };
    Some(base.join("steadybench").join(name))
}

/// Writes `text` to the file at `path`, in a folder that is made when missing; what was there is kept beside it.
///
/// # Errors
/// When the folder cannot be made or written.
pub fn write(path: &Path, text: &str) -> Result<(), Fault> {
    let disk = |error: std::io::Error| Fault::file(Exit::Folder, path, &error);
    let folder = path.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).map_err(disk)?;
    // A power cut leaves the old file or the new one, and never half of one.
    let mut file = tempfile::NamedTempFile::new_in(folder).map_err(disk)?;
    file.write_all(text.as_bytes()).map_err(disk)?;
    file.as_file().sync_all().map_err(disk)?;
    if path.exists() {
        std::fs::copy(path, beside(path)).map_err(disk)?;
    }
    file.persist(path).map_err(|error| disk(error.error))?;
    Ok(())
}

/// Takes the file at `path` out of use; it is kept under another name, which is given.
///
/// # Errors
/// When it cannot be renamed.
pub fn set_aside(path: &Path) -> Result<PathBuf, Fault> {
    let aside = beside(path);
    std::fs::rename(path, &aside).map_err(|error| Fault::file(Exit::Folder, path, &error))?;
    Ok(aside)
}

/// The name of a file that was in use until now, and that no file has: two may be taken out of use within a millisecond.
fn beside(path: &Path) -> PathBuf {
    let until = Timestamp::now().strftime("%Y%m%dT%H%M%S%3fZ").to_string();
    let name = path.file_stem().unwrap_or_default().to_string_lossy();
    std::iter::once(String::new())
        .chain((2_u32..).map(|number| format!("-{number}")))
        .map(|more| path.with_file_name(format!("{name}{UNTIL}{until}{more}.toml")))
        .find(|beside| !beside.exists())
        .unwrap_or_else(|| path.with_file_name(format!("{name}{UNTIL}{until}.toml")))
}

/// What the name of a file out of use has in it, and that of one in use has not.
pub const UNTIL: &str = "-until-";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_folder_is_the_users_own() {
        let named = |name: &str| (name == "STEADY_KEPT").then(std::env::temp_dir);
        assert_eq!(
            folder_by("kept", "STEADY_KEPT", named),
            Some(std::env::temp_dir())
        );
        assert_eq!(folder_by("kept", "STEADY_KEPT", |_| None), None);
        let relative = |_: &str| Some(PathBuf::from("not/absolute"));
        assert_eq!(folder_by("kept", "STEADY_KEPT", relative), None);
    }

    #[test]
    fn what_was_there_is_kept_beside() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("made/a.toml");
        write(&path, "first").unwrap();
        write(&path, "second").unwrap();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "second");
        let aside = set_aside(&path).unwrap();
        assert_eq!(std::fs::read_to_string(aside).unwrap(), "second");
        assert!(!path.exists());
        assert_eq!(std::fs::read_dir(path.parent().unwrap()).unwrap().count(), 2);
    }
}
