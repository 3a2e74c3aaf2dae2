//! Rows of words in columns of one width, for people.

/// A table: its heading, its rows, every cell padded to the widest of its column; two blanks between columns.
///
/// ```
/// use steadybench_host::grid::grid;
///
/// let rows = [vec!["33 mΩ".to_owned(), "fits".to_owned()], vec!["100 mΩ".to_owned(), "too hot".to_owned()]];
/// assert_eq!(grid(&["shunt", "word"], &rows), "  shunt   word\n  33 mΩ   fits\n  100 mΩ  too hot\n");
/// ```
#[must_use]
pub fn grid(heading: &[&str], rows: &[Vec<String>]) -> String {
    let heading: Vec<String> = heading.iter().map(|&word| word.to_owned()).collect();
    let lines: Vec<&Vec<String>> = std::iter::once(&heading).chain(rows).collect();
    let width = |column: usize| {
        let cells = lines.iter().filter_map(|line| line.get(column));
        cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..heading.len()).map(width).collect();
    let mut text = String::new();
    for line in lines {
        let cells: Vec<String> = line
            .iter()
            .zip(&widths)
            .map(|(cell, &width)| format!("{cell:<width$}"))
            .collect();
        text.push_str("  ");
        text.push_str(cells.join("  ").trim_end());
        text.push('\n');
    }
    text
}
