//! From codes to quantities and back, data sheet sections 8.1.2 and 8.2. For planning and for tests: the board itself
//! sends raw codes.

use steadybench_protocol::ShuntRange;

/// Rail voltage of one step of [`super::Register::Vbus`], in picovolts: 195.3125 µV.
pub const RAIL_STEP_PV: u32 = 195_312_500;

/// Temperature of one step of [`super::Register::DieTemp`], in nano-kelvins: 7.8125 mK.
pub const CHIP_TEMPERATURE_STEP_NK: u32 = 7_812_500;

/// Step of the chip's current register, in amperes, for a largest expected current (equation 2).
///
/// The data sheet's worked example, section 8.2:
///
/// ```
/// use steadybench_firmware::ina228::scaling::{current_a, current_step_a, shunt_cal};
/// use steadybench_protocol::ShuntRange;
///
/// let step_a = current_step_a(10.0);
/// assert_eq!(shunt_cal(step_a, 0.0162, ShuntRange::Millivolts164), Some(4_050));
/// assert!((current_a(314_572, step_a) - 6.0).abs() < 1e-4);
/// ```
#[must_use]
pub fn current_step_a(largest_current_a: f64) -> f64 {
    largest_current_a / f64::from(1_u32 << 19)
}

/// What [`super::Register::ShuntCal`] must hold (equation 1), or `None` when it does not fit the register's 15 bits or
/// is no number.
#[must_use]
pub fn shunt_cal(current_step_a: f64, shunt_ohm: f64, range: ShuntRange) -> Option<u16> {
    let times = match range {
        ShuntRange::Millivolts164 => 1.0,
        ShuntRange::Millivolts41 => 4.0,
    };
    let exact = 13_107.2e6 * current_step_a * shunt_ohm * times + 0.5;
    (1.0..32_768.0).contains(&exact).then_some(exact as u16)
}

/// Current in amperes of a code of [`super::Register::Current`] (equation 3).
#[must_use]
pub fn current_a(code: i32, current_step_a: f64) -> f64 {
    f64::from(code) * current_step_a
}

/// Power in watts of a code of [`super::Register::Power`] (equation 4).
#[must_use]
pub fn power_w(code: u32, current_step_a: f64) -> f64 {
    3.2 * current_step_a * f64::from(code)
}

/// Shunt voltage in volts of a code of [`super::Register::Vshunt`].
#[must_use]
pub fn shunt_v(code: i32, range: ShuntRange) -> f64 {
    f64::from(code) * f64::from(range.step_pv()) * 1e-12
}

/// Rail voltage in volts of a code of [`super::Register::Vbus`].
#[must_use]
pub fn rail_v(code: u32) -> f64 {
    f64::from(code) * f64::from(RAIL_STEP_PV) * 1e-12
}

/// Chip temperature in degrees Celsius of a code of [`super::Register::DieTemp`].
#[must_use]
pub fn chip_temperature_c(code: i16) -> f64 {
    f64::from(code) * f64::from(CHIP_TEMPERATURE_STEP_NK) * 1e-9
}
