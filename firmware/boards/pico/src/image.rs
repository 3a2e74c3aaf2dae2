//! The start of the image, and its tasks.

use defmt_rtt as _;
use embassy_executor::{SpawnError, SpawnToken, Spawner};
use embassy_rp::bind_interrupts;
use embassy_rp::gpio::{Input, Level, Output, Pull};
use embassy_rp::i2c::InterruptHandler;
use embassy_rp::pac::RESETS;
use embassy_rp::peripherals::{I2C0, I2C1};
use embassy_rp::watchdog::Watchdog;
use embassy_time::{Instant, Timer};
use embassy_usb::class::cdc_acm::{ControlChanged, Receiver, Sender};
use static_cell::StaticCell;
use steadybench_firmware::facts::FIRMWARE_VERSION;
use steadybench_firmware::ina228::Ina228;
use steadybench_firmware::{Access, BoardFacts, Measuring};
use steadybench_protocol::BoardName;

use crate::bus::MonitorBus;
use crate::inputs::{Converter, Relay};
use crate::pins::{MONITOR_ADDRESS, SHUNT_MICRO_OHM, THERMISTORS, Wiring};
use crate::shared::{Shared, board_time};
use crate::{host_link, port, start, supervise};

bind_interrupts!(struct Interrupts {
    I2C0_IRQ => InterruptHandler<I2C0>;
    I2C1_IRQ => InterruptHandler<I2C1>;
});

type BoardMeasuring = Measuring<MonitorBus<I2C0>, MonitorBus<I2C1>, Converter, Relay>;

#[embassy_executor::main]
async fn main(spawner: Spawner) {
    let wiring = Wiring::new(embassy_rp::init(embassy_rp::config::Config::default()));
    let relay = Relay(Output::new(wiring.supply_relay, Level::Low));
    let mut watchdog = Watchdog::new(wiring.watchdog);
    let facts = BoardFacts {
        board: board_name(),
        board_serial: start::board_serial(wiring.flash),
        firmware_version: FIRMWARE_VERSION,
        boot_nonce: start::boot_nonce(),
        boot_count: start::count_start(&mut watchdog),
        reset_cause: start::reset_cause(&watchdog),
        shunt_micro_ohm: SHUNT_MICRO_OHM,
        thermistors: THERMISTORS,
    };
    defmt::info!(
        "board {=[u8; 8]:x}, start {}, cause {}",
        facts.board_serial,
        facts.boot_count,
        facts.reset_cause as u8
    );

    let (device, serial_port) = port::build(wiring.usb, facts.board_serial);
    let measuring = Measuring::new(
        Ina228::new(
            MonitorBus::new(wiring.monitor_1, Interrupts, hold_controller_1),
            MONITOR_ADDRESS,
        ),
        Ina228::new(
            MonitorBus::new(wiring.monitor_2, Interrupts, hold_controller_2),
            MONITOR_ADDRESS,
        ),
        Converter::new(wiring.converter, wiring.thermistor_1, wiring.thermistor_2),
        relay,
    );
    let foot_switch = Input::new(wiring.foot_switch, Pull::Up);
    let lamp = Output::new(wiring.lamp, Level::Low);

    static SHARED: StaticCell<Shared> = StaticCell::new();
    let shared: &'static Shared = SHARED.init_with(|| Shared::new(facts));
    spawn(spawner, sample(measuring, shared));
    let (sender, receiver, line) = serial_port.split_with_control();
    spawn(spawner, send(sender, shared));
    spawn(spawner, receive(receiver, shared));
    spawn(spawner, watch_line(line, shared));
    spawn(spawner, usb(device));
    spawn(spawner, switch(foot_switch, shared));
    spawn(spawner, attend(lamp, watchdog, shared));
}

/// Starts a task; each has one place and is started once, so there is room.
fn spawn<S>(spawner: Spawner, task: Result<SpawnToken<S>, SpawnError>) {
    match task {
        Ok(token) => spawner.spawn(token),
        Err(_) => defmt::panic!("a task was started twice"),
    }
}

/// Holds the controller of monitor 1 in reset, or lets it go and waits until it is ready.
fn hold_controller_1(held: bool) {
    RESETS.reset().modify(|w| w.set_i2c0(held));
    while !held && !RESETS.reset_done().read().i2c0() {}
}

/// As [`hold_controller_1`], for monitor 2.
fn hold_controller_2(held: bool) {
    RESETS.reset().modify(|w| w.set_i2c1(held));
    while !held && !RESETS.reset_done().read().i2c1() {}
}

/// The board's name in the hello message.
fn board_name() -> BoardName {
    // Shorter than the name may be.
    BoardName::try_from("pico").unwrap_or_default()
}

#[embassy_executor::task]
async fn sample(mut measuring: BoardMeasuring, shared: &'static Shared) -> ! {
    loop {
        let next = measuring.tick(&shared.station, &board_time).await;
        shared.sampler_alive.set(true);
        Timer::at(Instant::from_micros(next.as_micros())).await;
        // Making a frame takes longer than is left of a short period after the chips were read, but no longer than
        // reading them: so the link is woken behind the start of the next transfer.
        if shared.station.with(|station| station.has_message()) {
            shared.wake_link.signal(());
        }
    }
}

#[embassy_executor::task]
async fn send(sender: Sender<'static, port::UsbDriver>, shared: &'static Shared) -> ! {
    host_link::send(sender, shared).await
}

#[embassy_executor::task]
async fn receive(receiver: Receiver<'static, port::UsbDriver>, shared: &'static Shared) -> ! {
    host_link::receive(receiver, shared).await
}

#[embassy_executor::task]
async fn watch_line(line: ControlChanged<'static>, shared: &'static Shared) -> ! {
    host_link::watch_line(line, shared).await
}

#[embassy_executor::task]
async fn usb(mut device: port::Device) -> ! {
    device.run().await
}

/// Stamps every move of the contact. Waiting for a level in place of an edge, a move between two waits is not missed.
#[embassy_executor::task]
async fn switch(mut contact: Input<'static>, shared: &'static Shared) -> ! {
    loop {
        let pressed = contact.is_low();
        let time = board_time();
        shared.station.with(|station| station.foot_switch(pressed, time));
        if pressed {
            contact.wait_for_high().await;
        } else {
            contact.wait_for_low().await;
        }
    }
}

#[embassy_executor::task]
async fn attend(lamp: Output<'static>, watchdog: Watchdog, shared: &'static Shared) -> ! {
    supervise::attend(lamp, watchdog, shared).await
}
