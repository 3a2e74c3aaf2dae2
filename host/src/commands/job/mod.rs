//! `steady job`: the job on paper.

mod shown;

use std::path::{Path, PathBuf};

use steadybench_analysis::fuse::parse_marking;

use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::job::closing::Closing;
use crate::job::{AlterationKind, NoteKind};
use crate::recorder::{
    Job, add_alteration, add_note, create_job, read_alterations, read_job, read_notes, settle_alteration,
};

use self::shown::Shown;

/// Arguments of `steady job`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// Begin a job in a new folder.
    New(New),
    /// Show a job: the unit, what is altered, the runs, the notes.
    Show {
        /// The job folder.
        job: PathBuf,
    },
    /// Write a note, a step or a finding with the time.
    Note {
        /// The job folder.
        job: PathBuf,
        /// What to note.
        text: String,
        /// What it is.
        #[arg(long = "as", value_enum, default_value_t)]
        kind: NoteKind,
    },
    /// Write down what was altered on the unit, before it is done.
    Alter {
        /// The job folder.
        job: PathBuf,
        /// What is altered, and where: "cut track at R12".
        what: String,
        /// What kind of alteration.
        #[arg(long, value_enum)]
        kind: AlterationKind,
        /// Why.
        #[arg(long, default_value = "")]
        why: String,
    },
    /// Tick an alteration that was put back.
    Restore {
        /// The job folder.
        job: PathBuf,
        /// Its number.
        number: u32,
        /// What to write beside it.
        #[arg(long, default_value = "")]
        note: String,
    },
    /// Keep an alteration knowingly, with a reason.
    Keep {
        /// The job folder.
        job: PathBuf,
        /// Its number.
        number: u32,
        /// The reason.
        #[arg(long)]
        why: String,
    },
    /// Close the job, if everything altered was put back or is knowingly kept.
    Close {
        /// The job folder.
        job: PathBuf,
        /// What to write beside it.
        #[arg(long, default_value = "")]
        note: String,
    },
}

#[derive(Debug, clap::Args)]
struct New {
    /// The job folder, new or empty.
    job: PathBuf,
    /// What is being mended.
    #[arg(long, default_value = "")]
    unit: String,
    /// What is wrong with it; may be given several times.
    #[arg(long = "symptom", value_name = "SYMPTOM")]
    symptoms: Vec<String>,
    /// A rail, such as 24V; may be given several times.
    #[arg(long = "rail", value_name = "RAIL")]
    rails: Vec<String>,
    /// What is printed beside its fuse.
    #[arg(long, default_value = "", value_parser = marking)]
    fuse: String,
    /// What channel 1 is on.
    #[arg(long, default_value = "")]
    channel_1: String,
    /// What channel 2 is on.
    #[arg(long, default_value = "")]
    channel_2: String,
    /// Where thermistor 1 sits.
    #[arg(long, default_value = "")]
    thermistor_1: String,
    /// Where thermistor 2 sits.
    #[arg(long, default_value = "")]
    thermistor_2: String,
}

/// A marking that cannot be read is found now, not when the fuse is checked.
fn marking(text: &str) -> Result<String, String> {
    if !text.is_empty() {
        parse_marking(text).map_err(|error| error.to_string())?;
    }
    Ok(text.to_owned())
}

/// Does it.
///
/// # Errors
/// When the folder is no job, cannot be read or written, or holds no such alteration.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    match &args.what {
        What::New(new) => begin(new, console),
        What::Show { job } => {
            console.result(&Shown::read(job)?, Shown::words);
            Ok(Exit::Done)
        }
        What::Note { job, text, kind } => {
            add_note(job, *kind, text)?;
            console.result(&serde_json::json!({ "noted": text }), |_| "noted".to_owned());
            Ok(Exit::Done)
        }
        What::Alter { job, what, kind, why } => {
            let number = add_alteration(job, *kind, what, why)?;
            console.result(&serde_json::json!({ "alteration": number }), |_| {
                let then = if kind.needs_restoring() {
                    format!(
                        "; when it is put back: steady job restore {} {number}",
                        job.display()
                    )
                } else {
                    String::new()
                };
                format!("alteration {number} written down{then}")
            });
            tell_mistakes(job, console)
        }
        What::Restore { job, number, note } => {
            settle_alteration(job, *number, false, note)?;
            settled(job, *number, "restored", console)
        }
        What::Keep { job, number, why } => {
            settle_alteration(job, *number, true, why)?;
            settled(job, *number, "kept", console)
        }
        What::Close { job, note } => close(job, note, console),
    }
}

fn begin(new: &New, console: &Console) -> Result<Exit, Fault> {
    create_job(
        &new.job,
        &Job {
            created_utc: String::new(),
            unit: new.unit.clone(),
            symptoms: new.symptoms.clone(),
            rails: new.rails.clone(),
            marked_fuse: new.fuse.clone(),
            channels: [new.channel_1.clone(), new.channel_2.clone()],
            thermistors: [new.thermistor_1.clone(), new.thermistor_2.clone()],
        },
    )?;
    console.result(&serde_json::json!({ "job": new.job }), |_| {
        format!(
            "begun: {0}; its job.toml may be changed with an editor",
            new.job.display()
        )
    });
    Ok(Exit::Done)
}

