//! A recording: a panel for each channel over one time axis, extremes as a band, events as numbered shapes.

use plotters::chart::ChartBuilder;
use plotters::coord::Shift;
use plotters::element::{EmptyElement, PathElement, Polygon, Rectangle, Text};
use plotters::prelude::{DrawingArea, IntoDrawingArea, IntoFont, SVGBackend};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, IntoTextStyle};

use crate::report::trace::{Extremes, Trace};

use super::axis::Axis;
use super::{BANDS, CHANNELS, Chart, GRID, INK, Outcome, Svg, WIDTH, WORDS, drawn, rule};

/// Stretches drawn at most: about one for each three units of width.
const STRETCHES: usize = 1024;

/// Height of a panel.
const PANEL: u32 = 250;

/// Height of a panel of the slow course.
const COURSE_PANEL: u32 = 180;

/// Height of the time axis with its words.
const TIME_AXIS: u32 = 70;

/// Marks with a number or letter at most; more of them would run into each other and are drawn bare.
const LABELLED_MAX: usize = 40;

/// The shape of a mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// The current fell: a full triangle on its tip.
    Fell,
    /// The current rose: a full triangle on its base.
    Rose,
    /// It changed for good: a full square.
    Stepped,
    /// It was judged harmless: an open circle, as four strokes.
    Harmless,
}

/// An event on a channel.
#[derive(Clone, Debug, PartialEq)]
pub struct EventMark {
    /// Instant, in seconds.
    pub at_s: f64,
    /// Channel, 1 or 2.
    pub channel: u8,
    /// Its shape.
    pub shape: Shape,
    /// Its number in the table.
    pub number: usize,
}

/// What is drawn.
#[derive(Clone, Debug, Default)]
pub struct Marks {
    /// Events.
    pub events: Vec<EventMark>,
    /// Taps: instant and the letter of the place.
    pub taps: Vec<(f64, String)>,
    /// Stretches without readings: from, to.
    pub gaps: Vec<(f64, f64)>,
}

type Panel<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// What a panel shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Shown {
    /// A channel's extremes and mean.
    Current(usize),
    /// A channel's means alone.
    Course(usize),
    /// A thermistor.
    Temperature(usize),
}

/// Draws the channels, 1 and 2 as far as they had readings; `None` when none had.
#[must_use]
pub fn strip(trace: &Trace, only: Option<u8>, marks: &Marks) -> Option<Svg> {
    let all = trace.all();
    let panels = [0, 1]
        .into_iter()
        .filter(|&at| !all.current_a[at].is_empty() && only.is_none_or(|only| usize::from(only) == at + 1))
        .map(Shown::Current);
    draw(trace, &panels.collect::<Vec<_>>(), marks)
}

/// Draws the slow course: means of the stretches, and the temperatures; `None` when there were no readings.
#[must_use]
pub fn course(trace: &Trace) -> Option<Svg> {
    let all = trace.all();
    let currents = [0, 1]
        .into_iter()
        .filter(|&at| !all.current_a[at].is_empty())
        .map(Shown::Course);
    let temperatures = [0, 1]
        .into_iter()
        .filter(|&at| !all.temperature_c[at].is_empty())
        .map(Shown::Temperature);
    draw(
        trace,
        &currents.chain(temperatures).collect::<Vec<_>>(),
        &Marks::default(),
    )
}

