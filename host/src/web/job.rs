//! The job, its runs, and what changes it: everything that `steady job` does to a job that has begun.

use axum::Json;
use axum::extract::{Path as UrlPath, State};
use axum::http::StatusCode;
use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use steadybench_analysis::fuse::parse_marking;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::job::closing::Closing;
use crate::job::{Alteration, AlterationKind, Note, NoteKind, State as AlterationState};
use crate::live::view::JobChanged;
use crate::recorder::{
    JobFields, add_alteration, add_note, fill_in_job, read_alterations, read_job, read_notes,
    settle_alteration,
};

use super::app::App;
use super::refusal::{Refusal, off_thread};
use super::table::{Body, Table};

mod findings;
mod runs;

/// Longest text of a note, an alteration or a reason, in characters.
const TEXT_MAX: usize = 4_000;

/// Symptoms, rails, channels and thermistors that may be given at once.
const FIELD_LINES_MAX: usize = 64;

/// A job.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
struct JobView {
    /// Its folder.
    folder: String,
    /// When it was begun.
    created_utc: String,
    /// What is being mended.
    unit: String,
    /// What is wrong with it.
    symptoms: Vec<String>,
    /// Its rails.
    rails: Vec<String>,
    /// What is printed beside its fuse.
    marked_fuse: String,
    /// What channels 1 and 2 are.
    channels: [String; 2],
    /// Where the thermistors sit.
    thermistors: [String; 2],
    /// How it was closed last; `null` when it was not.
    closed: Option<NoteView>,
    /// The notebook, oldest first.
    notes: Vec<NoteView>,
    /// What was altered, in the order it was made.
    alterations: Vec<AlterationView>,
    /// How many are still altered.
    still_altered: usize,
    /// Lines of the job's files that cannot be read, with the remedy for each.
    mistakes: Vec<String>,
    /// Places that were tapped or chosen in the job's runs, in the order of their first mention.
    places: Vec<String>,
    /// The kinds of alterations there are.
    alteration_kinds: Vec<&'static str>,
}

/// One note.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
struct NoteView {
    utc: Option<String>,
    /// `note`, `step`, `finding` or `closed`.
    kind: &'static str,
    text: String,
}

/// One alteration.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
struct AlterationView {
    number: u32,
    /// When it was made; `null` when nobody wrote it down.
    utc: Option<String>,
    kind: &'static str,
    /// What, and where.
    what: String,
    why: String,
    /// `open` (still altered), `restored`, `kept` or `lasting` (nothing to put back).
    state: &'static str,
    /// When it came to that.
    state_utc: Option<String>,
    /// The note beside its restoring, or the reason for which it is kept.
    state_words: String,
}

/// A note to be written.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct NewNote {
    text: String,
    /// `note`, `step` or `finding`.
    #[serde(default)]
    kind: NoteKind,
}

/// An alteration to be written down.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct NewAlteration {
    kind: AlterationKind,
    /// What is altered, and where.
    what: String,
    #[serde(default)]
    why: String,
}

/// The number an alteration was given.
#[derive(Clone, Debug, Serialize, JsonSchema)]
struct Altered {
    number: u32,
}

/// What to write beside a restored alteration, or beside the closing.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Beside {
    #[serde(default)]
    note: String,
}

/// Why an alteration is kept.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Reason {
    reason: String,
}

/// What the closing of the job found.
#[derive(Clone, Debug, Serialize, JsonSchema)]
struct ClosingView {
    /// Whether the bill is clean; only then is the job closed.
    closed: bool,
    /// Those still altered.
    still_altered: Vec<AlterationView>,
    /// Those knowingly kept.
    kept: Vec<AlterationView>,
    /// Lines that cannot be read, with the remedy for each.
    unreadable: Vec<String>,
    /// All of it in words.
    words: String,
}

