//! A monitor bus: the I2C controller, a limit on how long a transfer may take, and the way out of a held line.

use core::pin::{Pin, pin};

use embassy_embedded_hal::SetConfig;
use embassy_rp::i2c::{self, Async, Config, Error, I2c, InterruptHandler, SclPin, SdaPin};
use embassy_rp::interrupt::typelevel::Binding;
use embassy_rp::{Peri, pac};
use embassy_time::{Duration, Timer, block_for, with_timeout};
use embedded_hal_async::i2c::{ErrorKind, ErrorType, I2c as Transfers, Operation};
use steadybench_firmware::RecoverBus;

use crate::pins::MONITOR_BUS_HZ;

/// The longest transfer to the monitor chip, writing its register pointer and reading three bytes, takes 57 bit times
/// or 143 µs. What takes longer than this will never end.
const TRANSFER_LIMIT: Duration = Duration::from_micros(400);

/// A device that was cut short in the middle of a byte lets go of the data line after at most nine clocks
/// (I2C-bus specification UM10204, section 3.1.16).
const RECOVERY_CLOCKS: usize = 9;

/// Half a clock while clocking by hand: 100 kHz, which every device follows.
const HALF_CLOCK: Duration = Duration::from_micros(5);

/// Why a transfer failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum BusError {
    /// The controller reported it.
    Controller(Error),
    /// The bus did not move: a line is held.
    Held,
}

impl embedded_hal_async::i2c::Error for BusError {
    fn kind(&self) -> ErrorKind {
        match self {
            Self::Controller(error) => error.kind(),
            Self::Held => ErrorKind::Bus,
        }
    }
}

/// One controller with its two lines.
pub(crate) struct MonitorBus<T: i2c::Instance + 'static> {
    controller: I2c<'static, T, Async>,
    /// Holds the controller in reset, or lets it go.
    hold: fn(bool),
    data: Line,
    clock: Line,
}

fn config() -> Config {
    let mut config = Config::default();
    config.frequency = MONITOR_BUS_HZ;
    config
}

impl<T: i2c::Instance> MonitorBus<T> {
    pub(crate) fn new(
        (peripheral, data, clock): (
            Peri<'static, T>,
            Peri<'static, impl SdaPin<T>>,
            Peri<'static, impl SclPin<T>>,
        ),
        interrupts: impl Binding<T::Interrupt, InterruptHandler<T>>,
        hold: fn(bool),
    ) -> Self {
        let lines = (Line(data.pin().into()), Line(clock.pin().into()));
        Self {
            controller: I2c::new_async(peripheral, clock, data, interrupts, config()),
            hold,
            data: lines.0,
            clock: lines.1,
        }
    }
}

impl<T: i2c::Instance> RecoverBus for MonitorBus<T> {
    /// Clocks the bus free and starts the controller anew.
    async fn recover(&mut self) {
        (self.hold)(true);
        self.data.by_hand();
        self.clock.by_hand();
        for _ in 0..RECOVERY_CLOCKS {
            if self.data.is_high() {
                break;
            }
            self.clock.pull_low();
            Timer::after(HALF_CLOCK).await;
            self.clock.let_go();
            Timer::after(HALF_CLOCK).await;
        }
        // A stop, in case a device still thinks itself addressed: data rises while the clock is high.
        self.data.pull_low();
        block_for(HALF_CLOCK);
        self.data.let_go();
        block_for(HALF_CLOCK);
        self.data.to_controller();
        self.clock.to_controller();
        (self.hold)(false);
        // The settings were good when the image started, so they are good again.
        let _ = self.controller.set_config(&config());
    }
}

/// Takes the transfer pinned: moving it costs more than all the rest of it.
async fn limited<R>(transfer: Pin<&mut impl Future<Output = Result<R, Error>>>) -> Result<R, BusError> {
    match with_timeout(TRANSFER_LIMIT, transfer).await {
        Ok(result) => result.map_err(BusError::Controller),
        Err(_) => Err(BusError::Held),
    }
}

impl<T: i2c::Instance> ErrorType for MonitorBus<T> {
    type Error = BusError;
}

impl<T: i2c::Instance> Transfers for MonitorBus<T> {
    async fn read(&mut self, address: u8, read: &mut [u8]) -> Result<(), BusError> {
        limited(pin!(self.controller.read_async(address, read))).await
    }

    async fn write(&mut self, address: u8, write: &[u8]) -> Result<(), BusError> {
        limited(pin!(self.controller.write_async(address, write.iter().copied()))).await
    }

    async fn write_read(&mut self, address: u8, write: &[u8], read: &mut [u8]) -> Result<(), BusError> {
        limited(pin!(self.controller.write_read_async(
            address,
            write.iter().copied(),
            read
        )))
        .await
    }

    async fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), BusError> {
        limited(pin!(Transfers::transaction(
            &mut self.controller,
            address,
            operations
        )))
        .await
    }
}

/// One line, by its pin's number: the controller owns the pin, so its registers are reached past it.
struct Line(usize);

/// Who drives a pin: RP2040 data sheet, section 2.19.2.
const FUNCTION_I2C: u8 = 3;
const FUNCTION_SOFTWARE: u8 = 5;

impl Line {
    fn bit(&self) -> u32 {
        1 << self.0
    }

    /// Takes the line from the controller, let go: like the controller it only ever pulls low.
    fn by_hand(&self) {
        self.let_go();
        pac::SIO.gpio_out(0).value_clr().write_value(self.bit());
        pac::IO_BANK0
            .gpio(self.0)
            .ctrl()
            .write(|w| w.set_funcsel(FUNCTION_SOFTWARE));
    }

    fn to_controller(&self) {
        self.let_go();
        pac::IO_BANK0
            .gpio(self.0)
            .ctrl()
            .write(|w| w.set_funcsel(FUNCTION_I2C));
    }

    fn pull_low(&self) {
        pac::SIO.gpio_oe(0).value_set().write_value(self.bit());
    }

    fn let_go(&self) {
        pac::SIO.gpio_oe(0).value_clr().write_value(self.bit());
    }

    fn is_high(&self) -> bool {
        pac::SIO.gpio_in(0).read() & self.bit() != 0
    }
}
