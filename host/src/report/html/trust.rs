//! Instruments, integrity, cautions: why and how far the rest may be believed.

use steadybench_analysis::uncertainty::engineering;

use crate::examine::words::{duration, plain};
use crate::report::content::{BoardTold, HappeningTold, Instrument, KeptFindings, Report, RunTold};
use crate::report::instruments::AWAY_K;
use crate::stream::HappeningKind;

use super::markup::{Cell, Markup};

/// Happenings listed for a run at most; the rest are counted.
const HAPPENINGS_LISTED: usize = 12;

pub(super) fn section(page: &mut Markup, report: &Report) {
    page.raw("<section><h2>Instruments and calibration</h2>");
    if report.instruments.is_empty() {
        page.raw("<p>No board was met.</p>");
    }
    for instrument in &report.instruments {
        told(page, instrument);
    }
    page.raw("</section>");
    integrity(page, report);
    page.raw("<section><h2>Cautions</h2><ul>");
    for caution in &report.cautions {
        page.element("<li>", caution, "</li>");
    }
    page.raw("<li>What was not measured is not covered by this report. It is no test of electrical safety; where one is prescribed, it is still to be made.</li></ul></section>");
}

fn told(page: &mut Markup, instrument: &Instrument) {
    page.raw("<article><h3>Board ")
        .text(&instrument.serial)
        .raw("</h3>");
    let runs: Vec<String> = instrument.runs.iter().map(u32::to_string).collect();
    let clock = match (instrument.utc_bound_s, instrument.clock_rate_ppm) {
        (None, _) => "its time was never compared with this computer's".to_owned(),
        (Some(bound_s), rate) => {
            let rate = rate.map_or_else(String::new, |[ppm, bound]| {
                format!("; this computer's clock ran {ppm:+.1} ppm ± {bound:.1} ppm against the board's")
            });
            format!(
                "every instant is good to {} against this computer's UTC{rate}",
                duration(bound_s)
            )
        }
    };
    page.list(&[
        (
            "Kind, firmware",
            format!("{}, firmware {}", instrument.kind, instrument.firmware.join(", ")),
        ),
        ("Measured in runs", runs.join(", ")),
        (
            "Calibration",
            instrument.calibrated_on.as_ref().map_or_else(
                || "none: read as built, by the tolerances of its parts".to_owned(),
                |day| format!("of {day}, applied when the recorded codes are read"),
            ),
        ),
        ("Compared with", instrument.reference.clone()),
        ("Clock", clock),
    ]);
    for remark in &instrument.remarks {
        page.element("<p class=\"small\">", remark, "</p>");
    }
    let rows: Vec<Vec<Cell>> = instrument
        .channels
        .iter()
        .map(|channel| {
            let unknown = || "its settings are unknown to the calibration".to_owned();
            let how = |measured| if measured { "measured" } else { "by tolerances" };
            vec![
                Cell::Text(channel.number.to_string()),
                Cell::Figure(format!("{} mΩ", f64::from(channel.shunt_micro_ohm) * 1e-3)),
                Cell::Figure(plain(channel.current_step_a, "A")),
                Cell::Figure(
                    channel
                        .scale_uncertainty
                        .map_or_else(unknown, |share| format!("± {:.2} %", 100.0 * share)),
                ),
                Cell::Text(how(channel.measured[1]).to_owned()),
                Cell::Figure(
                    channel
                        .zero_uncertainty_a
                        .map_or_else(unknown, |zero_a| format!("± {}", engineering(zero_a, "A", 2))),
                ),
                Cell::Text(how(channel.measured[0]).to_owned()),
            ]
        })
        .collect();
    page.table(
        &[
            "channel",
            "shunt",
            "one step",
            "scale, 95 %",
            "",
            "zero, 95 %",
            "",
        ],
        &rows,
    );
    let words = format!(
        "The intervals beside the figures of this report say how well each is known within its run. Beside them every \
         current of a channel may be off as one by the scale and the zero of this table (JCGM 100, k for 95 %, within \
         {AWAY_K:.0} K of the temperature of calibration). Differences of one channel between runs are touched by it least, \
         differences between channels most."
    );
    page.element("<p class=\"small\">", &words, "</p></article>");
}

