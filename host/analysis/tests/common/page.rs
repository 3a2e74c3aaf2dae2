//! Pages of validation: a table of published and found figures, and plain pictures that follow the reader's colours.

use std::fmt::Write as _;
use std::path::Path;

/// Headings of a table of figures.
pub(crate) const PUBLISHED: [&str; 3] = ["published", "ours", "relative difference"];

/// A table row: what, published value, ours.
pub(crate) struct Row {
    pub(crate) what: String,
    pub(crate) published: String,
    pub(crate) ours: String,
    pub(crate) difference: String,
}

/// A row of figures: `published` and `ours` with `digits` significant digits, and the relative difference as a power of
/// ten that it stays below, for the last bits differ from one machine's library to the next.
pub(crate) fn row(what: &str, published: f64, ours: f64, digits: usize) -> Row {
    let figure = |value: f64| format!("{value:.*e}", digits.saturating_sub(1));
    let relative = if published == 0.0 {
        ours.abs()
    } else {
        (ours / published - 1.0).abs()
    };
    let power = relative.max(1e-15).log10().ceil() as i32;
    Row {
        what: what.to_owned(),
        published: figure(published),
        ours: figure(ours),
        difference: format!("below 1e{power}"),
    }
}

/// A row in words.
pub(crate) fn said(what: &str, published: &str, ours: &str, difference: &str) -> Row {
    Row {
        what: what.to_owned(),
        published: published.to_owned(),
        ours: ours.to_owned(),
        difference: difference.to_owned(),
    }
}

/// One table of a page: the source, the headings of the three columns, and the rows.
pub(crate) type Table<'a> = (&'a str, [&'a str; 3], &'a [Row]);

/// One page with one table.
pub(crate) fn page(source: &str, columns: [&str; 3], rows: &[Row], pictures: &[String]) -> String {
    page_of(&[(source, columns, rows)], pictures)
}

/// One page: heading, tables each below its source, and pictures.
pub(crate) fn page_of(tables: &[Table<'_>], pictures: &[String]) -> String {
    let mut text = String::from("\n# Checked against\n");
    for (source, columns, rows) in tables {
        let _ = writeln!(
            text,
            "\n{source}\n\n| figure | {} | {} | {} |\n|---|---|---|---|",
            columns[0], columns[1], columns[2]
        );
        for row in *rows {
            let _ = writeln!(
                text,
                "| {} | {} | {} | {} |",
                row.what, row.published, row.ours, row.difference
            );
        }
    }
    for picture in pictures {
        let _ = writeln!(text, "\n{picture}");
    }
    text.push_str(
        "\nMade and compared by `cargo test -p steadybench-analysis --test validation_pages`; with `WRITE_VALIDATION=1` \
         before it the pages are written anew.\n",
    );
    text
}

/// Fails unless the page kept under `name` is `text`.
pub(crate) fn keep(name: &str, text: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("docs/validation")
        .join(format!("{name}.md"));
    if std::env::var_os("WRITE_VALIDATION").is_some() {
        std::fs::write(&path, text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == text,
        "{} is out of date; write it anew with WRITE_VALIDATION=1 and look at what changed",
        path.display()
    );
}

/// A line or dots of a picture.
pub(crate) struct Curve<'a> {
    pub(crate) name: &'a str,
    pub(crate) points: Vec<(f64, f64)>,
    pub(crate) dots: bool,
}

/// A picture of curves, its axes from the least to the greatest value.
pub(crate) fn picture(title: &str, across: &str, up: &str, curves: &[Curve<'_>]) -> String {
    const WIDE: f64 = 560.0;
    const HIGH: f64 = 220.0;
    const LEFT: f64 = 70.0;
    const TOP: f64 = 24.0;
    let range = |axis: fn(&(f64, f64)) -> f64| {
        let values = || curves.iter().flat_map(|curve| curve.points.iter().map(axis));
        (
            values().fold(f64::INFINITY, f64::min),
            values().fold(f64::NEG_INFINITY, f64::max),
        )
    };
    let (x, y) = (range(|point| point.0), range(|point| point.1));
    let at = |point: &(f64, f64)| {
        let left = LEFT + WIDE * (point.0 - x.0) / (x.1 - x.0);
        let top = TOP + HIGH * (1.0 - (point.1 - y.0) / (y.1 - y.0));
        (left, top)
    };
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 650 290\" width=\"650\" role=\"img\" aria-label=\"{title}\" \
         font-family=\"sans-serif\" font-size=\"12\" fill=\"currentColor\">\n<title>{title}</title>\n<rect x=\"{LEFT}\" \
         y=\"{TOP}\" width=\"{WIDE}\" height=\"{HIGH}\" fill=\"none\" stroke=\"currentColor\" stroke-opacity=\"0.4\"/>\n"
    );
    let label = |svg: &mut String, left: f64, top: f64, anchor: &str, words: &str| {
        let _ = writeln!(
            svg,
            "<text x=\"{left:.0}\" y=\"{top:.0}\" text-anchor=\"{anchor}\">{words}</text>"
        );
    };
    label(&mut svg, LEFT, 15.0, "start", &format!("{up}: {title}"));
    label(&mut svg, LEFT + 0.5 * WIDE, 280.0, "middle", across);
    label(&mut svg, LEFT, 262.0, "start", &format!("{:.4}", x.0));
    label(&mut svg, LEFT + WIDE, 262.0, "end", &format!("{:.4}", x.1));
    label(&mut svg, LEFT - 6.0, TOP + HIGH, "end", &format!("{:.4}", y.0));
    label(&mut svg, LEFT - 6.0, TOP + 10.0, "end", &format!("{:.4}", y.1));
    for (number, curve) in curves.iter().enumerate() {
        if curve.dots {
            for point in &curve.points {
                let (left, top) = at(point);
                let _ = writeln!(
                    svg,
                    "<circle cx=\"{left:.1}\" cy=\"{top:.1}\" r=\"1.6\" fill-opacity=\"0.55\"/>"
                );
            }
        } else {
            let path: Vec<String> = curve
                .points
                .iter()
                .map(|point| {
                    let (left, top) = at(point);
                    format!("{left:.1},{top:.1}")
                })
                .collect();
            let dash = ["none", "7 3", "2 3"][number % 3];
            let _ = writeln!(
                svg,
                "<polyline points=\"{}\" fill=\"none\" stroke=\"currentColor\" stroke-width=\"1.6\" \
                 stroke-dasharray=\"{dash}\"/>",
                path.join(" ")
            );
        }
        let mark = if curve.dots {
            "dots"
        } else {
            ["line", "dashes", "points"][number % 3]
        };
        let top = TOP + 16.0 * (number as f64 + 1.0);
        label(
            &mut svg,
            LEFT + WIDE - 6.0,
            top,
            "end",
            &format!("{mark}: {}", curve.name),
        );
    }
    svg.push_str("</svg>");
    svg
}
