//! A length of copper track used as a shunt, and why to beware of it.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::copper::{COPPER_COEFFICIENT_PER_K, copper_resistance_ohm};
use super::shunt::ShuntRange;
use super::text::engineering;

/// How far the finished thickness of a track may be from what is said (common practice, no source).
const THICKNESS_TOLERANCE: f64 = 0.2;

/// A length of track.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Track {
    /// Length between the two taps, in metres.
    pub length_m: f64,
    /// Width, in metres.
    pub width_m: f64,
    /// Thickness of the copper, in metres; one ounce is 35 µm.
    pub thickness_m: f64,
    /// Temperature of the track, in degrees Celsius.
    pub temperature_c: f64,
    /// How far that may be off or change, in kelvins either way.
    pub temperature_uncertainty_k: f64,
    /// Current through it, in amperes.
    pub current_a: f64,
}

/// What the track would do as a shunt.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrackEstimate {
    /// Resistance at that temperature, in ohms.
    pub resistance_ohm: f64,
    /// Lowest it may be, with thickness and temperature as uncertain as said, in ohms.
    pub lowest_ohm: f64,
    /// Highest it may be, in ohms.
    pub highest_ohm: f64,
    /// Voltage across it at the current, in volts.
    #[serde(rename = "burden_V")]
    pub burden_v: f64,
    /// Heat in it, in watts.
    #[serde(rename = "dissipation_W")]
    pub dissipation_w: f64,
    /// Least step of a reading in the chip's narrow range, in amperes.
    #[serde(rename = "step_A")]
    pub step_a: f64,
    /// What ten kelvins do to the reading, in per cent.
    pub change_per_10_k_percent: f64,
    /// Why, and the warnings, in sentences.
    pub reasoning: Vec<String>,
}

/// Why a track can't be estimated.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum TrackError {
    /// A figure that can't be.
    #[error("{what} of {value} can't be: {remedy}")]
    OutOfRange {
        /// Which.
        what: &'static str,
        /// Its value.
        value: f64,
        /// What to give.
        remedy: &'static str,
    },
}

