//! Before and after: pairs of runs over each other.

use crate::examine::Findings;
use crate::recorder::RunKind;
use crate::report::content::{BoardTold, Report};
use crate::report::overlay::Pair;
use crate::report::plot::Svg;
use crate::report::plot::overlay::{Line, overlay};

use super::markup::Markup;

pub(super) fn section(page: &mut Markup, report: &Report) {
    let pictures: Vec<_> = report
        .pairs
        .iter()
        .filter_map(|pair| pair_pictures(report, pair))
        .filter(|(_, plots)| !plots.is_empty())
        .collect();
    if pictures.is_empty() {
        return;
    }
    page.raw("<section><h2>Before and after</h2>");
    for (caption, plots) in pictures {
        for plot in &plots {
            page.figure(Some(plot), &caption);
        }
    }
    page.raw("</section>");
}

/// Pictures of a pair, one for each channel that both runs have, and the caption.
fn pair_pictures(report: &Report, pair: &Pair) -> Option<(String, Vec<Svg>)> {
    let find = |number| report.runs.iter().find(|run| run.number == number);
    let (before, after) = (find(pair.before)?, find(pair.after)?);
    let (first, second) = (before.boards.first()?, after.boards.first()?);
    let plots = (1..=2_u8)
        .filter_map(|channel| {
            let numbers = [pair.before, pair.after];
            if let (Findings::PowerUp(one), Findings::PowerUp(two)) = (&first.findings, &second.findings) {
                let line = |found: &steadybench_analysis::power_up::PowerUpFindings| -> Option<Line> {
                    let course = &found.channel(channel)?.course;
                    Some(
                        course
                            .iter()
                            .map(|point| (0.5 * (point.from_s + point.to_s), point.level_a))
                            .collect(),
                    )
                };
                overlay(&line(one)?, &line(two)?, numbers, channel, true)
            } else {
                let line = |board: &BoardTold| -> Line {
                    // A switch-on at the beginning would flatten everything behind it.
                    let later = board
                        .trace
                        .later_than((0.05 * board.duration_s).clamp(2.0, 300.0));
                    let (stretches, length_s) = later.stretches(512);
                    let at = usize::from(channel - 1);
                    stretches
                        .iter()
                        .map(|(start_s, stretch)| {
                            (
                                start_s + 0.5 * length_s,
                                stretch.current_a[at].mean().unwrap_or(f64::NAN),
                            )
                        })
                        .collect()
                };
                let (mut one, mut two) = (line(first), line(second));
                let shorter_s = first.duration_s.min(second.duration_s);
                for line in [&mut one, &mut two] {
                    line.retain(|(at_s, _)| *at_s <= shorter_s);
                }
                overlay(&one, &two, numbers, channel, false)
            }
        })
        .collect();
    let between = if pair.between.is_empty() {
        String::new()
    } else {
        format!(" Between them: {}.", pair.between)
    };
    let caption = format!(
        "{} of run {} (dashed, grey) and run {} (full line).{between}",
        match before.kind {
            Some(RunKind::PowerUp) => "Switch-on",
            _ => "Mean current, the first moments left out,",
        },
        pair.before,
        pair.after
    );
    Some((caption, plots))
}
