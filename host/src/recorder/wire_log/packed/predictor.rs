//! Foretells each number of a series from those before it: linear prediction by the recursion of Levinson and Durbin
//! (J. Durbin, "The fitting of time-series models", Revue de l'Institut International de Statistique 28, 1960).
//!
//! The writer fits it in floating point; what it then rounds to is whole numbers, and from these alone writer and reader
//! foretell the same.

use super::bell::{unzigzag, zigzag};
use super::range::{RangeDecoder, RangeEncoder};
use super::series::NUMBER_MAX;

/// Most numbers looked back upon: ripple at twice the mains frequency and its first overtones need no more.
pub(super) const ORDER_MAX: usize = 12;

const ORDER_BITS: u32 = 4;

/// Bits of a coefficient, its sign included.
const COEFFICIENT_BITS: u32 = 11;

const SHIFT_BITS: u32 = 4;

/// The finest unit of a coefficient is 2 to the minus this.
const SHIFT_MAX: u32 = 12;

/// Shorter series do not pay for coefficients.
const LENGTH_MIN: usize = 64;

/// Foretells from a mean and from up to [`ORDER_MAX`] departures from it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Predictor {
    mean: i64,
    coefficients: Vec<i64>,
    shift: u32,
}

impl Predictor {
    /// Fits one that should cost the fewest bits, its own included.
    pub(super) fn fit(numbers: &[i64]) -> Self {
        let mean = rounded_mean(numbers);
        let plain = Self {
            mean,
            ..Self::default()
        };
        if numbers.len() < LENGTH_MIN {
            return plain;
        }
        let products = lagged_products(numbers, mean);
        let Some((coefficients, gain_bits)) = best_order(&products, numbers.len()) else {
            return plain;
        };
        let cost_bits = coefficients.len() as f64 * f64::from(COEFFICIENT_BITS) + f64::from(SHIFT_BITS);
        match rounded(&coefficients) {
            Some((coefficients, shift)) if gain_bits > cost_bits => Self {
                mean,
                coefficients,
                shift,
            },
            _ => plain,
        }
    }

    /// What comes after `before`, whose last number is the newest. Where there are too few, the mean stands in.
    pub(super) fn next(&self, before: &[i64]) -> i64 {
        let sum: i64 = self
            .coefficients
            .iter()
            .zip(before.iter().rev())
            .map(|(coefficient, number)| coefficient * (number - self.mean))
            .sum();
        let half = (1_i64 << self.shift) >> 1;
        self.mean + ((sum + half) >> self.shift)
    }

    pub(super) fn put(&self, length: usize, encoder: &mut RangeEncoder) {
        encoder.put_gamma(zigzag(self.mean));
        if length < LENGTH_MIN {
            return;
        }
        encoder.put_plain(self.coefficients.len() as u64, ORDER_BITS);
        if self.coefficients.is_empty() {
            return;
        }
        encoder.put_plain(u64::from(self.shift), SHIFT_BITS);
        for coefficient in &self.coefficients {
            encoder.put_plain(*coefficient as u64, COEFFICIENT_BITS);
        }
    }

    /// `None` when the bytes hold no predictor.
    pub(super) fn take(length: usize, decoder: &mut RangeDecoder<'_>) -> Option<Self> {
        let mean = unzigzag(decoder.take_gamma()?);
        if mean.unsigned_abs() > NUMBER_MAX.unsigned_abs() {
            return None;
        }
        let mut predictor = Self {
            mean,
            ..Self::default()
        };
        if length < LENGTH_MIN {
            return Some(predictor);
        }
        let order = decoder.take_plain(ORDER_BITS) as usize;
        if order > ORDER_MAX {
            return None;
        }
        if order > 0 {
            predictor.shift = decoder.take_plain(SHIFT_BITS) as u32;
            predictor.coefficients = (0..order)
                .map(|_| {
                    let unused = i64::BITS - COEFFICIENT_BITS;
                    ((decoder.take_plain(COEFFICIENT_BITS) as i64) << unused) >> unused
                })
                .collect();
        }
        Some(predictor)
    }
}

