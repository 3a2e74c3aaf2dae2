//! The thermistors' converter and the supply relay's output, as the library wants them.

use embassy_rp::Peri;
use embassy_rp::adc::{Adc, Blocking, Channel as Input, Config};
use embassy_rp::gpio::{Level, Output, Pull};
use embassy_rp::peripherals::{ADC, PIN_26, PIN_27};
use steadybench_firmware::{ConversionFailed, SupplyRelay, ThermistorConverter};
use steadybench_protocol::Channel;

/// The converter with both dividers; one conversion takes 2 µs.
pub(crate) struct Converter {
    adc: Adc<'static, Blocking>,
    first: Input<'static>,
    second: Input<'static>,
}

impl Converter {
    pub(crate) fn new(
        adc: Peri<'static, ADC>,
        first: Peri<'static, PIN_26>,
        second: Peri<'static, PIN_27>,
    ) -> Self {
        Self {
            adc: Adc::new_blocking(adc, Config::default()),
            first: Input::new_pin(first, Pull::None),
            second: Input::new_pin(second, Pull::None),
        }
    }
}

impl ThermistorConverter for Converter {
    fn read(&mut self, channel: Channel) -> Result<u16, ConversionFailed> {
        let input = match channel {
            Channel::One => &mut self.first,
            Channel::Two => &mut self.second,
        };
        self.adc.blocking_read(input).map_err(|_| ConversionFailed)
    }
}

/// The driver of the supply relay: high is closed. Low at the start and, by the pin's pull-down, through every reset.
pub(crate) struct Relay(pub(crate) Output<'static>);

impl SupplyRelay for Relay {
    fn set_closed(&mut self, closed: bool) {
        self.0.set_level(Level::from(closed));
    }
}
