//! The handbook is kept true: every command in `host/handbook` is run, and what it prints is held against the page.
//!
//! - A block ```` ```console ```` is run line by line, each command behind `$ `. Figures may vary from run to run: digits and
//!   blanks are not compared, a `…` stands for anything on its line, and a line of nothing but `…` for any lines.
//! - ```` ```console exact ```` compares every letter.
//! - `(exit code N)` is the last line of what a command prints that ends otherwise than well.
//! - `<!-- parsed, not run -->` before a block: its commands only have to be commands.
//! - `<!-- rehearse: kind=soak scenario=greenhouse-healthy for=4h rate=100 job=vents -->` makes a run in virtual time.
//! - `<!-- taps: scenario=greenhouse-cracked-joint for=240s file=places.csv -->` writes down what the person of that bench taps
//!   when.
//! - `<!-- typed: "…" -->` is what the person types at the next command.
//! - ```` ```csv NAME ```` is put into the file NAME.
//!
//! `STEADYBENCH_HANDBOOK=write cargo test -p steadybench-host --test handbook` puts what was printed into the pages where it
//! differs, to be read through by whoever does it.

#![cfg(unix)]
#![allow(clippy::unwrap_used)] // A test may stop at once.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use clap::{CommandFactory, Parser, ValueEnum};
use steadybench_host::commands::Cli;
use steadybench_host::quantity::parse_duration;
use steadybench_host::recorder::{RunKind, find_collector};

mod rehearse;
use rehearse::Bench;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("handbook")
}

/// A command on a page and what the page says it prints.
#[derive(Debug)]
struct Step {
    words: Vec<String>,
    background: bool,
    printed: Vec<String>,
    /// Lines of the page that hold what it prints.
    lines: std::ops::Range<usize>,
    exact: bool,
    run: bool,
    typed: String,
}

/// A page on its way: its folder of the moment, its programs in the background.
struct Page {
    name: String,
    text: Vec<String>,
    place: tempfile::TempDir,
    background: Vec<Child>,
}

impl Drop for Page {
    fn drop(&mut self) {
        for child in &mut self.background {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

fn comment<'a>(line: &'a str, name: &str) -> Option<&'a str> {
    line.strip_prefix("<!-- ")?
        .strip_suffix(" -->")?
        .strip_prefix(name)
}

impl Page {
    fn read(name: &str) -> Self {
        let text = std::fs::read_to_string(folder().join(name)).unwrap();
        Self {
            name: name.to_owned(),
            text: text.lines().map(str::to_owned).collect(),
            place: tempfile::tempdir().unwrap(),
            background: Vec::new(),
        }
    }

    /// Goes through the page from its top; gives what did not print as the page says, by the lines it stands in.
    fn go_through(&mut self) -> Vec<(std::ops::Range<usize>, Vec<String>)> {
        let (mut at, mut parsed_only, mut typed) = (0, false, String::new());
        let mut differing = Vec::new();
        while at < self.text.len() {
            let line = self.text[at].clone();
            if let Some(what) = comment(&line, "rehearse: ") {
                self.rehearse(what);
            } else if let Some(what) = comment(&line, "taps: ") {
                self.write_down_taps(what);
            } else if let Some(what) = comment(&line, "typed: ") {
                typed = serde_json::from_str(what).unwrap();
            } else if comment(&line, "parsed, not run").is_some() {
                parsed_only = true;
            } else if let Some(kind) = line.strip_prefix("```").filter(|kind| !kind.is_empty()) {
                let end = at + 1 + self.text[at + 1..].iter().position(|line| line == "```").unwrap();
                if let Some(file) = kind.strip_prefix("csv ") {
                    let content = self.text[at + 1..end].join("\n") + "\n";
                    std::fs::write(self.place.path().join(file), content).unwrap();
                } else if kind == "console" || kind == "console exact" {
                    for mut step in steps(&self.text, at + 1..end, kind.ends_with("exact"), !parsed_only) {
                        step.typed = std::mem::take(&mut typed);
                        if let Some(printed) = self.take(&step) {
                            differing.push((step.lines, printed));
                        }
                    }
                    parsed_only = false;
                }
                at = end;
            }
            at += 1;
        }
        differing
    }

