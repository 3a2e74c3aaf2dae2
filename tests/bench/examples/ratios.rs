//! Writes README's tables of ratios from what the benchmarks left on record with `--record`; or, with `keep FILE`, puts a
//! table on record that another program measured.
//!
//! ```text
//! cargo run --release -p steadybench-bench --example ratios
//! ```

use steadybench_tests::ratios;

fn main() -> Result<(), String> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match words.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [] => ratios::write_readme(),
        ["keep", file] => {
            let text = std::fs::read_to_string(file).map_err(|error| format!("{file}: {error}"))?;
            let mut table: ratios::Table =
                serde_json::from_str(&text).map_err(|error| format!("{file}: {error}"))?;
            table.machine = ratios::machine();
            ratios::keep(table)
        }
        _ => Err("either no word, or `keep FILE`".into()),
    }
}
