//! One channel's chip in service: found, lost, restarted, read.

use core::future::Future;

use embedded_hal_async::i2c::{Error, ErrorKind, I2c};
use steadybench_protocol::{BoardTime, Configure, MonitorState};

use crate::ina228::{Ina228, Settings};
use crate::sampler::Errands;

/// A bus that can be brought back when a chip holds a line low.
///
/// A board clocks the line free: up to nine clocks with the data line released, then a stop (NXP UM10204, section
/// 3.1.16). A board must also give up a transfer that does not end, within a millisecond, and report it as any error but
/// [`ErrorKind::NoAcknowledge`]: the guard waits for the transfer.
pub trait RecoverBus {
    /// Tries once to free the bus.
    fn recover(&mut self) -> impl Future<Output = ()>;
}

/// So many failed transactions in a row take a chip out of service.
pub const FAILURES_UNTIL_LOST: u8 = 5;

/// A chip out of service is looked for this often, in microseconds.
pub const RETRY_US: u64 = 100_000;

/// What one look at a channel brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ChannelReport {
    /// Shunt voltage; `None` when it could not be read or no conversion has ended since the chip was set up.
    pub code: Option<i32>,
    /// Rail voltage, where it was to be read and could be.
    pub rail: Option<u32>,
    /// Chip temperature, where it was to be read and could be.
    pub chip_temperature: Option<i16>,
    /// The chip now.
    pub state: MonitorState,
    /// Transactions that failed.
    pub errors: u32,
    /// Times the chip was found without its settings and given them again.
    pub restarts: u32,
}

/// One channel's chip.
///
/// A chip whose supply failed for a moment answers as before but has lost its settings, and its register pointer stands
/// at zero. That is noticed within two rail intervals (20 ms): the settings are written again, the readings are missing
/// until a round of conversions has ended, and the restart is counted. The codes read in those 20 ms are not to be
/// trusted; the health message that says so goes out at once.
#[derive(Debug)]
pub struct Monitor<B> {
    chip: Ina228<B>,
    settings: Settings,
    state: MonitorState,
    served: bool,
    failures: u8,
    settled_at: BoardTime,
    retry_at: BoardTime,
    second_register: bool,
}

impl<B: I2c + RecoverBus> Monitor<B> {
    /// A chip that has not been looked for.
    #[must_use]
    pub const fn new(chip: Ina228<B>) -> Self {
        Self {
            chip,
            settings: Settings {
                shunt_range: steadybench_protocol::ShuntRange::Millivolts164,
                conversion_time: steadybench_protocol::ConversionTime::Us540,
            },
            state: MonitorState::Absent,
            served: false,
            failures: 0,
            settled_at: BoardTime::from_micros(0),
            retry_at: BoardTime::from_micros(0),
            second_register: false,
        }
    }

    /// Looks for the chip and sets it up anew.
    pub async fn set_up(&mut self, configure: Configure, clock: &impl Fn() -> BoardTime) -> ChannelReport {
        self.settings = configure.into();
        let mut report = self.report();
        self.find(&mut report, clock).await;
        report.restarts = 0;
        report
    }

    /// Reads what is due. While the chip is out of service, looks for it now and then.
    pub async fn read(
        &mut self,
        errands: Errands,
        configure: Configure,
        clock: &impl Fn() -> BoardTime,
    ) -> ChannelReport {
        self.settings = configure.into();
        let mut report = self.report();
        let now = clock();
        if self.state != MonitorState::Ready {
            if now >= self.retry_at {
                self.find(&mut report, clock).await;
            }
        } else if now >= self.settled_at {
            let outcome = self.read_due(errands, &mut report, clock).await;
            self.judge(outcome, &mut report, now);
        }
        report.state = self.state;
        report
    }

    const fn report(&self) -> ChannelReport {
        ChannelReport {
            code: None,
            rail: None,
            chip_temperature: None,
            state: self.state,
            errors: 0,
            restarts: 0,
        }
    }

    async fn read_due(
        &mut self,
        errands: Errands,
        report: &mut ChannelReport,
        clock: &impl Fn() -> BoardTime,
    ) -> Result<(), ErrorKind> {
        report.code = Some(self.chip.shunt_code().await.map_err(|error| error.kind())?);
        if errands.rail {
            report.rail = Some(self.chip.rail_code().await.map_err(|error| error.kind())?);
        }
        if errands.chip_temperature {
            report.chip_temperature = Some(self.chip.chip_temperature().await.map_err(|error| error.kind())?);
        }
        if errands.settings {
            self.second_register = !self.second_register;
            let holds = self
                .chip
                .holds(self.settings, self.second_register)
                .await
                .map_err(|error| error.kind())?;
            if !holds {
                // What was read since the chip lost its settings has another scale or was never converted. The host
                // sees the restart counted; this reading at least is known to be of no use.
                report.code = None;
                report.rail = None;
                self.configure(clock).await?;
                report.restarts += 1;
            }
        }
        Ok(())
    }

    fn judge(&mut self, outcome: Result<(), ErrorKind>, report: &mut ChannelReport, now: BoardTime) {
        match outcome {
            Ok(()) => self.failures = 0,
            Err(kind) => {
                report.errors += 1;
                self.failures = self.failures.saturating_add(1);
                if self.failures >= FAILURES_UNTIL_LOST {
                    self.state = state_after(kind);
                    self.retry_at = now;
                }
            }
        }
    }

    async fn find(&mut self, report: &mut ChannelReport, clock: &impl Fn() -> BoardTime) {
        if self.state == MonitorState::BusStuck {
            self.chip.bus_mut().recover().await;
        }
        self.state = match self.identify_and_configure(clock).await {
            Ok(state) => state,
            Err(kind) => {
                report.errors += 1;
                state_after(kind)
            }
        };
        if self.state == MonitorState::Ready {
            report.restarts += u32::from(self.served);
            self.served = true;
            self.failures = 0;
        } else {
            self.retry_at = clock().plus_micros(RETRY_US);
        }
        report.state = self.state;
    }

    async fn identify_and_configure(
        &mut self,
        clock: &impl Fn() -> BoardTime,
    ) -> Result<MonitorState, ErrorKind> {
        let identity = self.chip.identity().await.map_err(|error| error.kind())?;
        if !identity.is_ina228() {
            return Ok(MonitorState::WrongChip {
                manufacturer_id: identity.manufacturer_id,
                device_id: identity.device_id,
            });
        }
        self.configure(clock).await?;
        Ok(MonitorState::Ready)
    }

    async fn configure(&mut self, clock: &impl Fn() -> BoardTime) -> Result<(), ErrorKind> {
        self.chip
            .configure(self.settings)
            .await
            .map_err(|error| error.kind())?;
        self.settled_at = clock().plus_micros(self.settings.first_round_us());
        Ok(())
    }
}

/// What a failed transaction says about a chip that does not come back.
const fn state_after(kind: ErrorKind) -> MonitorState {
    match kind {
        ErrorKind::NoAcknowledge(_) => MonitorState::Absent,
        _ => MonitorState::BusStuck,
    }
}
