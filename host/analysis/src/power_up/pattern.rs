//! Shapes in time that point at a cause: restarting, jamming, holding at a limit, a bouncing contact.

use serde::{Deserialize, Serialize};

use super::envelope::Envelope;
use super::settings::{ChannelSettings, ChannelType};
use super::standby::Standby;
use super::trace::{Trace, median};

/// A supply that starts, gives up and starts again.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Hiccup {
    /// Starts seen, the first one included.
    pub starts: u32,
    /// Median time between starts, in seconds.
    pub period_s: f64,
}

/// A current that had settled and then rose to about its start-up peak and stayed there, as a motor that jams.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Jam {
    /// When it rose, in seconds after the switch-on.
    #[serde(rename = "after_s")]
    pub after_onset_s: f64,
    /// The level it had come down to, in amperes.
    #[serde(rename = "from_A")]
    pub from_a: f64,
    /// The level it ended at, in amperes.
    #[serde(rename = "to_A")]
    pub to_a: f64,
}

/// Level above standby of each whole block after the switch-on, with the block's start.
pub(crate) struct Levels {
    starts_s: Vec<f64>,
    levels_a: Vec<f64>,
    block_s: f64,
    onset_s: f64,
    sigma_a: f64,
}

impl Levels {
    pub(crate) fn new(
        envelope: &Envelope,
        onset_s: f64,
        standby: &Standby,
        settings: &ChannelSettings,
    ) -> Self {
        let block_s = envelope.block_s();
        let base = standby.level_a.unwrap_or(0.0);
        let mut starts_s = Vec::new();
        let mut levels_a = Vec::new();
        let blocks = envelope.blocks();
        // The last block may be cut short.
        for block in blocks.iter().take(blocks.len().saturating_sub(1)) {
            if block.count == 0 || block.start_s + 0.5 * block_s < onset_s {
                continue;
            }
            let level = match settings.channel_type {
                ChannelType::Dc => (block.mean() - base).abs(),
                ChannelType::Ac => (block.mean_square() - standby.variance_a2 - base * base)
                    .max(0.0)
                    .sqrt(),
            };
            starts_s.push(block.start_s);
            levels_a.push(level);
        }
        Self {
            starts_s,
            levels_a,
            block_s,
            onset_s,
            sigma_a: standby.slow_sigma_a.max(standby.sigma_a * 0.1),
        }
    }

    fn after(&self, delay_s: f64) -> usize {
        self.starts_s
            .partition_point(|start| *start < self.onset_s + delay_s)
    }

    /// Restarting: mostly off, and on again at even intervals until the end of the recording.
    pub(crate) fn hiccup(&self) -> Option<Hiccup> {
        let late = self.after(0.1);
        let tail = self.levels_a.get(late..)?;
        if tail.len() < 6 {
            return None;
        }
        let highest = tail.iter().copied().fold(0.0, f64::max);
        let mut sorted = tail.to_vec();
        let middle = median(&mut sorted);
        if highest < 12.0 * self.sigma_a || middle > 0.25 * highest {
            return None;
        }
        let mut starts = vec![self.onset_s];
        let mut on = true;
        for (start, level) in self.starts_s.iter().zip(&self.levels_a) {
            if on && *level < 0.2 * highest {
                on = false;
            } else if !on && *level > 0.4 * highest {
                on = true;
                starts.push(*start);
            }
        }
        let mut intervals: Vec<f64> = starts.windows(2).map(|pair| pair[1] - pair[0]).collect();
        if intervals.len() < 2 {
            return None;
        }
        let shortest = intervals.iter().copied().fold(f64::INFINITY, f64::min);
        let longest = intervals.iter().copied().fold(0.0, f64::max);
        let period_s = median(&mut intervals);
        let end_s = self.starts_s.last()? + self.block_s;
        let goes_on = end_s - starts.last()? < 1.6 * period_s + self.block_s;
        let even = longest - shortest < 0.5 * period_s + 2.0 * self.block_s;
        (goes_on && even).then_some(Hiccup {
            starts: starts.len() as u32,
            period_s,
        })
    }

