//! Does the fault follow the part, stay with the place, or was it a joint? The verdict on an alteration from the runs
//! around it.
//!
//! | module | what it holds |
//! |---|---|
//! | [`evidence`] | what a run shows of each channel |

mod evidence;

use std::path::{Path, PathBuf};

use indicatif::ProgressBar;
use serde::Serialize;
use steadybench_analysis::statistics::Bounded;
use steadybench_analysis::swap::{
    Alteration as Work, Evidence, Finding, Reason, Settings, Standing, Trial, Verdict, judge,
};
use steadybench_analysis::uncertainty::{engineering, with_uncertainty};

use self::evidence::of_run;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::grid::grid;
use crate::job::closing::line;
use crate::job::trial::{Around, DatedRun, what_it_tells};
use crate::job::{Alteration, Alterations};
use crate::recorder::{run_folders, run_tables};

pub use self::evidence::Measure;

/// Share of the larger current before that a level is taken to differ by from run to run, where the operator does not
/// say it (common practice, no source).
const REPEATABILITY_SHARE: f64 = 0.01;

/// Share of the larger current before that counts as a symptom, where the operator does not say it (common practice,
/// no source).
const LEAST_DIFFERENCE_SHARE: f64 = 0.05;

/// What is asked.
#[derive(Clone, Debug, Default)]
pub struct Question {
    /// Which channel, 1 or 2, is on the suspect place; `None` takes the one that showed more before.
    pub suspect: Option<u8>,
    /// Number of the alteration; the latest swap, lift or disturbed joint if `None`.
    pub alteration: Option<u32>,
    /// What shows the fault.
    pub measure: Measure,
    /// Number of the run before; the last one begun before the alteration if `None`.
    pub before: Option<u32>,
    /// Number of the run after; the first one begun after the alteration if `None`.
    pub after: Option<u32>,
    /// Number of the run after it was put back.
    pub restored: Option<u32>,
    /// Seconds left out at the beginning of each run.
    pub skip_s: f64,
    /// By how many amperes the current differs from run to run with nothing touched, as a standard deviation.
    pub repeatability_a: Option<f64>,
    /// The least difference of currents that is a symptom, in amperes.
    pub least_a: Option<f64>,
    /// Which board of runs with several, from 1.
    pub board: Option<usize>,
}

/// The answer, for programs and for people.
#[derive(Clone, Debug, Serialize)]
pub struct Answer {
    /// The alteration.
    pub alteration: Alteration,
    /// Which channel, 1 or 2, is on the suspect place.
    pub suspect_channel: u8,
    /// The runs it was judged by.
    pub runs: Runs,
    /// What they show.
    pub trial: Trial,
    /// What was taken for the rest.
    pub settings: Settings,
    /// The verdict.
    pub finding: Finding,
    /// What was taken for granted, in words.
    pub assumptions: Vec<String>,
}

/// The folders of the runs.
#[derive(Clone, Debug, Serialize)]
pub struct Runs {
    /// Before the alteration.
    pub before: String,
    /// After it.
    pub after: String,
    /// After it was put back.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub restored: Option<String>,
}

