//! What the benchmarks share. They print ratios of two things measured alternately in one run, never a time that a test
//! could fail on: a machine that is busy slows both.
//!
//! `cargo bench -p steadybench-bench` runs them; the example `answer-windows` measures the page's windows of a long run.

pub mod material;
pub mod measure;
pub mod recorded;
