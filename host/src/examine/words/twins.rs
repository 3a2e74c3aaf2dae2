//! A comparison of twins in words.

use std::fmt::Write;

use steadybench_analysis::twins::{TwinFindings, TwinStanding};

use super::{bounded, duration, plain};

pub(super) fn page(findings: &TwinFindings) -> String {
    let mut page = String::new();
    // Writing to a string cannot fail.
    let _ = write_page(&mut page, findings);
    page
}

fn write_page(page: &mut String, findings: &TwinFindings) -> std::fmt::Result {
    let compare = &findings.compare;
    let word = match compare.standing {
        TwinStanding::Alike => "alike".to_owned(),
        TwinStanding::Differs => "DIFFERS".to_owned(),
        TwinStanding::CannotSayYet { more_s } if more_s.is_finite() && more_s > 0.0 => {
            format!("cannot say yet, {more_s:.0} s more")
        }
        TwinStanding::CannotSayYet { .. } => "cannot say yet".to_owned(),
    };
    writeln!(page, "Channel 1 against channel 2: {word}")?;
    writeln!(page, "  {}", compare.reason)?;
    let [first, second] = findings.mean_a.map(|mean| plain(mean, "A"));
    writeln!(page, "  mean currents     {first} and {second}")?;
    if let Some(difference) = compare.difference_a {
        writeln!(
            page,
            "  difference        {}",
            bounded(difference, compare.ci_low, compare.ci_high, "A")
        )?;
    }
    if let Some(ratio) = &compare.ratio {
        writeln!(
            page,
            "  ratio             {:.4} ({:.4} to {:.4})",
            ratio.value, ratio.low, ratio.high
        )?;
    }
    writeln!(page, "  does not matter   up to {}", plain(compare.margin_a, "A"))?;
    if !findings.beside.is_empty() {
        writeln!(page, "Beside the mean current")?;
    }
    for side in &findings.beside {
        let mark = if side.differs { "DIFFERS" } else { "alike" };
        writeln!(
            page,
            "  {}: {:.4} and {:.4}, {mark}: {}",
            side.what, side.value[0], side.value[1], side.reason
        )?;
    }
    let matched = findings.matched_readings;
    writeln!(
        page,
        "Over {} and {matched} readings of both channels",
        duration(findings.duration_s)
    )?;
    if findings.unmatched_readings > 0 {
        writeln!(
            page,
            "  {} readings left out: one channel was missing",
            findings.unmatched_readings
        )?;
    }
    Ok(())
}
