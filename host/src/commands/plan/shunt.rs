//! `steady plan shunt`: burden, heat and resolution of a shunt, and of a track used as one.

use serde::Serialize;
use steadybench_analysis::planning::{
    ShuntAdvice, ShuntNeed, ShuntOption, Track, TrackEstimate, Unit, choose_shunt, estimate_track,
    parse_quantity, shunt_option,
};
use steadybench_analysis::uncertainty::engineering;

use super::inputs::{Inputs, amperes, celsius, kelvins, kelvins_per_watt, share_per_kelvin, volts, watts};
use super::sentences;
use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::grid::grid;

const QUESTION: &str = "plan shunt";

/// How many values below and above the advised one a page shows; JSON has them all.
const NEIGHBOURS: usize = 6;

/// Arguments of `steady plan shunt`.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The rail's voltage, the highest running current and, if one is thought of, the shunt: 24V 1.5A 50mOhm.
    #[arg(required = true, value_name = "QUANTITY")]
    quantities: Vec<String>,
    /// The highest current to be read without clipping, such as the switch-on's.
    #[arg(long, value_parser = amperes)]
    peak: Option<f64>,
    /// The most voltage the shunt may take; 0.5 % of the rail if not given.
    #[arg(long, value_parser = volts)]
    burden: Option<f64>,
    /// The most heat in it.
    #[arg(long, value_parser = watts)]
    power: Option<f64>,
    /// Its temperature coefficient; 75ppm/K if not given.
    #[arg(long, value_parser = share_per_kelvin)]
    coefficient: Option<f64>,
    /// How warm it gets; 60K/W if not given.
    #[arg(long, value_parser = kelvins_per_watt)]
    thermal_resistance: Option<f64>,
    /// A length of track to be used as shunt instead: 10mm x 1mm x 35um (length, width, copper; 35um if not given).
    #[arg(long, value_name = "LENGTHxWIDTH[xCOPPER]")]
    track: Option<String>,
    /// The track's temperature.
    #[arg(long, value_parser = celsius, default_value = "25C")]
    temperature: f64,
    /// How far that may be off or change, either way.
    #[arg(long, value_parser = kelvins, default_value = "15K")]
    temperature_off: f64,
}

/// The answer, for programs and for people.
#[derive(Debug, Serialize)]
struct Answer {
    #[serde(skip_serializing_if = "Option::is_none")]
    need: Option<ShuntNeed>,
    /// The shunt asked about.
    #[serde(skip_serializing_if = "Option::is_none")]
    asked: Option<ShuntOption>,
    #[serde(skip_serializing_if = "Option::is_none")]
    advice: Option<ShuntAdvice>,
    #[serde(skip_serializing_if = "Option::is_none")]
    track: Option<TrackEstimate>,
}

pub(super) fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    console.result(&answer(args)?, page);
    Ok(Exit::Done)
}

fn answer(args: &Args) -> Result<Answer, Fault> {
    let wrong = |error: String| Fault::usage(QUESTION, error);
    let mut inputs = Inputs::read(QUESTION, &args.quantities)?;
    let running_a = inputs.need(Unit::Ampere, "the running current")?;
    let track = match &args.track {
        Some(text) => Some(estimate_track(&track(text, running_a, args)?).map_err(|e| wrong(e.to_string()))?),
        None => None,
    };
    // A track alone needs no rail.
    if track.is_some() && inputs.is_empty() {
        return Ok(Answer {
            need: None,
            asked: None,
            advice: None,
            track,
        });
    }
    let rail_v = inputs.need(Unit::Volt, "the rail's voltage")?;
    let asked_ohm = inputs.take(Unit::Ohm);
    inputs
        .end("the rail's voltage, the running current and one shunt; the rest have options of their own")?;
    let usual = ShuntNeed::new(rail_v, running_a);
    let need = ShuntNeed {
        peak_a: args.peak,
        burden_v: args.burden,
        power_w: args.power.unwrap_or(usual.power_w),
        coefficient_per_k: args.coefficient.unwrap_or(usual.coefficient_per_k),
        thermal_resistance_k_per_w: args
            .thermal_resistance
            .unwrap_or(usual.thermal_resistance_k_per_w),
        ..usual
    };
    let advice = choose_shunt(&need).map_err(|error| wrong(error.to_string()))?;
    let asked = match asked_ohm {
        Some(ohm) => Some(shunt_option(&need, ohm).map_err(|error| wrong(error.to_string()))?),
        None => None,
    };
    Ok(Answer {
        need: Some(need),
        asked,
        advice: Some(advice),
        track,
    })
}

/// Reads `10mm x 1mm x 35um`.
fn track(text: &str, current_a: f64, args: &Args) -> Result<Track, Fault> {
    let wrong = || {
        Fault::usage(
            format!("--track {text}"),
            "a track is length x width x thickness of the copper",
        )
        .remedy("write it like 10mmx1mm or 10mmx1mmx35um; copper of one ounce is 1oz")
    };
    let sizes: Vec<f64> = text
        .split(['x', '×', 'X'])
        .map(|size| parse_quantity(size, Unit::Metre))
        .collect::<Result<_, _>>()
        .map_err(|_| wrong())?;
    let (length_m, width_m, thickness_m) = match sizes[..] {
        [length_m, width_m] => (length_m, width_m, 35e-6),
        [length_m, width_m, thickness_m] => (length_m, width_m, thickness_m),
        _ => return Err(wrong()),
    };
    Ok(Track {
        length_m,
        width_m,
        thickness_m,
        temperature_c: args.temperature,
        temperature_uncertainty_k: args.temperature_off,
        current_a,
    })
}

