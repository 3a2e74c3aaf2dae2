//! Runs in a job folder, made of a board's stream by the recorder itself.

use std::path::{Path, PathBuf};

use steadybench_host::recorder::{FullRate, JobFolder, Recorder};

use crate::material::{BoardStream, Course};

/// Records `seconds` of a soak of `boards` like boards at `rate` readings a second, as fast as it goes; gives its folder.
///
/// # Errors
/// When the folder cannot be written.
///
/// # Panics
/// As [`BoardStream::new`].
pub fn record_soak(
    job: &Path,
    rate: u32,
    seconds: u64,
    course: Course,
    boards: u8,
) -> anyhow::Result<PathBuf> {
    let mut streams: Vec<BoardStream> = (0..boards)
        .map(|number| BoardStream::new(rate, seconds, course).of_board(number))
        .collect();
    let Some(first) = streams.first() else {
        anyhow::bail!("a run needs a board");
    };
    let plan = first.plan(FullRate::Never);
    let introductions = streams.iter().map(BoardStream::introduction).collect();
    let job = JobFolder::open_or_create(job)?;
    let (recorder, mut sinks) = Recorder::start(job, &plan, introductions)?;
    let mut going = true;
    while going {
        going = false;
        for (stream, sink) in streams.iter_mut().zip(&mut sinks) {
            let Some(piece) = stream.next() else { continue };
            going = true;
            for record in piece.records {
                sink.push_and_wait(record);
            }
        }
    }
    drop(sinks);
    Ok(recorder.close("it is all there")?.folder)
}
