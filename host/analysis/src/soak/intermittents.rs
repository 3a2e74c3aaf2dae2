//! Short events in a soak: a matched filter for every length, seen through the noise.
//!
//! **Model.** A departure of unknown size that lasts from one reading to a minute and a half, with hard edges or edges
//! softened by a reservoir or a slow contact, on noise with a memory ([`super::noise`]).
//!
//! **Method.** With `u = V⁻¹ r` for the residual `r`, the best estimate of a template's size at any instant is
//! `s'u / s'V⁻¹s` and its z-value `s'u / √(s'V⁻¹s)` (Kay 1998, *Fundamentals of Statistical Signal Processing: Detection
//! Theory*, section 4.4; from memory); one pass gives all instants. The strongest are taken, their readings struck
//! out, and the rest looked at again, so that a large event does not leave echoes.
//!
//! **Threshold.** Learned per channel from the greatest z-value of each block of a minute: the middle of that
//! distribution fixes an exponential tail in `z²/2` (never lighter than the Gaussian's), and the threshold is where
//! one false event is expected in twenty recordings. A restless load raises its own threshold.

use super::grid::median;
use super::noise::{NoiseModel, Whitener};

/// Lengths looked for, in places of the grid.
const LENGTHS: [usize; 13] = [1, 2, 3, 4, 6, 8, 11, 15, 20, 28, 40, 60, 90];
/// Time constants of softened edges, in places; zero is a hard edge.
const SOFT: [f64; 3] = [0.0, 2.5, 7.0];
/// Rounds of taking the strongest and looking again.
const ROUNDS: usize = 8;

/// A departure found.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Departure {
    /// First place.
    pub(crate) first: usize,
    /// One past the last place at full depth.
    pub(crate) end: usize,
    /// One past the last place touched, the soft tail included.
    pub(crate) tail: usize,
    /// Size in amperes; negative is a loss of current.
    pub(crate) size: f64,
    /// z-value over the learned scale.
    pub(crate) z: f64,
    template: usize,
}

struct Template {
    length: usize,
    soft: f64,
    /// `s'V⁻¹s` away from gaps.
    information: f64,
}

/// The filters for one channel.
pub(crate) struct Finder<'a> {
    residual: &'a [f64],
    noise: NoiseModel,
    step: f64,
    templates: Vec<Template>,
    weights: Vec<f64>,
}

impl<'a> Finder<'a> {
    /// `residual` is NaN where missing; `masked` is left out as well.
    pub(crate) fn new(residual: &'a [f64], masked: &[bool], noise: NoiseModel, step_s: f64) -> Self {
        let weights = residual
            .iter()
            .zip(masked)
            .map(|(value, &out)| f64::from(value.is_finite() && !out))
            .collect();
        let mut templates = Vec::new();
        for soft in SOFT {
            for length in LENGTHS {
                if soft == 0.0 || length >= 4 {
                    let information = information(&noise, step_s, length, soft);
                    templates.push(Template {
                        length,
                        soft,
                        information,
                    });
                }
            }
        }
        Self {
            residual,
            noise,
            step: step_s,
            templates,
            weights,
        }
    }

    fn inverse(&self) -> Vec<f64> {
        let mut out = Vec::new();
        Whitener::new(&self.noise, self.step, &self.weights).inverse_apply(self.residual, &mut out);
        out
    }

