//! The switch-on against what melts the fuse.

use super::check::{Answer, FuseCheck, FuseFinding, Measured, round};
use super::gates::{Gate, TimeLimit, Vouched};
use super::melting::{MeltingI2t, MeltingSource, pulses_allowed, typical_melting_i2t_a2s};

/// The melting I²t as a span: one value where it is given, or the gates' span at ten times the rating.
fn melting(input: &FuseCheck, gates: &[Gate]) -> Option<MeltingI2t> {
    let rating_a = input.fuse.rating_a;
    match input.melting {
        MeltingSource::Given(value) if value.is_finite() && value > 0.0 => Some(MeltingI2t {
            low_a2s: Some(value),
            high_a2s: Some(value),
            whose: "as given".to_owned(),
            vouched: Vouched::Given,
        }),
        MeltingSource::Given(_) => None,
        MeltingSource::Typical(series) => typical_melting_i2t_a2s(series, rating_a).map(|value| MeltingI2t {
            low_a2s: Some(value),
            high_a2s: Some(value),
            whose: format!(
                "typical of {series}; another maker's fuse of this rating may differ many times over"
            ),
            vouched: Vouched::SecondHand,
        }),
        MeltingSource::GatesOnly => {
            let ten = gates.iter().find(|gate| gate.multiple == 10.0)?;
            let at_ten =
                |limit: Option<TimeLimit>| limit.map(|limit| (10.0 * rating_a).powi(2) * limit.seconds);
            Some(MeltingI2t {
                low_a2s: at_ten(ten.at_least),
                high_a2s: at_ten(ten.at_most),
                whose: "from the gate at ten times the rating, which leaves a wide span".to_owned(),
                vouched: ten.at_most.map_or(Vouched::SecondHand, |limit| limit.vouched),
            })
        }
    }
}

pub(super) fn pulse(input: &FuseCheck, finding: &mut FuseFinding) -> Answer {
    let Some(i2t) = input.i2t_a2s.filter(Measured::is_known) else {
        finding
            .reasons
            .push("the I2t of the switch-on isn't known: record a power-up".to_owned());
        return Answer::Open;
    };
    let by_gates = pulse_by_gates(input, i2t, finding);
    if by_gates == Answer::Bad {
        return Answer::Bad;
    }
    let Some(melting) = melting(input, &finding.gates) else {
        finding
            .reasons
            .push("no melting I2t is known for this fuse: give the value from its data sheet".to_owned());
        return Answer::Open;
    };
    let (low, high) = (melting.low_a2s, melting.high_a2s);
    let whose = melting.whose.clone();
    finding.melting = Some(melting);
    finding.assumptions.push(
        "switch-ons are at least 10 s apart, and the fuse is new and at room temperature at each".to_owned(),
    );
    if let Some(high) = high
        && i2t.low >= high
    {
        finding.reasons.push(format!(
            "one switch-on brings at least {} A2s, the fuse melts at {} A2s ({whose})",
            round(i2t.low),
            round(high)
        ));
        return Answer::Bad;
    }
    let (Some(low), Some(top)) = (low, i2t.high) else {
        finding.reasons.push(if low.is_none() {
            "the standard sets no least melting I2t for a quick fuse: give the value from its data sheet"
                .to_owned()
        } else {
            "the input clipped, so the I2t of the switch-on is only a lower bound: record with a wider range"
                .to_owned()
        });
        return Answer::Open;
    };
    let ratio = top / low;
    finding.pulse_ratio = Some(ratio);
    let Some(allowed) = finding.pulse_ratio_allowed else {
        finding.reasons.push(format!(
            "no pulse rule is published beyond 100 000 switch-ons; one brings {:.0} % of the melting I2t",
            100.0 * ratio
        ));
        return Answer::Open;
    };
    let share = format!(
        "one switch-on brings up to {} A2s, {:.0} % of the {} A2s that melt it ({whose})",
        round(top),
        100.0 * ratio,
        round(low)
    );
    if ratio <= allowed {
        finding.reasons.push(format!(
            "{share}; {:.0} % is allowed for {} switch-ons",
            100.0 * allowed,
            input.switch_ons
        ));
        return Answer::Good;
    }
    finding.reasons.push(match pulses_allowed(ratio) {
        Some(pulses) => format!(
            "{share}: good for about {pulses} switch-ons, not for {}; it wears out with each",
            input.switch_ons
        ),
        None => format!("{share}: it may go at once or after some; the rule allows 48 % at the very most"),
    });
    Answer::Open
}

/// A pulse that lasts: its effective current and length against the gates, which hold for every maker.
fn pulse_by_gates(input: &FuseCheck, i2t: Measured, finding: &mut FuseFinding) -> Answer {
    let Some(length_s) = input.pulse_s.filter(|length| *length > 0.0) else {
        return Answer::Open;
    };
    let multiple = (i2t.low / length_s).sqrt() / input.fuse.rating_a;
    let opens = finding
        .gates
        .iter()
        .filter(|gate| gate.multiple <= multiple)
        .find_map(|gate| {
            gate.at_most
                .filter(|limit| length_s >= limit.seconds)
                .map(|limit| (gate.multiple, limit))
        });
    if let Some((gate, limit)) = opens {
        finding.reasons.push(format!(
            "over {} s the switch-on is worth {multiple:.1} times the rating, and at {gate} times the standard has it open \
             within {} s",
            round(length_s),
            limit.seconds
        ));
        return Answer::Bad;
    }
    Answer::Open
}
