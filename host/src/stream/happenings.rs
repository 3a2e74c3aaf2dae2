//! The board's own messages about itself, in words.

use crate::clock::{ClockStep, StepCause};
use steadybench_protocol::{
    GuardCause, GuardState, GuardTrip, Health, Hello, MonitorState, Refusal, RefusalReason, ResetCause,
};

use crate::units::Units;

use super::output::HappeningKind;

/// A kind, a channel and the words; the instant is the caller's.
pub(super) type Told = (HappeningKind, Option<u8>, String);

pub(super) fn of_restart(hello: &Hello) -> Told {
    let cause = match hello.reset_cause {
        ResetCause::PowerOn => "power came back",
        ResetCause::Watchdog => "the watchdog found its program stuck",
        ResetCause::External => "it was reset from outside",
        ResetCause::BrownOut => "its supply sagged",
        ResetCause::Unknown => "it does not say why",
    };
    let detail = format!("the board started anew (start {}): {cause}", hello.boot_count);
    (HappeningKind::BoardRestarted, None, detail)
}

pub(super) fn of_monitors(hello: &Hello) -> impl Iterator<Item = Told> {
    hello.channels.iter().zip(1..).filter_map(|(channel, number)| {
        let detail = match channel.monitor {
            MonitorState::Ready => return None,
            MonitorState::Absent => "no monitor chip answers".to_owned(),
            MonitorState::BusStuck => "the monitor chip's bus is held low".to_owned(),
            MonitorState::WrongChip {
                manufacturer_id,
                device_id,
            } => format!("a strange chip answers: maker {manufacturer_id:#06x}, device {device_id:#06x}"),
        };
        Some((HappeningKind::MonitorFault, Some(number), detail))
    })
}

pub(super) fn of_trip(trip: &GuardTrip, units: Option<&Units>) -> Told {
    let after_us = trip.time.micros_since(trip.cause_time).unwrap_or(0);
    let (channel, cause) = match trip.cause {
        GuardCause::OverCurrent { channel, code } => {
            let current = units.map(|units| units.channels[channel.index()].current_a(code));
            let current = current.map_or(format!("code {code}"), |current_a| format!("{current_a:.4} A"));
            (Some(channel.number()), format!("current {current}"))
        }
        GuardCause::OverTemperature { channel, code } => {
            let reading = steadybench_protocol::ThermistorReading::Code(code);
            let celsius = units.and_then(|units| units.temperature_c(channel.index(), reading));
            let celsius = celsius.map_or(format!("code {code}"), |celsius| format!("{celsius:.1} °C"));
            (Some(channel.number()), format!("temperature {celsius}"))
        }
        GuardCause::ThermistorLost { channel } => (
            Some(channel.number()),
            "thermistor open, shorted or silent".to_owned(),
        ),
        GuardCause::HostSilent => (None, "the host was silent for too long".to_owned()),
        GuardCause::MonitorLost { channel } => {
            (Some(channel.number()), "no good reading for 10 ms".to_owned())
        }
    };
    let detail = format!("guard opened the relay: {cause}; {after_us} us from cause to relay");
    (HappeningKind::GuardTrip, channel, detail)
}

pub(super) fn of_clock_step(step: &ClockStep) -> Told {
    let size = step.step_s;
    match step.cause {
        StepCause::HostClock => {
            let detail = format!("this computer's clock was set by {size:+.3} s; the run's time goes on");
            (HappeningKind::HostClockSet, None, detail)
        }
        StepCause::BoardClock => {
            let (lost, did) = (size.abs(), if size > 0.0 { "lost" } else { "gained" });
            let detail = format!(
                "the board's clock {did} {lost:.3} s against this computer's; the run's time is the board's"
            );
            (HappeningKind::BoardClockStep, None, detail)
        }
    }
}

pub(super) fn of_refusal(refusal: &Refusal) -> Told {
    let detail = format!(
        "{:?} was refused: {}",
        refusal.command,
        reason_words(refusal.reason)
    );
    (HappeningKind::Refusal, None, detail)
}

/// Why a board refused, in words.
pub(crate) const fn reason_words(reason: RefusalReason) -> &'static str {
    match reason {
        RefusalReason::WhileRunning => "not while readings are being taken",
        RefusalReason::ReadingPeriodOutOfRange => "the reading rate is out of its range",
        RefusalReason::ConversionTooLong => "the conversion does not fit between two readings",
        RefusalReason::LimitOutOfRange => "a guard limit is out of its range",
        RefusalReason::NoMonitor => "no monitor chip answers on either channel",
        RefusalReason::StillPastLimit => "what tripped the guard is still past its limit",
        RefusalReason::NotTripped => "the guard has not tripped",
    }
}

/// What has changed from one health message to the next.
pub(super) fn of_health(before: &Health, now: &Health) -> Vec<Told> {
    let mut told = Vec::new();
    for (channel, number) in [(0, 1), (1, 2)] {
        let errors = now.bus_errors[channel].wrapping_sub(before.bus_errors[channel]);
        if errors > 0 {
            let detail = format!("{errors} transactions with the monitor chip failed");
            told.push((HappeningKind::BusErrors, Some(number), detail));
        }
        let restarts = now.monitor_restarts[channel].wrapping_sub(before.monitor_restarts[channel]);
        if restarts > 0 {
            let detail = "the monitor chip had lost its settings and was given them again".to_owned();
            told.push((HappeningKind::MonitorRestarted, Some(number), detail));
        }
    }
    if now.guard != before.guard {
        let detail = match now.guard {
            GuardState::Off => "the guard is off",
            GuardState::Armed => "the guard is armed, the relay closed",
            GuardState::Tripped => "the guard has tripped, the relay is open",
        };
        told.push((HappeningKind::GuardChanged, None, detail.to_owned()));
    }
    told
}
