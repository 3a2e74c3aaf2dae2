//! The soak of the soak: three days of the real firmware, conversation, detectors, examination and recorder in virtual
//! time, with the page being served and watched.

use std::cell::OnceCell;
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use steadybench_analysis::soak::{SoakExamination, SoakSettings};
use steadybench_host::collector::{Rehearsal, SessionControl};
use steadybench_host::live::standing::SoakView;
use steadybench_host::live::{Detected, Detection, event_name, sample_of};
use steadybench_host::recorder::{FullRate, JobFolder, serial_digits};
use steadybench_host::replay::Replay;
use steadybench_host::stream::Output;
use steadybench_virtual::{Scenario, VirtualBoard};

use super::Outcome;
use super::in_process::{run_plan, wait};
use super::watched::{LOOKS, Watched};
use crate::job::Table;

/// How far memory may grow after the first quarter of the time, in which all that is bounded has had time to fill.
const GROWTH_MAX_BYTES: u64 = 8 << 20;

/// What bench, collector and page may take together.
const MEMORY_MAX_BYTES: u64 = 96 << 20;

/// How far a file may be from what its first hour predicts.
const PREDICTION_TOLERANCE: f64 = 0.03;

const HOUR_S: u64 = 3_600;

/// Somebody looks at the page so often.
const LOOK_EVERY_S: u64 = 300;

/// The kinds of events that detectors find; the other rows of `events.csv` are of the line and the board.
const FOUND: [&str; 6] = ["dropout", "spike", "step", "chatter", "load_change", "nuisance"];

/// Soaks for `hours`, at 1000 readings/s on both channels.
///
/// # Panics
/// When the rehearsal cannot be recorded.
#[must_use]
pub fn run(seed: u64, hours: u64, mut progress: impl FnMut(u64)) -> Outcome {
    let mut outcome = Outcome::new("soak", "long soak");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let job = folder.path().join("job");
    let mut board = VirtualBoard::new(&Scenario::greenhouse(), seed);
    let rehearsal = Rehearsal {
        run: run_plan(1000, FullRate::Never, 60_000_000),
        length: Duration::from_secs(hours * HOUR_S),
        begun_utc_ns: 1_790_000_000_000_000_000,
        port: "virtual".into(),
        marks: Vec::new(),
    };
    let run = job.join("runs/0001-soak");
    let mut memory = Vec::new();
    let mut first_hour = None;
    let (page, mut looked, mut refused) = (OnceCell::new(), 0, 0);
    let summary = rehearsal
        .record_shown(
            &mut board,
            || JobFolder::open_or_create(&job),
            |control| {
                let watched = Watched::serve(control.clone());
                assert!(page.set((control, watched)).is_ok(), "one page");
            },
            |now| {
                if now.as_secs() / LOOK_EVERY_S > looked {
                    looked += 1;
                    let right = page.get().map_or(0, |(_, watched)| watched.look(now.as_secs()));
                    refused += LOOKS - right;
                }
                let hour = now.as_secs() / HOUR_S;
                if hour as usize > memory.len() {
                    memory.push(resident_bytes());
                    first_hour.get_or_insert_with(|| sizes(&run));
                    progress(hour);
                }
            },
        )
        .unwrap_or_else(|fault| panic!("a rehearsal is recorded: {fault}"));
    let (control, watched) = page.into_inner().expect("the page was served");
    outcome.require(refused == 0, || {
        format!("{refused} looks at the page were not answered")
    });
    outcome.require(watched.received() > 0, || "the page's stream told nothing".into());
    let board = &summary.closed.board[0];
    outcome.require(board.lost_readings == 0 && summary.unwritten.is_none(), || {
        format!(
            "{} readings are lost, unwritten: {:?}",
            board.lost_readings, summary.unwritten
        )
    });

    let first = memory.first().copied().unwrap_or(0);
    let quarter = memory.len().div_ceil(4);
    let most_of = |hours: &[u64]| hours.iter().copied().max().unwrap_or(0);
    let (early, most) = (most_of(&memory[..quarter]), most_of(&memory));
    outcome.require(
        most <= early + GROWTH_MAX_BYTES && most <= MEMORY_MAX_BYTES,
        || format!("memory grows from {early} to {most} bytes: {memory:?}"),
    );
    let mut files = Vec::new();
    for ((name, at_first), (_, at_end)) in first_hour.unwrap_or_default().iter().zip(sizes(&run)) {
        let predicted = at_first * hours;
        files.push(format!(
            "{name} {:.1} MB, predicted {:.1}",
            at_end as f64 * 1e-6,
            predicted as f64 * 1e-6
        ));
        let off = (at_end as f64 / predicted.max(1) as f64 - 1.0).abs();
        outcome.require(off <= PREDICTION_TOLERANCE || hours < 12, || {
            format!("{name} is {:.1} % from what its first hour predicts", off * 100.0)
        });
    }
    let live = live_events(&run);
    let mut words = String::new();
    match offline(&run.join("wire.log")) {
        Ok(Offline {
            readings,
            rows: offline,
            soak,
        }) => {
            outcome.require(readings == board.readings, || {
                format!(
                    "{readings} readings are read back, and {} were recorded",
                    board.readings
                )
            });
            outcome.require(ends_as(&control, &soak), || {
                format!(
                    "the page ends with {:?}, and off line {soak:?} is found",
                    control.standing().soak
                )
            });
            words = soak.words;
            let apart = live
                .iter()
                .zip(&offline)
                .position(|(live, offline)| live != offline);
            outcome.require(live.len() == offline.len() && apart.is_none(), || {
                format!(
                    "{} events were found live and {} off line; number {apart:?} is another",
                    live.len(),
                    offline.len()
                )
            });
        }
        Err(words) => outcome.violations.push(words),
    }
    outcome.tried = format!(
        "{hours} h at 1000/s on both channels in virtual time, the page served and watched: {} readings, {} events, {} looks at the trace and the state, {:.0} MB of stream",
        board.readings,
        live.len(),
        looked * LOOKS - refused,
        watched.received() as f64 * 1e-6
    );
    outcome.lost = format!(
        "{} readings; memory of bench, collector and page {:.0} MB after the first hour, {:.0} MB at most in the first {quarter} h, {:.0} MB at most afterwards, {:.0} MB at the end; {}; events found live and off line are the same, and so is the last word: {words}",
        board.lost_readings,
        first as f64 * 1e-6,
        early as f64 * 1e-6,
        most_of(&memory[quarter..]) as f64 * 1e-6,
        memory.last().copied().unwrap_or(0) as f64 * 1e-6,
        files.join("; ")
    );
    outcome
}