    /// Runs a step; gives what it printed where that differs.
    fn take(&mut self, step: &Step) -> Option<Vec<String>> {
        let words = &step.words;
        assert_eq!(words[0], "steady", "{}: only steady is run: {words:?}", self.name);
        if !step.run {
            Cli::try_parse_from(words).unwrap_or_else(|error| panic!("{}: {words:?}: {error}", self.name));
            return None;
        }
        let output = self.place.path().join(".printed");
        let file = File::create(&output).unwrap();
        let kept = self.place.path().join(".config");
        let mut command = Command::new(env!("CARGO_BIN_EXE_steady"));
        command
            .args(&words[1..])
            .current_dir(self.place.path())
            .env("HOME", self.place.path())
            .env("XDG_CONFIG_HOME", &kept)
            .env_remove("STEADY_CALIBRATIONS")
            .env_remove("STEADY_REFERENCES")
            .stdin(if step.typed.is_empty() {
                Stdio::null()
            } else {
                Stdio::piped()
            });
        if step.background {
            let child = command
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
            self.background.push(child);
            let job = words.iter().skip_while(|word| *word != "--job").nth(1).unwrap();
            let job = self.place.path().join(job);
            until("the collector", || find_collector(&job).is_ok());
            return None;
        }
        command.stdout(file.try_clone().unwrap()).stderr(file);
        let mut child = command.spawn().unwrap();
        if let Some(mut stdin) = child.stdin.take() {
            stdin.write_all(step.typed.as_bytes()).unwrap();
        }
        let status = child.wait().unwrap();
        let printed = String::from_utf8_lossy(&std::fs::read(&output).unwrap()).into_owned();
        let mut printed: Vec<String> = printed
            .trim_end()
            .lines()
            .map(|line| line.trim_end().to_owned())
            .collect();
        if !status.success() {
            printed.push(format!("(exit code {})", status.code().unwrap()));
        }
        (!alike(&step.printed, &printed, step.exact)).then_some(printed)
    }

    fn write_down_taps(&self, what: &str) {
        let scenario: steadybench_virtual::Scenario = setting(what, "scenario").unwrap().parse().unwrap();
        let steadybench_virtual::SwitchOn::AfterRunBegins(on_s) = scenario.switch_on else {
            panic!("{}: nobody switches it on", self.name)
        };
        let length_s = parse_duration(setting(what, "for").unwrap())
            .unwrap()
            .as_secs_f64();
        let tapping = scenario.tapping.unwrap();
        let mut rows = String::from("time_s,kind,label\n");
        for (number, place) in scenario.unit.places.iter().cycle().enumerate() {
            let at_s = on_s + tapping.first_s + tapping.every_s * number as f64;
            if at_s >= length_s {
                break;
            }
            rows.push_str(&format!("{at_s},tap,{}\n", place.name));
        }
        std::fs::write(self.place.path().join(setting(what, "file").unwrap()), rows).unwrap();
    }

    fn rehearse(&mut self, what: &str) {
        // A collector that was told to end holds its job until it has closed its files.
        for mut child in self.background.drain(..) {
            child.wait().unwrap();
        }
        let optional = |key: &str| setting(what, key);
        let value = |key: &str| optional(key).unwrap_or_else(|| panic!("{}: {what}: no {key}", self.name));
        let mut scenario: steadybench_virtual::Scenario = value("scenario").parse().unwrap();
        if optional("vents") == Some("still") {
            scenario.unit.programme = None;
        }
        if optional("swapped") == Some("yes") {
            scenario.unit.stages.swap(0, 1);
        }
        let bench = Bench {
            kind: RunKind::from_str(value("kind"), false).unwrap(),
            rate_hz: value("rate").parse().unwrap(),
            length: parse_duration(value("for")).unwrap(),
            scenario,
            seed: optional("seed").map_or(1, |seed| seed.parse().unwrap()),
        };
        bench.record(&self.place.path().join(value("job")));
    }
}

/// A setting of a directive, written as KEY=VALUE.
fn setting<'a>(what: &'a str, key: &str) -> Option<&'a str> {
    what.split(' ')
        .find_map(|pair| pair.strip_prefix(key)?.strip_prefix('='))
}

