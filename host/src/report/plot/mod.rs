//! Pictures, as SVG. They hold numbers and letters of ours only, never a word from the job.
//!
//! | module | what it holds |
//! |---|---|
//! | [`axis`] | ranges, units and labels of axes |
//! | [`strip`] | a recording: a panel for each channel, one time axis |
//! | [`overlay`] | two recordings over each other |
//! | [`interval`] | an interval as a bar, for a row of a table |
//!
//! Every distinction is in a shape, a dash or a number; colour only repeats it, so that a grey print and an eye that
//! cannot tell red from green lose nothing.

pub mod axis;
pub mod interval;
pub mod overlay;
pub mod strip;

use plotters::chart::ChartContext;
use plotters::coord::types::RangedCoordf64;
use plotters::drawing::DrawingAreaErrorKind;
use plotters::prelude::{Cartesian2d, IntoFont, SVGBackend};
use plotters::style::RGBColor;

use axis::Axis;

/// Width of a picture, in its own units; the page scales it.
pub const WIDTH: u32 = 1600;

/// Height of the words in a picture, in its own units.
const WORDS: u32 = 25;

/// Lines, words and marks. The page's style sheet names these colours to turn them for a dark page.
const INK: RGBColor = RGBColor(0x1a, 0x1a, 0x1a);
const GRID: RGBColor = RGBColor(0xd4, 0xd4, 0xd4);
const CHANNELS: [RGBColor; 2] = [RGBColor(0x1b, 0x4f, 0x8f), RGBColor(0x8f, 0x4a, 0x00)];
const BANDS: [RGBColor; 2] = [RGBColor(0xa9, 0xc1, 0xde), RGBColor(0xe3, 0xbf, 0x95)];
const BEFORE: RGBColor = RGBColor(0x77, 0x77, 0x77);

/// A picture. Its text is markup of the drawing library's making.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Svg(String);

impl Svg {
    /// The markup.
    #[must_use]
    pub fn markup(&self) -> &str {
        &self.0
    }
}

type Chart<'a> = ChartContext<'a, SVGBackend<'a>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;
type Outcome = Result<(), DrawingAreaErrorKind<std::io::Error>>;

/// Axes, their labels, and lines across.
fn rule(chart: &mut Chart<'_>, time_label: &dyn Fn(&f64) -> String, level: &Axis) -> Outcome {
    let words = ("sans-serif", WORDS).into_font();
    chart
        .configure_mesh()
        .x_labels(9)
        .y_labels(5)
        .max_light_lines(0)
        .bold_line_style(GRID)
        .axis_style(INK)
        .label_style(words.color(&INK))
        .x_label_formatter(&time_label)
        .y_label_formatter(&|value| level.label(*value))
        .draw()
}

/// Drawing into memory fails only when a range is empty, which the callers see to; then there is no picture.
fn drawn<E: std::error::Error + Send + Sync>(
    draw: impl FnOnce(&mut String) -> Result<(), DrawingAreaErrorKind<E>>,
) -> Option<Svg> {
    let mut text = String::new();
    draw(&mut text).ok()?;
    Some(Svg(text))
}
