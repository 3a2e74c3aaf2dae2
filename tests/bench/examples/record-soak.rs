//! Records a made-up soak into a job folder as fast as it goes: material for the peers and the plot of growth.
//!
//! ```text
//! cargo run --release -p steadybench-bench --example record-soak -- JOB HOURS [BOARDS] [DROPOUTS_PER_HOUR]
//! ```
//!
//! The unit warms up by three per cent in twenty minutes. The last line printed is the run's folder.

use std::path::Path;

use anyhow::Context;
use steadybench_bench::material::Course;
use steadybench_bench::recorded::record_soak;

fn main() -> anyhow::Result<()> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let job = words.first().context("which job folder?")?;
    let number = |at: usize, usual: f64| {
        words
            .get(at)
            .map_or(Ok(usual), |word| word.parse().with_context(|| word.clone()))
    };
    let hours: f64 = number(1, 1.0)?;
    let boards = number(2, 1.0)?;
    let course = Course {
        warm_up: 0.03,
        time_constant_s: 1200.0,
        dropouts_per_hour: number(3, 5.0)?,
    };
    let run = record_soak(
        Path::new(job),
        1000,
        (hours * 3600.0) as u64,
        course,
        boards as u8,
    )?;
    println!("{}", run.display());
    Ok(())
}
