//! The converter of the thermistor dividers, and which codes can be a temperature.

use steadybench_protocol::{Channel, DividerDescription, ThermistorReading};

/// The analogue-to-digital converter behind the thermistor dividers.
///
/// One conversion takes microseconds, so it is not worth an asynchronous call.
pub trait ThermistorConverter {
    /// Converts the divider voltage of `channel` once: 0 at ground, [`DividerDescription::full_scale_code`] would be
    /// the reference.
    ///
    /// # Errors
    /// [`ConversionFailed`] when the converter gave no result.
    fn read(&mut self, channel: Channel) -> Result<u16, ConversionFailed>;
}

/// The converter gave no result.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ConversionFailed;

/// A code within this share of the full scale (1/128) of either end is no temperature.
///
/// With a 10 kΩ thermistor and a 10 kΩ series resistor the ends lie at 1.27 MΩ and 79 Ω: colder than -60 °C, hotter
/// than 180 °C. The gap swallows the converter's offset and a little leakage at an open lead.
pub const END_SHARE: u16 = 128;

/// Says what a converter code means for a divider.
///
/// ```
/// use steadybench_firmware::thermistor::classify;
/// use steadybench_protocol::{DividerDescription, ThermistorReading};
///
/// let divider = DividerDescription { series_ohm: 10_000, full_scale_code: 4_096 };
/// assert_eq!(classify(2_048, &divider), ThermistorReading::Code(2_048));
/// assert_eq!(classify(4_090, &divider), ThermistorReading::Open);
/// assert_eq!(classify(3, &divider), ThermistorReading::Shorted);
/// ```
#[must_use]
pub const fn classify(code: u16, divider: &DividerDescription) -> ThermistorReading {
    let margin = divider.full_scale_code / END_SHARE;
    if code < margin {
        ThermistorReading::Shorted
    } else if code >= divider.full_scale_code - margin {
        ThermistorReading::Open
    } else {
        ThermistorReading::Code(code)
    }
}

/// Reads a thermistor: the middle one of three conversions, so that one disturbed conversion changes nothing.
pub fn read(
    converter: &mut impl ThermistorConverter,
    channel: Channel,
    divider: &DividerDescription,
) -> ThermistorReading {
    let mut convert = || converter.read(channel);
    match (convert(), convert(), convert()) {
        (Ok(a), Ok(b), Ok(c)) => classify(a.min(b).max(a.max(b).min(c)), divider),
        _ => ThermistorReading::Failed,
    }
}
