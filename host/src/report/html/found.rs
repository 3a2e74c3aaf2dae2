//! Runs: what was found, with pictures and figures.

use std::collections::BTreeMap;

use steadybench_analysis::events::{Event, EventKind};
use steadybench_analysis::soak::SoakEventKind;
use steadybench_analysis::tap::{PlaceVerdict, TapFindings};

use crate::examine::words::{bounded, duration, plain};
use crate::examine::{Findings, Kind};
use crate::recorder::RunKind;
use crate::report::content::{BoardTold, Report, RunTold, Window};
use crate::report::figures::Tone;
use crate::report::plot::interval::share;
use crate::report::plot::strip::{EventMark, Marks, Shape, course, strip};
use crate::report::summary::channel_name;

use super::markup::{Cell, Markup};
use super::minute;

/// Events in a table at most; the rest are counted.
const EVENTS_LISTED: usize = 24;

pub(super) fn section(page: &mut Markup, report: &Report) {
    page.raw("<section><h2>What was found, and on what evidence</h2>");
    if report.runs.is_empty() {
        page.raw("<p>Nothing was recorded.</p>");
    }
    for run in &report.runs {
        run_section(page, report, run);
    }
    page.raw("</section>");
}

const fn kind_words(kind: Option<RunKind>) -> &'static str {
    match kind {
        Some(RunKind::Soak) => "soak",
        Some(RunKind::Tap) => "taps and flexes",
        Some(RunKind::PowerUp) => "power-up",
        Some(RunKind::Twins) => "two like stages side by side",
        Some(RunKind::Free) => "recorded freely",
        None => "a run whose beginning was lost",
    }
}

fn run_section(page: &mut Markup, report: &Report, run: &RunTold) {
    page.raw("<article id=\"run-")
        .text(&run.number.to_string())
        .raw("\"><h3>Run ")
        .text(&run.number.to_string())
        .raw(": ")
        .text(kind_words(run.kind))
        .raw("</h3>");
    page.element("<p class=\"small line\">", &run_line(run), "</p>");
    for missing in &run.missing {
        page.element("<p class=\"warn\">Missing: ", missing, "</p>");
    }
    if let Some(reason) = &run.unreadable {
        page.element("<p class=\"warn\">Cannot be read: ", reason, "</p>");
    }
    if run.guard_tripped {
        page.raw("<p class=\"warn\">The guard opened the supply relay during this run.</p>");
    }
    for board in &run.boards {
        if run.boards.len() > 1 {
            page.element("<h4>Board ", &board.serial, "</h4>");
        }
        board_section(page, report, board);
    }
    page.raw("</article>");
}

fn run_line(run: &RunTold) -> String {
    let mut words = Vec::new();
    words.extend(
        run.started_utc
            .map(|started| format!("begun {}", minute(started))),
    );
    let length_s = run
        .boards
        .iter()
        .map(|board| board.duration_s)
        .fold(0.0, f64::max);
    words.push(format!("{} long", duration(length_s)));
    if let Some(settings) = &run.settings {
        let rate = 1e6 / f64::from(settings.reading_period_us.max(1));
        words.push(format!("{rate:.0} readings a second"));
    }
    words.push(format!("ended: {}", run.ended));
    words.join(", ")
}

fn board_section(page: &mut Markup, report: &Report, board: &BoardTold) {
    page.raw("<ul class=\"words\">");
    for word in &board.words {
        page.raw("<li>").word(word.tone, &word.word);
        if let Some(channel) = word.channel {
            page.raw(" <b>").text(&channel_words(report, channel)).raw("</b>");
        }
        if !word.reason.is_empty() {
            page.raw(" <span class=\"reason\">")
                .text(&word.reason)
                .raw("</span>");
        }
        page.raw("</li>");
    }
    page.raw("</ul>");
    let letters = letters(board);
    let (marks, rows) = marks(board, &letters);
    page.figure(
        strip(&board.trace, None, &marks).as_ref(),
        &caption(report, board, &marks),
    );
    slow_course(page, board);
    for window in &board.windows {
        window_figure(page, report, window, &marks);
    }
    if let Findings::Tap(found) = &board.findings {
        places(page, found, &letters);
    }
    events(page, &rows);
    figures(page, report, board);
    if let Findings::Twins(found) = &board.findings {
        beside(page, found);
    }
}

