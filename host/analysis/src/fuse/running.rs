//! The running current against what a fuse carries for good.

use super::check::{Answer, FuseCheck, FuseFinding, Measured, round};
use super::gates::{FuseStandard, Vouched};

/// Loss of carrying capacity per kelvin above 25 °C (common practice, no source; makers' curves lie near it).
const DERATING_PER_K: f64 = 0.005;

/// Share of the rating that may flow for good: all of it on IEC fuses, three quarters on UL ones.
fn carries_for_good_a(input: &FuseCheck, standard: Option<FuseStandard>) -> f64 {
    let share = if standard == Some(FuseStandard::Ul248) {
        0.75
    } else {
        1.0
    };
    let warm = (input.ambient_c - 25.0).max(0.0);
    input.fuse.rating_a * share * (1.0 - DERATING_PER_K * warm).max(0.0)
}

pub(super) fn running(input: &FuseCheck, finding: &mut FuseFinding) -> Answer {
    let Some(running) = input.running_a.filter(Measured::is_known) else {
        finding
            .reasons
            .push("the running current isn't known: record until it has settled".to_owned());
        return Answer::Open;
    };
    let carries_a = carries_for_good_a(input, finding.standard);
    finding.assumptions.push(format!(
        "{} °C at the fuse; above 25 °C it carries {} % less per kelvin ({})",
        input.ambient_c,
        100.0 * DERATING_PER_K,
        Vouched::CommonPractice
    ));
    finding.assumptions.push(
        "the running current is a root mean square: with a rectifier behind the fuse it is more than the mean".to_owned(),
    );
    if finding.standard == Some(FuseStandard::Ul248) {
        finding
            .assumptions
            .push("a UL fuse is loaded to 75 % of its rating (verified second-hand)".to_owned());
    }
    let high = running.high.unwrap_or(running.value);
    finding.running_ratio = Some(high / carries_a);
    if high <= carries_a {
        finding.reasons.push(format!(
            "the running current of at most {} A is {:.0} % of the {} A it carries for good",
            round(high),
            100.0 * high / carries_a,
            round(carries_a)
        ));
        return if running.high.is_some() {
            Answer::Good
        } else {
            Answer::Open
        };
    }
    if running.low <= carries_a {
        finding.reasons.push(format!(
            "the running current of {} A lies at the edge of the {} A it carries for good",
            round(running.value),
            round(carries_a)
        ));
        return Answer::Open;
    }
    finding.reasons.push(format!(
        "the running current of {} A is more than the {} A it carries for good: it will open sooner or later",
        round(running.value),
        round(carries_a)
    ));
    Answer::Bad
}