/// Estimates the resistance of a track from its size, with how far it may be off.
///
/// `R = ρ20·L/(w·t)·(1 + α20·(T − 20))`, [`COPPER_COEFFICIENT_PER_K`].
///
/// # Errors
/// When a size or the current isn't above 0, or a temperature isn't from −60 to 200 °C.
///
/// ```
/// use steadybench_analysis::planning::{Track, estimate_track};
///
/// let track = Track {
///     length_m: 4e-3, width_m: 0.2e-3, thickness_m: 35e-6, temperature_c: 20.0, temperature_uncertainty_k: 10.0,
///     current_a: 1.0,
/// };
/// let estimate = estimate_track(&track)?;
/// assert!((estimate.resistance_ohm - 9.85e-3).abs() < 0.01e-3);
/// assert!(estimate.highest_ohm / estimate.lowest_ohm > 1.5);
/// # Ok::<(), steadybench_analysis::planning::TrackError>(())
/// ```
pub fn estimate_track(track: &Track) -> Result<TrackEstimate, TrackError> {
    for (what, value) in [
        ("a length", track.length_m),
        ("a width", track.width_m),
        ("a thickness", track.thickness_m),
        ("a current", track.current_a),
    ] {
        if !(value.is_finite() && value > 0.0) {
            return Err(TrackError::OutOfRange {
                what,
                value,
                remedy: "give one above 0",
            });
        }
    }
    if !(-60.0..=200.0).contains(&track.temperature_c) {
        let remedy = "give one from -60 to 200 °C";
        return Err(TrackError::OutOfRange {
            what: "a temperature",
            value: track.temperature_c,
            remedy,
        });
    }
    if !(0.0..=100.0).contains(&track.temperature_uncertainty_k) {
        let remedy = "give 0 to 100 K";
        let value = track.temperature_uncertainty_k;
        return Err(TrackError::OutOfRange {
            what: "an uncertainty of the temperature",
            value,
            remedy,
        });
    }
    let area_m2 = track.width_m * track.thickness_m;
    let at = |area_m2: f64, off_k: f64| {
        copper_resistance_ohm(track.length_m, area_m2, track.temperature_c + off_k)
    };
    let resistance_ohm = at(area_m2, 0.0);
    let lowest_ohm = at(
        area_m2 * (1.0 + THICKNESS_TOLERANCE),
        -track.temperature_uncertainty_k,
    );
    let highest_ohm = at(
        area_m2 * (1.0 - THICKNESS_TOLERANCE),
        track.temperature_uncertainty_k,
    );
    let change = at(area_m2, 10.0) / resistance_ohm - 1.0;
    let burden_v = resistance_ohm * track.current_a;
    let reasoning = vec![
        format!(
            "{:.1} squares of {} copper at {} °C: {}, between {} and {} with the thickness {:.0} % off (common practice, no \
             source) and the temperature {} K off.",
            track.length_m / track.width_m,
            engineering(track.thickness_m, "m"),
            track.temperature_c,
            engineering(resistance_ohm, "Ω"),
            engineering(lowest_ohm, "Ω"),
            engineering(highest_ohm, "Ω"),
            100.0 * THICKNESS_TOLERANCE,
            track.temperature_uncertainty_k,
        ),
        format!(
            "Copper changes by {:.2} % per kelvin: a track that warms by 10 K reads {:.1} % too much, as large as many a \
             fault. Compare only at equal temperature, keep a thermistor on the track, or break it and put in a shunt.",
            100.0 * COPPER_COEFFICIENT_PER_K,
            100.0 * change
        ),
        "Calibrate it with a known current before believing a figure; uncalibrated it tells more from less, not amperes."
            .to_owned(),
    ];
    Ok(TrackEstimate {
        resistance_ohm,
        lowest_ohm,
        highest_ohm,
        burden_v,
        dissipation_w: burden_v * track.current_a,
        step_a: ShuntRange::Narrow.step_v() / resistance_ohm,
        change_per_10_k_percent: 100.0 * change,
        reasoning,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn track() -> Track {
        Track {
            length_m: 10e-3,
            width_m: 1e-3,
            thickness_m: 35e-6,
            temperature_c: 20.0,
            temperature_uncertainty_k: 0.0,
            current_a: 2.0,
        }
    }

    #[test]
    fn ten_squares_of_one_ounce() {
        let estimate = estimate_track(&track()).unwrap();
        assert!((estimate.resistance_ohm - 4.926e-3).abs() < 1e-6);
        assert!((estimate.change_per_10_k_percent - 3.93).abs() < 0.01);
        assert!((estimate.dissipation_w - 4.0 * 4.926e-3).abs() < 1e-5);
    }

    #[test]
    fn nonsense_is_refused_by_name() {
        let message = estimate_track(&Track {
            width_m: 0.0,
            ..track()
        })
        .unwrap_err()
        .to_string();
        assert!(message.contains("a width of 0"));
        assert!(
            estimate_track(&Track {
                temperature_c: f64::NAN,
                ..track()
            })
            .is_err()
        );
    }

    proptest! {
        #[test]
        fn twice_as_long_is_twice_as_much_and_twice_as_wide_is_half(scale in 0.1..10.0_f64) {
            let one = estimate_track(&track()).unwrap().resistance_ohm;
            let long = estimate_track(&Track { length_m: 10e-3 * scale, ..track() }).unwrap().resistance_ohm;
            let wide = estimate_track(&Track { width_m: 1e-3 * scale, ..track() }).unwrap().resistance_ohm;
            prop_assert!((long / one / scale - 1.0).abs() < 1e-9);
            prop_assert!((wide / one * scale - 1.0).abs() < 1e-9);
        }
    }
}
