//! An interval as a bar, for a row of a table.

use plotters::element::{Circle, PathElement};
use plotters::prelude::{IntoDrawingArea, SVGBackend};
use plotters::style::Color;

use super::{GRID, INK, Svg, drawn};

const WIDTH: i32 = 300;
const HEIGHT: i32 = 30;

/// A share between 0 and 1 with its interval. The dot is full where the place is accused, a ring else.
#[must_use]
pub fn share(low: f64, value: f64, high: f64, full: bool) -> Option<Svg> {
    let x = |share: f64| 10 + (share.clamp(0.0, 1.0) * f64::from(WIDTH - 20)) as i32;
    let y = HEIGHT / 2;
    drawn(|text| {
        let root = SVGBackend::with_string(text, (WIDTH as u32, HEIGHT as u32)).into_drawing_area();
        root.draw(&PathElement::new(
            vec![(x(0.0), y), (x(1.0), y)],
            GRID.stroke_width(3),
        ))?;
        for end in [0.0, 0.5, 1.0] {
            root.draw(&PathElement::new(
                vec![(x(end), y - 8), (x(end), y + 8)],
                GRID.stroke_width(2),
            ))?;
        }
        root.draw(&PathElement::new(
            vec![(x(low), y), (x(high), y)],
            INK.stroke_width(5),
        ))?;
        for end in [low, high] {
            root.draw(&PathElement::new(
                vec![(x(end), y - 7), (x(end), y + 7)],
                INK.stroke_width(3),
            ))?;
        }
        let style = if full { INK.filled() } else { INK.stroke_width(3) };
        root.draw(&Circle::new((x(value), y), 8, style))?;
        root.present()
    })
}
