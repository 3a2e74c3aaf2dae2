//! One paragraph for the unit's owner, in plain words. It says no more than the findings do.

use crate::examine::Findings;
use crate::examine::words::{duration, plain};
use crate::job::{Alteration, State};
use crate::recorder::{Job, RunKind};
use steadybench_analysis::power_up::PowerUpVerdict;
use steadybench_analysis::soak::SoakStanding;
use steadybench_analysis::swap::Verdict;
use steadybench_analysis::twins::TwinStanding;

use super::content::{BoardTold, RunTold};
use super::figures::Tone;
use super::standing::{Standing, last_of};
use super::swaps::SwapTold;

/// What is on a channel, as the owner would call it.
#[must_use]
pub fn channel_name(job: &Job, channel: u8) -> String {
    match job.channels.get(usize::from(channel).wrapping_sub(1)) {
        Some(name) if !name.trim().is_empty() => name.trim().to_owned(),
        _ => format!("channel {channel}"),
    }
}

pub(super) fn summary(
    job: &Job,
    runs: &[RunTold],
    alterations: &[Alteration],
    swaps: &[SwapTold],
    standing: &Standing,
) -> String {
    let mut sentences = vec![opening(job)];
    sentences.extend(measured(runs));
    sentences.extend(last_of(runs, RunKind::PowerUp).and_then(|run| power_up(job, board_of(run)?)));
    // What was wrong is in the first comparison; what became of it in the last.
    let of_twins: Vec<&RunTold> = runs
        .iter()
        .filter(|run| run.kind == Some(RunKind::Twins))
        .collect();
    sentences.extend(of_twins.first().and_then(|run| twins(job, board_of(run)?, "")));
    if let [_, .., last] = of_twins.as_slice() {
        sentences.extend(board_of(last).and_then(|board| twins(job, board, "At the last comparison ")));
    }
    let of_taps = runs.iter().filter(|run| run.kind == Some(RunKind::Tap));
    for (at, run) in of_taps.enumerate() {
        let sentence = board_of(run).and_then(tap);
        sentences.extend(sentence.map(|sentence| match at {
            0 => sentence,
            _ => format!("Tapped again later: {sentence}"),
        }));
    }
    sentences.extend(swaps.iter().filter_map(swapped));
    sentences.push(altered(alterations));
    sentences.push(soak(job, runs));
    sentences.push(closing(standing));
    sentences.join(" ")
}

