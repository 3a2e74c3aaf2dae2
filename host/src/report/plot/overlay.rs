//! Two recordings over each other: before as a dashed grey line, after as a full black one.

use plotters::chart::ChartBuilder;
use plotters::element::{DashedPathElement, EmptyElement, PathElement, Text};
use plotters::prelude::{IntoDrawingArea, IntoFont, SVGBackend};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, IntoTextStyle};

use super::axis::Axis;
use super::{BEFORE, INK, Svg, WIDTH, WORDS, drawn, rule};

const HEIGHT: u32 = 360;

/// One recording's line: time in seconds, current in amperes; not a number where there was no reading.
pub type Line = Vec<(f64, f64)>;

/// Draws `before` and `after` of one channel. `logarithmic` time is for a switch-on, which is quick at first.
#[must_use]
pub fn overlay(
    before: &Line,
    after: &Line,
    numbers: [u32; 2],
    channel: u8,
    logarithmic: bool,
) -> Option<Svg> {
    let usable = |line: &Line| -> Line {
        line.iter()
            .copied()
            .filter(|(x, _)| !logarithmic || *x > 0.0)
            .map(|(x, y)| (if logarithmic { x.log10() } else { x }, y))
            .collect()
    };
    let lines = [usable(before), usable(after)];
    let finite = || lines.iter().flatten().filter(|(_, y)| y.is_finite());
    let (mut x, mut y) = (
        [f64::INFINITY, f64::NEG_INFINITY],
        [f64::INFINITY, f64::NEG_INFINITY],
    );
    for &(at, value) in finite() {
        x = [x[0].min(at), x[1].max(at)];
        y = [y[0].min(value), y[1].max(value)];
    }
    if x[0] >= x[1] || !y[0].is_finite() {
        return None;
    }
    let current = Axis::of_quantity(y[0], y[1], "A");
    let time = Axis::of_time(x[0], x[1]);
    let drawn_at = |at: f64| if logarithmic { at } else { time.at(at) };
    drawn(|text| {
        let root = SVGBackend::with_string(text, (WIDTH, HEIGHT)).into_drawing_area();
        let words = ("sans-serif", WORDS).into_font();
        let mut chart = ChartBuilder::on(&root)
            .margin_right(110)
            .margin_top(34)
            .x_label_area_size(70)
            .y_label_area_size(130)
            .build_cartesian_2d(drawn_at(x[0])..drawn_at(x[1]), current.drawn())?;
        let time_label = |at: &f64| {
            if logarithmic {
                power_of_ten(*at)
            } else {
                time.label(*at)
            }
        };
        rule(&mut chart, &time_label, &current)?;
        for (line, is_after) in lines.iter().zip([false, true]) {
            for run in line.chunk_by(|(_, a), (_, b)| a.is_finite() == b.is_finite()) {
                if run.first().is_none_or(|(_, first)| !first.is_finite()) {
                    continue;
                }
                let points: Vec<(f64, f64)> = run
                    .iter()
                    .map(|(at, value)| (drawn_at(*at), current.at(*value)))
                    .collect();
                if is_after {
                    chart.draw_series([PathElement::new(points, INK.stroke_width(3))])?;
                } else {
                    chart.draw_series([DashedPathElement::new(points, 14, 9, BEFORE.stroke_width(4))])?;
                }
            }
        }
        // Where the ends lie close together the names would lie on each other.
        let ends = [&lines[0], &lines[1]].map(|line| line.iter().rev().find(|(_, y)| y.is_finite()).copied());
        let span = current.range.end - current.range.start;
        let near = ends[0]
            .zip(ends[1])
            .is_some_and(|(a, b)| (a.1 - b.1).abs() < 0.1 * span);
        for ((end, number), is_after) in ends.into_iter().zip(numbers).zip([false, true]) {
            let Some((_, end)) = end else { continue };
            let shift = match (near, is_after) {
                (true, true) => -18,
                (true, false) => 18,
                _ => 0,
            };
            let style = words
                .clone()
                .color(if is_after { &INK } else { &BEFORE })
                .pos(Pos::new(HPos::Left, VPos::Center));
            let at = EmptyElement::at((drawn_at(x[1]), current.at(end)));
            chart.draw_series([at + Text::new(format!("run {number}"), (8, shift), style)])?;
        }
        let head = words
            .clone()
            .into_text_style(&root)
            .color(&INK)
            .pos(Pos::new(HPos::Left, VPos::Top));
        root.draw_text(&format!("channel {channel}, {}", current.unit), &head, (6, 2))?;
        let foot = words
            .into_text_style(&root)
            .color(&INK)
            .pos(Pos::new(HPos::Right, VPos::Bottom));
        let unit = if logarithmic {
            "after the switch-on, each step longer than the one before".to_owned()
        } else {
            format!("{} since the first reading", time.unit)
        };
        root.draw_text(&unit, &foot, (WIDTH as i32 - 110, HEIGHT as i32 - 2))?;
        root.present()
    })
}

fn power_of_ten(logarithm: f64) -> String {
    crate::examine::words::duration(10.0_f64.powf(logarithm))
}
