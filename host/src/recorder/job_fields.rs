//! Fields of `job.toml` that are still empty, filled in. What stands there is never changed: a field with words in it is the
//! operator's, and so is every other line of the file.

use std::io::Write;
use std::path::Path;

use serde::Deserialize;
use tempfile::NamedTempFile;
use toml::Value;

use crate::exit::Exit;
use crate::fault::Fault;

use super::files::sync_folder_of;
use super::job::{Job, folder_fault, read_job_text};

/// Fields of a job, each given or left as it is.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct JobFields {
    /// What is being mended.
    pub unit: String,
    /// What is wrong with it.
    pub symptoms: Vec<String>,
    /// Its rails.
    pub rails: Vec<String>,
    /// What is printed beside its fuse.
    pub marked_fuse: String,
    /// What channels 1 and 2 are.
    pub channels: [String; 2],
    /// Where the thermistors sit.
    pub thermistors: [String; 2],
}

/// Fills in what is empty in a job's `job.toml`; what is empty in `fields` is left as it is.
///
/// # Errors
/// [`Exit::Usage`] when a field that is given has other words already, or nothing is given; [`Exit::BadInput`] when the
/// file cannot be read, or a field is written there in a way that is not a line of its own; [`Exit::Folder`] or
/// [`Exit::Permission`] when it cannot be written.
pub fn fill_in_job(folder: &Path, fields: &JobFields) -> Result<(), Fault> {
    let path = folder.join("job.toml");
    let text = read_job_text(folder)?;
    let before: Job = toml::from_str(&text)
        .map_err(|error| Fault::new(Exit::BadInput, path.display().to_string(), error.to_string()))?;
    let filled = filled_in(&text, &before, fields)?;
    // Whatever was made of it is still a job.
    toml::from_str::<Job>(&filled)
        .map_err(|error| Fault::new(Exit::BadInput, path.display().to_string(), error.to_string()))?;
    let disk = |error: &std::io::Error| folder_fault(&path, error);
    let written = NamedTempFile::with_prefix_in(".steady-job", folder)
        .and_then(|mut file| {
            file.write_all(filled.as_bytes())?;
            file.as_file().sync_all()?;
            Ok(file)
        })
        .map_err(|error| disk(&error))?;
    if let Ok(metadata) = std::fs::metadata(&path) {
        std::fs::set_permissions(written.path(), metadata.permissions()).map_err(|error| disk(&error))?;
    }
    written.persist(&path).map_err(|error| disk(&error.error))?;
    sync_folder_of(&path).map_err(|error| disk(&error))
}

fn filled_in(text: &str, before: &Job, fields: &JobFields) -> Result<String, Fault> {
    let words = |given: &[String], there: &[String], key: &str| -> Result<Option<Value>, Fault> {
        let given: Vec<String> = given.iter().filter(|one| !one.is_empty()).cloned().collect();
        if given.is_empty() {
            return Ok(None);
        }
        taken(there.is_empty(), key, &there.join("; "))?;
        Ok(Some(given.into()))
    };
    let pair = |given: &[String; 2], there: &[String; 2], key: &str| -> Result<Option<Value>, Fault> {
        let mut both = there.clone();
        for (both, given) in both.iter_mut().zip(given).filter(|(_, given)| !given.is_empty()) {
            taken(both.is_empty(), key, both)?;
            both.clone_from(given);
        }
        Ok((both != *there).then(|| both.to_vec().into()))
    };
    let word = |given: &str, there: &str, key: &str| -> Result<Option<Value>, Fault> {
        if given.is_empty() {
            return Ok(None);
        }
        taken(there.is_empty(), key, there)?;
        Ok(Some(given.into()))
    };
    let new = [
        ("unit", word(&fields.unit, &before.unit, "unit")?),
        ("symptoms", words(&fields.symptoms, &before.symptoms, "symptoms")?),
        ("rails", words(&fields.rails, &before.rails, "rails")?),
        (
            "marked_fuse",
            word(&fields.marked_fuse, &before.marked_fuse, "marked_fuse")?,
        ),
        ("channels", pair(&fields.channels, &before.channels, "channels")?),
        (
            "thermistors",
            pair(&fields.thermistors, &before.thermistors, "thermistors")?,
        ),
    ];
    if new.iter().all(|(_, value)| value.is_none()) {
        return Err(Fault::usage("the job's fields", "none was given"));
    }
    let mut text = text.to_owned();
    for (key, value) in new {
        if let Some(value) = value {
            text = with_line(&text, key, &value)?;
        }
    }
    Ok(text)
}