    /// A fall to less than two thirds of the start-up level, kept for three blocks, then a lasting rise to 0.6 of it.
    pub(crate) fn jam(&self) -> Option<Jam> {
        let count = self.levels_a.len();
        if count < 12 {
            return None;
        }
        // The lowest level three blocks in a row stay at or below.
        let (low_index, low) = self
            .levels_a
            .windows(3)
            .enumerate()
            .map(|(index, window)| (index, window.iter().copied().fold(0.0, f64::max)))
            .min_by(|left, right| left.1.total_cmp(&right.1))?;
        let early = self.levels_a[..low_index.max(1)]
            .iter()
            .copied()
            .fold(0.0, f64::max);
        let end = &self.levels_a[count - 5..];
        let end_low = end.iter().copied().fold(f64::INFINITY, f64::min);
        if low_index + 8 > count
            || early < 1.5 * low
            || end_low < 1.5 * low + 8.0 * self.sigma_a
            || end_low < 0.6 * early
        {
            return None;
        }
        let middle = 0.5 * (low + end_low);
        let rose = (low_index..count)
            .rev()
            .find(|&index| self.levels_a[index] < middle)?
            + 1;
        let start_s = self.starts_s.get(rose)?;
        let to_a = end.iter().sum::<f64>() / end.len() as f64;
        Some(Jam {
            after_onset_s: start_s - self.onset_s,
            from_a: low,
            to_a,
        })
    }

    /// Whether the level stands still, within 2 %, from 0.1 s after the switch-on to the end.
    pub(crate) fn holds_level(&self) -> bool {
        let tail = &self.levels_a[self.after(0.1).min(self.levels_a.len())..];
        if tail.len() < 5 {
            return false;
        }
        let low = tail.iter().copied().fold(f64::INFINITY, f64::min);
        let high = tail.iter().copied().fold(0.0, f64::max);
        high - low < 0.02 * high + 6.0 * self.sigma_a
    }

    /// Largest level over the mean of the last ten blocks, and how widely the second half still swings about its mean.
    pub(crate) fn swing(&self) -> Option<f64> {
        let half = self.levels_a.get(self.levels_a.len() / 2..)?;
        if half.len() < 20 {
            return None;
        }
        let mean = half.iter().sum::<f64>() / half.len() as f64;
        let crossings = half
            .windows(2)
            .filter(|pair| (pair[0] > mean) != (pair[1] > mean))
            .count();
        let spread =
            (half.iter().map(|level| (level - mean).powi(2)).sum::<f64>() / half.len() as f64).sqrt();
        (mean > 0.0 && crossings >= 4).then_some(spread / mean)
    }
}

/// Longest interruption that counts as a bounce of the contact, in seconds (common practice, no source).
const BOUNCE_S: f64 = 2.0e-3;

/// Counts interruptions by a bouncing contact in the first 50 ms.
///
/// A bounce is a fall to the standby level and a return, each within two readings, less than 2 ms apart. `None` where
/// readings are too far apart (more than 0.2 ms) to see one.
pub(crate) fn bounces(trace: &Trace, onset: usize, peak_a: f64, standby: &Standby) -> Option<u32> {
    let reading_s = trace.reading_s();
    if reading_s <= 0.0 || reading_s > 2.0e-4 {
        return None;
    }
    let start_s = *trace.times().get(onset)?;
    let end = trace.index_at(start_s + 0.05);
    let off = standby.base_a + (0.01 * (peak_a - standby.base_a)).max(6.0 * standby.sigma_a);
    let height: Vec<f64> = trace.values()[onset..end.max(onset)]
        .iter()
        .map(|value| value.abs())
        .collect();
    let on = |index: usize| {
        height
            .get(index)
            .is_some_and(|value| *value > off + 5.0 * (off - standby.base_a))
    };
    let mut count = 0;
    let mut index = 2;
    while index < height.len() {
        let falls = height[index] <= off && (on(index - 1) || on(index - 2));
        if !falls {
            index += 1;
            continue;
        }
        let back = (index..height.len()).find(|&k| height[k] > off);
        let Some(back) = back else { break };
        let returns = on(back) || on(back + 1);
        if returns && (back - index) as f64 * reading_s <= BOUNCE_S {
            count += 1;
        }
        index = back.max(index + 1);
    }
    Some(count)
}
