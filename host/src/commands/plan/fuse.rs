//! `steady plan fuse`: whether a fuse carries a rail, survives its switch-on and protects it.

use std::path::{Path, PathBuf};

use clap::ValueEnum;
use serde::Serialize;
use steadybench_analysis::fuse::{
    FuseCheck, FuseFinding, FuseMarking, FuseNeighbour, FuseStandard, FuseVerdict, Measured, MeltingSeries,
    MeltingSource, check, neighbours, parse_marking,
};
use steadybench_analysis::power_up::{ChannelPowerUp, PowerUpExamination};
use steadybench_analysis::uncertainty::engineering;

use super::inputs::{amperes, celsius, i2t, seconds};
use super::sentences;
use crate::cautions;
use crate::console::Console;
use crate::examine::{RunFolder, Settings};
use crate::exit::Exit;
use crate::fault::Fault;
use crate::grid::grid;

/// How many ratings below and above are shown.
const NEIGHBOURS: usize = 2;

/// Arguments of `steady plan fuse`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The fuse as it is stamped: T1.6AH250V.
    #[arg(required = true, value_name = "MARKING", value_parser = parse_marking)]
    fuse: FuseMarking,
    /// What is printed beside the holder.
    #[arg(long, value_parser = parse_marking)]
    marked: Option<FuseMarking>,
    /// The rule it is made to, where the stamp does not say it.
    #[arg(long, value_enum)]
    standard: Option<Standard>,
    /// A run folder with a recorded power-up: I²t and running current are taken from it.
    #[arg(long)]
    run: Option<PathBuf>,
    /// Which channel of the run.
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=2), requires = "run")]
    channel: u8,
    /// Which board of a run with several, from 1.
    #[arg(long, requires = "run")]
    board: Option<usize>,
    /// I²t of one switch-on: 1.2A2s, or its interval: 1.1A2s..1.35A2s.
    #[arg(long, value_parser = measured_i2t)]
    i2t: Option<Measured>,
    /// How long the switch-on lasts.
    #[arg(long, value_parser = seconds)]
    pulse: Option<f64>,
    /// Running current, root mean square: 0.55A, or its interval: 0.54A..0.56A.
    #[arg(long, value_parser = measured_current)]
    running: Option<Measured>,
    /// The most the supply gives into a short.
    #[arg(long, value_parser = amperes)]
    supply_limit: Option<f64>,
    /// What the thinnest lead or track on the rail carries for good.
    #[arg(long, value_parser = amperes)]
    lead: Option<f64>,
    /// Switch-ons over the fuse's life.
    #[arg(long, default_value_t = 10_000)]
    switch_ons: u64,
    /// Air temperature at the fuse.
    #[arg(long, value_parser = celsius, default_value = "25C")]
    ambient: f64,
    /// The melting I²t from the fuse's own data sheet.
    #[arg(long, value_parser = i2t, conflicts_with = "typical")]
    melting: Option<f64>,
    /// One maker's typical melting I²t in its place; another's may differ many times over.
    #[arg(long, value_enum)]
    typical: Option<Typical>,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Standard {
    /// IEC 60127-2 sheet 1: quick, high breaking capacity.
    Sheet1,
    /// IEC 60127-2 sheet 2: quick, low breaking capacity.
    Sheet2,
    /// IEC 60127-2 sheet 3: time-lag, low breaking capacity.
    Sheet3,
    /// IEC 60127-2 sheet 5: time-lag, high breaking capacity.
    Sheet5,
    /// UL 248-14.
    Ul248,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Typical {
    /// Time-lag, glass.
    #[value(name = "littelfuse-213")]
    Littelfuse213,
    /// Time-lag, ceramic.
    #[value(name = "bel-5ht")]
    Bel5Ht,
    /// Time-lag, ceramic.
    SchurterSmdSpt,
    /// Quick, ceramic.
    #[value(name = "littelfuse-216sp")]
    Littelfuse216Sp,
}

/// The answer, for programs and for people.
#[derive(Debug, Serialize)]
struct Answer {
    asked: FuseCheck,
    /// Run folder and channel that the figures came from.
    #[serde(skip_serializing_if = "Option::is_none")]
    measured_in: Option<String>,
    finding: FuseFinding,
    neighbours: Vec<FuseNeighbour>,
    caution: &'static str,
}

pub(super) fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    console.result(&answer(args)?, page);
    Ok(Exit::Done)
}

