//! The bytes of every message in both directions, pinned.
//!
//! A round trip alone would not notice a mistake made the same way twice, nor a change of the format. When one of these
//! fails, the wire has changed: `SPEC.md`, section 7, says what that means.

use steadybench_protocol::frame::{BODY_BYTES_MAX, FRAME_BYTES_MAX};
use steadybench_protocol::{
    BoardTime, Channel, ChannelDescription, Command, Configure, ConversionTime, Deframer, DividerDescription,
    FirmwareVersion, FrameBuffer, FromBoard, GuardCause, GuardLimits, GuardState, GuardTrip, Health, Hello,
    Mark, MarkEdge, MonitorState, RailCodes, ReadingsBlock, Refusal, RefusalReason, ResetCause, ShuntRange,
    SlowValues, ThermistorReading, TimeReply, TimeRequest, ToBoard,
};

fn hex(bytes: &[u8]) -> String {
    bytes
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect::<Vec<_>>()
        .join(" ")
}

fn body<M: serde::Serialize>(message: &M) -> String {
    hex(postcard::to_slice(message, &mut [0; BODY_BYTES_MAX]).expect("a body holds every message"))
}

/// The body is as pinned, and the frame around it comes back as the same message.
fn pinned<M>(message: &M, expected: &str)
where
    M: serde::Serialize + serde::de::DeserializeOwned + PartialEq + std::fmt::Debug + Clone,
{
    assert_eq!(body(message), expected, "{message:?}");
    let mut buffer = FrameBuffer::new();
    let mut frame = buffer.encode(message).expect("a frame holds every message");
    assert!(frame.len() <= FRAME_BYTES_MAX);
    assert_eq!(Deframer::new().next::<M>(&mut frame), Some(Ok(message.clone())));
    assert!(frame.is_empty());
}

fn hello() -> Hello {
    let channel = ChannelDescription {
        monitor: MonitorState::Ready,
        shunt_micro_ohm: 50_000,
        conversion_time: ConversionTime::Us540,
        shunt_range: ShuntRange::Millivolts164,
        current_step_pv: 312_500,
        rail_step_pv: 195_312_500,
    };
    let wrong = MonitorState::WrongChip {
        manufacturer_id: 0x5449,
        device_id: 0x2381,
    };
    Hello {
        protocol_version: 1,
        board_serial: [0xE6, 0x61, 0x64, 0x08, 0x43, 0x12, 0x34, 0x56],
        board: "pico".try_into().expect("a short name"),
        firmware_version: FirmwareVersion {
            major: 0,
            minor: 1,
            patch: 0,
        },
        boot_nonce: 0x1234,
        boot_count: 1,
        reset_cause: ResetCause::PowerOn,
        time: BoardTime::from_micros(128),
        reading_period_us: 1_000,
        running: false,
        guard: GuardState::Off,
        channels: [
            channel,
            ChannelDescription {
                monitor: wrong,
                ..channel
            },
        ],
        thermistors: [DividerDescription {
            series_ohm: 10_000,
            full_scale_code: 4_096,
        }; 2],
    }
}

#[test]
fn hello_bytes() {
    pinned(
        &FromBoard::Hello(hello()),
        "00 01 e6 61 64 08 43 12 34 56 04 70 69 63 6f 00 01 00 b4 24 01 00 80 01 e8 07 00 00 \
         00 d0 86 03 04 00 b4 89 13 f4 f6 90 5d \
         02 c9 a8 01 81 47 d0 86 03 04 00 b4 89 13 f4 f6 90 5d \
         90 4e 80 20 90 4e 80 20",
    );
}

#[test]
fn readings_bytes() {
    let mut block = ReadingsBlock::new(300, BoardTime::from_micros(1_000_000), 1_000);
    for (codes, late) in [
        ([Some(1_000), Some(-1)], false),
        ([Some(1_003), None], true),
        ([Some(998), Some(0)], false),
    ] {
        block.push(codes, late).expect("room for three");
    }
    // Channel 1: 1000, +3, -5, nothing missing. Channel 2: -1, held, +1, the second missing.
    pinned(
        &FromBoard::Readings(block),
        "01 ac 02 c0 84 3d e8 07 02 03 d0 0f 06 09 00 03 01 00 02 02",
    );
}

#[test]
fn slow_values_bytes() {
    let slow = SlowValues {
        time: BoardTime::from_micros(100_000),
        rail: [
            Some(RailCodes {
                latest: 122_880,
                lowest: 122_000,
                highest: 123_000,
            }),
            None,
        ],
        thermistor: [ThermistorReading::Code(2_048), ThermistorReading::Open],
        chip_temperature: [Some(3_200), None],
    };
    pinned(
        &FromBoard::Slow(slow),
        "02 a0 8d 06 01 80 c0 07 90 b9 07 f8 c0 07 00 00 80 10 01 01 80 32 00",
    );
    let lost = SlowValues {
        thermistor: [ThermistorReading::Shorted, ThermistorReading::Failed],
        chip_temperature: [Some(-1), Some(i16::MAX)],
        ..slow
    };
    // i16 32767 is FE FF 03: the published page of the format prints FF FF 02, which its own definition contradicts.
    pinned(
        &FromBoard::Slow(lost),
        "02 a0 8d 06 01 80 c0 07 90 b9 07 f8 c0 07 00 02 03 01 01 01 fe ff 03",
    );
}