pub(super) fn routes(table: Table) -> Table {
    runs::routes(table)
        .show(
            "/v1/job",
            "The job: its fields, notes, alterations and places",
            Body::of::<JobView>(),
            job,
        )
        .change(
            "/v1/job",
            "Fill in fields of the job that are empty; what stands there is never changed",
            Body::of::<JobFields>(),
            Body::None,
            fill_in,
        )
        .change(
            "/v1/notes",
            "Write a note",
            Body::of::<NewNote>(),
            Body::None,
            note,
        )
        .change(
            "/v1/alterations",
            "Write down what is altered on the unit; gives its number",
            Body::of::<NewAlteration>(),
            Body::of::<Altered>(),
            alter,
        )
        .change(
            "/v1/alterations/{number}/restored",
            "Tick an alteration that was put back",
            Body::of::<Beside>(),
            Body::None,
            restored,
        )
        .change(
            "/v1/alterations/{number}/kept",
            "Keep an alteration knowingly, with a reason",
            Body::of::<Reason>(),
            Body::None,
            kept,
        )
        .change(
            "/v1/close",
            "Close the job, if everything altered was put back or is knowingly kept",
            Body::of::<Beside>(),
            Body::of::<ClosingView>(),
            close,
        )
}

fn utc(at: Option<Timestamp>) -> Option<String> {
    at.map(|at| format!("{at:.0}"))
}

impl From<&Note> for NoteView {
    fn from(note: &Note) -> Self {
        Self {
            utc: utc(note.utc),
            kind: note.kind.name(),
            text: note.text.clone(),
        }
    }
}

impl From<&Alteration> for AlterationView {
    fn from(made: &Alteration) -> Self {
        let (state, state_utc, words) = match &made.state {
            AlterationState::Open => ("open", None, ""),
            AlterationState::Restored { utc: at, note } => ("restored", utc(*at), note.as_str()),
            AlterationState::Kept { utc: at, reason } => ("kept", utc(*at), reason.as_str()),
            AlterationState::Lasting => ("lasting", None, ""),
        };
        Self {
            number: made.number,
            utc: utc(made.utc),
            kind: made.kind.name(),
            what: made.what.clone(),
            why: made.why.clone(),
            state,
            state_utc,
            state_words: words.to_owned(),
        }
    }
}

async fn job(State(app): State<App>) -> Result<Json<JobView>, Refusal> {
    off_thread(move || {
        let folder = app.control.job();
        let (job, notes, alterations) = (read_job(folder)?, read_notes(folder)?, read_alterations(folder)?);
        let mistakes = alterations.mistakes.iter().chain(&notes.mistakes);
        let mut places = app.windows.places();
        let chosen = app.control.place();
        if !chosen.is_empty() && !places.contains(&chosen) {
            places.push(chosen);
        }
        Ok(JobView {
            folder: folder.display().to_string(),
            created_utc: job.created_utc,
            unit: job.unit,
            symptoms: job.symptoms,
            rails: job.rails,
            marked_fuse: job.marked_fuse,
            channels: job.channels,
            thermistors: job.thermistors,
            closed: notes.closed().map(NoteView::from),
            notes: notes.made.iter().map(NoteView::from).collect(),
            still_altered: alterations.open().count(),
            alterations: alterations.made.iter().map(AlterationView::from).collect(),
            mistakes: mistakes.map(ToString::to_string).collect(),
            places,
            alteration_kinds: AlterationKind::ALL.iter().map(|kind| kind.name()).collect(),
        })
    })
    .await
    .map(Json)
}

/// Text that somebody typed: something, of a length that a notebook bears, on lines that can be printed.
fn typed(what: &str, text: &str, may_be_empty: bool) -> Result<(), Fault> {
    if !may_be_empty && text.trim().is_empty() {
        return Err(Fault::usage(what, "it is empty"));
    }
    if text.chars().count() > TEXT_MAX {
        return Err(Fault::usage(
            what,
            format!("it has more than {TEXT_MAX} characters"),
        ));
    }
    if text.chars().any(|letter| letter.is_control() && letter != '\n') {
        return Err(Fault::usage(what, "it holds characters that cannot be printed"));
    }
    Ok(())
}

