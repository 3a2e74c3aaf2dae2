//! Cautions in their short form: shown where they matter, carried by the report.
//!
//! The long form stands first in `hardware-notes/`. Where a local code says otherwise, it holds.

/// Holds for whatever is done on the bench.
pub const ALWAYS: &str = "Low-voltage side only, never on the mains side. The USB lead joins the circuit to the \
     computer's earth. Where mains is reachable, the work is for those trained and licensed under the local code.";

/// Before a unit is powered up.
pub const POWER_UP: &str = "Before power-up: limit the supply, hand at its switch, eyes clear of electrolytic capacitors. \
     Capacitors stay charged after switching off: measure before touching.";

/// Before a first switch-on through a resistor or a lamp.
pub const LIMITER: &str = "A limiter that holds a short gets hot enough to burn skin and bench: keep it clear and stay \
     with it. It is no fuse: leave the fuse and the supply's own limit in.";

/// Before a soak that nobody watches.
pub const UNATTENDED_SOAK: &str = "Before an unattended soak: a fault can start a fire. Nothing that burns nearby, a smoke \
     alarm in the room, the supply limited and fused. The guard output is no safety device and no substitute for a fuse.";

/// Beside every fuse verdict.
pub const FUSE: &str = "Fit only the kind of fuse marked beside its holder; a verdict here tells why one opened, and is no \
     leave to fit another.";

/// Cautions as lines for people, each led by the word.
///
/// ```
/// use steadybench_host::cautions::{ALWAYS, POWER_UP, lines};
///
/// assert!(lines(&[ALWAYS, POWER_UP]).starts_with("Caution: Low-voltage side only"));
/// ```
#[must_use]
pub fn lines(cautions: &[&str]) -> String {
    let lines: Vec<String> = cautions
        .iter()
        .map(|caution| format!("Caution: {caution}"))
        .collect();
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mains_fire_and_stored_charge_are_named_where_they_matter() {
        assert!(ALWAYS.contains("mains") && ALWAYS.contains("licensed"));
        assert!(POWER_UP.contains("charged"));
        assert!(UNATTENDED_SOAK.contains("fire") && UNATTENDED_SOAK.contains("no safety device"));
    }
}
