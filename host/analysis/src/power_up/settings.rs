//! What the operator knows before the switch is closed.

use serde::{Deserialize, Serialize};

/// How the current of a channel flows once the unit runs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ChannelType {
    /// One direction: a rail. The settled current is a mean.
    #[default]
    Dc,
    /// Both directions: the primary of a transformer. The settled current is a root mean square.
    Ac,
}

/// Settings of a [`PowerUpExamination`](super::PowerUpExamination).
///
/// ```
/// use steadybench_analysis::power_up::{ChannelType, PowerUpSettings};
///
/// let settings = PowerUpSettings {
///     mains_hz: Some(50.0),
///     channel_type: [ChannelType::Dc, ChannelType::Ac],
///     expected_settled_a: [Some((0.30, 0.55)), None],
///     ..PowerUpSettings::default()
/// };
/// assert_eq!(settings.i2t_window_s, 0.2);
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct PowerUpSettings {
    /// Mains frequency in hertz. Without it, ten cycles are taken as 0.2 s, which holds whole cycles of 50 and 60 Hz.
    pub mains_hz: Option<f64>,
    /// Length of the window, from the switch-on, over which I²t and charge are summed; seconds, above 0.
    pub i2t_window_s: f64,
    /// Current at which each channel's converter or shunt range ends, in amperes.
    pub full_scale_a: [Option<f64>; 2],
    /// Direct or alternating current, per channel.
    pub channel_type: [ChannelType; 2],
    /// The settled current a healthy unit draws, from and to, in amperes (root mean square on an ac channel).
    pub expected_settled_a: [Option<(f64, f64)>; 2],
    /// Nominal voltage of the rail behind each shunt, in volts; only used to say how far the rail sags.
    pub nominal_rail_v: [Option<f64>; 2],
    /// Standard uncertainty of each channel's zero, in amperes; 0 when it is calibrated away.
    pub zero_uncertainty_a: [f64; 2],
    /// Relative standard uncertainty of each channel's gain (shunt and chip), such as 0.005 for half a per cent.
    pub gain_uncertainty: [f64; 2],
    /// Share of the settled current within which the current counts as settled, such as 0.05.
    pub settling_band: f64,
    /// The greatest number of readings kept per channel around the switch-on (16 bytes each).
    pub capture_readings: usize,
}

impl Default for PowerUpSettings {
    fn default() -> Self {
        Self {
            mains_hz: None,
            i2t_window_s: 0.2,
            full_scale_a: [None; 2],
            channel_type: [ChannelType::Dc; 2],
            expected_settled_a: [None; 2],
            nominal_rail_v: [None; 2],
            zero_uncertainty_a: [0.0; 2],
            gain_uncertainty: [0.0; 2],
            settling_band: 0.05,
            capture_readings: 400_000,
        }
    }
}

impl PowerUpSettings {
    /// Length of one mains cycle in seconds; 20 ms when the frequency isn't known or isn't a frequency.
    pub(crate) fn cycle_s(&self) -> f64 {
        match self.mains_hz {
            Some(hertz) if hertz.is_finite() && hertz >= 1.0 => 1.0 / hertz,
            _ => 0.02,
        }
    }

    /// The settings of one channel.
    pub(crate) fn channel(&self, index: usize) -> ChannelSettings {
        let window = self.i2t_window_s;
        ChannelSettings {
            cycle_s: self.cycle_s(),
            i2t_window_s: if window.is_finite() && window > 0.0 {
                window
            } else {
                0.2
            },
            full_scale_a: self.full_scale_a[index].filter(|value| value.is_finite() && *value > 0.0),
            channel_type: self.channel_type[index],
            expected_a: self.expected_settled_a[index]
                .map(|(low, high)| if low <= high { (low, high) } else { (high, low) })
                .filter(|(low, high)| low.is_finite() && high.is_finite()),
            nominal_rail_v: self.nominal_rail_v[index].filter(|value| value.is_finite() && *value > 0.0),
            zero_uncertainty_a: self.zero_uncertainty_a[index].abs(),
            gain_uncertainty: self.gain_uncertainty[index].abs(),
            settling_band: if self.settling_band > 0.0 {
                self.settling_band.min(1.0)
            } else {
                0.05
            },
        }
    }
}

/// The settings of one channel, checked.
#[derive(Clone, Debug)]
pub(crate) struct ChannelSettings {
    pub(crate) cycle_s: f64,
    pub(crate) i2t_window_s: f64,
    pub(crate) full_scale_a: Option<f64>,
    pub(crate) channel_type: ChannelType,
    pub(crate) expected_a: Option<(f64, f64)>,
    pub(crate) nominal_rail_v: Option<f64>,
    pub(crate) zero_uncertainty_a: f64,
    pub(crate) gain_uncertainty: f64,
    pub(crate) settling_band: f64,
}