fn settled(job: &Path, number: u32, event: &str, console: &Console) -> Result<Exit, Fault> {
    let open = read_alterations(job)?.open().count();
    let value = serde_json::json!({ "alteration": number, "event": event, "still_altered": open });
    console.result(&value, |_| {
        format!("alteration {number} {event}; still altered: {open}")
    });
    tell_mistakes(job, console)
}

/// A row that cannot be read must not be found out only at the end.
fn tell_mistakes(job: &Path, console: &Console) -> Result<Exit, Fault> {
    for mistake in read_alterations(job)?.mistakes {
        console.warn(&mistake.to_string());
    }
    Ok(Exit::Done)
}

fn close(job: &Path, note: &str, console: &Console) -> Result<Exit, Fault> {
    read_job(job)?;
    let closing = Closing::of(&read_alterations(job)?, &read_notes(job)?);
    if closing.clean {
        add_note(job, NoteKind::Closed, note)?;
    }
    console.result(&closing, |closing| {
        let mut words = closing.words();
        if closing.clean {
            words.push_str("\nClosed.");
        } else {
            let folder = job.display();
            words.push_str(&format!(
                "\nThe job stays open. Put it back and tick it (steady job restore {folder} NUMBER), or keep it with a \
                 reason (steady job keep {folder} NUMBER --why REASON)."
            ));
        }
        words
    });
    Ok(if closing.clean {
        Exit::Done
    } else {
        Exit::NotRestored
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        args: Args,
    }

    fn steady(folder: &Path, words: &[&str]) -> Result<Exit, Fault> {
        let folder = folder.to_str().unwrap();
        let words = words
            .iter()
            .map(|&word| if word == "JOB" { folder } else { word });
        run(
            &Line::parse_from(std::iter::once("job").chain(words)).args,
            &Console::new(true),
        )
    }

    #[test]
    fn a_job_from_beginning_to_clean_bill() {
        let folder = tempfile::tempdir().unwrap();
        let job = &folder.path().join("vents");
        let new = [
            "new",
            "JOB",
            "--unit",
            "greenhouse vent controller",
            "--symptom",
            "stage 2 stops",
            "--rail",
            "24V",
            "--fuse",
            "T1.6AH250V",
            "--channel-1",
            "stage 1",
        ];
        steady(job, &new).unwrap();
        assert_eq!(steady(job, &new).unwrap_err().exit(), Exit::Folder);
        steady(job, &["note", "JOB", "lid off, photographed", "--as", "step"]).unwrap();
        steady(
            job,
            &[
                "alter",
                "JOB",
                "cut track at R12",
                "--kind",
                "cut-track",
                "--why",
                "shunt 1",
            ],
        )
        .unwrap();
        steady(
            job,
            &["alter", "JOB", "Q4 and Q8 changed over", "--kind", "swapped-part"],
        )
        .unwrap();
        steady(job, &["alter", "JOB", "J3 reflowed", "--kind", "disturbed-joint"]).unwrap();
        assert_eq!(steady(job, &["close", "JOB"]).unwrap(), Exit::NotRestored);
        steady(job, &["restore", "JOB", "1"]).unwrap();
        assert_eq!(steady(job, &["close", "JOB"]).unwrap(), Exit::NotRestored);
        steady(job, &["keep", "JOB", "2", "--why", "both are sound"]).unwrap();
        assert_eq!(
            steady(job, &["close", "JOB", "--note", "mended"]).unwrap(),
            Exit::Done
        );
        let words = Shown::read(job).unwrap().words();
        for part in [
            "unit          greenhouse vent controller",
            "kept",
            "restored",
            "nothing to put back",
            "mended",
        ] {
            assert!(words.contains(part), "{part}: {words}");
        }
    }

    #[test]
    fn what_cannot_be_read_keeps_the_job_open() {
        let folder = tempfile::tempdir().unwrap();
        let job = &folder.path().join("vents");
        steady(job, &["new", "JOB"]).unwrap();
        let file = "number,utc,event,kind,what,why\n1,,made,cut,at R12,\n";
        std::fs::write(job.join("alterations.csv"), file).unwrap();
        assert_eq!(steady(job, &["close", "JOB"]).unwrap(), Exit::NotRestored);
        let words = Shown::read(job).unwrap().words();
        assert!(
            words.contains("alterations.csv, line 2: `cut` is no kind of alteration"),
            "{words}"
        );
    }

    #[test]
    fn a_mistake_in_job_toml_is_told_with_its_line() {
        let folder = tempfile::tempdir().unwrap();
        let job = &folder.path().join("vents");
        steady(job, &["new", "JOB"]).unwrap();
        std::fs::write(
            job.join("job.toml"),
            "created_utc = \"\"\nunit = vent controller\n",
        )
        .unwrap();
        let fault = steady(job, &["show", "JOB"]).unwrap_err().to_string();
        assert!(
            fault.contains("line 2") && fault.contains("mend that line by hand"),
            "{fault}"
        );
    }
}