fn rounded_mean(numbers: &[i64]) -> i64 {
    let count = numbers.len().max(1) as i128;
    let sum: i128 = numbers.iter().map(|number| i128::from(*number)).sum();
    (2 * sum + count).div_euclid(2 * count) as i64
}

/// Sums of products of departures `lag` apart, tapered towards both ends so that these do not count as steps.
fn lagged_products(numbers: &[i64], mean: i64) -> [f64; ORDER_MAX + 1] {
    let middle = (numbers.len() - 1) as f64 / 2.0;
    let tapered: Vec<f64> = numbers
        .iter()
        .enumerate()
        .map(|(k, number)| {
            let out = (k as f64 - middle) / (middle + 1.0);
            (number - mean) as f64 * (1.0 - out * out)
        })
        .collect();
    // Number by number and all lags at once: each sum is added up in the same order as if it were alone.
    let mut products = [0.0; ORDER_MAX + 1];
    for window in tapered.windows(ORDER_MAX + 1) {
        for (product, later) in products.iter_mut().zip(window) {
            *product += window[0] * later;
        }
    }
    let last = tapered.len().saturating_sub(ORDER_MAX);
    for at in last..tapered.len() {
        for (product, later) in products.iter_mut().zip(&tapered[at..]) {
            *product += tapered[at] * later;
        }
    }
    products
}

/// The coefficients of the order that saves most, and how many bits they save over none. `None` when none saves any.
fn best_order(products: &[f64; ORDER_MAX + 1], length: usize) -> Option<(Vec<f64>, f64)> {
    // Rounding to whole numbers leaves a twelfth, however well the rest is foretold.
    let floor = length as f64 / 12.0;
    let mut error = products[0];
    let mut coefficients: Vec<f64> = Vec::new();
    let mut best: Option<(Vec<f64>, f64, f64)> = None;
    for order in 1..=ORDER_MAX {
        if error <= 0.0 {
            break;
        }
        let known: f64 = coefficients
            .iter()
            .zip(products[1..order].iter().rev())
            .map(|(coefficient, product)| coefficient * product)
            .sum();
        let reflection = (products[order] - known) / error;
        let mirrored: Vec<f64> = coefficients.iter().rev().copied().collect();
        for (coefficient, other) in coefficients.iter_mut().zip(mirrored) {
            *coefficient -= reflection * other;
        }
        coefficients.push(reflection);
        error *= 1.0 - reflection * reflection;
        let gain_bits = 0.5 * length as f64 * ((products[0] + floor) / (error.max(0.0) + floor)).log2();
        let net_bits = gain_bits - order as f64 * f64::from(COEFFICIENT_BITS);
        if best.as_ref().is_none_or(|(_, _, most)| net_bits > *most) {
            best = Some((coefficients.clone(), gain_bits, net_bits));
        }
    }
    best.map(|(coefficients, gain_bits, _)| (coefficients, gain_bits))
}

/// Coefficients in whole units of 2^−shift, as fine as their bits allow.
fn rounded(coefficients: &[f64]) -> Option<(Vec<i64>, u32)> {
    let most = coefficients.iter().fold(0.0_f64, |most, c| most.max(c.abs()));
    let limit = f64::from((1_i32 << (COEFFICIENT_BITS - 1)) - 1);
    let shift = (0..=SHIFT_MAX)
        .rev()
        .find(|shift| most * f64::from(1_u32 << shift) <= limit)?;
    let unit = f64::from(1_u32 << shift);
    // What one coefficient loses by rounding the next makes up for.
    let mut owed = 0.0;
    let whole = coefficients
        .iter()
        .map(|coefficient| {
            let wanted = coefficient * unit + owed;
            let taken = wanted.round().clamp(-limit, limit);
            owed = wanted - taken;
            taken as i64
        })
        .collect();
    Some((whole, shift))
}