    /// The size and standard deviation of a departure of the same shape as `other`'s in this channel.
    pub(crate) fn size_like(&self, inverse: &[f64], other: &Departure) -> (f64, f64) {
        let template = &self.templates[other.template];
        let mut shape = template_shape(template);
        shape.truncate(inverse.len() - other.first);
        let pull: f64 = shape
            .iter()
            .zip(&inverse[other.first..])
            .map(|(s, u)| s * u)
            .sum();
        // Near gaps the information is less than in the open; measure it on the spot.
        let from = other.first.saturating_sub(200);
        let to = (other.first + shape.len() + 200).min(self.weights.len());
        let mut column = vec![0.0; to - from];
        column[other.first - from..other.first - from + shape.len()].copy_from_slice(&shape);
        let mut applied = Vec::new();
        Whitener::new(&self.noise, self.step, &self.weights[from..to]).inverse_apply(&column, &mut applied);
        let information: f64 = column.iter().zip(&applied).map(|(s, u)| s * u).sum();
        if information > 0.0 {
            (pull / information, information.sqrt().recip())
        } else {
            (0.0, f64::INFINITY)
        }
    }

    /// `V⁻¹ r` with nothing struck out, for [`Finder::size_like`].
    pub(crate) fn inverse_residual(&self) -> Vec<f64> {
        self.inverse()
    }

    /// All departures beyond the learned threshold, in order of time.
    pub(crate) fn find(&mut self) -> Vec<Departure> {
        let length = self.residual.len();
        let mut found: Vec<Departure> = Vec::new();
        let mut threshold: Option<(Vec<f64>, f64)> = None;
        for _ in 0..ROUNDS {
            let inverse = self.inverse();
            let scales = threshold.as_ref().map(|(scales, _)| scales.clone());
            let (scales, best) = self.strongest(&inverse, scales);
            let limit = threshold
                .as_ref()
                .map_or_else(|| learned_threshold(&best, &self.weights), |t| t.1);
            threshold = Some((scales, limit));
            let mut order: Vec<usize> = (0..length).filter(|&k| best[k].1.abs() > limit).collect();
            if order.is_empty() {
                break;
            }
            order.sort_by(|&a, &b| best[b].1.abs().total_cmp(&best[a].1.abs()));
            let mut taken: Vec<Departure> = Vec::new();
            for first in order {
                let (template, z) = best[first];
                let departure = self.departure(&inverse, first, template, z);
                let clear = 300;
                if taken
                    .iter()
                    .all(|t| first > t.tail + clear || departure.tail + clear < t.first)
                {
                    taken.push(departure);
                }
            }
            for departure in &taken {
                let from = departure.first.saturating_sub(1);
                let to = (departure.tail + 1).min(length);
                self.weights[from..to].fill(0.0);
            }
            found.extend(taken);
        }
        found.sort_by_key(|departure| departure.first);
        joined(found)
    }

    fn departure(&self, inverse: &[f64], first: usize, number: usize, z: f64) -> Departure {
        let template = &self.templates[number];
        let shape = template_shape(template);
        let pull: f64 = shape.iter().zip(&inverse[first..]).map(|(s, u)| s * u).sum();
        let length = self.residual.len();
        Departure {
            first,
            end: (first + template.length).min(length),
            tail: (first + template.length + (4.0 * template.soft) as usize).min(length),
            size: pull / template.information,
            z,
            template: number,
        }
    }

    /// For every place the template that starts there with the greatest scaled z, and that z.
    fn strongest(&self, inverse: &[f64], known: Option<Vec<f64>>) -> (Vec<f64>, Vec<(usize, f64)>) {
        let length = inverse.len();
        let mut best = vec![(0_usize, 0.0_f64); length];
        let mut scales = Vec::with_capacity(self.templates.len());
        let mut soft_sums = Vec::with_capacity(SOFT.len());
        for soft in SOFT {
            // Running sum of what a template started at each place sees, its edges softened backwards in time.
            let mut sums = vec![0.0; length + 1];
            let keep = if soft > 0.0 { (-1.0 / soft).exp() } else { 0.0 };
            let mut smooth = 0.0;
            for k in (0..length).rev() {
                smooth = keep * smooth + (1.0 - keep) * inverse[k];
                sums[k] = sums[k + 1] + smooth;
            }
            soft_sums.push(sums);
        }
        let mut sample = Vec::with_capacity(length / 5 + 1);
        for (number, template) in self.templates.iter().enumerate() {
            let sums = &soft_sums[SOFT.iter().position(|soft| *soft == template.soft).unwrap_or(0)];
            let unit = template.information.sqrt().recip();
            let at = |k: usize| (sums[k] - sums[(k + template.length).min(length)]) * unit;
            let scale = known.as_ref().map_or_else(
                || {
                    sample.clear();
                    sample.extend(
                        (0..length)
                            .step_by(5)
                            .filter(|&k| self.weights[k] > 0.0)
                            .map(|k| at(k).abs()),
                    );
                    (median(&mut sample) / 0.6745).max(1.0)
                },
                |known| known[number],
            );
            scales.push(scale);
            for (k, place) in best.iter_mut().enumerate() {
                let z = at(k) / scale;
                if z.abs() > place.1.abs() && self.weights[k] > 0.0 {
                    *place = (number, z);
                }
            }
        }
        (scales, best)
    }
}

