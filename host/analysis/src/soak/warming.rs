//! The case temperature, explained.
//!
//! **Why.** A thermistor has noise of its own, part of it slow. Used raw as a regressor that noise makes the current's
//! dependence on temperature look smaller than it is (regression dilution: Fuller 1987, *Measurement Error Models*,
//! section 1.1; from memory), and what is missing there turns up as drift.
//!
//! **Model.** The case follows the room through a first-order lag and warms by itself in one or two exponentials: the
//! same fit as for a current ([`super::settling`]), with the case temperature as the series and the room's as the
//! temperature. The fitted course has far less noise than the thermistor. What it leaves over goes into the current's
//! fit as a column of its own, so that the data decide whether it was warmth or noise.

use super::grid::Bins;
use super::regressors::Temperature;
use super::settling::{Effort, SettlingModel};

/// How the case warms.
#[derive(Clone, Debug)]
pub(crate) struct Warming {
    /// Kelvin still to come at the end; negative when the case must still warm.
    pub(crate) remaining_k: f64,
    /// Size of the largest exponential, in kelvin; negative when the case warmed.
    pub(crate) rise_k: f64,
    /// Time constant of the largest exponential, in seconds.
    pub(crate) time_constant_s: Option<f64>,
    /// The explained temperature of each bin, in degrees Celsius.
    pub(crate) course: Vec<f64>,
}

impl Warming {
    /// `None` without a case temperature.
    pub(crate) fn of(bins: &Bins) -> Option<Self> {
        let mut case = bins.clone();
        case.value = case.temperature_c[0].take()?;
        case.weight.fill(1.0);
        case.is_temperature = true;
        let against = if case.temperature_c[1].is_some() {
            Temperature::Room
        } else {
            Temperature::None
        };
        let model = || SettlingModel::new(&case, &[], against, 0.0, Effort::QUICK);
        let settling = model().solve(None)?;
        let model = model();
        let course = case
            .time_s
            .iter()
            .map(|&time| model.trend_at(&settling, time, true))
            .collect();
        Some(Self {
            remaining_k: settling.remaining.mean(),
            rise_k: settling.amplitude.mean(),
            time_constant_s: settling.time_constant_s.map(|estimate| estimate.value),
            course,
        })
    }
}
