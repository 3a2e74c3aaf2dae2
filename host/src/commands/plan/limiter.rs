//! `steady plan limiter`: what to put in series for the first switch-on of a unit that may be shorted.

use serde::Serialize;
use steadybench_analysis::limiter::{
    FirstSwitchOn, LampOption, LimiterAdvice, RailKind, ResistorOption, advise,
};
use steadybench_analysis::planning::Unit;
use steadybench_analysis::uncertainty::engineering;

use super::inputs::Inputs;
use super::sentences;
use crate::cautions;
use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::grid::grid;

const QUESTION: &str = "plan limiter";

/// Arguments of `steady plan limiter`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The rail's voltage and what a healthy unit draws: 24V 0.5A.
    #[arg(required = true, value_name = "QUANTITY")]
    quantities: Vec<String>,
    /// The rail is alternating, its voltage given as root mean square.
    #[arg(long)]
    ac: bool,
}

#[derive(Debug, Serialize)]
struct Answer {
    asked: FirstSwitchOn,
    advice: LimiterAdvice,
    caution: [&'static str; 2],
}

pub(super) fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    console.result(&answer(args)?, page);
    Ok(Exit::Done)
}

fn answer(args: &Args) -> Result<Answer, Fault> {
    let mut inputs = Inputs::read(QUESTION, &args.quantities)?;
    let asked = FirstSwitchOn {
        rail_v: inputs.need(Unit::Volt, "the rail's voltage")?,
        expected_a: inputs.need(Unit::Ampere, "what a healthy unit draws")?,
        kind: if args.ac { RailKind::Ac } else { RailKind::Dc },
    };
    inputs.end("the rail's voltage and the expected current")?;
    Ok(Answer {
        asked,
        advice: advise(&asked).map_err(|error| Fault::usage(QUESTION, error.to_string()))?,
        caution: [cautions::POWER_UP, cautions::LIMITER],
    })
}

fn page(answer: &Answer) -> String {
    let advice = &answer.advice;
    let mut page = cautions::lines(&answer.caution);
    page.push_str(&format!(
        "\nAdvised: {} in series, rated {} or more\n",
        engineering(advice.resistor.resistance_ohm, "Ω", 3),
        engineering(advice.resistor.rating_w, "W", 3),
    ));
    sentences(&mut page, &advice.reasoning);
    page.push_str("Resistors\n");
    let rows: Vec<Vec<String>> = advice
        .resistors
        .iter()
        .map(|option| resistor_row(option, *option == advice.resistor))
        .collect();
    page.push_str(&grid(
        &[
            "series",
            "into a short",
            "heat then",
            "leaves",
            "heat running",
            "a converter",
            "",
        ],
        &rows,
    ));
    if !advice.lamps.is_empty() {
        page.push_str("Lamps\n");
        let rows: Vec<Vec<String>> = advice.lamps.iter().map(lamp_row).collect();
        page.push_str(&grid(
            &[
                "lamp",
                "into a short, lit",
                "cold, at first",
                "leaves",
                "heat running",
            ],
            &rows,
        ));
    }
    page.push_str("Cautions in full\n");
    sentences(&mut page, &advice.cautions);
    page.truncate(page.trim_end().len());
    page
}

fn resistor_row(option: &ResistorOption, advised: bool) -> Vec<String> {
    let (low, high) = (
        option.left_constant_current_v.min(option.left_resistive_v),
        option.left_constant_current_v.max(option.left_resistive_v),
    );
    vec![
        engineering(option.resistance_ohm, "Ω", 3),
        engineering(option.fault_a, "A", 3),
        engineering(option.fault_w, "W", 3),
        format!("{} to {}", engineering(low, "V", 3), engineering(high, "V", 3)),
        engineering(option.running_w, "W", 3),
        if option.starts_a_converter {
            "runs"
        } else {
            "starts and stops"
        }
        .to_owned(),
        if advised { "advised" } else { "" }.to_owned(),
    ]
}

fn lamp_row(option: &LampOption) -> Vec<String> {
    vec![
        format!(
            "{} x {} V {} W",
            option.in_series, option.voltage_v, option.power_w
        ),
        engineering(option.fault_a, "A", 3),
        engineering(option.cold_fault_a, "A", 3),
        engineering(option.left_v, "V", 3),
        engineering(option.running_w, "W", 3),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(words: &str, ac: bool) -> Result<Answer, Fault> {
        answer(&Args {
            quantities: vec![words.to_owned()],
            ac,
        })
    }

    /// The vent controller; Ohm's law: 24 V through 15 Ω is 1.6 A and 38.4 W.
    #[test]
    fn cautions_come_first_and_the_advice_stands_among_its_neighbours() {
        let page = page(&asked("24V 0.5A", false).unwrap());
        assert!(page.starts_with("Caution: Before power-up:"), "{page}");
        assert!(
            page.contains("\nAdvised: 15.0 Ω in series, rated 76.8 W or more\n"),
            "{page}"
        );
        let advised = page.lines().find(|line| line.ends_with("advised")).unwrap();
        assert!(
            advised.contains("1.60 A") && advised.contains("38.4 W"),
            "{advised}"
        );
        assert!(page.contains("nothing here is for mains-side wiring"), "{page}");
    }

    #[test]
    fn above_low_voltage_there_is_a_caution_and_no_advice() {
        for (words, ac) in [("230V 0.5A", true), ("48V 1A", true), ("100V 1A", false)] {
            let fault = asked(words, ac).unwrap_err().to_string();
            assert!(
                fault.contains("no advice is given") && fault.contains("licensed"),
                "{fault}"
            );
        }
    }
}
