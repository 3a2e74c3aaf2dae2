//! What a board that was never there says of itself.

use steadybench_protocol::{
    BoardTime, ChannelDescription, ConversionTime, DividerDescription, FirmwareVersion, GuardState, Health,
    Hello, MonitorState, PROTOCOL_VERSION, ResetCause, ShuntRange,
};

/// A board with shunts of 10 mΩ that takes a reading every `reading_period_us` microseconds, and has stopped.
#[must_use]
pub fn hello(reading_period_us: u32) -> Hello {
    let channel = ChannelDescription {
        monitor: MonitorState::Ready,
        shunt_micro_ohm: 10_000,
        conversion_time: ConversionTime::Us540,
        shunt_range: ShuntRange::Millivolts164,
        current_step_pv: 312_500,
        rail_step_pv: 195_312_500,
    };
    Hello {
        protocol_version: PROTOCOL_VERSION,
        board_serial: [7; 8],
        board: "made".try_into().unwrap_or_default(),
        firmware_version: FirmwareVersion {
            major: 0,
            minor: 1,
            patch: 0,
        },
        boot_nonce: 1,
        boot_count: 1,
        reset_cause: ResetCause::PowerOn,
        time: BoardTime::from_micros(0),
        reading_period_us,
        running: false,
        guard: GuardState::Off,
        channels: [channel; 2],
        thermistors: [DividerDescription {
            series_ohm: 10_000,
            full_scale_code: 4096,
        }; 2],
    }
}

/// Its counts, at board time 0.
#[must_use]
pub fn health(next_index: u64, running: bool) -> Health {
    Health {
        time: BoardTime::from_micros(0),
        running,
        guard: GuardState::Off,
        next_index,
        readings_dropped: 0,
        late_ticks: 0,
        bus_errors: [0; 2],
        monitor_restarts: [0; 2],
        buffer_high_water: 1,
        buffer_capacity: 100,
        frames_rejected: 0,
    }
}
