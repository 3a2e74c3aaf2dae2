//! Whether a short of the rail opens the fuse, and whether the fuse can interrupt it.

use super::check::{Answer, FuseCheck, FuseFinding, round};
use super::gates::Vouched;
use super::marking::{BreakingCapacity, FuseSpeed};

/// Longest time within which a fuse on a short is said to protect (common practice, no source).
const PROTECTS_WITHIN_S: f64 = 10.0;

pub(super) fn protection(input: &FuseCheck, finding: &mut FuseFinding) -> Answer {
    let rating_a = input.fuse.rating_a;
    let mut answer = Answer::Open;
    if let Some(marked) = input.marked {
        if rating_a > marked.rating_a * 1.001 {
            finding.reasons.push(format!(
                "the unit asks for {} A beside the holder, the fuse is {rating_a} A: this fuse is wrong",
                marked.rating_a
            ));
            return Answer::Bad;
        }
        if let (Some(wanted), Some(fitted)) = (marked.speed, input.fuse.speed)
            && wanted != fitted
        {
            finding.reasons.push(format!(
                "the unit asks for speed {}, the fuse is {}: this fuse is wrong even if the rating is right",
                letter(&wanted),
                letter(&fitted)
            ));
        }
    }
    if let Some(lead_a) = input.lead_rating_a.filter(|lead| rating_a > *lead) {
        finding.reasons.push(format!(
            "the thinnest lead or track carries {lead_a} A for good, less than the fuse's {rating_a} A"
        ));
        return Answer::Bad;
    }
    let Some(limit_a) = input.supply_limit_a.filter(|limit| limit.is_finite()) else {
        finding.reasons.push(
            "what the supply gives into a short isn't known, so whether the fuse would open isn't either: give the \
             supply's current limit"
                .to_owned(),
        );
        return answer;
    };
    let multiple = limit_a / rating_a;
    let opening = finding
        .gates
        .iter()
        .filter(|gate| gate.multiple <= multiple)
        .filter_map(|gate| gate.at_most)
        .map(|limit| limit.seconds)
        .fold(f64::INFINITY, f64::min);
    if finding.gates.is_empty() {
        // Without a sheet the least that any of them asks for: open somewhere above twice the rating.
        if multiple < 1.35 {
            finding.reasons.push(format!(
                "into a short the supply gives {limit_a} A, {multiple:.2} times the rating: no fuse of this rating needs \
                 to open on that"
            ));
            answer = Answer::Bad;
        }
        return answer;
    }
    if opening.is_infinite() {
        finding.reasons.push(format!(
            "into a short the supply gives {limit_a} A, {multiple:.2} times the rating, and the standard doesn't ask the \
             fuse to open on that"
        ));
        return Answer::Bad;
    }
    if opening > PROTECTS_WITHIN_S {
        finding.reasons.push(format!(
            "into a short the supply gives {limit_a} A, {multiple:.1} times the rating; the standard lets the fuse take \
             {} min to open on that, more than the {PROTECTS_WITHIN_S} s taken for protection here ({})",
            round(opening / 60.0),
            Vouched::CommonPractice
        ));
        return Answer::Bad;
    }
    finding.reasons.push(format!(
        "into a short the supply gives {limit_a} A, {multiple:.1} times the rating: the fuse opens within {opening} s"
    ));
    Answer::Good
}

fn letter(speed: &FuseSpeed) -> &'static str {
    match speed {
        FuseSpeed::VeryQuick => "FF",
        FuseSpeed::Quick => "F",
        FuseSpeed::Medium => "M",
        FuseSpeed::TimeLag => "T",
        FuseSpeed::LongTimeLag => "TT",
    }
}

pub(super) fn breaking_capacity(input: &FuseCheck, finding: &mut FuseFinding) {
    let Some(limit_a) = input.supply_limit_a else {
        return;
    };
    let capacity = input.fuse.breaking_capacity.unwrap_or(BreakingCapacity::Low);
    let can_break_a = capacity.amperes(input.fuse.rating_a);
    if limit_a > can_break_a {
        finding.reasons.push(format!(
            "the supply can give {limit_a} A, more than the {can_break_a} A it can interrupt ({}): it may arc on or burst; \
             use one marked H",
            Vouched::FromMemory
        ));
    }
}