fn taken(is_empty: bool, key: &str, there: &str) -> Result<(), Fault> {
    if is_empty {
        return Ok(());
    }
    Err(
        Fault::usage(format!("the job's {key}"), format!("it says `{there}` already"))
            .remedy("change job.toml with an editor"),
    )
}

/// The text with the line of a key put in place of its empty one, or behind the last.
fn with_line(text: &str, key: &str, value: &Value) -> Result<String, Fault> {
    let line = format!("{key} = {value}");
    let is_its_line = |line: &&str| {
        line.strip_prefix(key)
            .is_some_and(|rest| rest.trim_start().starts_with('='))
    };
    let lines: Vec<&str> = text.lines().collect();
    let Some(there) = lines.iter().find(|line| is_its_line(line)) else {
        let is_there = text
            .parse::<toml::Table>()
            .is_ok_and(|table| table.contains_key(key));
        if is_there || lines.iter().any(|line| line.starts_with('[')) {
            return Err(elsewhere(key));
        }
        let end = if text.is_empty() || text.ends_with('\n') {
            ""
        } else {
            "\n"
        };
        return Ok(format!("{text}{end}{line}\n"));
    };
    // A value over several lines, or words behind it, are not this program's to judge.
    if there.parse::<toml::Table>().is_err() || there.contains('#') {
        return Err(elsewhere(key));
    }
    let lines: Vec<&str> = lines
        .iter()
        .map(|one| if is_its_line(one) { &line } else { *one })
        .collect();
    Ok(lines.join("\n") + "\n")
}

fn elsewhere(key: &str) -> Fault {
    Fault::new(
        Exit::BadInput,
        format!("the job's {key}"),
        "it does not stand in job.toml on a line of its own",
    )
    .remedy("change job.toml with an editor")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recorder::{create_job, read_job};

    fn fields() -> JobFields {
        JobFields {
            unit: "vent controller \"south\"".into(),
            symptoms: vec!["stage 2 stops".into(), String::new()],
            channels: [String::new(), "stage 2".into()],
            ..JobFields::default()
        }
    }

    #[test]
    fn what_is_empty_is_filled_in_and_what_stands_there_stays() {
        let folder = tempfile::tempdir().unwrap();
        let job = folder.path().join("job");
        let begun = Job {
            marked_fuse: "T 630 mA".into(),
            channels: ["stage 1".into(), String::new()],
            ..Job::default()
        };
        create_job(&job, &begun).unwrap();
        fill_in_job(&job, &fields()).unwrap();
        let now = read_job(&job).unwrap();
        assert_eq!(now.unit, "vent controller \"south\"");
        assert_eq!(now.symptoms, ["stage 2 stops"]);
        assert_eq!(now.channels, ["stage 1", "stage 2"]);
        assert_eq!(now.marked_fuse, "T 630 mA");
        assert_eq!(
            std::fs::read_dir(&job).unwrap().count(),
            2,
            "job.toml and its lock"
        );

        let fault = fill_in_job(&job, &fields()).unwrap_err();
        assert_eq!(fault.exit(), Exit::Usage);
        assert!(fault.to_string().contains("already"), "{fault}");
        assert_eq!(read_job(&job).unwrap(), now);
        assert!(fill_in_job(&job, &JobFields::default()).is_err());
    }

    #[test]
    fn an_operators_own_lines_stay_as_they_are() {
        let given = fields();
        let by_hand = "# the big one\nunit   = ''\nrails = [ \"24 V\", # main\n  \"5 V\" ]\n";
        let job: Job = toml::from_str(&format!("created_utc = \"\"\n{by_hand}")).unwrap();
        let made = filled_in(by_hand, &job, &given).unwrap();
        assert!(made.starts_with("# the big one\nunit = "), "{made}");
        assert!(made.contains("\"24 V\", # main\n"), "{made}");
        assert!(made.ends_with("channels = [\"\", \"stage 2\"]\n"), "{made}");
        let beside = "unit = \"\" # not known yet\n";
        assert!(filled_in(beside, &Job::default(), &given).is_err());
        let spread = "symptoms = [\n]\n";
        assert!(filled_in(spread, &Job::default(), &given).is_err());
    }
}
