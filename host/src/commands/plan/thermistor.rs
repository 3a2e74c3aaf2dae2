//! `steady plan thermistor`: the series resistor of a thermistor divider.

use serde::Serialize;
use steadybench_analysis::planning::{DividerAdvice, DividerNeed, DividerOption, Unit, choose_divider};
use steadybench_analysis::thermistor::Curve;
use steadybench_analysis::uncertainty::engineering;

use super::inputs::{Inputs, kelvins, ohms, watts_per_kelvin};
use super::sentences;
use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::grid::grid;

const QUESTION: &str = "plan thermistor";

/// Arguments of `steady plan thermistor`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The divider's voltage, the lowest and the highest temperature, the converter's bits: 3.3V 0C 100C 12bit. What is
    /// not given is as in this example.
    #[arg(value_name = "QUANTITY")]
    quantities: Vec<String>,
    /// Its resistance at 25 °C, with --beta; the common 10 kΩ part of B 3977 K if not given.
    #[arg(long, value_parser = ohms, requires = "beta")]
    r25: Option<f64>,
    /// Its B.
    #[arg(long, value_parser = kelvins, requires = "r25")]
    beta: Option<f64>,
    /// Dissipation factor where it is mounted; 3mW/K if not given.
    #[arg(long, value_parser = watts_per_kelvin)]
    dissipation: Option<f64>,
    /// The most it may warm itself; 0.1K if not given.
    #[arg(long, value_parser = kelvins)]
    self_heating: Option<f64>,
}

#[derive(Debug, Serialize)]
struct Answer {
    need: DividerNeed,
    advice: DividerAdvice,
}

pub(super) fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    console.result(&answer(args)?, page);
    Ok(Exit::Done)
}

fn answer(args: &Args) -> Result<Answer, Fault> {
    let usual = DividerNeed::default();
    let mut inputs = Inputs::read(QUESTION, &args.quantities)?;
    let bits = inputs.take(Unit::Count).unwrap_or(f64::from(usual.bits));
    if bits.fract() != 0.0 || !(1.0..=32.0).contains(&bits) {
        return Err(Fault::usage(
            QUESTION,
            format!("a converter of {bits} bits is none: give 1 to 32, whole"),
        ));
    }
    let need = DividerNeed {
        curve: match (args.r25, args.beta) {
            (Some(r25_ohm), Some(beta_k)) => Curve::Beta { r25_ohm, beta_k },
            _ => usual.curve,
        },
        supply_v: inputs.take(Unit::Volt).unwrap_or(usual.supply_v),
        bits: bits as u32,
        from_c: inputs.take(Unit::Celsius).unwrap_or(usual.from_c),
        to_c: inputs.take(Unit::Celsius).unwrap_or(usual.to_c),
        dissipation_w_per_k: args.dissipation.unwrap_or(usual.dissipation_w_per_k),
        self_heating_k: args.self_heating.unwrap_or(usual.self_heating_k),
    };
    inputs.end("a voltage, two temperatures and a number of bits; the rest have options of their own")?;
    let advice = choose_divider(&need).map_err(|error| Fault::usage(QUESTION, error.to_string()))?;
    Ok(Answer { need, advice })
}

fn page(answer: &Answer) -> String {
    let Answer { need, advice } = answer;
    let mut page = match &advice.chosen {
        Some(option) => format!(
            "Advised: {} in series\n",
            engineering(option.resistance_ohm, "Ω", 3)
        ),
        None => "No common resistor does all of that.\n".to_owned(),
    };
    sentences(&mut page, &advice.reasoning);
    let rows: Vec<Vec<String>> = advice
        .table
        .iter()
        .map(|option| row(option, advice.chosen.as_ref() == Some(option)))
        .collect();
    let at = [need.from_c, 0.5 * (need.from_c + need.to_c), need.to_c];
    let steps = at.map(|celsius| format!("step at {celsius} °C"));
    page.push_str(&grid(
        &[
            "series",
            &steps[0],
            &steps[1],
            &steps[2],
            "coarsest",
            "warms itself",
            "word",
        ],
        &rows,
    ));
    page.truncate(page.trim_end().len());
    page
}

fn row(option: &DividerOption, advised: bool) -> Vec<String> {
    let kelvins = |kelvins: f64| format!("{kelvins:.3} K");
    let word = match (advised, option.fits) {
        (true, _) => "advised",
        (false, true) => "fits",
        (false, false) => "does not fit",
    };
    let mut cells = vec![engineering(option.resistance_ohm, "Ω", 3)];
    cells.extend(option.step_k.map(kelvins));
    cells.extend([
        kelvins(option.coarsest_step_k),
        kelvins(option.self_heating_k),
        word.to_owned(),
    ]);
    cells
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

    fn asked(words: &[&str]) -> Result<Answer, Fault> {
        answer(&Line::parse_from(["thermistor"].iter().chain(words)).args)
    }

    #[test]
    fn the_page_shows_the_advised_resistor_among_its_neighbours() {
        let answer = asked(&["3.3V", "10C", "70C", "12bit"]).unwrap();
        assert_eq!(answer.need.from_c, 10.0);
        let page = page(&answer);
        assert!(page.starts_with("Advised: "), "{page}");
        assert_eq!(
            page.lines().filter(|line| line.ends_with("advised")).count(),
            1,
            "{page}"
        );
        assert!(page.contains("step at 40 °C"), "{page}");
    }

    #[test]
    fn beta_alone_is_warned_about_and_nonsense_refused() {
        let answer = asked(&["--r25", "10k", "--beta", "3977K"]).unwrap();
        assert!(page(&answer).contains("Beta alone is wrong by up to 0.8 K"));
        let fault = asked(&["50C", "40C"]).unwrap_err().to_string();
        assert!(fault.contains("give one below the highest"), "{fault}");
        let fault = asked(&["1.5bit"]).unwrap_err();
        insta::assert_snapshot!(fault, @"plan thermistor: a converter of 1.5 bits is none: give 1 to 32, whole");
    }
}
