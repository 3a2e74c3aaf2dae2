//! What was altered, swapped and noted, and the place for a signature.

use jiff::Timestamp;

use crate::job::State;
use crate::report::content::Report;
use crate::report::figures::Tone;

use super::markup::{Cell, Markup};
use super::minute;

pub(super) fn section(page: &mut Markup, report: &Report) {
    alterations(page, report);
    swaps(page, report);
    notes(page, report);
}

fn at(utc: Option<Timestamp>) -> String {
    utc.map_or_else(|| "no time written down".to_owned(), minute)
}

fn alterations(page: &mut Markup, report: &Report) {
    page.raw("<section><h2>What was altered, and put back</h2>");
    if report.alterations.is_empty() && report.closing.unreadable.is_empty() {
        page.raw("<p>No alteration is written down.</p>");
    }
    let rows: Vec<Vec<Cell>> = report
        .alterations
        .iter()
        .map(|made| {
            let (tone, word, beside) = match &made.state {
                State::Open => (Tone::Bad, "STILL ALTERED", String::new()),
                State::Restored { utc, note } => (Tone::Good, "put back", [at(*utc), note.clone()].join(" ")),
                State::Kept { utc, reason } => (Tone::Good, "kept", [at(*utc), reason.clone()].join(": ")),
                State::Lasting => (Tone::Good, "nothing to put back", String::new()),
            };
            vec![
                Cell::Text(made.number.to_string()),
                Cell::Text(at(made.utc)),
                Cell::Text(made.kind.name().replace('-', " ")),
                Cell::Text(made.what.clone()),
                Cell::Text(made.why.clone()),
                Cell::Word(tone, word.to_owned()),
                Cell::Text(beside.trim().to_owned()),
            ]
        })
        .collect();
    page.table(
        &[
            "no.",
            "made",
            "kind",
            "what",
            "why",
            "now",
            "when, and what was written",
        ],
        &rows,
    );
    for line in &report.closing.unreadable {
        page.element("<p class=\"warn\">", line, "</p>");
    }
    page.raw("</section>");
}

fn swaps(page: &mut Markup, report: &Report) {
    if report.swaps.is_empty() {
        return;
    }
    page.raw("<section><h2>What swaps and lifts told</h2>");
    for told in &report.swaps {
        page.raw("<article><h3>").text(&told.line).raw("</h3><p>");
        page.word(told.word.tone, &told.word.word)
            .raw(" <span class=\"reason\">");
        page.text(&told.word.reason).raw("</span></p>");
        if !told.page.is_empty() {
            page.raw("<pre>");
            for line in told.page.lines().skip(2) {
                page.text(line).raw("\n");
            }
            page.raw("</pre>");
        }
        page.raw("</article>");
    }
    page.raw("</section>");
}

fn notes(page: &mut Markup, report: &Report) {
    if report.notes.is_empty() {
        return;
    }
    page.raw("<section><h2>Notes made on the way</h2>");
    let rows: Vec<Vec<Cell>> = report
        .notes
        .iter()
        .map(|note| {
            vec![
                Cell::Text(at(note.utc)),
                Cell::Text(note.kind.name().to_owned()),
                Cell::Text(note.text.clone()),
            ]
        })
        .collect();
    page.table(&["when", "kind", "what was written"], &rows)
        .raw("</section>");
}

pub(super) fn signature(page: &mut Markup) {
    page.raw(
        "<section class=\"sign\"><h2>Signature</h2><div class=\"lines\"><p>Mended and measured by</p><p>Date</p>\
         <p>Handed over to</p><p>Date</p></div></section>",
    );
}