/// Judges.
///
/// # Errors
/// When there is no such alteration, no run before or after it, or a run cannot give the figure wanted.
pub fn answer(
    job: &Path,
    question: &Question,
    alterations: &Alterations,
    bar: &ProgressBar,
) -> Result<Answer, Fault> {
    let (alteration, work) = chosen(job, question, alterations)?;
    let folders = run_folders(job)?;
    let around = around(question, &alteration, &folders);
    let find = |number: Option<u32>, when: &str, option: &str| folder_of(&folders, number, when, option);
    let before = find(around.before, "before", "--before")?;
    let after = find(around.after, "after", "--after")?;
    let restored = match around.restored {
        Some(number) if work == Work::Lifted => Some(find(Some(number), "after restoring", "--restored")?),
        _ => None,
    };
    let of = |folder: &Path| of_run(folder, question.board, question.measure, question.skip_s, bar);
    let (then, now) = (of(before)?, of(after)?);
    let back = restored.map(of).transpose()?;
    let suspect_channel = match question.suspect {
        Some(channel) => channel,
        None => 1 + u8::from(shows(&then.of(1, before)?) > shows(&then.of(0, before)?)),
    };
    let (suspect, other) = (usize::from(suspect_channel - 1), usize::from(2 - suspect_channel));
    for (shown, folder) in [(Some(&now), after), (back.as_ref(), restored.unwrap_or(after))] {
        if shown.is_some_and(|shown| shown.exposure_words() != then.exposure_words()) {
            return Err(Fault::new(
                Exit::BadInput,
                format!("{} and {}", before.display(), folder.display()),
                "places were tapped in one of them only, so their events cannot be compared",
            )
            .remedy("tap the same places in both, or in neither"));
        }
    }
    let trial = Trial {
        alteration: work,
        suspect_before: then.of(suspect, before)?,
        healthy_before: Some(then.of(other, before)?),
        suspect_after: now.of(suspect, after)?,
        other_after: match work {
            Work::Swapped => Some(now.of(other, after)?),
            Work::Lifted | Work::Disturbed => None,
        },
        suspect_restored: match (&back, restored) {
            (Some(back), Some(folder)) => Some(back.of(suspect, folder)?),
            _ => None,
        },
    };
    let (settings, mut assumptions) = settings(question, &trial);
    if question.suspect.is_none() {
        assumptions.push(format!(
            "channel {suspect_channel} is taken for the suspect, as it showed more before; `steady swap --suspect` says \
             otherwise"
        ));
    }
    assumptions.push("the runs were made alike: warmed up, same supply, same programme".to_owned());
    if let Some(exposure) = then.exposure_words() {
        assumptions.push(exposure);
    }
    assumptions.extend(then.wandering(before));
    assumptions.extend(now.wandering(after));
    if let (Some(back), Some(restored)) = (&back, restored) {
        assumptions.extend(back.wandering(restored));
    }
    let finding = judge(&trial, &settings)
        .map_err(|error| Fault::new(Exit::BadInput, line(&alteration), error.to_string()))?;
    let name = |folder: &Path| {
        folder
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned()
    };
    let runs = Runs {
        before: name(before),
        after: name(after),
        restored: restored.map(name),
    };
    Ok(Answer {
        alteration,
        suspect_channel,
        runs,
        trial,
        settings,
        finding,
        assumptions,
    })
}

/// How much of a symptom a place shows, whatever it is measured by.
fn shows(evidence: &Evidence) -> f64 {
    match evidence {
        Evidence::Level { value, .. } => value.abs(),
        Evidence::Events { count, .. } => *count as f64,
    }
}

/// The alteration that is asked about.
fn chosen(job: &Path, question: &Question, alterations: &Alterations) -> Result<(Alteration, Work), Fault> {
    let told = |made: &&Alteration| what_it_tells(made.kind).is_some();
    let made = match question.alteration {
        Some(number) => alterations.get(number),
        None => alterations.made.iter().rfind(told),
    };
    let Some(made) = made else {
        return Err(Fault::usage(
            job.display().to_string(),
            "no such swap, lift or disturbed joint is written down in this job",
        )
        .remedy("write it down with `steady job alter`, or name another with --alteration"));
    };
    what_it_tells(made.kind)
        .map(|work| (made.clone(), work))
        .ok_or_else(|| {
            Fault::usage(line(made), "it tells nothing about part, place and joint")
                .remedy("name a swapped-part, lifted-leg, removed-part or disturbed-joint with --alteration")
        })
}

fn around(question: &Question, alteration: &Alteration, folders: &[PathBuf]) -> Around {
    let runs: Vec<DatedRun> = folders
        .iter()
        .filter_map(|folder| {
            let run = run_tables(folder).0?.run;
            Some(DatedRun {
                number: run.number,
                started: run.started_utc.parse().ok()?,
            })
        })
        .collect();
    let by_time = Around::of(alteration, &runs);
    Around {
        before: question.before.or(by_time.before),
        after: question.after.or(by_time.after),
        restored: question.restored.or(by_time.restored),
    }
}

fn folder_of<'a>(
    folders: &'a [PathBuf],
    number: Option<u32>,
    when: &str,
    option: &str,
) -> Result<&'a Path, Fault> {
    let found = number.and_then(|number| {
        let begins = format!("{number:04}-");
        folders.iter().find(|folder| {
            folder
                .file_name()
                .is_some_and(|name| name.to_string_lossy().starts_with(&begins))
        })
    });
    found.map(PathBuf::as_path).ok_or_else(|| {
        Fault::usage(
            match number {
                Some(number) => format!("run {number}"),
                None => format!("the run {when} the alteration"),
            },
            "there is no such run in this job",
        )
        .remedy(format!("record it, or name one of the job's runs with {option}"))
    })
}