#[test]
fn mark_health_and_time_bytes() {
    let mark = Mark {
        number: 7,
        time: BoardTime::from_micros(300),
        edge: MarkEdge::Pressed,
    };
    pinned(&FromBoard::Mark(mark), "03 07 ac 02 00");
    pinned(
        &FromBoard::Mark(Mark {
            edge: MarkEdge::Released,
            ..mark
        }),
        "03 07 ac 02 01",
    );
    let health = Health {
        time: BoardTime::from_micros(1),
        running: true,
        guard: GuardState::Armed,
        next_index: 129,
        readings_dropped: 40,
        late_ticks: 2,
        bus_errors: [3, 4],
        monitor_restarts: [5, 6],
        buffer_high_water: 7,
        buffer_capacity: 128,
        frames_rejected: 8,
    };
    pinned(
        &FromBoard::Health(health),
        "04 01 01 01 81 01 28 02 03 04 05 06 07 80 01 08",
    );
    let reply = TimeReply {
        number: 2,
        host_send_ns: 1_000,
        board_receive: BoardTime::from_micros(3),
        board_send: BoardTime::from_micros(4),
    };
    pinned(&FromBoard::Time(reply), "05 02 e8 07 03 04");
}

#[test]
fn guard_trip_bytes() {
    let causes = [
        (
            GuardCause::OverCurrent {
                channel: Channel::Two,
                code: -300,
            },
            "00 01 d7 04",
        ),
        (
            GuardCause::OverTemperature {
                channel: Channel::One,
                code: 300,
            },
            "01 00 ac 02",
        ),
        (
            GuardCause::ThermistorLost {
                channel: Channel::Two,
            },
            "02 01",
        ),
        (GuardCause::HostSilent, "03"),
        (
            GuardCause::MonitorLost {
                channel: Channel::One,
            },
            "04 00",
        ),
    ];
    for (cause, bytes) in causes {
        let trip = GuardTrip {
            time: BoardTime::from_micros(9),
            cause_time: BoardTime::from_micros(8),
            cause,
        };
        pinned(&FromBoard::GuardTrip(trip), &format!("06 09 08 {bytes}"));
    }
}

#[test]
fn refusal_bytes() {
    let commands = [
        Command::HelloRequest,
        Command::Configure,
        Command::Start,
        Command::Stop,
        Command::TimeRequest,
        Command::GuardLimits,
        Command::Rearm,
        Command::Identify,
    ];
    let reasons = [
        RefusalReason::WhileRunning,
        RefusalReason::ReadingPeriodOutOfRange,
        RefusalReason::ConversionTooLong,
        RefusalReason::LimitOutOfRange,
        RefusalReason::NoMonitor,
        RefusalReason::StillPastLimit,
        RefusalReason::NotTripped,
    ];
    for (position, command) in commands.into_iter().enumerate() {
        let refusal = Refusal {
            command,
            reason: RefusalReason::WhileRunning,
        };
        pinned(&FromBoard::Refusal(refusal), &format!("07 {position:02x} 00"));
    }
    for (position, reason) in reasons.into_iter().enumerate() {
        let refusal = Refusal {
            command: Command::Configure,
            reason,
        };
        pinned(&FromBoard::Refusal(refusal), &format!("07 01 {position:02x}"));
    }
}

#[test]
fn bytes_from_the_host() {
    pinned(&ToBoard::HelloRequest, "00");
    let configure = Configure {
        reading_period_us: 250,
        conversion_time: ConversionTime::Us150,
        shunt_range: ShuntRange::Millivolts41,
    };
    pinned(&ToBoard::Configure(configure), "01 fa 01 02 01");
    pinned(&ToBoard::Start, "02");
    pinned(&ToBoard::Stop, "03");
    pinned(
        &ToBoard::TimeRequest(TimeRequest {
            number: 1,
            host_send_ns: 128,
        }),
        "04 01 80 01",
    );
    let limits = GuardLimits {
        over_current_code: [Some(200), None],
        over_current_readings: 3,
        hot_code: [None, Some(900)],
        thermistor_required: [true, false],
        host_silent_ms: Some(5_000),
    };
    pinned(
        &ToBoard::GuardLimits(limits),
        "05 01 c8 01 00 03 00 01 84 07 01 00 01 88 27",
    );
    pinned(&ToBoard::Rearm, "06");
    pinned(&ToBoard::Identify, "07");
}

/// One whole frame, delimiter and all: start is body 02, its CRC-32 is 3C0C8EA1.
///
/// The checksum was computed apart from this crate, by `zlib.crc32(b"\x02")` of Python 3.11.
#[test]
fn a_whole_frame() {
    let mut buffer = FrameBuffer::new();
    assert_eq!(
        hex(buffer.encode(&ToBoard::Start).expect("fits")),
        "06 02 a1 8e 0c 3c 00"
    );
}

#[test]
fn hellos_of_other_versions_are_told_by_their_version() {
    let mut bytes = [0; BODY_BYTES_MAX];
    let body = postcard::to_slice(&FromBoard::Hello(hello()), &mut bytes).expect("fits");
    assert_eq!(
        steadybench_protocol::deframer::protocol_version_of_hello(body),
        Some(1)
    );
    assert_eq!(
        steadybench_protocol::deframer::protocol_version_of_hello(&[0, 0xAC, 2, 9, 9, 9]),
        Some(300)
    );
    assert_eq!(
        steadybench_protocol::deframer::protocol_version_of_hello(&[4, 1]),
        None
    );
}
