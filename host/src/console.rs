//! What a command shows: words for people by default, JSON for programs, progress only on a terminal.
//!
//! Results go to standard output, remarks and progress to standard error, so that a result can be piped on.

use std::io::{IsTerminal, Write};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde::Serialize;

use crate::fault::Fault;

/// Where a command's words go.
#[derive(Clone, Copy, Debug)]
pub struct Console {
    json: bool,
    terminal: bool,
}

impl Console {
    /// A console that prints for programs when `json` is set, and shows progress when standard error is a terminal.
    #[must_use]
    pub fn new(json: bool) -> Self {
        Self {
            json,
            terminal: std::io::stderr().is_terminal(),
        }
    }

    /// Whether results are to be JSON.
    #[must_use]
    pub const fn is_json(&self) -> bool {
        self.json
    }

    /// Whether somebody watches: a terminal, and not a program that asked for JSON.
    #[must_use]
    pub const fn is_watched(&self) -> bool {
        self.terminal && !self.json
    }

    /// A result: `words` for people, or `value` as one line of JSON.
    pub fn result<T: Serialize + ?Sized>(&self, value: &T, words: impl FnOnce(&T) -> String) {
        if self.json {
            self.json(value);
        } else {
            self.say(&words(value));
        }
    }

    /// One line of JSON on standard output, whether asked for or not.
    pub fn json<T: Serialize + ?Sized>(&self, value: &T) {
        match crate::figures::line(value) {
            Ok(line) => self.say(&line),
            Err(error) => self.remark(&format!("this result cannot be written as JSON: {error}")),
        }
    }

    /// A line of a result on standard output. A reader that has gone away is no reason to stop.
    pub fn say(&self, line: &str) {
        let _ = writeln!(std::io::stdout().lock(), "{line}");
    }

    /// A remark on standard error; kept from programs that asked for JSON.
    pub fn remark(&self, line: &str) {
        if !self.json {
            self.warn(line);
        }
    }

    /// A warning on standard error, for people and programs alike.
    pub fn warn(&self, line: &str) {
        let _ = writeln!(std::io::stderr().lock(), "{line}");
    }

    /// What went wrong, on standard error: words, or an object `{"fault": ...}`.
    pub fn fault(&self, fault: &Fault) {
        let line = if self.json {
            serde_json::json!({ "fault": fault }).to_string()
        } else {
            format!("steady: {fault}")
        };
        self.warn(&line);
    }

    /// A bar for `steps` steps of `what`, drawn only on a terminal; `None` steps is a spinner.
    #[must_use]
    pub fn progress(&self, steps: Option<u64>, what: &str) -> ProgressBar {
        let target = if self.is_watched() {
            ProgressDrawTarget::stderr()
        } else {
            ProgressDrawTarget::hidden()
        };
        let bar = ProgressBar::with_draw_target(steps, target);
        let template = match steps {
            Some(_) => "{msg} {wide_bar} {percent} % {eta}",
            None => "{spinner} {msg}",
        };
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style);
        }
        bar.set_message(what.to_owned());
        bar
    }
}