/// A soak begins with the switch-on, beside which nothing that follows can be seen; and its short events hide its course.
fn slow_course(page: &mut Markup, board: &BoardTold) {
    if board.examined_as != Kind::Soak {
        return;
    }
    let from_s = (0.02 * board.duration_s).clamp(2.0, 300.0);
    let later = board.trace.later_than(from_s);
    let caption = format!(
        "The slow course from {} on: means of stretches of time, and the temperatures. Short events do not show here.",
        duration(later.from_s())
    );
    page.figure(course(&later).as_ref(), &caption);
}

fn channel_words(report: &Report, channel: u8) -> String {
    let name = channel_name(&report.job, channel);
    if name.starts_with("channel ") {
        name
    } else {
        format!("channel {channel}, {name}")
    }
}

fn caption(report: &Report, board: &BoardTold, marks: &Marks) -> String {
    let mut words = vec![format!(
        "Current of {} and {}. The band reaches from the least to the greatest reading of each stretch, so that the \
         shortest fault shows; the line is the mean.",
        channel_words(report, 1),
        channel_words(report, 2)
    )];
    let has = |shape| marks.events.iter().any(|event| event.shape == shape);
    if has(Shape::Fell) {
        words.push("▼ the current fell.".into());
    }
    if has(Shape::Rose) {
        words.push("▲ it rose.".into());
    }
    if has(Shape::Stepped) {
        words.push("■ it changed for good.".into());
    }
    if has(Shape::Harmless) {
        words.push("◇ judged harmless.".into());
    }
    if !marks.taps.is_empty() {
        words.push("Strokes below: taps, with the letter of the place.".into());
    }
    if !marks.gaps.is_empty() {
        words.push("Hatched: no readings.".into());
    }
    if board.readings == 0 {
        words.push("No reading was recorded.".into());
    }
    words.join(" ")
}

fn window_figure(page: &mut Markup, report: &Report, window: &Window, marks: &Marks) {
    let (from_s, to_s) = (window.trace.from_s(), window.trace.ended_s());
    let inside = |at_s: f64| at_s >= from_s && at_s <= to_s;
    let marks = Marks {
        events: marks
            .events
            .iter()
            .filter(|event| inside(event.at_s))
            .cloned()
            .collect(),
        taps: marks
            .taps
            .iter()
            .filter(|(at_s, _)| inside(*at_s))
            .cloned()
            .collect(),
        gaps: marks
            .gaps
            .iter()
            .filter(|(from, to)| *to >= from_s && *from <= to_s)
            .copied()
            .collect(),
    };
    let name = window.channel.map_or_else(
        || "Both channels".to_owned(),
        |channel| channel_words(report, channel),
    );
    let caption = format!("Larger: {name}, {}.", window.title);
    page.figure(strip(&window.trace, window.channel, &marks).as_ref(), &caption);
}

/// Letters for the places tapped, in the order they were tapped first.
fn letters(board: &BoardTold) -> BTreeMap<String, String> {
    let mut letters = BTreeMap::new();
    for mark in board.marks.iter().filter(|mark| mark.tap) {
        let next = letters.len();
        letters.entry(mark.label.clone()).or_insert_with(|| letter(next));
    }
    letters
}

/// A to Z, then A2 and so on.
fn letter(number: usize) -> String {
    let letter = char::from(b'A' + (number % 26) as u8);
    match number / 26 {
        0 => letter.to_string(),
        round => format!("{letter}{}", round + 1),
    }
}