fn until(what: &str, ready: impl Fn() -> bool) {
    let patience = Instant::now() + Duration::from_secs(60);
    while !ready() {
        assert!(Instant::now() < patience, "{what} did not come");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// The commands of a block.
fn steps(text: &[String], block: std::ops::Range<usize>, exact: bool, run: bool) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    let mut at = block.start;
    while at < block.end {
        let Some(first) = text[at].strip_prefix("$ ") else {
            let step = steps.last_mut().expect("a block begins with a command");
            step.printed.push(text[at].clone());
            at += 1;
            step.lines.end = at;
            continue;
        };
        let mut command = first.to_owned();
        while let Some(begun) = command.strip_suffix('\\') {
            at += 1;
            command = format!("{} {}", begun.trim_end(), text[at].trim());
        }
        at += 1;
        let mut words = words(&command);
        let background = words.last().is_some_and(|word| word == "&");
        if background {
            words.pop();
        }
        steps.push(Step {
            words,
            background,
            printed: Vec::new(),
            lines: at..at,
            exact,
            run,
            typed: String::new(),
        });
    }
    steps
}

/// Words as a shell takes them, with quotation marks of both kinds.
fn words(command: &str) -> Vec<String> {
    let (mut words, mut word, mut quote, mut begun) = (Vec::new(), String::new(), None, false);
    for letter in command.chars() {
        match (quote, letter) {
            (Some(open), letter) if open == letter => quote = None,
            (Some(_), letter) => word.push(letter),
            (None, '"' | '\'') => (quote, begun) = (Some(letter), true),
            (None, ' ') => {
                if begun || !word.is_empty() {
                    words.push(std::mem::take(&mut word));
                }
                begun = false;
            }
            (None, letter) => word.push(letter),
        }
    }
    if begun || !word.is_empty() {
        words.push(word);
    }
    words
}

/// Digits and blanks taken out: every figure is one `#`, with sign, point and the prefix of its unit.
fn without_figures(line: &str) -> String {
    let (mut plain, mut in_figure) = (String::new(), false);
    for letter in line.trim().chars() {
        let figure = letter.is_ascii_digit() || in_figure && matches!(letter, '.' | ':');
        match (figure, in_figure) {
            (true, false) => {
                if plain.ends_with(['-', '+']) {
                    plain.pop();
                }
                plain.push('#');
            }
            (true, true) => {}
            (false, _) if letter == ' ' && plain.ends_with(' ') => {}
            (false, _) => plain.push(letter),
        }
        in_figure = figure;
    }
    for prefix in ["p", "n", "µ", "m", "k"] {
        for unit in ["A", "V", "K", "C", "codes"] {
            plain = plain.replace(&format!("# {prefix}{unit}"), &format!("# {unit}"));
        }
    }
    plain
}

fn alike(expected: &[String], printed: &[String], exact: bool) -> bool {
    let Some((first, rest)) = expected.split_first() else {
        return printed.is_empty();
    };
    if first == "…" {
        return (0..=printed.len()).any(|skipped| alike(rest, &printed[skipped..], exact));
    }
    let same = |line: &String| {
        if exact {
            first == line
        } else {
            like(&without_figures(first), &without_figures(line))
        }
    };
    printed
        .split_first()
        .is_some_and(|(line, others)| same(line) && alike(rest, others, exact))
}

/// Whether a line is as the pattern, in which `…` is anything.
fn like(pattern: &str, line: &str) -> bool {
    match pattern.split_once('…') {
        None => pattern == line,
        Some((before, after)) => line.strip_prefix(before).is_some_and(|rest| {
            (0..=rest.len())
                .filter(|at| rest.is_char_boundary(*at))
                .any(|at| like(after, &rest[at..]))
        }),
    }
}

fn keep_true(name: &str) {
    let mut page = Page::read(name);
    let differing = page.go_through();
    if std::env::var("STEADYBENCH_HANDBOOK").is_ok_and(|word| word == "write") {
        let mut text = page.text.clone();
        for (lines, printed) in differing.into_iter().rev() {
            text.splice(lines, printed);
        }
        std::fs::write(folder().join(name), text.join("\n") + "\n").unwrap();
        return;
    }
    let told: Vec<String> = differing
        .iter()
        .map(|(lines, printed)| format!("{name}, line {}: it prints\n{}", lines.start, printed.join("\n")))
        .collect();
    assert!(told.is_empty(), "{}", told.join("\n\n"));
}

macro_rules! pages {
    ($($test:ident: $file:literal,)*) => {
        const PAGES: &[&str] = &[$($file),*];
        $(#[test] fn $test() { keep_true($file); })*
    };
}

pages! {
    readme: "README.md",
    installing: "installing.md",
    power_up: "power-up.md",
    twins: "twins.md",
    taps: "taps.md",
    swap: "swap.md",
    soak: "soak.md",
    closing: "closing.md",
    good_units: "good-units.md",
    any_meter: "any-meter.md",
    export: "export.md",
    calibrating: "calibrating.md",
    words_it_uses: "words.md",
    troubleshooting: "troubleshooting.md",
}

#[test]
fn every_page_is_kept_true_and_listed_on_the_first() {
    let mut found: Vec<String> = std::fs::read_dir(folder())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|name| name.ends_with(".md"))
        .collect();
    found.sort();
    let mut known: Vec<&str> = PAGES.to_vec();
    known.sort_unstable();
    assert_eq!(found, known);
    let first = std::fs::read_to_string(folder().join("README.md")).unwrap();
    for name in known.iter().filter(|name| **name != "README.md") {
        assert!(
            first.contains(&format!("({name})")),
            "{name} is not listed in README.md"
        );
    }
}

/// The comparison itself: a page that is wrong has to be found out.
#[test]
fn a_wrong_word_is_found_and_another_figure_is_not() {
    let lines = |text: &str| text.lines().map(str::to_owned).collect::<Vec<_>>();
    let printed = lines("Channel 1: settled\n  drift   -3 µA/h (-65 to 54 µA/h)\nin /tmp/x/0001-soak");
    assert!(alike(
        &lines("Channel 1: settled\n  drift  12 µA/h (1 to 5.5 µA/h)\nin …"),
        &printed,
        false
    ));
    assert!(alike(&lines("Channel 1: settled\n…"), &printed, false));
    assert!(!alike(&lines("Channel 1: drifting\n…"), &printed, false));
    assert!(!alike(&lines("Channel 1: settled"), &printed, false));
    assert!(!alike(&lines("Channel 2: settled\n…"), &printed, true));
    assert_eq!(words("a \"b c\" '' d"), ["a", "b c", "", "d"]);
}

/// Exit codes on the page are the program's.
#[test]
fn the_exit_codes_are_the_programs() {
    let page = std::fs::read_to_string(folder().join("troubleshooting.md")).unwrap();
    for (exit, meaning) in steadybench_host::Exit::ALL {
        let row = format!("| {} | {meaning} |", exit.code());
        assert!(page.contains(&row), "no row: {row}");
    }
}

/// Whoever reads README learns of every command.
#[test]
fn every_command_is_in_the_readme() {
    let readme = std::fs::read_to_string(folder().join("../../README.md")).unwrap();
    for command in Cli::command().get_subcommands() {
        let name = format!("`steady {}", command.get_name());
        assert!(readme.contains(&name), "README.md does not name {name}`");
    }
}