fn board_of(run: &RunTold) -> Option<&BoardTold> {
    run.boards.first()
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

fn opening(job: &Job) -> String {
    let unit = if job.unit.trim().is_empty() {
        "unit"
    } else {
        job.unit.trim()
    };
    let symptoms: Vec<&str> = job.symptoms.iter().map(|symptom| symptom.trim()).collect();
    if symptoms.is_empty() {
        format!("The {unit} was measured on the bench.")
    } else {
        format!("The {unit} came in with this complaint: {}.", symptoms.join("; "))
    }
}

fn measured(runs: &[RunTold]) -> Option<String> {
    let boards = runs.iter().flat_map(|run| &run.boards);
    let total_s = boards
        .map(|board| board.duration_s)
        .fold(0.0, |sum, one| sum + one);
    match runs.len() {
        0 => Some("Nothing was recorded.".to_owned()),
        1 => Some(format!("One recording was made, {} long.", duration(total_s))),
        many => Some(format!(
            "{many} recordings were made, {} in all.",
            duration(total_s)
        )),
    }
}

fn power_up(job: &Job, board: &BoardTold) -> Option<String> {
    let Findings::PowerUp(found) = &board.findings else {
        return None;
    };
    let named = |verdict| {
        let channels = found
            .inrush
            .iter()
            .filter(move |channel| channel.verdict == verdict);
        channels
            .map(|channel| channel_name(job, channel.channel))
            .collect::<Vec<String>>()
    };
    let (faulty, normal) = (named(PowerUpVerdict::Fault), named(PowerUpVerdict::Normal));
    if !faulty.is_empty() {
        Some(format!(
            "When last switched on, {} did not behave as it should.",
            faulty.join(" and ")
        ))
    } else if !normal.is_empty() && normal.len() == found.inrush.len() {
        Some("When last switched on, it behaved normally.".to_owned())
    } else {
        None
    }
}

fn twins(job: &Job, board: &BoardTold, when: &str) -> Option<String> {
    let Findings::Twins(found) = &board.findings else {
        return None;
    };
    let names = [channel_name(job, 1), channel_name(job, 2)];
    let means = found.mean_a.map(about);
    let figures = format!(
        "{} drew about {} and {} about {}",
        names[0], means[0], names[1], means[1]
    );
    let sentence = match found.compare.standing {
        TwinStanding::Alike => format!("{when}the two like stages were alike: {figures}"),
        TwinStanding::Differs => format!("{when}the two like stages differed: {figures}"),
        TwinStanding::CannotSayYet { .. } => return None,
    };
    Some(format!("{}.", capital(&sentence)))
}

/// A current to two digits: the figures with their bounds stand below.
fn about(current_a: f64) -> String {
    if current_a == 0.0 || !current_a.is_finite() {
        return plain(0.0, "A");
    }
    let step = 10.0_f64.powf(current_a.abs().log10().floor() - 1.0);
    let rounded = (current_a / step).round() * step;
    match rounded.abs() {
        a if a >= 10.0 => format!("{rounded:.0} A"),
        a if a >= 1.0 => format!("{rounded:.1} A"),
        a if a >= 0.01 => format!("{:.0} mA", rounded * 1e3),
        a if a >= 0.001 => format!("{:.1} mA", rounded * 1e3),
        _ => format!("{:.0} µA", rounded * 1e6),
    }
}

fn tap(board: &BoardTold) -> Option<String> {
    let Findings::Tap(found) = &board.findings else {
        return None;
    };
    let accused: Vec<String> = found
        .accused()
        .map(|place| format!("{} ({} of {} taps)", place.label, place.hits, place.taps))
        .collect();
    let cleared = found.cleared();
    match (accused.len(), found.locations.len()) {
        (_, 0) => None,
        (0, places) if cleared == places => Some(
            "No tap on the board was answered by a fault; every place tapped can be ruled out.".to_owned(),
        ),
        (0, places) => {
            let seen = if found.faults().next().is_some() {
                "Faults were seen while the board was tapped"
            } else {
                "The board was tapped"
            };
            let ruled_out = if cleared == 0 {
                "none".to_owned()
            } else {
                cleared.to_string()
            };
            Some(format!(
                "{seen}, and the taps at {places} places pointed at none of them for certain; {ruled_out} of them can be \
                 ruled out so far."
            ))
        }
        (1, _) => Some(format!(
            "Tapping the board made the fault appear at {}: a bad joint there.",
            accused[0]
        )),
        (_, _) => Some(format!(
            "Tapping the board made the fault appear at these places: {}.",
            accused.join("; ")
        )),
    }
}

fn swapped(told: &SwapTold) -> Option<String> {
    let answer = told.answer.as_ref()?;
    let what = &answer.alteration.what;
    match answer.finding.verdict {
        Verdict::FollowsThePart => Some(format!("After this work: {what}; the fault went with the part.")),
        Verdict::StaysWithThePlace => {
            Some(format!("After this work: {what}; the fault stayed where it was."))
        }
        Verdict::GoneWhenDisturbed => Some(format!(
            "After this work: {what}; the fault was gone, which points at a joint."
        )),
        Verdict::CannotSay => None,
    }
}

fn altered(alterations: &[Alteration]) -> String {
    let open: Vec<&str> = alterations
        .iter()
        .filter(|made| made.state == State::Open)
        .map(|made| made.what.as_str())
        .collect();
    let kept: Vec<&str> = alterations
        .iter()
        .filter(|made| matches!(made.state, State::Kept { .. }))
        .map(|made| made.what.as_str())
        .collect();
    let mut words = match (alterations.len(), open.len()) {
        (0, _) => "No change to the unit is written down.".to_owned(),
        (_, 0) => "Everything that was changed only to find the fault has been put back.".to_owned(),
        (_, 1) => format!(
            "One change made for the work has NOT been put back yet: {}.",
            open[0]
        ),
        (_, many) => format!(
            "{many} changes made for the work have NOT been put back yet: {}.",
            open.join("; ")
        ),
    };
    if !kept.is_empty() {
        words.push_str(&format!(" These changes stay, on purpose: {}.", kept.join("; ")));
    }
    words
}

fn soak(job: &Job, runs: &[RunTold]) -> String {
    let Some(board) = last_of(runs, RunKind::Soak).and_then(board_of) else {
        return "It was not left running for a long test, so nothing here shows that it stays mended."
            .to_owned();
    };
    let Findings::Soak(found) = &board.findings else {
        return String::new();
    };
    let ran = format!(
        "In the last long test it ran for {}",
        duration(found.course.duration_s)
    );
    let short = found.short_events.len() as u64 + found.short_events_forgotten;
    let bad: Vec<String> = found
        .course
        .drift
        .iter()
        .filter_map(|channel| {
            let word = match channel.standing {
                SoakStanding::Drifting => "went on drifting",
                SoakStanding::Intermittent => "came and went",
                SoakStanding::Settling { .. } => "had not settled yet",
                SoakStanding::NotEnoughData { .. } => "could not be judged in that time",
                SoakStanding::Settled => return None,
            };
            Some(format!(
                "the current of {} {word}",
                channel_name(job, channel.channel)
            ))
        })
        .collect();
    match (bad.is_empty(), short) {
        (true, 0) => format!("{ran}, its currents settled and stayed where they were."),
        (true, 1) => format!("{ran}, its currents settled, but one short fault was seen."),
        (true, many) => format!("{ran}, its currents settled, but {many} short faults were seen."),
        (false, 0) => format!("{ran}; {}.", bad.join(", ")),
        (false, many) => format!("{ran}; {}, and short faults were seen: {many}.", bad.join(", ")),
    }
}

fn closing(standing: &Standing) -> String {
    if standing.clean_bill {
        return "Nothing measured speaks against handing it back. This is a record of measurements and no safety test."
            .to_owned();
    }
    let against = standing
        .points
        .iter()
        .filter(|point| point.tone == Tone::Bad)
        .count();
    let why = if against > 0 {
        "the points marked below stand against it"
    } else {
        "some points below are still open"
    };
    format!("It does not have a clean bill yet: {why}. This is a record of measurements and no safety test.")
}
