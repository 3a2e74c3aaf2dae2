//! Boards unplugged and plugged in again: under another device name, after a reset, with another board in their place, and
//! two of them swapped.
//!
//! The port that the program was given is a link, as the system keeps one for each USB device; behind it the device is
//! another one each time. What is recorded is held against every code that the virtual chips gave.

use std::cell::RefCell;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rand::Rng;
use steadybench_host::collector::SessionControl;
use steadybench_host::live::LiveBoard;
use steadybench_host::recorder::{Disk, FullRate};
use steadybench_protocol::{Channel, ResetCause};
use steadybench_virtual::{BenchOptions, Scenario, VirtualBench, VirtualBoard};

use super::delays::Delays;
use super::in_process::{record, run_plan, wait};
use super::recording::{Recorded, replay};
use super::{Outcome, random};

const PATIENCE: Duration = Duration::from_secs(30);

/// Readings that may be under way when a line goes: half a second's worth, and what came while a thread of this process,
/// which the boards' are too, waited for a processor.
const UNDER_WAY_MAX: usize = 500;

/// The instant at which a board's supply or its program was taken away.
#[derive(Clone, Copy, Debug)]
struct Cut {
    /// Readings that its chips had given.
    given: usize,
    /// Readings that the program had counted a moment before.
    counted: u64,
    /// Readings that came while threads waited for a processor since the cut before.
    held_up: usize,
}

/// A board on a link that this campaign lays.
struct Plugged {
    bench: VirtualBench,
    link: PathBuf,
    cuts: RefCell<Vec<Cut>>,
    delays: RefCell<Delays>,
}

impl Plugged {
    fn new(seed: u64, link: PathBuf) -> Self {
        let options = BenchOptions {
            seed,
            ..BenchOptions::default()
        };
        let bench = VirtualBench::on_pty(&Scenario::greenhouse(), &options).expect("a pseudo-terminal");
        bench
            .with(|board| board.record_readings(true))
            .expect("a bench runs");
        let plugged = Self {
            bench,
            link,
            cuts: RefCell::default(),
            delays: RefCell::new(Delays::own()),
        };
        plugged.lay(&plugged.link);
        plugged
    }

    /// Puts the board behind `link`.
    fn lay(&self, link: &Path) {
        let present = wait(PATIENCE, || Path::new(&self.bench.port().to_string()).exists());
        assert!(present, "a bench that is plugged in has a device");
        // There is none when the cable is pulled.
        let _ = std::fs::remove_file(link);
        symlink(self.bench.port().to_string(), link).expect("a link can be laid");
    }

    fn unplug(&self, live: &LiveBoard) {
        let _ = std::fs::remove_file(&self.link);
        self.cut(live, VirtualBoard::unplug);
    }

    /// Does what ends this start of the board, and notes what its chips had given and the program, as `live` says, had
    /// counted.
    fn cut(&self, live: &LiveBoard, end: impl FnOnce(&mut VirtualBoard) + Send + 'static) {
        let given = self.bench.with(|board| {
            end(board);
            board.with_bench(|bench| bench.truth().readings.len())
        });
        self.cuts.borrow_mut().push(Cut {
            given: given.expect("a bench runs") / 2,
            counted: live.readings,
            held_up: self.delays.borrow_mut().take().as_millis() as usize,
        });
    }

    fn plug_in(&self) {
        self.bench.plug_in().expect("a bench runs");
        self.lay(&self.link);
    }

    /// Every pair of codes that the chips gave, in order.
    fn truth(&self) -> Vec<[i32; 2]> {
        let readings = self
            .bench
            .with(|board| board.with_bench(|bench| bench.truth().readings.clone()))
            .expect("a bench runs");
        let of = |channel: Channel| {
            readings
                .iter()
                .filter(move |reading| reading.channel == channel)
                .map(|reading| reading.conversion.code)
        };
        of(Channel::One)
            .zip(of(Channel::Two))
            .map(|(one, two)| [one, two])
            .collect()
    }
}