/// What is marked in the picture, and the rows of its table: number, instant, channel, kind, size, length, place.
fn marks(board: &BoardTold, letters: &BTreeMap<String, String>) -> (Marks, Vec<Vec<String>>) {
    let mut marks = Marks {
        gaps: board
            .gaps
            .iter()
            .filter_map(|gap| gap.from_s.map(|from_s| (from_s, from_s + gap.duration_s)))
            .collect(),
        taps: board
            .marks
            .iter()
            .filter(|mark| mark.tap)
            .map(|mark| (mark.at_s, letters.get(&mark.label).cloned().unwrap_or_default()))
            .collect(),
        events: Vec::new(),
    };
    let mut rows = Vec::new();
    let mut take =
        |at_s: f64, end_s: f64, channel: u8, shape: Shape, kind: &str, size: String, about: String| {
            let number = rows.len() + 1;
            marks.events.push(EventMark {
                at_s,
                channel,
                shape,
                number,
            });
            let length = duration(end_s - at_s);
            rows.push(vec![
                number.to_string(),
                format!("{at_s:.3} s"),
                channel.to_string(),
                kind.to_owned(),
                size,
                length,
                about,
            ]);
        };
    match &board.findings {
        Findings::Tap(found) => {
            for found in found.faults() {
                let event = &found.event;
                let place = found
                    .place
                    .as_ref()
                    .map_or_else(String::new, |place| format!("after a tap on {place}"));
                take(
                    event.start_s,
                    event.end_s,
                    event.channel,
                    shape(event.kind, event.size_a),
                    name(event.kind),
                    size(event),
                    place,
                );
            }
        }
        Findings::Soak(found) => {
            for event in found.course.events.iter().filter(|event| event.kind.is_fault()) {
                let kind = match event.kind {
                    SoakEventKind::Dropout => EventKind::Dropout,
                    SoakEventKind::Spike => EventKind::Spike,
                    _ => EventKind::Step,
                };
                let size = plain(event.size_a, "A");
                let about = format!(
                    "stands out by {:.1} standard deviations of the noise",
                    event.score
                );
                take(
                    event.start_s,
                    event.end_s,
                    event.channel,
                    shape(kind, event.size_a),
                    name(kind),
                    size,
                    about,
                );
            }
            for event in &found.short_events {
                take(
                    event.start_s,
                    event.end_s,
                    event.channel,
                    shape(event.kind, event.size_a),
                    name(event.kind),
                    size(event),
                    event.reason.clone(),
                );
            }
        }
        Findings::PowerUp(_) | Findings::Twins(_) => {}
    }
    (marks, rows)
}

fn size(event: &Event) -> String {
    let twice = 2.0 * event.size_uncertainty_a;
    bounded(
        event.size_a,
        Some(event.size_a - twice),
        Some(event.size_a + twice),
        "A",
    )
}

fn shape(kind: EventKind, size_a: f64) -> Shape {
    match kind {
        EventKind::Step => Shape::Stepped,
        EventKind::LoadChange | EventKind::Nuisance => Shape::Harmless,
        EventKind::Dropout | EventKind::Spike | EventKind::Chatter if size_a > 0.0 => Shape::Rose,
        EventKind::Dropout | EventKind::Spike | EventKind::Chatter => Shape::Fell,
    }
}

const fn name(kind: EventKind) -> &'static str {
    match kind {
        EventKind::Dropout => "dropout",
        EventKind::Spike => "spike",
        EventKind::Step => "step",
        EventKind::Chatter => "chatter",
        EventKind::LoadChange => "load change",
        EventKind::Nuisance => "judged harmless",
    }
}