/// Settings, the operator's or shares of the larger level, and in words where they are ours.
fn settings(question: &Question, trial: &Trial) -> (Settings, Vec<String>) {
    let mut assumptions = Vec::new();
    let level = |evidence: Option<Evidence>| match evidence {
        Some(Evidence::Level { value, .. }) => value.abs(),
        _ => 0.0,
    };
    let larger = level(Some(trial.suspect_before)).max(level(trial.healthy_before));
    let mut or_share = |given: Option<f64>, share: f64, what: &str| {
        given.unwrap_or_else(|| {
            if larger > 0.0 {
                assumptions.push(format!(
                    "{what} is taken as {} of the larger current before, {} (common practice, no source)",
                    engineering(100.0 * share, "%", 1),
                    engineering(share * larger, "A", 2),
                ));
            }
            share * larger
        })
    };
    let settings = Settings {
        repeatability: or_share(
            question.repeatability_a,
            REPEATABILITY_SHARE,
            "what a level differs by from run to run",
        ),
        least_difference: or_share(
            question.least_a,
            LEAST_DIFFERENCE_SHARE,
            "the least difference that is a symptom",
        ),
        ..Settings::default()
    };
    (settings, assumptions)
}

/// The verdict's word.
#[must_use]
pub const fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::FollowsThePart => "follows the part",
        Verdict::StaysWithThePlace => "stays with the place",
        Verdict::GoneWhenDisturbed => "gone when disturbed, suspect a joint",
        Verdict::CannotSay => "cannot say",
    }
}

impl Answer {
    /// The answer as a page for a person.
    #[must_use]
    pub fn words(&self) -> String {
        page(self)
    }
}

fn page(told: &Answer) -> String {
    let Answer {
        trial, finding, runs, ..
    } = told;
    let mut page = format!(
        "{}: {}\n  {}\n",
        line(&told.alteration),
        word(finding.verdict),
        finding.reason.text()
    );
    if let Some(factor) = finding.longer_by {
        page.push_str(&format!(
            "  Runs afterwards {factor} times as long would decide, if the figures stay as they are.\n"
        ));
    }
    let (suspect, other) = (told.suspect_channel, 3 - told.suspect_channel);
    let mut rows = Vec::new();
    let mut row = |run: &str, channel: u8, evidence: Option<Evidence>, standing: Option<Standing>| {
        if let Some(evidence) = evidence {
            rows.push(vec![
                run.to_owned(),
                channel.to_string(),
                shown(&evidence),
                standing.map_or("-".to_owned(), |standing| share(&standing.share)),
                standing
                    .map_or("", |standing| standing_word(standing.sick))
                    .to_owned(),
            ]);
        }
    };
    row(&runs.before, suspect, Some(trial.suspect_before), None);
    row(&runs.before, other, trial.healthy_before, None);
    row(&runs.after, suspect, Some(trial.suspect_after), finding.suspect);
    row(&runs.after, other, trial.other_after, finding.other);
    let restored = runs.restored.as_deref().unwrap_or("-");
    row(restored, suspect, trial.suspect_restored, finding.restored);
    page.push_str(&grid(
        &[
            "run",
            "channel",
            "shows (u: standard uncertainty)",
            "share of the symptom, 95 %",
            "word",
        ],
        &rows,
    ));
    if finding.reason != Reason::NoSymptomBefore {
        page.push_str(&format!(
            "  The symptom before: {}\n",
            symptom(trial, &finding.symptom)
        ));
    }
    page.push_str("Taken for granted\n");
    for assumption in &told.assumptions {
        page.push_str(&format!("  {assumption}\n"));
    }
    page.truncate(page.trim_end().len());
    page
}

fn shown(evidence: &Evidence) -> String {
    match evidence {
        Evidence::Level {
            value,
            standard_uncertainty,
            ..
        } => format!("{} (u)", with_uncertainty(*value, *standard_uncertainty, "A")),
        Evidence::Events { count, exposure } => format!("{count} events in {exposure:.3}"),
    }
}

fn share(share: &Bounded) -> String {
    let percent = |value: f64| {
        if value.is_finite() {
            format!("{:.0} %", 100.0 * value)
        } else {
            "no bound".to_owned()
        }
    };
    format!(
        "{} ({} to {})",
        percent(share.value),
        percent(share.low),
        percent(share.high)
    )
}

const fn standing_word(sick: Option<bool>) -> &'static str {
    match sick {
        Some(true) => "with the symptom",
        Some(false) => "without it",
        None => "in between",
    }
}

fn symptom(trial: &Trial, symptom: &Bounded) -> String {
    let unit = match trial.suspect_before {
        Evidence::Level { .. } => "A",
        Evidence::Events { .. } => "",
    };
    format!(
        "{} ({} to {}, 95 %)",
        engineering(symptom.value, unit, 3),
        engineering(symptom.low, unit, 3),
        engineering(symptom.high, unit, 3)
    )
}

#[cfg(test)]
mod tests;
