//! What `steady collect` shows while it records.

use std::fmt::Write as _;
use std::io::Write as _;
use std::time::Duration;

use crate::collector::SessionControl;
use crate::console::Console;
use crate::live::LiveBoard;
use crate::recorder::RecorderStatus;

/// In a pipe one line is printed for so many updates.
const UPDATES_PER_LINE: u32 = 20;

/// The update at which the first of these lines is printed: there is something to show by then.
const FIRST_LINE: u32 = 3;

/// Shows a run: on a terminal one line a board, renewed; in a pipe a line now and then; events as they come.
pub(super) struct Show {
    console: Console,
    updates: u32,
    seen: Vec<u64>,
    drawn: usize,
    trouble: Option<String>,
}

impl Show {
    /// From one update to the next.
    pub(super) const PERIOD: Duration = Duration::from_millis(500);

    pub(super) const fn new(console: Console) -> Self {
        Self {
            console,
            updates: 0,
            seen: Vec::new(),
            drawn: 0,
            trouble: None,
        }
    }

    pub(super) fn update(&mut self, control: &SessionControl) {
        let boards = control.boards();
        let recorder = control.recorder();
        self.seen.resize(boards.len(), 0);
        self.erase();
        for (position, board) in boards.iter().enumerate() {
            for (number, words) in &board.lines {
                if *number >= self.seen[position] {
                    self.tell(board, boards.len(), words);
                }
            }
            self.seen[position] = board.events;
        }
        if recorder.trouble != self.trouble {
            match &recorder.trouble {
                Some(trouble) => self.console.warn(&format!(
                    "WARNING: the disk does not take the recording ({trouble}); it is kept in memory as long as there is room"
                )),
                None => self.console.warn("the disk takes the recording again"),
            }
            self.trouble.clone_from(&recorder.trouble);
        }
        if self.console.is_watched() {
            self.draw(&boards, &recorder);
        } else if self.updates % UPDATES_PER_LINE == FIRST_LINE {
            for mut board in boards {
                // They have been told one by one.
                board.lines.clear();
                self.console.result(&board, |board| state_line(board, &recorder));
            }
        }
        self.updates += 1;
    }

    fn tell(&self, board: &LiveBoard, boards: usize, words: &str) {
        if self.console.is_json() {
            self.console
                .json(&serde_json::json!({ "board": board.serial, "event": words }));
        } else if boards > 1 {
            self.console.say(&format!("{}  {words}", board.port));
        } else {
            self.console.say(words);
        }
    }

    fn draw(&mut self, boards: &[LiveBoard], recorder: &RecorderStatus) {
        let mut text = String::new();
        for board in boards {
            let _ = writeln!(text, "{}", state_line(board, recorder));
        }
        let _ = std::io::stderr().write_all(text.as_bytes());
        self.drawn = boards.len();
    }

    /// Takes the state lines off the terminal: cursor up and erase to the end (ECMA-48, CUU and ED).
    fn erase(&mut self) {
        if self.drawn > 0 {
            let _ = std::io::stderr().write_all(format!("\x1b[{}A\x1b[J", self.drawn).as_bytes());
            self.drawn = 0;
        }
    }
}

fn state_line(board: &LiveBoard, recorder: &RecorderStatus) -> String {
    let mut line = format!("{:>9.1} s", board.elapsed_s);
    for channel in [0, 1] {
        let _ = write!(line, "  ch{}", channel + 1);
        put(&mut line, board.current_a[channel], 4, "A");
        put(&mut line, board.rail_v[channel], 2, "V");
        put(&mut line, board.temperature_c[channel], 1, "°C");
    }
    let _ = write!(
        line,
        "  {} readings, {} lost",
        board.readings, board.lost_readings
    );
    if let Some(bound_s) = board.utc_bound_s {
        let _ = write!(line, ", UTC ±{:.1} ms", bound_s * 1e3);
    }
    if board.guard != "off" {
        let _ = write!(line, ", guard {}", board.guard);
    }
    if board.another_board {
        line.push_str(", ANOTHER BOARD");
    } else if !board.measuring {
        line.push_str(", NO BOARD");
    }
    if recorder.trouble.is_some() {
        let _ = write!(line, ", DISK: {} kB waiting", recorder.waiting_bytes / 1000);
    }
    line
}

fn put(line: &mut String, value: Option<f64>, decimals: usize, unit: &str) {
    match value {
        Some(value) => {
            // What rounds to nothing has no sign.
            let smallest_shown = 0.5 * 10_f64.powi(-(decimals as i32));
            let value = if value.abs() < smallest_shown { 0.0 } else { value };
            let _ = write!(line, " {value:.decimals$} {unit}");
        }
        None => {
            let _ = write!(line, " -- {unit}");
        }
    }
}