fn draw(trace: &Trace, panels: &[Shown], marks: &Marks) -> Option<Svg> {
    if panels.is_empty() {
        return None;
    }
    let (stretches, length_s) = trace.stretches(STRETCHES);
    let time = Axis::of_time(trace.from_s(), trace.ended_s() + length_s);
    let one = if matches!(panels, [Shown::Current(_), ..]) {
        PANEL
    } else {
        COURSE_PANEL
    };
    let height = one * panels.len() as u32 + TIME_AXIS;
    drawn(|text| {
        let root = SVGBackend::with_string(text, (WIDTH, height)).into_drawing_area();
        let mut rest = root.clone();
        for (position, &shown) in panels.iter().enumerate() {
            let last = position + 1 == panels.len();
            let area = if last {
                rest.clone()
            } else {
                let (area, below) = rest.split_vertically(one);
                rest = below;
                area
            };
            let points: Vec<(f64, Extremes)> = stretches
                .iter()
                .map(|(start_s, stretch)| {
                    let extremes = match shown {
                        Shown::Current(at) => stretch.current_a[at],
                        Shown::Course(at) => stretch.current_a[at].at_mean(),
                        Shown::Temperature(at) => stretch.temperature_c[at].at_mean(),
                    };
                    (time.at(*start_s), extremes)
                })
                .collect();
            draw_panel(&area, shown, &points, time.at(length_s), &time, last, marks)?;
        }
        root.present()
    })
}

fn draw_panel(
    panel: &Panel<'_>,
    shown: Shown,
    points: &[(f64, Extremes)],
    length: f64,
    time: &Axis,
    last: bool,
    marks: &Marks,
) -> Outcome {
    let all = points
        .iter()
        .fold(Extremes::default(), |all, (_, one)| all.with(*one));
    let (name, unit, colour) = match shown {
        Shown::Current(at) | Shown::Course(at) => (format!("channel {}", at + 1), "A", at),
        Shown::Temperature(at) => (format!("thermistor {}", at + 1), "°C", at),
    };
    let level = Axis::of_quantity(all.min, all.max, unit);
    let words = ("sans-serif", WORDS).into_font();
    let mut chart: Chart<'_> = ChartBuilder::on(panel)
        .margin_right(24)
        .margin_top(34)
        .x_label_area_size(if last { TIME_AXIS } else { 8 })
        .y_label_area_size(130)
        .build_cartesian_2d(time.drawn(), level.drawn())?;
    let time_label = |at: &f64| if last { time.label(*at) } else { String::new() };
    rule(&mut chart, &time_label, &level)?;
    draw_gaps(&mut chart, marks, time)?;
    draw_band(&mut chart, colour, points, length, &level)?;
    if let Shown::Current(channel) = shown {
        draw_events(&mut chart, channel, marks, time)?;
        draw_taps(&mut chart, marks, time)?;
    }
    let head = words
        .clone()
        .into_text_style(panel)
        .color(&INK)
        .pos(Pos::new(HPos::Left, VPos::Top));
    panel.draw_text(&format!("{name}, {}", level.unit), &head, (6, 2))?;
    if last {
        let (width, height) = panel.dim_in_pixel();
        let foot = words
            .into_text_style(panel)
            .color(&INK)
            .pos(Pos::new(HPos::Right, VPos::Bottom));
        let at = (width as i32 - 24, height as i32 - 2);
        panel.draw_text(&format!("{} since the first reading", time.unit), &foot, at)?;
    }
    Ok(())
}

/// Runs of neighbouring stretches that have readings, as bands from least to greatest, with the mean in them.
fn draw_band(
    chart: &mut Chart<'_>,
    colour: usize,
    points: &[(f64, Extremes)],
    length: f64,
    level: &Axis,
) -> Outcome {
    for run in points.chunk_by(|(_, a), (_, b)| a.is_empty() == b.is_empty()) {
        if run.first().is_none_or(|(_, first)| first.is_empty()) {
            continue;
        }
        let along = |of: fn(&Extremes) -> f64| -> Vec<(f64, f64)> {
            let middles = run
                .iter()
                .map(|(start, one)| (start + 0.5 * length, level.at(of(one))));
            let mut line: Vec<(f64, f64)> = middles.collect();
            // A line begins with its first stretch and ends with its last, so that a single one has a width too.
            if let (Some((start, first)), Some((end, last))) = (run.first(), run.last()) {
                line.insert(0, (*start, level.at(of(first))));
                line.push((end + length, level.at(of(last))));
            }
            line
        };
        if run.iter().any(|(_, one)| one.max > one.min) {
            let (upper, lower) = (along(|one| one.max), along(|one| one.min));
            let outline: Vec<(f64, f64)> = upper.iter().chain(lower.iter().rev()).copied().collect();
            chart.draw_series([Polygon::new(outline, BANDS[colour].filled())])?;
            // The outline keeps a needle of one stretch visible however small the picture is made.
            chart.draw_series([PathElement::new(upper, BANDS[colour].stroke_width(2))])?;
            chart.draw_series([PathElement::new(lower, BANDS[colour].stroke_width(2))])?;
        }
        let mean = along(|one| one.mean().unwrap_or(f64::NAN));
        chart.draw_series([PathElement::new(mean, CHANNELS[colour].stroke_width(2))])?;
    }
    Ok(())
}

