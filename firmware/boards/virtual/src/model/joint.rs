//! What a joint does that is about to fail: opens for a moment, chatters, or stays half open.

use rand::Rng;

/// What a disturbed joint did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum JointEventKind {
    /// One opening.
    Dropout,
    /// Several openings in a row.
    Chatter,
    /// A worse contact that stays for seconds, or until the joint is disturbed again.
    Latched,
}

/// What the joint will do; times in seconds after the disturbance.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct JointPlan {
    pub(crate) kind: JointEventKind,
    /// Share of the draw that is left meanwhile, 0 to 1.
    pub(crate) share_left: f64,
    /// Each opening: begin and end.
    pub(crate) openings: Vec<(f64, f64)>,
}

/// Shortest and longest single opening in seconds.
pub const OPENING_S: (f64, f64) = (0.5e-3, 0.3);

/// A value that is as likely in each octave.
fn log_uniform(random: &mut impl Rng, from: f64, to: f64) -> f64 {
    random.random_range(from.ln()..=to.ln()).exp()
}

impl JointPlan {
    /// Draws what a disturbance leads to. The shares of the three kinds are the model's own.
    pub(crate) fn draw(random: &mut impl Rng) -> Self {
        let begin = random.random_range(0.005..0.06);
        let luck: f64 = random.random();
        if luck < 0.65 {
            let share_left = if random.random_bool(0.7) {
                0.0
            } else {
                random.random_range(0.1..0.6)
            };
            let length = log_uniform(random, OPENING_S.0, OPENING_S.1);
            Self {
                kind: JointEventKind::Dropout,
                share_left,
                openings: vec![(begin, begin + length)],
            }
        } else if luck < 0.85 {
            let mut openings = Vec::new();
            let mut at = begin;
            for _ in 0..random.random_range(3..=8) {
                let end = at + log_uniform(random, OPENING_S.0, 4e-3);
                openings.push((at, end));
                at = end + log_uniform(random, 1e-3, 10e-3);
            }
            Self {
                kind: JointEventKind::Chatter,
                share_left: 0.0,
                openings,
            }
        } else {
            let length = random.random_range(3.0..10.0);
            Self {
                kind: JointEventKind::Latched,
                share_left: random.random_range(0.3..0.7),
                openings: vec![(begin, begin + length)],
            }
        }
    }
}
