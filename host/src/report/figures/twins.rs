//! Two like stages.

use steadybench_analysis::twins::{TwinFindings, TwinStanding};

use super::{Bound, Told, Tone};

pub(super) fn tell(findings: &TwinFindings, told: &mut Told) {
    let compare = &findings.compare;
    let (word, tone) = match compare.standing {
        TwinStanding::Alike => ("alike".to_owned(), Tone::Good),
        TwinStanding::Differs => ("differ".to_owned(), Tone::Bad),
        TwinStanding::CannotSayYet { more_s } if more_s.is_finite() && more_s > 0.0 => {
            (format!("cannot say yet, {more_s:.0} s more"), Tone::Open)
        }
        TwinStanding::CannotSayYet { .. } => ("cannot say yet".to_owned(), Tone::Open),
    };
    told.word(None, word, tone, compare.reason.clone());
    for (channel, mean_a) in (1..).zip(findings.mean_a) {
        if mean_a.is_finite() {
            let bound = Bound::none("the difference carries the bound; scale as under instruments");
            told.figure(Some(channel), "mean current", mean_a, "A", bound);
        }
    }
    if let Some(difference) = compare.difference_a {
        let bound = Bound::of(compare.ci_low, compare.ci_high, "too few readings");
        told.figure(
            None,
            "difference, channel 1 less channel 2",
            difference,
            "A",
            bound,
        );
    }
    if let Some(ratio) = &compare.ratio {
        let bound = Bound::of(Some(ratio.low), Some(ratio.high), "");
        told.figure(None, "ratio, channel 1 to channel 2", ratio.value, "", bound);
    }
    let given = Bound::none("chosen, not measured");
    told.figure(
        None,
        "difference that does not matter, up to",
        compare.margin_a,
        "A",
        given,
    );
}
