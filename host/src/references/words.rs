//! A comparison as a page for a person.

use steadybench_analysis::power_up::{FigureLikeness, LikenessVerdict, PowerUpLikeness, Span};
use steadybench_analysis::steady::SteadyLikeness;
use steadybench_analysis::uncertainty::with_uncertainty;

use crate::examine::words::{bounded, plain};
use crate::grid::grid;

use super::{Likeness, LikenessOf, Reference};

/// The page.
#[must_use]
pub fn of(likeness: &Likeness) -> String {
    match &likeness.of {
        LikenessOf::PowerUp { power_up_likeness } => power_up(&likeness.model, power_up_likeness),
        LikenessOf::Steady {
            steady_likeness,
            remarks,
        } => steady(&likeness.model, steady_likeness, remarks),
    }
}

/// What is kept of the good units of a model, as rows of figures.
#[must_use]
pub fn kept(reference: &Reference) -> String {
    let mut rows = Vec::new();
    for kept in reference.power_up.iter().flat_map(|kept| &kept.channels) {
        let channel = kept.channel.to_string();
        let mut row =
            |figure: &str, shown: String| rows.push(vec![channel.clone(), figure.to_owned(), shown]);
        row("peak at switch-on", span(kept.peak_a, "A"));
        row(
            &format!("I²t over {} s", kept.i2t_window_s),
            span(kept.i2t_a2s, "A²s"),
        );
        row("settled after switch-on", span(kept.settled_a, "A"));
    }
    for level in reference
        .steady
        .iter()
        .flat_map(|kept| &kept.runs)
        .flat_map(|run| &run.channels)
    {
        let shown = with_uncertainty(level.mean_a, level.standard_uncertainty_a, "A");
        rows.push(vec![
            level.channel.to_string(),
            "steady current".into(),
            format!("{shown} (u)"),
        ]);
    }
    if rows.is_empty() {
        return String::new();
    }
    grid(&["channel", "figure", "good runs"], &rows)
}

const fn word(verdict: LikenessVerdict) -> &'static str {
    match verdict {
        LikenessVerdict::AsGood => "as good",
        LikenessVerdict::Differs => "DIFFERS",
        LikenessVerdict::NotEnoughData => "not enough data",
    }
}

fn heading(model: &str, runs: usize) -> String {
    let runs = if runs == 1 {
        "one good run".to_owned()
    } else {
        format!("{runs} good runs")
    };
    format!("Beside {runs} of {model:?}\n")
}

fn power_up(model: &str, likeness: &PowerUpLikeness) -> String {
    let mut page = heading(model, likeness.runs as usize);
    for channel in &likeness.channels {
        page.push_str(&format!(
            "Channel {}: {}\n",
            channel.channel,
            word(channel.verdict)
        ));
        for reason in &channel.reasons {
            page.push_str(&format!("  {reason}\n"));
        }
        let rows: Vec<Vec<String>> = channel.figures.iter().map(figure).collect();
        if !rows.is_empty() {
            page.push_str(&grid(
                &["", "this run", "good runs", "counts as good", "word"],
                &rows,
            ));
        }
    }
    page
}

fn figure(figure: &FigureLikeness) -> Vec<String> {
    let (name, unit) = match figure.figure.as_str() {
        "peak_A" => ("peak", "A"),
        "settled_A" => ("settled current", "A"),
        _ => ("I²t", "A²s"),
    };
    let found = figure
        .found
        .map_or("-".into(), |found| bounded(found, figure.low, figure.high, unit));
    vec![
        name.into(),
        found,
        span(figure.reference, unit),
        span(figure.accepted, unit),
        word(figure.verdict).into(),
    ]
}

fn steady(model: &str, likeness: &SteadyLikeness, remarks: &[String]) -> String {
    let mut page = heading(model, likeness.runs);
    for channel in &likeness.channels {
        page.push_str(&format!(
            "Channel {}: {}\n  {}\n",
            channel.channel,
            word(channel.verdict),
            channel.reason
        ));
        let difference = channel.difference_a.map_or("-".into(), |difference| {
            bounded(difference.value, Some(difference.low), Some(difference.high), "A")
        });
        page.push_str(&grid(
            &[
                "this run",
                "good runs",
                "counts as good",
                "from the nearest, 95 %",
            ],
            &[vec![
                channel.found_a.map_or("-".into(), |found_a| plain(found_a, "A")),
                span(channel.reference_a, "A"),
                span(channel.accepted_a, "A"),
                difference,
            ]],
        ));
    }
    for remark in remarks {
        page.push_str(&format!("Mind: {remark}\n"));
    }
    page
}

fn span(span: Span, unit: &str) -> String {
    if span.low == span.high {
        plain(span.low, unit)
    } else {
        format!("{} to {}", plain(span.low, unit), plain(span.high, unit))
    }
}