#[derive(Debug, Default)]
struct Tally {
    renamed: u32,
    reset: u32,
    another: u32,
    swapped: u32,
}

/// Unplugs and plugs in `count` times.
///
/// # Panics
/// When there is no pseudo-terminal.
#[must_use]
pub fn run(seed: u64, count: u32, mut progress: impl FnMut(u32)) -> Outcome {
    let mut outcome = Outcome::new(
        "unplug",
        "board unplugged, renamed, reset, exchanged, two swapped",
    );
    let mut random = random(seed);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let link = |name: &str| folder.path().join(name);
    let boards = [
        Plugged::new(seed, link("one")),
        Plugged::new(seed + 1, link("two")),
    ];
    let stranger = Plugged::new(seed + 2, link("stranger"));
    let ports = [link("one"), link("two")];
    let mut tally = Tally::default();
    let plan = run_plan(1000, FullRate::Never, 1_000_000);
    let (summary, ()) = record(&ports, &folder.path().join("job"), plan, Disk, |control| {
        for cycle in 0..count {
            progress(cycle);
            std::thread::sleep(Duration::from_millis(random.random_range(50..400)));
            if let Err(words) = one_cycle(cycle, control, &boards, &stranger, &mut tally) {
                outcome.violations.push(format!("cycle {cycle}: {words}"));
            }
        }
        for board in [0, 1] {
            outcome.require(goes_on(control, board), || {
                format!("board {board} does not go on")
            });
        }
    });
    let (mut readings, mut dropped, mut under_way, mut longest, mut held_up) = (0, 0, 0, 0, 0);
    for ((number, board), closed) in (1..).zip(&boards).zip(&summary.closed.board) {
        let recorded = replay(&summary.folder.join(format!("board-{number}/wire.log"))).unwrap_or_default();
        outcome.require(
            recorded.readings.len() as u64 == closed.readings && recorded.lost == closed.lost_readings,
            || {
                format!(
                    "board {number}: {} readings are recorded and {} stated as lost; {} and {} were counted",
                    recorded.readings.len(),
                    recorded.lost,
                    closed.readings,
                    closed.lost_readings
                )
            },
        );
        dropped += recorded.lost;
        match ends(&recorded, &board.truth(), &board.cuts.borrow()) {
            Ok(ends) => {
                for (lost, cut) in ends {
                    under_way += lost;
                    longest = longest.max(lost);
                    held_up = held_up.max(cut.held_up);
                    outcome.require(lost <= UNDER_WAY_MAX + cut.held_up, || {
                        format!(
                            "board {number}: {lost} readings were under way when the line went, and threads had waited {} ms",
                            cut.held_up
                        )
                    });
                }
            }
            Err(words) => outcome.violations.push(format!("board {number}: {words}")),
        }
        readings += closed.readings;
    }
    outcome.tried = format!(
        "{count} cycles with two boards: {} under another device name, {} with a reset of the board, {} with another board in its place, {} with the two swapped and swapped back",
        tally.renamed, tally.reset, tally.another, tally.swapped
    );
    outcome.lost = format!(
        "{under_way} readings under way when the line went, at most {longest} at once (threads waited {held_up} ms for a processor between two, at the most), and none that the program had counted; {dropped} dropped by boards or with a line that had fallen silent, each counted; every one of the other {readings}, once and in order; none of another board let in"
    );
    outcome
}