fn places(page: &mut Markup, found: &TapFindings, letters: &BTreeMap<String, String>) {
    let rows: Vec<Vec<Cell>> = found
        .locations
        .iter()
        .map(|place| {
            let (tone, word) = match place.verdict {
                PlaceVerdict::Accused => (Tone::Bad, "accused"),
                PlaceVerdict::Suspect => (Tone::Open, "suspect, tap it more"),
                PlaceVerdict::Cleared => (Tone::Good, "cleared"),
                PlaceVerdict::NotEnoughTaps => (Tone::Open, "not enough taps"),
            };
            let (low, high) = (place.hit_probability_low, place.hit_probability_high);
            let more = match place.more_taps_to_clear {
                Some(more) if more > 0 => format!("{more} more without an answer clear it"),
                _ => String::new(),
            };
            vec![
                Cell::Text(letters.get(&place.label).cloned().unwrap_or_default()),
                Cell::Text(place.label.clone()),
                Cell::Figure(format!("{} of {}", place.hits, place.taps)),
                Cell::Figure(format!("{:.0} to {:.0} %", 100.0 * low, 100.0 * high)),
                Cell::Plot(share(low, place.hit_probability, high, place.accused)),
                Cell::Figure(probability(place.p_value_corrected)),
                Cell::Word(tone, word.to_owned()),
                Cell::Text(more),
            ]
        })
        .collect();
    page.raw("<h4>Places</h4>");
    page.table(
        &[
            "",
            "place",
            "taps answered",
            "95 %",
            "0 to 100 %",
            "chance",
            "word",
            "what is missing",
        ],
        &rows,
    );
    if rows.is_empty() {
        page.raw("<p class=\"small\">No tap was marked.</p>");
    } else {
        let outside = format!(
            "Outside the taps: {} faults in {}. “Chance” is the probability of so many answers at an innocent place, \
             corrected for the number of places; below 0.05 a place is accused.",
            found.background_events,
            duration(found.background_s)
        );
        page.element("<p class=\"small\">", &outside, "</p>");
    }
}

fn probability(p: f64) -> String {
    if p >= 0.01 {
        format!("{p:.2}")
    } else {
        format!("{p:.1e}")
    }
}

fn events(page: &mut Markup, rows: &[Vec<String>]) {
    if rows.is_empty() {
        return;
    }
    page.raw("<h4>Events that speak against the unit</h4>");
    let listed: Vec<Vec<Cell>> = rows
        .iter()
        .take(EVENTS_LISTED)
        .map(|row| row.iter().cloned().map(Cell::Text).collect())
        .collect();
    page.table(
        &["no.", "at", "channel", "kind", "size, 95 %", "length", "about"],
        &listed,
    );
    let more = rows.len().saturating_sub(EVENTS_LISTED);
    if more > 0 {
        let words = format!("And {more} more; `steady report --csv` and events.csv of the run list them.");
        page.element("<p class=\"small\">", &words, "</p>");
    }
}

fn figures(page: &mut Markup, report: &Report, board: &BoardTold) {
    let rows: Vec<Vec<Cell>> = board
        .figures
        .iter()
        .filter(|figure| !(matches!(board.findings, Findings::Tap(_)) && figure.channel.is_none()))
        .map(|figure| {
            vec![
                Cell::Text(
                    figure
                        .channel
                        .map_or_else(|| "both".to_owned(), |channel| channel_name(&report.job, channel)),
                ),
                Cell::Text(figure.what.clone()),
                Cell::Figure(figure.value_words()),
                Cell::Text(figure.bound_words()),
            ]
        })
        .collect();
    page.table(
        &["on", "figure", "value", "95 % interval, or why there is none"],
        &rows,
    );
}

/// A figure of a comparison: in the unit that ends its name, where it has one.
fn side_words(what: &str, value: f64) -> String {
    match what.rsplit_once(", ") {
        Some((_, unit @ ("A" | "V"))) => plain(value, unit),
        _ => format!("{value:.4}"),
    }
}

fn beside(page: &mut Markup, found: &steadybench_analysis::twins::TwinFindings) {
    let rows: Vec<Vec<Cell>> = found
        .beside
        .iter()
        .map(|side| {
            let (tone, word) = if side.differs {
                (Tone::Bad, "differ")
            } else {
                (Tone::Good, "alike")
            };
            vec![
                Cell::Text(side.what.clone()),
                Cell::Figure(side_words(&side.what, side.value[0])),
                Cell::Figure(side_words(&side.what, side.value[1])),
                Cell::Word(tone, word.to_owned()),
                Cell::Text(side.reason.clone()),
            ]
        })
        .collect();
    page.table(
        &["beside the mean", "channel 1", "channel 2", "word", "rule"],
        &rows,
    );
}
