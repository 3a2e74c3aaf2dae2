//! Reads a CSV as `steady examine` does, and does nothing with its readings: what reading alone costs.
//!
//! ```text
//! cargo run --release -p steadybench-bench --example read-table -- FILE
//! ```

use std::fs::File;

use anyhow::Context;
use steadybench_host::table::rows::Rows;

fn main() -> anyhow::Result<()> {
    let file = std::env::args().nth(1).context("which file?")?;
    let mut rows = Rows::open(File::open(&file)?, None, None)?;
    let mut sum = 0.0;
    let mut number = 0_u64;
    while let Some(sample) = rows.next_sample()? {
        sum += sample
            .current_a
            .iter()
            .filter(|current_a| current_a.is_finite())
            .sum::<f64>();
        number += 1;
    }
    println!("{number} rows, sum of the currents {sum:.6} A");
    Ok(())
}
