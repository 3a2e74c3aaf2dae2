//! The files: `steadybench/references/MODEL.toml` in the user's configuration folder.

use std::path::{Path, PathBuf};

use crate::exit::Exit;
use crate::fault::Fault;
use crate::kept;

use super::Reference;

/// The folder of the references.
///
/// # Errors
/// When the system does not say where a user's configuration is.
pub fn folder() -> Result<PathBuf, Fault> {
    kept::folder("references", "STEADY_REFERENCES")
}

/// The file of a model: letters and digits of its name, the rest as hyphens.
///
/// # Errors
/// When the name has neither letter nor digit.
pub fn path_in(folder: &Path, model: &str) -> Result<PathBuf, Fault> {
    let words: Vec<String> = model
        .split(|letter: char| !letter.is_alphanumeric())
        .filter(|word| !word.is_empty())
        .map(str::to_lowercase)
        .collect();
    if words.is_empty() {
        return Err(Fault::usage(
            format!("--model {model:?}"),
            "a model has a name of letters or digits",
        )
        .remedy("write it like --model \"vent controller rev B\""));
    }
    Ok(folder.join(format!("model-{}.toml", words.join("-"))))
}

/// Reads the reference of a model; `None` when there is none.
///
/// # Errors
/// [`Exit::BadInput`] when the file is no reference, or another model's.
pub fn find(folder: &Path, model: &str) -> Result<Option<Reference>, Fault> {
    let path = path_in(folder, model)?;
    if !path.exists() {
        return Ok(None);
    }
    let reference = read(&path)?;
    if path_in(folder, &reference.model)? != path {
        return Err(Fault::new(
            Exit::BadInput,
            path.display().to_string(),
            format!("it is the reference of {:?}", reference.model),
        )
        .remedy("give the file the name that `steady reference list` would look for, or set it aside"));
    }
    Ok(Some(reference))
}

/// The reference of a model that has to have one.
///
/// # Errors
/// As [`find`], and when there is none; the models there are are named.
pub fn get(folder: &Path, model: &str) -> Result<Reference, Fault> {
    if let Some(reference) = find(folder, model)? {
        return Ok(reference);
    }
    let (all, _) = list(folder);
    let names: Vec<String> = all.iter().map(|known| format!("{:?}", known.model)).collect();
    let remedy = if names.is_empty() {
        "keep a run of a good unit first: steady reference keep RUN --model MODEL".to_owned()
    } else {
        format!("there are: {}", names.join(", "))
    };
    Err(Fault::usage(format!("{model:?}"), "no run is kept for this model").remedy(remedy))
}

fn read(path: &Path) -> Result<Reference, Fault> {
    let text = std::fs::read_to_string(path).map_err(|error| Fault::file(Exit::BadInput, path, &error))?;
    toml::from_str(&text).map_err(|error| {
        Fault::new(
            Exit::BadInput,
            path.display().to_string(),
            error.to_string().trim_end().to_owned(),
        )
        .remedy("mend that line by hand, or set the file aside and keep the runs again")
    })
}

/// Every reference in the folder by its model, and the faults of files that cannot be read.
#[must_use]
pub fn list(folder: &Path) -> (Vec<Reference>, Vec<Fault>) {
    let (mut all, mut faults) = (Vec::new(), Vec::new());
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        let name = entry.file_name().to_string_lossy().into_owned();
        if !name.starts_with("model-") || !name.ends_with(".toml") || name.contains(kept::UNTIL) {
            continue;
        }
        match read(&path) {
            Ok(reference) => all.push(reference),
            Err(fault) => faults.push(fault),
        }
    }
    all.sort_by(|a, b| a.model.cmp(&b.model));
    (all, faults)
}

/// Writes a reference to its model's file; the one that was there is kept beside it. Gives the file.
///
/// # Errors
/// When the folder cannot be made or written.
pub fn write(folder: &Path, reference: &Reference) -> Result<PathBuf, Fault> {
    let path = path_in(folder, &reference.model)?;
    let text = toml::to_string(reference)
        .map_err(|error| Fault::file(Exit::Folder, &path, &std::io::Error::other(error)))?;
    kept::write(&path, &text)?;
    Ok(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_model_is_found_by_its_name_however_it_is_written() {
        let place = tempfile::tempdir().unwrap();
        assert_eq!(find(place.path(), "vent controller rev B").unwrap(), None);
        let reference = Reference::new("Vent controller, rev. B".into());
        write(place.path(), &reference).unwrap();
        assert_eq!(get(place.path(), "vent controller rev B").unwrap(), reference);
        let fault = get(place.path(), "rev C").unwrap_err().to_string();
        assert!(
            fault.contains("there are: \"Vent controller, rev. B\""),
            "{fault}"
        );
        assert!(path_in(place.path(), " -- ").is_err());
        assert!(
            path_in(place.path(), "../../x")
                .unwrap()
                .ends_with("model-x.toml")
        );
    }

    #[test]
    fn a_file_that_cannot_be_read_is_told_by_its_line() {
        let place = tempfile::tempdir().unwrap();
        std::fs::write(place.path().join("model-x.toml"), "model = \"x\"\nkept = 3\n").unwrap();
        assert!(
            find(place.path(), "x")
                .unwrap_err()
                .to_string()
                .contains("line 2")
        );
        let (all, faults) = list(place.path());
        assert_eq!((all.len(), faults.len()), (0, 1));
    }
}
