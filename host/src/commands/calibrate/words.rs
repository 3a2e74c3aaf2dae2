//! A calibration in words: what was off before and after, and the budget of what is left.

use steadybench_analysis::uncertainty::engineering;

use super::{Found, Residual};
use crate::grid::grid;

pub(super) fn of(found: &Found) -> String {
    let kept = &found.calibration;
    let mut page = format!(
        "Board {}, calibrated {}{}\n  kept in {}\n",
        kept.board_serial,
        kept.made_on,
        if kept.reference.is_empty() {
            String::new()
        } else {
            format!(" against {}", kept.reference)
        },
        found.kept_in
    );
    for remark in &found.remarks {
        page.push_str(&format!("  {remark}\n"));
    }
    if !found.residuals.is_empty() {
        page.push_str("Reading less reference\n");
        let rows: Vec<Vec<String>> = found
            .residuals
            .iter()
            .map(|residual| {
                vec![
                    residual.what.clone(),
                    reference(residual),
                    off(residual.before, residual),
                    off(residual.after, residual),
                ]
            })
            .collect();
        page.push_str(&grid(&["at", "reference", "before", "after"], &rows));
        if found.residuals.len() == 1 {
            page.push_str("  One point leaves nothing after it by construction, and proves nothing.\n");
        }
    }
    page.push_str("What uncertainty is left (after JCGM 100)\n");
    for budget in &found.budgets {
        page.push_str(&budget.to_string());
    }
    page.truncate(page.trim_end().len());
    page
}

fn reference(residual: &Residual) -> String {
    let unit = if residual.unit == "K" {
        "°C"
    } else {
        residual.unit
    };
    engineering(residual.reference, unit, 5)
}

/// One residual on one line.
pub(super) fn residual(residual: &Residual) -> String {
    format!(
        "{} at {}: {} before, {} after",
        residual.what,
        reference(residual),
        off(residual.before, residual),
        off(residual.after, residual)
    )
}

/// What is off; the last digits of the arithmetic are nothing.
fn off(value: f64, residual: &Residual) -> String {
    if value.abs() < 1e-9 * residual.reference.abs().max(1e-3) {
        format!("0 {}", residual.unit)
    } else {
        engineering(value, residual.unit, 3)
    }
}