fn page(answer: &Answer) -> String {
    let mut page = String::new();
    if let Some(option) = &answer.asked {
        let word = if option.fits {
            "it fits".to_owned()
        } else {
            format!("it does not fit: {}", option.objections.join("; "))
        };
        page.push_str(&format!(
            "A shunt of {}: {word}\n",
            engineering(option.resistance_ohm, "Ω", 3)
        ));
        page.push_str(&grid(&HEADING, &[row(option, false)]));
    }
    if let Some(advice) = &answer.advice {
        page.push_str(&match &advice.chosen {
            Some(option) => format!("Advised: {}\n", engineering(option.resistance_ohm, "Ω", 3)),
            None => "No common shunt fits all of that; the table says what stands in the way.\n".to_owned(),
        });
        sentences(&mut page, &advice.reasoning);
        let chosen = advice
            .table
            .iter()
            .position(|option| advice.chosen.as_ref() == Some(option));
        let around = chosen.unwrap_or(advice.table.len() / 2);
        let rows: Vec<Vec<String>> = advice
            .table
            .iter()
            .enumerate()
            .filter(|(at, _)| at.abs_diff(around) <= NEIGHBOURS)
            .map(|(at, option)| row(option, chosen == Some(at)))
            .collect();
        page.push_str(&grid(&HEADING, &rows));
    }
    if let Some(track) = &answer.track {
        page.push_str(&format!(
            "A track as shunt: {}, may be {} to {}. Beware of it.\n",
            engineering(track.resistance_ohm, "Ω", 3),
            engineering(track.lowest_ohm, "Ω", 3),
            engineering(track.highest_ohm, "Ω", 3),
        ));
        page.push_str(&format!(
            "  It takes {} and {}; a step is {}.\n",
            engineering(track.burden_v, "V", 3),
            engineering(track.dissipation_w, "W", 3),
            engineering(track.step_a, "A", 3),
        ));
        sentences(&mut page, &track.reasoning);
    }
    page.truncate(page.trim_end().len());
    page
}

const HEADING: [&str; 10] = [
    "shunt",
    "reads to",
    "burden",
    "of rail",
    "heat",
    "step",
    "noise p-p",
    "warms by",
    "drifts",
    "word",
];

fn row(option: &ShuntOption, chosen: bool) -> Vec<String> {
    let word = match (chosen, option.fits) {
        (true, _) => "advised".to_owned(),
        (false, true) => "fits".to_owned(),
        (false, false) => option.objections.join("; "),
    };
    vec![
        engineering(option.resistance_ohm, "Ω", 3),
        engineering(option.full_scale_a, "A", 3),
        engineering(option.burden_v, "V", 3),
        format!("{:.2} %", option.burden_percent),
        engineering(option.dissipation_w, "W", 3),
        engineering(option.step_a, "A", 3),
        engineering(option.noise_peak_to_peak_a, "A", 3),
        format!("{:.1} K", option.self_heating_k),
        format!("{:.3} %", option.drift_percent),
        word,
    ]
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

    fn asked(words: &str) -> Result<Answer, Fault> {
        answer(&Line::parse_from(std::iter::once("shunt").chain(words.split(' '))).args)
    }

    /// The vent controller's 24 V rail; burden and heat by Ohm's law: 1.5 A · 33 mΩ = 49.5 mV, · 1.5 A = 74.25 mW.
    #[test]
    fn the_page_shows_the_advised_shunt_among_its_neighbours() {
        let answer = asked("24V 1.5A 50mOhm --peak 4A").unwrap();
        let page = page(&answer);
        assert!(
            page.starts_with("A shunt of 50.0 mΩ: it does not fit: "),
            "{page}"
        );
        assert!(page.contains("Advised: 33.0 mΩ"), "{page}");
        let advised = page.lines().find(|line| line.ends_with("advised")).unwrap();
        for figure in ["33.0 mΩ", "49.5 mV", "74.3 mW", "0.21 %"] {
            assert!(advised.contains(figure), "{advised}");
        }
        assert!(
            page.lines().filter(|line| line.ends_with("fits")).count() >= 2,
            "{page}"
        );
    }

    #[test]
    fn a_track_is_warned_about() {
        let page = page(&asked("1A --track 4mmx0.2mm --temperature 20C").unwrap());
        assert!(page.starts_with("A track as shunt: 9.85 mΩ"), "{page}");
        assert!(page.contains("0.39 % per kelvin"), "{page}");
        let fault = asked("1A --track 4mm").unwrap_err();
        insta::assert_snapshot!(fault, @"
        --track 4mm: a track is length x width x thickness of the copper
          remedy: write it like 10mmx1mm or 10mmx1mmx35um; copper of one ounce is 1oz
        ");
    }

    #[test]
    fn a_rail_that_is_not_low_voltage_is_refused() {
        let fault = asked("325V 1A").unwrap_err().to_string();
        assert!(fault.contains("trained and licensed"), "{fault}");
    }
}