fn integrity(page: &mut Markup, report: &Report) {
    page.raw("<section><h2>Integrity</h2><p>What is kept is every byte the boards sent (wire.log); everything in this report was made from it again.</p>");
    let rows: Vec<Vec<Cell>> = report
        .runs
        .iter()
        .flat_map(|run| run.boards.iter().map(move |board| row(run, board)))
        .collect();
    page.table(
        &[
            "run",
            "readings",
            "lost",
            "not given by the chips",
            "time good to",
            "ended",
            "findings.json",
        ],
        &rows,
    );
    let lines: Vec<String> = report
        .runs
        .iter()
        .flat_map(|run| run.boards.iter().flat_map(move |board| losses(run, board)))
        .collect();
    if !lines.is_empty() {
        page.raw("<h4>Losses, and what else happened to the runs</h4><ul class=\"small\">");
        for line in &lines {
            page.element("<li>", line, "</li>");
        }
        page.raw("</ul>");
    }
    page.raw("</section>");
}

fn row(run: &RunTold, board: &BoardTold) -> Vec<Cell> {
    let kept = match &board.kept_findings {
        KeptFindings::Same => "the same as in this report".to_owned(),
        KeptFindings::Other { made_by } => format!("differs: {made_by}"),
        KeptFindings::None { reason } => format!("none: {reason}"),
    };
    let [one, two] = board.missing_readings;
    let lost = if board.lost_readings == 0 {
        "none".to_owned()
    } else {
        board.lost_readings.to_string()
    };
    vec![
        Cell::Text(run.number.to_string()),
        Cell::Figure(board.readings.to_string()),
        Cell::Figure(lost),
        Cell::Figure(if one + two == 0 {
            "none".to_owned()
        } else {
            format!("{one} and {two}")
        }),
        Cell::Figure(board.utc_bound_s.map_or_else(|| "not known".to_owned(), duration)),
        Cell::Text(run.ended.clone()),
        Cell::Text(kept),
    ]
}

/// Losses and happenings in words; that the port was opened at the beginning is none.
fn losses(run: &RunTold, board: &BoardTold) -> Vec<String> {
    let mut lines = Vec::new();
    for gap in &board.gaps {
        let from = gap.from_s.map_or_else(
            || "before the first reading".to_owned(),
            |from_s| format!("from {from_s:.3} s on"),
        );
        let what = if gap.readings == 0 {
            "none were taken".to_owned()
        } else {
            format!("{} readings missing", gap.readings)
        };
        lines.push(format!(
            "{from}, {} long: {what}; {}",
            duration(gap.duration_s),
            gap.cause.words()
        ));
    }
    if board.gaps_more > 0 {
        lines.push(format!(
            "and {} more gaps; events.csv of the run lists them",
            board.gaps_more
        ));
    }
    let told: Vec<&HappeningTold> = board
        .happenings
        .iter()
        .filter(|told| told.kind != HappeningKind::PortOpened || told.at_s.is_some())
        .collect();
    let count = told.len() as u64 + board.happenings_more;
    for happening in told.into_iter().take(HAPPENINGS_LISTED) {
        let at = happening.at_s.map_or_else(
            || "before the first reading".to_owned(),
            |at_s| format!("{at_s:.3} s"),
        );
        let channel = happening
            .channel
            .map_or_else(String::new, |channel| format!("channel {channel}: "));
        lines.push(format!("{at}: {channel}{}", happening.detail));
    }
    if count > HAPPENINGS_LISTED as u64 {
        lines.push(format!(
            "and {} more; events.csv of the run lists them",
            count - HAPPENINGS_LISTED as u64
        ));
    }
    lines
        .iter()
        .map(|line| format!("run {}: {line}", run.number))
        .collect()
}
