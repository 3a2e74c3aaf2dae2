//! The page.
//!
//! | module | what it holds |
//! |---|---|
//! | [`markup`] | markup in which words from a job stay words |
//! | [`found`] | runs: what was found, with pictures and figures |
//! | `pairs` | before and after |
//! | [`paper`] | what was altered, swapped and noted, and the signature |
//! | [`trust`] | instruments, integrity, cautions |

mod found;
pub mod markup;
mod pairs;
mod paper;
mod trust;

use jiff::Timestamp;

use super::CONTENT_SECURITY_POLICY;
use super::content::Report;
use super::figures::Tone;

use markup::Markup;

/// The report as one self-contained page.
#[must_use]
pub fn page(report: &Report) -> String {
    let mut page = Markup::default();
    head(&mut page, report);
    page.raw("<body><main>");
    title(&mut page, report);
    standing(&mut page, report);
    found::section(&mut page, report);
    pairs::section(&mut page, report);
    paper::section(&mut page, report);
    trust::section(&mut page, report);
    paper::signature(&mut page);
    page.raw("</main></body></html>\n");
    page.finish()
}

fn unit_of(report: &Report) -> &str {
    if report.job.unit.trim().is_empty() {
        "a unit without a name"
    } else {
        report.job.unit.trim()
    }
}

fn head(page: &mut Markup, report: &Report) {
    page.raw("<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">");
    page.raw("<meta http-equiv=\"Content-Security-Policy\" content=\"")
        .text(CONTENT_SECURITY_POLICY)
        .raw("\">");
    page.raw("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">");
    page.raw("<meta name=\"color-scheme\" content=\"light dark\">");
    page.raw("<title>Report: ").text(unit_of(report)).raw("</title>");
    page.raw("<style>")
        .raw(include_str!("style.css"))
        .raw("</style></head>");
}

fn title(page: &mut Markup, report: &Report) {
    page.raw("<header><p class=\"what\">Bench report</p>");
    page.element("<h1>", unit_of(report), "</h1>");
    page.raw("<p class=\"made\">Job ").text(&report.folder);
    page.raw(", report made ")
        .text(&minute(report.made_utc))
        .raw(" by ")
        .text(report.program);
    page.raw("</p></header>");
    if report.being_recorded {
        page.raw("<p class=\"warn\">A run is being recorded in this job at this moment: what is below ends where it stood when the report was made.</p>");
    }
    let job = &report.job;
    page.raw("<section><h2>The unit and the complaint</h2>");
    page.list(&[
        ("Unit", job.unit.clone()),
        ("Complaint", job.symptoms.join("; ")),
        ("Rails", job.rails.join(", ")),
        ("Fuse, as marked", job.marked_fuse.clone()),
        ("Channel 1 is on", job.channels[0].clone()),
        ("Channel 2 is on", job.channels[1].clone()),
        ("Thermistor 1 sits", job.thermistors[0].clone()),
        ("Thermistor 2 sits", job.thermistors[1].clone()),
        ("Job begun", job.created_utc.clone()),
        ("Job closed", closed(report)),
    ]);
    page.raw("</section>");
    page.raw("<section class=\"summary\"><h2>In plain words</h2>");
    page.element("<p>", &report.summary, "</p></section>");
}

fn closed(report: &Report) -> String {
    match &report.closed {
        None => "not closed".to_owned(),
        Some(note) => {
            let at = note.utc.map_or_else(String::new, minute);
            [at, note.text.clone()].join(" ").trim().to_owned()
        }
    }
}

fn standing(page: &mut Markup, report: &Report) {
    page.raw("<section><h2>Where the job stands</h2><p class=\"bill\">");
    if report.standing.clean_bill {
        page.word(Tone::Good, "Clean bill");
    } else {
        page.word(Tone::Bad, "No clean bill");
    }
    page.raw("</p>");
    for mistake in &report.mistakes {
        page.element("<p class=\"warn\">", mistake, "</p>");
    }
    page.raw("<dl class=\"points\">");
    for point in &report.standing.points {
        let said = match point.tone {
            Tone::Good => "in order",
            Tone::Bad => "stands against it",
            Tone::Open => "open",
        };
        page.element("<dt>", point.about, "</dt><dd>")
            .word(point.tone, said)
            .raw(" ");
        page.text(&point.words).raw("</dd>");
    }
    page.raw("</dl><p class=\"small\">A clean bill is given when everything altered was put back or is knowingly kept, a soak was passed since the last alteration was made, and nothing found since stands against the unit.</p></section>");
}

/// An instant to the minute, in UTC, as a person reads it.
fn minute(utc: Timestamp) -> String {
    utc.strftime("%Y-%m-%d %H:%M UTC").to_string()
}
