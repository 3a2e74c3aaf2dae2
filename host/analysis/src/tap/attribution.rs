//! Which place the events belong to.

use super::accuse::{CONFIDENCE, Count, Outcome, Trial, interval};
use super::exact::taps_to_clear;
use super::settings::TapSettings;
use super::standing::{PlaceStanding, PlaceVerdict};
use crate::sample::{Mark, MarkKind};

/// Taps by place and the onsets of events; cheap to ask at any time.
#[derive(Clone, Debug)]
pub struct Attribution {
    settings: TapSettings,
    /// Taps in the order of their time, with the number of the place.
    taps: Vec<(f64, usize)>,
    labels: Vec<String>,
}

/// What all taps together brought.
#[derive(Clone, Debug, PartialEq)]
pub struct Attributed {
    /// Most suspect place first.
    pub places: Vec<PlaceStanding>,
    /// Events outside every tap's window.
    pub background_events: u64,
    /// Time observed outside every tap's window, in seconds.
    pub background_s: f64,
    /// Whether innocent places seem to answer taps too, so that taps were compared with taps.
    pub blow_disturbs: bool,
    /// Place of the tap that an event belongs to, by the event's position in the list given.
    pub place_of_event: Vec<Option<usize>>,
    /// Labels of the places by number.
    pub labels: Vec<String>,
}

impl Attribution {
    /// No taps yet.
    #[must_use]
    pub fn new(settings: TapSettings) -> Self {
        Self {
            settings,
            taps: Vec::new(),
            labels: Vec::new(),
        }
    }

    /// Takes a mark; marks may come in any order, and marks of switched loads are passed over.
    pub fn mark(&mut self, mark: &Mark) {
        if mark.kind != MarkKind::Tap || !mark.time_s.is_finite() {
            return;
        }
        let place = self
            .labels
            .iter()
            .position(|label| *label == mark.label)
            .unwrap_or_else(|| {
                self.labels.push(mark.label.clone());
                self.labels.len() - 1
            });
        let at = self.taps.partition_point(|tap| tap.0 <= mark.time_s);
        self.taps.insert(at, (mark.time_s, place));
    }

    /// The tap whose window holds an onset; of two, the one whose mark is nearer to the onset.
    fn tap_of(&self, onset_s: f64) -> Option<usize> {
        let from = self
            .taps
            .partition_point(|tap| tap.0 < onset_s - self.settings.window_after_s);
        self.taps[from..]
            .iter()
            .enumerate()
            .take_while(|(_, tap)| tap.0 <= onset_s + self.settings.window_before_s)
            .min_by(|(_, a), (_, b)| (a.0 - onset_s).abs().total_cmp(&(b.0 - onset_s).abs()))
            .map(|(index, _)| from + index)
    }

    /// Length of all windows together within the `observed_s` seconds, overlaps counted once.
    fn covered_s(&self, observed: (f64, f64)) -> f64 {
        let (mut total, mut up_to) = (0.0, observed.0);
        for &(time_s, _) in &self.taps {
            let from = (time_s - self.settings.window_before_s).max(up_to);
            let to = (time_s + self.settings.window_after_s).min(observed.1);
            if to > from {
                total += to - from;
                up_to = to;
            }
        }
        total
    }

    /// Attributes events to taps. `onsets_s` are the onsets of the events that speak for a fault, in the order of time;
    /// `observed` is the beginning and end of the time observed, of which `missing_s` is missing.
    #[must_use]
    pub fn attribute(&self, onsets_s: &[f64], observed: (f64, f64), missing_s: f64) -> Attributed {
        let places = self.labels.len();
        let mut counts = vec![Count::default(); places];
        let seen = |time_s: f64| time_s >= observed.0 - 0.5 && time_s <= observed.1;
        for &(time_s, place) in &self.taps {
            counts[place].taps += u64::from(seen(time_s));
        }
        let mut hit = vec![false; self.taps.len()];
        let mut background_events = 0;
        let mut place_of_event = Vec::with_capacity(onsets_s.len());
        for &onset_s in onsets_s {
            let tap = self.tap_of(onset_s);
            place_of_event.push(tap.map(|tap| self.taps[tap].1));
            match tap {
                Some(tap) if !hit[tap] => {
                    hit[tap] = true;
                    counts[self.taps[tap].1].hits += u64::from(seen(self.taps[tap].0));
                }
                Some(_) => {}
                None => background_events += 1,
            }
        }
        let background_s = (observed.1 - observed.0 - missing_s - self.covered_s(observed)).max(0.0);
        let trial = Trial {
            counts: &counts,
            window_s: self.settings.window_before_s + self.settings.window_after_s,
            background_events,
            background_s,
            significance: self.settings.significance,
            least_hit_probability: self.settings.least_hit_probability,
        };
        let (outcomes, blow_disturbs) = trial.decide();
        let mut order: Vec<usize> = (0..places).filter(|&place| counts[place].taps > 0).collect();
        let rate = |place: usize| counts[place].hits as f64 / counts[place].taps.max(1) as f64;
        order.sort_by(|&a, &b| {
            // Of like chances the higher share of hits comes first.
            outcomes[b]
                .accused
                .cmp(&outcomes[a].accused)
                .then(outcomes[a].p_value.total_cmp(&outcomes[b].p_value))
                .then(rate(b).total_cmp(&rate(a)))
                .then(counts[a].taps.cmp(&counts[b].taps))
        });
        let places = order
            .into_iter()
            .map(|place| self.stand(place, counts[place], outcomes[place]))
            .collect();
        Attributed {
            places,
            background_events,
            background_s,
            blow_disturbs,
            place_of_event,
            labels: self.labels.clone(),
        }
    }

    fn stand(&self, place: usize, count: Count, outcome: Outcome) -> PlaceStanding {
        let Count { taps, hits } = count;
        let Outcome {
            p_value,
            corrected,
            accused,
        } = outcome;
        let (low, high) = interval(count);
        let assumed = self.settings.assumed_hit_probability;
        let needed = taps_to_clear(assumed, CONFIDENCE);
        let more = (hits == 0).then(|| needed.saturating_sub(taps));
        let (verdict, reason) = match more {
            _ if accused => (
                PlaceVerdict::Accused,
                format!(
                    "{hits} of {taps} taps were followed by an event; chance does so in {corrected:.1e} of runs"
                ),
            ),
            None => (
                PlaceVerdict::Suspect,
                format!(
                    "{hits} of {taps} taps were followed by an event; chance does so in {:.0} % of runs: tap it more",
                    100.0 * corrected
                ),
            ),
            Some(0) => (
                PlaceVerdict::Cleared,
                format!(
                    "no event in {taps} taps; a bad joint that answers {:.0} % of taps would have shown in 95 % of runs",
                    100.0 * assumed
                ),
            ),
            Some(more) => (
                PlaceVerdict::NotEnoughTaps,
                format!(
                    "no event in {taps} taps; {more} more without one clear it of a joint that answers {:.0} % of taps",
                    100.0 * assumed
                ),
            ),
        };
        PlaceStanding {
            label: self.labels[place].clone(),
            taps,
            hits,
            p_value,
            p_value_corrected: corrected,
            accused,
            verdict,
            hit_probability: hits as f64 / taps.max(1) as f64,
            hit_probability_low: low,
            hit_probability_high: high,
            more_taps_to_clear: more,
            assumed_hit_probability: assumed,
            reason,
        }
    }
}