fn draw_events(chart: &mut Chart<'_>, channel: usize, marks: &Marks, time: &Axis) -> Outcome {
    let here: Vec<&EventMark> = marks
        .events
        .iter()
        .filter(|event| usize::from(event.channel) == channel + 1)
        .collect();
    let top = chart.plotting_area().get_y_range().end;
    for event in &here {
        let outline = match event.shape {
            Shape::Fell => vec![(-9, 4), (9, 4), (0, 22)],
            Shape::Rose => vec![(-9, 22), (9, 22), (0, 4)],
            Shape::Stepped => vec![(-8, 5), (8, 5), (8, 21), (-8, 21)],
            Shape::Harmless => vec![(0, 4), (9, 13), (0, 22), (-9, 13), (0, 4)],
        };
        let at = || EmptyElement::at((time.at(event.at_s), top));
        if event.shape == Shape::Harmless {
            chart.draw_series([at() + PathElement::new(outline, INK.stroke_width(2))])?;
        } else {
            chart.draw_series([at() + Polygon::new(outline, INK.filled())])?;
        }
        if here.len() <= LABELLED_MAX {
            let style = ("sans-serif", WORDS - 4)
                .into_font()
                .color(&INK)
                .pos(Pos::new(HPos::Center, VPos::Bottom));
            chart.draw_series([at() + Text::new(event.number.to_string(), (0, 0), style)])?;
        }
    }
    Ok(())
}

fn draw_taps(chart: &mut Chart<'_>, marks: &Marks, time: &Axis) -> Outcome {
    let bottom = chart.plotting_area().get_y_range().start;
    let labelled = marks.taps.len() <= LABELLED_MAX;
    for (at_s, letter) in &marks.taps {
        let at = || EmptyElement::at((time.at(*at_s), bottom));
        chart.draw_series([at() + PathElement::new(vec![(0, 0), (0, -14)], INK.stroke_width(2))])?;
        if labelled {
            let style = ("sans-serif", WORDS - 4)
                .into_font()
                .color(&INK)
                .pos(Pos::new(HPos::Center, VPos::Bottom));
            chart.draw_series([at() + Text::new(letter.clone(), (0, -14), style)])?;
        }
    }
    Ok(())
}

/// A gap is a hatched field over the whole height, at least a few units wide.
fn draw_gaps(chart: &mut Chart<'_>, marks: &Marks, time: &Axis) -> Outcome {
    let (range, level) = (
        chart.plotting_area().get_x_range(),
        chart.plotting_area().get_y_range(),
    );
    let unit = (range.end - range.start) / f64::from(WIDTH - 160);
    for &(from_s, to_s) in &marks.gaps {
        let middle = 0.5 * (time.at(from_s) + time.at(to_s));
        let half = (0.5 * time.at(to_s - from_s)).max(3.0 * unit);
        let (from, to) = ((middle - half).max(range.start), (middle + half).min(range.end));
        if from >= to {
            continue;
        }
        chart.draw_series([Rectangle::new(
            [(from, level.start), (to, level.end)],
            GRID.filled(),
        )])?;
        let lines = (((to - from) / (10.0 * unit)) as usize).clamp(1, 200);
        for line in 0..=lines {
            let x = from + (to - from) * line as f64 / lines as f64;
            let stroke = PathElement::new(vec![(x, level.start), (x, level.end)], INK.stroke_width(1));
            chart.draw_series([stroke])?;
        }
    }
    Ok(())
}