fn answer(args: &Args) -> Result<Answer, Fault> {
    let mut asked = FuseCheck {
        marked: args.marked,
        standard: args.standard.map(Standard::rule),
        supply_limit_a: args.supply_limit,
        lead_rating_a: args.lead,
        switch_ons: args.switch_ons,
        ambient_c: args.ambient,
        melting: match (args.melting, args.typical) {
            (Some(value), _) => MeltingSource::Given(value),
            (None, Some(typical)) => MeltingSource::Typical(typical.series()),
            (None, None) => MeltingSource::GatesOnly,
        },
        ..FuseCheck::new(args.fuse)
    };
    if let Some(folder) = &args.run {
        asked = asked.with_power_up(&power_up(folder, args.board, args.channel)?);
    }
    // What was typed is meant, whatever a run says.
    asked.i2t_a2s = args.i2t.or(asked.i2t_a2s);
    asked.pulse_s = args.pulse.or(asked.pulse_s);
    asked.running_a = args.running.or(asked.running_a);
    Ok(Answer {
        finding: check(&asked),
        neighbours: neighbours(&asked, NEIGHBOURS),
        measured_in: args
            .run
            .as_ref()
            .map(|folder| format!("{}, channel {}", folder.display(), args.channel)),
        asked,
        caution: cautions::FUSE,
    })
}

/// The switch-on that a run recorded on one channel.
fn power_up(folder: &Path, board: Option<usize>, channel: u8) -> Result<ChannelPowerUp, Fault> {
    let run = RunFolder::open(folder, board)?;
    let mut examination = PowerUpExamination::new(Settings::default().power_up());
    run.each_sample(|sample| examination.push(sample))?;
    examination
        .finish()
        .inrush
        .into_iter()
        .find(|found| found.channel == channel)
        .ok_or_else(|| {
            Fault::new(
                Exit::BadInput,
                folder.display().to_string(),
                format!("channel {channel} has no reading in it"),
            )
            .remedy("name the channel that was recorded: --channel 1 or --channel 2")
        })
}

impl Standard {
    const fn rule(self) -> FuseStandard {
        match self {
            Self::Sheet1 => FuseStandard::Sheet1,
            Self::Sheet2 => FuseStandard::Sheet2,
            Self::Sheet3 => FuseStandard::Sheet3,
            Self::Sheet5 => FuseStandard::Sheet5,
            Self::Ul248 => FuseStandard::Ul248,
        }
    }
}

impl Typical {
    const fn series(self) -> MeltingSeries {
        match self {
            Self::Littelfuse213 => MeltingSeries::Littelfuse213,
            Self::Bel5Ht => MeltingSeries::Bel5Ht,
            Self::SchurterSmdSpt => MeltingSeries::SchurterSmdSpt,
            Self::Littelfuse216Sp => MeltingSeries::Littelfuse216Sp,
        }
    }
}

fn measured_i2t(text: &str) -> Result<Measured, String> {
    measured(text, i2t)
}

fn measured_current(text: &str) -> Result<Measured, String> {
    measured(text, amperes)
}

/// One figure, or the ends of its interval with `..` between them.
fn measured(text: &str, read: fn(&str) -> Result<f64, String>) -> Result<Measured, String> {
    let Some((low, high)) = text.split_once("..") else {
        return read(text).map(Measured::exactly);
    };
    let (low, high) = (read(low)?, read(high)?);
    if low > high {
        return Err(format!("`{text}`: the lower end stands first"));
    }
    Ok(Measured {
        value: 0.5 * (low + high),
        low,
        high: Some(high),
    })
}

/// The word as it is said.
const fn word(verdict: FuseVerdict) -> &'static str {
    match verdict {
        FuseVerdict::Carries => "carries it",
        FuseVerdict::OpensOnSwitchOn => "opens on switch-on",
        FuseVerdict::TooSmall => "too small for the running current",
        FuseVerdict::TooLarge => "too large to protect this rail",
        FuseVerdict::CannotSay => "cannot say",
    }
}

fn page(answer: &Answer) -> String {
    let finding = &answer.finding;
    let mut page = format!(
        "{}: {}\n",
        engineering(answer.asked.fuse.rating_a, "A", 3),
        word(finding.verdict)
    );
    sentences(&mut page, &finding.reasons);
    if let Some(measured_in) = &answer.measured_in {
        page.push_str(&format!("Measured in {measured_in}\n"));
    }
    page.push_str("Taken for granted\n");
    sentences(&mut page, &finding.assumptions);
    if !finding.gates.is_empty() {
        page.push_str("Its gates\n");
        page.push_str(&gates(finding));
    }
    page.push_str("Ratings beside it in the same place, as shares of what each stands\n");
    let rows: Vec<Vec<String>> = answer.neighbours.iter().map(row).collect();
    page.push_str(&grid(
        &["rating", "running", "switch-on", "allowed", "short", "word"],
        &rows,
    ));
    page.push_str(&cautions::lines(&[answer.caution]));
    page
}

fn row(neighbour: &FuseNeighbour) -> Vec<String> {
    let finding = &neighbour.finding;
    let percent =
        |ratio: Option<f64>| ratio.map_or("-".to_owned(), |ratio| format!("{:.0} %", 100.0 * ratio));
    vec![
        engineering(neighbour.rating_a, "A", 3),
        percent(finding.running_ratio),
        percent(finding.pulse_ratio),
        percent(finding.pulse_ratio_allowed),
        finding
            .fault_multiple
            .map_or("-".to_owned(), |multiple| format!("{multiple:.1} times")),
        word(finding.verdict).to_owned(),
    ]
}

