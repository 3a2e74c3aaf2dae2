//! Which places are accused: every place against the quiet time and against the other places, step by step.

use super::exact::rate_excess;
use crate::statistics::clopper_pearson;

/// Fewest hits that may accuse, whatever the arithmetic says.
const LEAST_HITS: u64 = 2;
/// Chance below which hits at the other places are put down to the blow.
const DISTURBED: f64 = 0.5;
/// Shares of the significance spent on accusing one place at a time, and two at once.
const SINGLES: f64 = 0.7;
const PAIRS: f64 = 0.3;
/// Coverage of intervals on hit probabilities.
pub(super) const CONFIDENCE: f64 = 0.95;

/// Taps and hits of one place.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Count {
    pub(super) taps: u64,
    pub(super) hits: u64,
}

/// The outcome for one place.
#[derive(Clone, Copy, Debug)]
pub(super) struct Outcome {
    /// Chance of so many hits, or more, were the place innocent.
    pub(super) p_value: f64,
    /// The same corrected for the number of places; of a place that is accused together with another, the pair's.
    pub(super) corrected: f64,
    pub(super) accused: bool,
}

/// Everything the places are compared with.
pub(super) struct Trial<'a> {
    pub(super) counts: &'a [Count],
    pub(super) window_s: f64,
    pub(super) background_events: u64,
    pub(super) background_s: f64,
    pub(super) significance: f64,
    pub(super) least_hit_probability: f64,
}

/// Interval on the hit probability.
pub(super) fn interval(count: Count) -> (f64, f64) {
    clopper_pearson(count.hits, count.taps, CONFIDENCE).map_or((0.0, 1.0), |bound| (bound.low, bound.high))
}

impl Trial<'_> {
    /// The outcome for every place, and whether taps had to be compared with taps.
    pub(super) fn decide(&self) -> (Vec<Outcome>, bool) {
        let places: Vec<usize> = (0..self.counts.len())
            .filter(|&place| self.counts[place].taps > 0)
            .collect();
        let tested = places.len() as f64;
        let innocent = Outcome {
            p_value: 1.0,
            corrected: 1.0,
            accused: false,
        };
        let mut outcomes = vec![innocent; self.counts.len()];
        let mut explained: Vec<usize> = Vec::new();
        let mut blow_disturbs = false;
        // Step down: a place once accused explains its hits, and no longer counts among the others' background.
        loop {
            let mut best: Option<(usize, f64)> = None;
            for &place in places.iter().filter(|place| !explained.contains(place)) {
                let (p_value, disturbed) = self.chance(&places, &[place], &explained);
                blow_disturbs |= disturbed;
                let corrected = (p_value * tested / SINGLES).min(1.0);
                outcomes[place] = Outcome {
                    p_value,
                    corrected,
                    accused: false,
                };
                if self.qualifies(place) && best.is_none_or(|(_, least)| p_value < least) {
                    best = Some((place, p_value));
                }
            }
            match best {
                Some((place, _)) if outcomes[place].corrected < self.significance => {
                    outcomes[place].accused = true;
                    explained.push(place);
                }
                _ => break,
            }
        }
        if explained.is_empty() {
            self.accuse_pair(&places, &mut outcomes);
        }
        (outcomes, blow_disturbs)
    }

    /// Two bad joints hide each other, each being the other's background: so pairs are tried as one place. Either of the
    /// pair must stand out against the rest by itself, too, or one bad joint would take any other place along.
    fn accuse_pair(&self, places: &[usize], outcomes: &mut [Outcome]) {
        let able: Vec<usize> = places
            .iter()
            .copied()
            .filter(|&place| self.qualifies(place))
            .collect();
        let pairs = places.len() as f64 * (places.len() as f64 - 1.0) / 2.0;
        let mut best: Option<([usize; 2], f64)> = None;
        for (index, &first) in able.iter().enumerate() {
            for &second in &able[index + 1..] {
                let (chance, _) = self.chance(places, &[first, second], &[]);
                let alone = |place: usize, other: usize| self.chance(places, &[place], &[other]).0;
                let weaker = alone(first, second).max(alone(second, first));
                if weaker * (places.len() as f64) < self.significance
                    && best.is_none_or(|(_, least)| chance < least)
                {
                    best = Some(([first, second], chance));
                }
            }
        }
        let Some((pair, chance)) = best else { return };
        let corrected = (chance * pairs / PAIRS).min(1.0);
        if corrected < self.significance {
            for (place, other) in [(pair[0], pair[1]), (pair[1], pair[0])] {
                let (p_value, _) = self.chance(places, &[place], &[other]);
                outcomes[place] = Outcome {
                    p_value,
                    corrected,
                    accused: true,
                };
            }
        }
    }

    fn qualifies(&self, place: usize) -> bool {
        let count = self.counts[place];
        count.hits >= LEAST_HITS && interval(count).1 >= self.least_hit_probability
    }

    /// Chance of the hits of `suspects` together, or more, were they innocent; `explained` places are left out. Says
    /// also whether they were compared with the other places' windows alone.
    fn chance(&self, places: &[usize], suspects: &[usize], explained: &[usize]) -> (f64, bool) {
        let sum = |members: &mut dyn Iterator<Item = &usize>| {
            members.fold(Count::default(), |sum, &place| Count {
                taps: sum.taps + self.counts[place].taps,
                hits: sum.hits + self.counts[place].hits,
            })
        };
        let own = sum(&mut suspects.iter());
        let others = sum(&mut places
            .iter()
            .filter(|place| !suspects.contains(place) && !explained.contains(place)));
        let (own_s, others_s) = (
            own.taps as f64 * self.window_s,
            others.taps as f64 * self.window_s,
        );
        let all = rate_excess(
            own.hits,
            own_s,
            others.hits + self.background_events,
            others_s + self.background_s,
        );
        // Where the other places answer taps more often than the quiet time explains (a blow is felt next door, or shakes
        // the instrument), the place must also stand out among taps.
        let disturbed =
            rate_excess(others.hits, others_s, self.background_events, self.background_s) < DISTURBED;
        if disturbed {
            (all.max(rate_excess(own.hits, own_s, others.hits, others_s)), true)
        } else {
            (all, false)
        }
    }
}
