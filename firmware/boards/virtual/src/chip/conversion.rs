//! When the chip converts what: rail, shunt and its own temperature in turn, each for its own time.
//!
//! Data sheet section 7.3.2 and table 7-6. The order within a round is the data sheet's list of the fields (from
//! memory; no finding depends on it).

use steadybench_firmware::ina228::registers::adc_config;

use super::noise::{AVERAGED, CONVERSION_US};

/// What the chip converts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Quantity {
    Rail,
    Shunt,
    Temperature,
}

impl Quantity {
    pub(crate) const ALL: [Self; 3] = [Self::Rail, Self::Shunt, Self::Temperature];

    pub(crate) const fn index(self) -> usize {
        self as usize
    }

    /// The mode's bit that enables it.
    const fn mode_bit(self) -> u16 {
        1 << self as u16
    }

    /// Code of its conversion time.
    pub(crate) const fn time_code(self, adc_config: u16) -> u8 {
        let position = match self {
            Self::Rail => adc_config::VBUSCT,
            Self::Shunt => adc_config::VSHCT,
            Self::Temperature => adc_config::VTCT,
        };
        (adc_config >> position & 7) as u8
    }
}

/// Code of averaging.
pub(crate) const fn average_code(adc_config: u16) -> u8 {
    (adc_config & 7) as u8
}

/// The rounds of conversions since the settings were written; times in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Plan {
    begun_s: f64,
    /// Length of each conversion; zero where it is not enabled.
    length_s: [f64; 3],
    averaged: u32,
    /// Rounds that will ever be done.
    rounds: f64,
}

/// The windows that one result is the mean of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Windows {
    pub(crate) first_s: f64,
    pub(crate) length_s: f64,
    pub(crate) apart_s: f64,
    pub(crate) count: u32,
}

impl Plan {
    /// `oscillator` is the chip's time over true time.
    pub(crate) fn new(adc_config: u16, begun_s: f64, oscillator: f64) -> Self {
        let mode = adc_config >> 12;
        let length_s = Quantity::ALL.map(|quantity| {
            if mode & quantity.mode_bit() == 0 {
                0.0
            } else {
                f64::from(CONVERSION_US[usize::from(quantity.time_code(adc_config))]) * 1e-6 / oscillator
            }
        });
        let rounds = match mode {
            0 | 8 => 0.0,
            1..=7 => 1.0,
            _ => f64::INFINITY,
        };
        Self {
            begun_s,
            length_s,
            averaged: AVERAGED[usize::from(average_code(adc_config))],
            rounds,
        }
    }

    /// The latest round whose result of `quantity` is there at `at_s`, counted from zero.
    pub(crate) fn latest(&self, quantity: Quantity, at_s: f64) -> Option<u64> {
        let length_s = self.length_s[quantity.index()];
        if length_s <= 0.0 {
            return None;
        }
        let windows = self.windows(quantity, 0);
        let end_s = windows.first_s + windows.apart_s * f64::from(windows.count - 1) + windows.length_s;
        let round = ((at_s - end_s) / self.round_s()).floor().min(self.rounds - 1.0);
        (round >= 0.0).then_some(round as u64)
    }

    pub(crate) fn windows(&self, quantity: Quantity, round: u64) -> Windows {
        let before_s: f64 = self.length_s[..quantity.index()].iter().sum();
        Windows {
            first_s: self.begun_s + round as f64 * self.round_s() + before_s,
            length_s: self.length_s[quantity.index()],
            apart_s: self.turn_s(),
            count: self.averaged,
        }
    }

    fn turn_s(&self) -> f64 {
        self.length_s.iter().sum()
    }

    fn round_s(&self) -> f64 {
        self.turn_s() * f64::from(self.averaged)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Continuous, all three, 540 µs for the shunt and 50 µs for the others, no averaging.
    const FIRMWARE: u16 = 0xF << 12 | 4 << adc_config::VSHCT;

    #[test]
    fn a_round_is_the_sum_of_its_conversions() {
        let plan = Plan::new(FIRMWARE, 1.0, 1.0);
        assert_eq!(plan.latest(Quantity::Shunt, 1.0 + 589e-6), None);
        assert_eq!(plan.latest(Quantity::Shunt, 1.0 + 591e-6), Some(0));
        assert_eq!(
            plan.latest(Quantity::Shunt, 1.0 + 640e-6 * 10.0 + 591e-6),
            Some(10)
        );
        let windows = plan.windows(Quantity::Shunt, 10);
        assert!((windows.first_s - (1.0 + 6_450e-6)).abs() < 1e-12);
        assert!((windows.length_s - 540e-6).abs() < 1e-15);
    }

    /// The periods of table 8-2: conversion time times averaging, for one quantity alone.
    #[test]
    fn averaging_lengthens_the_round() {
        let shunt_only = 0xA << 12 | 7 << adc_config::VSHCT | 7;
        let plan = Plan::new(shunt_only, 0.0, 1.0);
        assert_eq!(plan.latest(Quantity::Shunt, 4.218), None);
        assert_eq!(plan.latest(Quantity::Shunt, 4.219), Some(0));
        assert_eq!(plan.latest(Quantity::Rail, 100.0), None);
    }

    #[test]
    fn a_fast_oscillator_shortens_it() {
        let plan = Plan::new(FIRMWARE, 0.0, 1.005);
        assert_eq!(
            plan.latest(Quantity::Temperature, 0.640 / 1.005 + 1e-9),
            Some(999)
        );
        assert_eq!(
            plan.latest(Quantity::Temperature, 0.640 / 1.005 - 1e-9),
            Some(998)
        );
    }

    #[test]
    fn one_shot_is_one_round_and_shutdown_none() {
        let plan = Plan::new(7 << 12, 0.0, 1.0);
        assert_eq!(plan.latest(Quantity::Temperature, 5.0), Some(0));
        let plan = Plan::new(8 << 12, 0.0, 1.0);
        assert_eq!(plan.latest(Quantity::Rail, 5.0), None);
    }
}
