//! A job as `steady job show` tells it.

use std::path::Path;

use serde::Serialize;

use crate::fault::Fault;
use crate::grid::grid;
use crate::job::fields::unknown_keys;
use crate::job::ledger::plain;
use crate::job::{Alteration, Mistake, Note};
use crate::recorder::{Job, read_alterations, read_job, read_job_text, read_notes, run_folders, run_tables};

/// A job as it is shown.
#[derive(Debug, Serialize)]
pub(super) struct Shown {
    folder: String,
    job: Job,
    closed: Option<Note>,
    alterations: Vec<Alteration>,
    runs: Vec<ShownRun>,
    notes: Vec<Note>,
    mistakes: Vec<Mistake>,
}

#[derive(Debug, Serialize)]
struct ShownRun {
    folder: String,
    kind: Option<&'static str>,
    started_utc: Option<String>,
    ended: String,
}

impl Shown {
    pub(super) fn read(job: &Path) -> Result<Self, Fault> {
        let alterations = read_alterations(job)?;
        let notes = read_notes(job)?;
        let mut mistakes = unknown_keys(&read_job_text(job)?);
        mistakes.extend(alterations.mistakes);
        mistakes.extend(notes.mistakes.iter().cloned());
        let runs = run_folders(job)?
            .iter()
            .map(|folder| {
                let (opened, closed) = run_tables(folder);
                ShownRun {
                    folder: folder
                        .file_name()
                        .unwrap_or_default()
                        .to_string_lossy()
                        .into_owned(),
                    kind: opened.as_ref().map(|opened| opened.run.kind.name()),
                    started_utc: opened.map(|opened| opened.run.started_utc),
                    ended: closed.map_or("cut off, or being recorded".to_owned(), |closed| closed.reason),
                }
            })
            .collect();
        Ok(Self {
            folder: job.display().to_string(),
            job: read_job(job)?,
            closed: notes.closed().cloned(),
            alterations: alterations.made,
            runs,
            notes: notes.made,
            mistakes,
        })
    }

    pub(super) fn words(&self) -> String {
        let mut page = format!("{}\n", self.folder);
        for (name, text) in self.fields() {
            if !text.is_empty() {
                page.push_str(&format!("  {name:<14}{}\n", plain(&text)));
            }
        }
        match &self.closed {
            Some(note) => {
                let at = note.utc.map_or(String::new(), |utc| format!(" {utc:.0}"));
                page.push_str(&format!("  {:<14}{} {}\n", "closed", at.trim(), note.text));
            }
            None => page.push_str("  not closed\n"),
        }
        self.lists(&mut page);
        for mistake in &self.mistakes {
            page.push_str(&format!("{mistake}\n"));
        }
        page.truncate(page.trim_end().len());
        page
    }

    fn fields(&self) -> [(&'static str, String); 9] {
        let job = &self.job;
        [
            ("begun", job.created_utc.clone()),
            ("unit", job.unit.clone()),
            ("symptoms", job.symptoms.join("; ")),
            ("rails", job.rails.join(", ")),
            ("marked fuse", job.marked_fuse.clone()),
            ("channel 1", job.channels[0].clone()),
            ("channel 2", job.channels[1].clone()),
            ("thermistor 1", job.thermistors[0].clone()),
            ("thermistor 2", job.thermistors[1].clone()),
        ]
    }

    fn lists(&self, page: &mut String) {
        let at = |utc: &Option<jiff::Timestamp>| utc.map_or("-".to_owned(), |utc| format!("{utc:.0}"));
        if !self.alterations.is_empty() {
            page.push_str("Alterations\n");
            let rows: Vec<Vec<String>> = self
                .alterations
                .iter()
                .map(|made| {
                    vec![
                        made.number.to_string(),
                        at(&made.utc),
                        made.kind.name().to_owned(),
                        made.what.clone(),
                        made.why.clone(),
                        made.state.words(),
                    ]
                })
                .collect();
            page.push_str(&grid(&["no.", "made", "kind", "what", "why", "now"], &rows));
        }
        if !self.runs.is_empty() {
            page.push_str("Runs\n");
            let rows: Vec<Vec<String>> = self
                .runs
                .iter()
                .map(|run| {
                    vec![
                        run.folder.clone(),
                        plain(run.started_utc.as_deref().unwrap_or("-")),
                        plain(&run.ended),
                    ]
                })
                .collect();
            page.push_str(&grid(&["run", "begun", "ended by"], &rows));
        }
        if !self.notes.is_empty() {
            page.push_str("Notes\n");
            let rows: Vec<Vec<String>> = self
                .notes
                .iter()
                .map(|note| vec![at(&note.utc), note.kind.name().to_owned(), note.text.clone()])
                .collect();
            page.push_str(&grid(&["at", "kind", "text"], &rows));
        }
    }
}