/// As a data sheet prints it: milliseconds, seconds, minutes.
fn opening_time(seconds: f64) -> String {
    match seconds {
        s if s < 1.0 => format!("{} ms", (s * 1e3).round()),
        s if s < 300.0 => format!("{s} s"),
        s => format!("{} min", s / 60.0),
    }
}

fn gates(finding: &FuseFinding) -> String {
    let rows: Vec<Vec<String>> = finding
        .gates
        .iter()
        .map(|gate| {
            let limit = |limit: Option<steadybench_analysis::fuse::TimeLimit>| {
                limit.map_or("-".to_owned(), |limit| {
                    format!("{} ({})", opening_time(limit.seconds), limit.vouched)
                })
            };
            vec![
                format!("{} times", gate.multiple),
                limit(gate.at_least),
                limit(gate.at_most),
            ]
        })
        .collect();
    grid(&["current", "opens no sooner than", "and no later than"], &rows)
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::Parser;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        args: Args,
    }

    fn asked(words: &str) -> Answer {
        answer(&Line::parse_from(std::iter::once("fuse").chain(words.split(' '))).args).unwrap()
    }

    #[test]
    fn every_word_is_reached_and_said_with_its_margin() {
        let rail = "--running 0.55A --i2t 1.1A2s..1.35A2s --typical bel-5ht";
        for (words, word, part) in [
            (
                format!("T1.6AH250V {rail} --supply-limit 10A --switch-ons 1000"),
                "carries it",
                "of the 5.90 A2s that melt it",
            ),
            (
                format!("T1.6AH {rail} --supply-limit 3A"),
                "too large to protect this rail",
                "1.88 times the rating",
            ),
            (
                "T1.6AH --running 0.55A --i2t 7A2s --melting 5.9A2s --supply-limit 10A".to_owned(),
                "opens on switch-on",
                "one switch-on brings at least 7.00 A2s",
            ),
            (
                "T1.6AH".to_owned(),
                "cannot say",
                "the I2t of the switch-on isn't known: record a power-up",
            ),
        ] {
            let page = page(&asked(&words));
            assert!(page.starts_with(&format!("1.60 A: {word}\n")), "{words}: {page}");
            assert!(page.contains(part), "{words}: {page}");
            assert!(page.contains("°C at the fuse") || word == "cannot say", "{page}");
            assert!(page.contains("Fit only the kind of fuse marked"), "{page}");
        }
    }

    #[test]
    fn the_ratings_beside_it_have_their_own_words() {
        let answer = asked(
            "T1.6AH --running 1.7A --i2t 1A2s --typical bel-5ht --supply-limit 20A --switch-ons 100 --ambient 45C",
        );
        let ratings: Vec<f64> = answer.neighbours.iter().map(|row| row.rating_a).collect();
        assert_eq!(ratings, [1.0, 1.25, 1.6, 2.0, 2.5]);
        assert_eq!(answer.finding.verdict, FuseVerdict::TooSmall);
        // 2 A less 0.5 % a kelvin above 25 °C carries 1.8 A.
        assert_eq!(answer.neighbours[3].finding.verdict, FuseVerdict::Carries);
        let json = serde_json::to_value(&answer).unwrap();
        assert_eq!(json["finding"]["verdict"], "too small for the running current");
    }

    /// The kept recording of the virtual bench: some 25 mA²s at the switch-on, 85 mA running.
    #[test]
    fn figures_are_taken_from_a_run_and_what_is_typed_goes_before() {
        let folder = tempfile::tempdir().unwrap();
        let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/wire-format-1.bin");
        std::fs::copy(kept, folder.path().join("wire.log")).unwrap();
        let run = folder.path().display().to_string();
        let words = format!("T1.6AH --run {run} --channel 1 --supply-limit 10A --typical bel-5ht");
        let answer = asked(&words);
        assert_eq!(answer.finding.verdict, FuseVerdict::Carries);
        let (i2t, running) = (answer.asked.i2t_a2s.unwrap(), answer.asked.running_a.unwrap());
        assert!(i2t.low < 0.026 && i2t.high.unwrap() > 0.024, "{i2t:?}");
        assert!((running.value - 0.085).abs() < 0.001, "{running:?}");
        assert!(page(&answer).contains(&format!("Measured in {run}, channel 1")));
        assert_eq!(
            asked(&format!("{words} --running 2A")).finding.verdict,
            FuseVerdict::TooSmall
        );
    }

    #[test]
    fn an_interval_is_read_with_its_ends_in_order() {
        assert_eq!(measured_current("0.5A..0.6A").unwrap().high, Some(0.6));
        assert!(
            measured_current("0.6A..0.5A")
                .unwrap_err()
                .contains("lower end stands first")
        );
        assert!(measured_i2t("1.2V").unwrap_err().contains("no unit of an I2t"));
    }
}