/// For each cut: how many readings the board's chips had given behind the last that is recorded of that start, where any
/// is. An error says what is recorded and was never given, or not one after another, or was counted and is not recorded.
fn ends(recorded: &Recorded, truth: &[[i32; 2]], cuts: &[Cut]) -> Result<Vec<(usize, Cut)>, String> {
    let mut stretches = Vec::new();
    let mut from = 0;
    for stretch in recorded.readings.chunk_by(|(one, _), (next, _)| *next == one + 1) {
        let is_true = |at: &usize| {
            truth[*at..].len() >= stretch.len()
                && stretch
                    .iter()
                    .zip(&truth[*at..])
                    .all(|((_, codes), truth)| *codes == truth.map(Some))
        };
        let at = (from..truth.len()).find(is_true).ok_or_else(|| {
            format!(
                "{} readings in a row were recorded that its chips never gave in a row",
                stretch.len()
            )
        })?;
        from = at + stretch.len();
        stretches.push((from, stretch.len()));
    }
    let mut ends = Vec::new();
    let (mut kept, mut before) = (0, 0);
    for cut in cuts {
        let of_this_start = stretches
            .iter()
            .filter(|(end, _)| (before..=cut.given).contains(end) && *end > 0);
        let mut last = None;
        for (end, readings) in of_this_start {
            kept += readings;
            last = Some(end);
        }
        ends.extend(last.map(|last| (cut.given - last, *cut)));
        if (kept as u64) < cut.counted {
            return Err(format!(
                "{} readings had been counted when it was cut, and {kept} of them are recorded",
                cut.counted
            ));
        }
        before = cut.given + 1;
    }
    Ok(ends)
}

fn one_cycle(
    cycle: u32,
    control: &SessionControl,
    boards: &[Plugged; 2],
    stranger: &Plugged,
    tally: &mut Tally,
) -> Result<(), String> {
    let board = cycle as usize / 4 % 2;
    let plugged = &boards[board];
    let live = || control.boards()[board].clone();
    match cycle % 4 {
        0 => {
            let before = plugged.bench.port();
            plugged.unplug(&live());
            lost(control, board)?;
            // Something else is plugged in meanwhile and takes the name that was given up.
            let _other = VirtualBench::on_pty(&Scenario::healthy(), &BenchOptions::default());
            plugged.plug_in();
            tally.renamed += u32::from(plugged.bench.port() != before);
        }
        1 => {
            tally.reset += 1;
            let cause = [ResetCause::Watchdog, ResetCause::External][cycle as usize / 8 % 2];
            plugged.cut(&live(), move |board| board.reboot(cause));
            // The bench's port stays over a reset; the readings begin anew.
            std::thread::sleep(Duration::from_millis(300));
        }
        2 => {
            tally.another += 1;
            plugged.unplug(&live());
            lost(control, board)?;
            stranger.lay(&plugged.link);
            let refused = wait(PATIENCE, || control.boards()[board].another_board);
            if !refused {
                return Err("another board is not refused".into());
            }
            let _ = std::fs::remove_file(&plugged.link);
            std::thread::sleep(Duration::from_millis(100));
            plugged.plug_in();
        }
        _ => {
            tally.swapped += 1;
            unplug_both(control, boards);
            lost(control, 0)?;
            lost(control, 1)?;
            for (board, link) in [(0, &boards[1].link), (1, &boards[0].link)] {
                boards[board].bench.plug_in().map_err(|error| error.to_string())?;
                boards[board].lay(link);
            }
            let refused = wait(PATIENCE, || {
                control.boards().iter().all(|board| board.another_board)
            });
            if !refused {
                return Err("swapped boards are not refused".into());
            }
            unplug_both(control, boards);
            std::thread::sleep(Duration::from_millis(100));
            for plugged in boards {
                plugged.plug_in();
            }
        }
    }
    for board in [0, 1] {
        if !goes_on(control, board) {
            return Err(format!("board {board} does not go on"));
        }
    }
    Ok(())
}

fn unplug_both(control: &SessionControl, boards: &[Plugged; 2]) {
    for (plugged, live) in boards.iter().zip(control.boards()) {
        plugged.unplug(&live);
    }
}

fn lost(control: &SessionControl, board: usize) -> Result<(), String> {
    if wait(PATIENCE, || !control.boards()[board].measuring) {
        Ok(())
    } else {
        Err(format!("the loss of board {board} is not noticed"))
    }
}

/// Whether more readings come.
fn goes_on(control: &SessionControl, board: usize) -> bool {
    let before = control.boards()[board].readings;
    wait(PATIENCE, || {
        let now = &control.boards()[board];
        now.measuring && !now.another_board && now.readings > before + 100
    })
}