/// Departures that touch or overlap become one, as strong as the stronger.
fn joined(found: Vec<Departure>) -> Vec<Departure> {
    let mut out: Vec<Departure> = Vec::with_capacity(found.len());
    for next in found {
        match out.last_mut() {
            Some(last) if next.first <= last.tail + 8 => {
                let (strong, weak) = if last.z.abs() >= next.z.abs() {
                    (*last, next)
                } else {
                    (next, *last)
                };
                // The weaker is what the stronger's template left over at its edges.
                *last = Departure {
                    tail: strong.tail.max(weak.tail),
                    ..strong
                };
            }
            _ => out.push(next),
        }
    }
    out
}

fn template_shape(template: &Template) -> Vec<f64> {
    if template.soft == 0.0 {
        return vec![1.0; template.length];
    }
    let keep = (-1.0 / template.soft).exp();
    let total = template.length + (8.0 * template.soft) as usize;
    let mut level = 0.0;
    (0..total)
        .map(|k| {
            level = keep * level + if k < template.length { 1.0 - keep } else { 0.0 };
            level
        })
        .collect()
}

fn information(noise: &NoiseModel, step_s: f64, length: usize, soft: f64) -> f64 {
    let shape = template_shape(&Template {
        length,
        soft,
        information: 0.0,
    });
    let margin = 600;
    let mut column = vec![0.0; shape.len() + 2 * margin];
    column[margin..margin + shape.len()].copy_from_slice(&shape);
    let mut applied = Vec::new();
    Whitener::new(noise, step_s, &vec![1.0; column.len()]).inverse_apply(&column, &mut applied);
    column.iter().zip(&applied).map(|(s, u)| s * u).sum()
}

/// See the module's head. The greatest of each block of sixty places; half of them fix the level, the upper quarter
/// short of the top tenth the tail, so that real events hardly move it.
fn learned_threshold(best: &[(usize, f64)], weights: &[f64]) -> f64 {
    let mut greatest: Vec<f64> = best
        .chunks(60)
        .zip(weights.chunks(60))
        .filter(|(_, weights)| weights.iter().sum::<f64>() > 30.0)
        .map(|(chunk, _)| {
            chunk
                .iter()
                .map(|place| 0.5 * place.1 * place.1)
                .fold(0.0, f64::max)
        })
        .collect();
    if greatest.len() < 8 {
        return 6.0;
    }
    greatest.sort_by(f64::total_cmp);
    let at = |share: f64| greatest[((greatest.len() - 1) as f64 * share) as usize];
    // Gumbel: the quantile p lies at level + tail · (-ln(-ln p)).
    let place = |p: f64| -(-(p.ln())).ln();
    let tail = ((at(0.9) - at(0.5)) / (place(0.9) - place(0.5))).max(1.0);
    let wanted = 0.05 / greatest.len() as f64;
    (2.0 * (at(0.5) + tail * (-(wanted.ln()) - place(0.5))))
        .sqrt()
        .max(4.8)
}