/// Changes the job and tells those who watch.
async fn changed<T: Send + 'static>(
    app: &App,
    what: &'static str,
    work: impl FnOnce(&std::path::Path) -> Result<T, Fault> + Send + 'static,
) -> Result<T, Refusal> {
    let folder = app.control.job().to_owned();
    let done = off_thread(move || work(&folder)).await?;
    app.control.hub().publish("job", &JobChanged { what });
    Ok(done)
}

async fn fill_in(State(app): State<App>, Json(fields): Json<JobFields>) -> Result<StatusCode, Refusal> {
    let single = [&fields.unit, &fields.marked_fuse];
    let several = [
        &fields.symptoms[..],
        &fields.rails,
        &fields.channels,
        &fields.thermistors,
    ]
    .concat();
    if several.len() > FIELD_LINES_MAX {
        return Err(Fault::usage(
            "the job's fields",
            format!("there are more than {FIELD_LINES_MAX}"),
        )
        .into());
    }
    for text in single.into_iter().chain(&several) {
        typed("a field of the job", text, true)?;
    }
    if !fields.marked_fuse.is_empty() {
        parse_marking(&fields.marked_fuse)
            .map_err(|error| Fault::usage("the marked fuse", error.to_string()))?;
    }
    changed(&app, "field", move |job| fill_in_job(job, &fields)).await?;
    Ok(StatusCode::NO_CONTENT)
}

async fn note(State(app): State<App>, Json(new): Json<NewNote>) -> Result<StatusCode, Refusal> {
    typed("the note", &new.text, false)?;
    if new.kind == NoteKind::Closed {
        return Err(Fault::usage("a note of kind closed", "the job is closed with /v1/close").into());
    }
    changed(&app, "note", move |job| add_note(job, new.kind, &new.text)).await?;
    Ok(StatusCode::NO_CONTENT)
}

async fn alter(State(app): State<App>, Json(new): Json<NewAlteration>) -> Result<Json<Altered>, Refusal> {
    typed("what is altered", &new.what, false)?;
    typed("why it is altered", &new.why, true)?;
    let number = changed(&app, "alteration", move |job| {
        add_alteration(job, new.kind, &new.what, &new.why)
    })
    .await?;
    Ok(Json(Altered { number }))
}

async fn restored(
    State(app): State<App>,
    UrlPath(number): UrlPath<u32>,
    Json(beside): Json<Beside>,
) -> Result<StatusCode, Refusal> {
    typed("the note", &beside.note, true)?;
    changed(&app, "alteration", move |job| {
        settle_alteration(job, number, false, &beside.note)
    })
    .await?;
    Ok(StatusCode::NO_CONTENT)
}

async fn kept(
    State(app): State<App>,
    UrlPath(number): UrlPath<u32>,
    Json(reason): Json<Reason>,
) -> Result<StatusCode, Refusal> {
    typed("the reason", &reason.reason, false)?;
    changed(&app, "alteration", move |job| {
        settle_alteration(job, number, true, &reason.reason)
    })
    .await?;
    Ok(StatusCode::NO_CONTENT)
}

async fn close(State(app): State<App>, Json(beside): Json<Beside>) -> Result<Json<ClosingView>, Refusal> {
    typed("the note", &beside.note, true)?;
    if app.control.run().is_some() {
        return Err(Fault::new(Exit::Usage, "the job", "a run is being recorded")
            .remedy("end the run first")
            .into());
    }
    let closing = changed(&app, "closed", move |job| {
        let closing = Closing::of(&read_alterations(job)?, &read_notes(job)?);
        if closing.clean {
            add_note(job, NoteKind::Closed, &beside.note)?;
        }
        Ok(closing)
    })
    .await?;
    Ok(Json(ClosingView {
        closed: closing.clean,
        still_altered: closing.still_altered.iter().map(AlterationView::from).collect(),
        kept: closing.kept.iter().map(AlterationView::from).collect(),
        unreadable: closing.unreadable.clone(),
        words: closing.words(),
    }))
}