fn sizes(run: &Path) -> Vec<(&'static str, u64)> {
    ["wire.log", "minutes.csv"]
        .into_iter()
        .map(|name| {
            (
                name,
                run.join(name).metadata().map_or(0, |metadata| metadata.len()),
            )
        })
        .collect()
}

/// Memory of this process, which holds the bench too.
fn resident_bytes() -> u64 {
    let statm = std::fs::read_to_string("/proc/self/statm").unwrap_or_default();
    let pages: u64 = statm
        .split(' ')
        .nth(1)
        .and_then(|pages| pages.parse().ok())
        .unwrap_or(0);
    pages * 4096
}

/// An event as a row of `events.csv` has it.
type Row = (String, String, String, String, String);

fn live_events(run: &Path) -> Vec<Row> {
    let table = Table::read(&run.join("events.csv"));
    let column = |name: &str| table.column(name).map(str::to_owned).collect::<Vec<_>>();
    let [elapsed, event, number, channel, reason] =
        ["elapsed_s", "event", "number", "channel", "detail"].map(column);
    elapsed
        .into_iter()
        .zip(event)
        .zip(number)
        .zip(channel)
        .zip(reason)
        .map(|((((elapsed, event), number), channel), reason)| (elapsed, event, number, channel, reason))
        .filter(|row| FOUND.contains(&row.1.as_str()))
        .collect()
}

/// What the recording gives off line.
struct Offline {
    readings: u64,
    rows: Vec<Row>,
    soak: SoakView,
}

fn offline(log: &Path) -> Result<Offline, String> {
    let mut replay = Replay::open(log).map_err(|fault| fault.to_string())?;
    let mut detection = Detection::default();
    let mut examination = SoakExamination::new(SoakSettings::while_it_lasts());
    let mut faults = BTreeMap::new();
    let (mut rows, mut readings, mut elapsed_s) = (Vec::new(), 0, 0.0);
    while let Some(output) = replay.next_output().map_err(|fault| fault.to_string())? {
        if let Output::Reading(reading) = &output {
            readings += 1;
            if let Some(sample) = sample_of(reading) {
                elapsed_s = sample.time_s;
                examination.push(&sample);
            }
        }
        detection.take(&output, &mut |detected| {
            faults.insert(detected.event.id, detected.event.kind.is_fault());
            rows.push(row(&detected));
        });
    }
    detection.settle(&mut |detected| {
        faults.insert(detected.event.id, detected.event.kind.is_fault());
        rows.push(row(&detected));
    });
    // A run that is closed has its last events told, and the page, which shows it while it lasts, has not.
    let faults = faults.values().filter(|is_fault| **is_fault).count() as u64;
    let serial = replay.stream().hello().map(serial_digits).unwrap_or_default();
    let soak = SoakView::of(1, &serial, elapsed_s, &examination.standing(), faults);
    detection.finish(&mut |detected| rows.push(row(&detected)));
    Ok(Offline { readings, rows, soak })
}

/// Whether the page's last word is this: the examination may be a moment behind.
fn ends_as(control: &SessionControl, soak: &SoakView) -> bool {
    wait(Duration::from_secs(60), || {
        control.standing().soak.as_slice() == [soak.clone()]
    })
}

fn row(detected: &Detected) -> Row {
    let event = &detected.event;
    let elapsed = detected
        .when
        .elapsed_us
        .map_or(String::new(), |us| format!("{:.6}", us as f64 * 1e-6));
    (
        elapsed,
        event_name(event.kind).to_owned(),
        event.id.to_string(),
        event.channel.to_string(),
        event.reason.clone(),
    )
}
