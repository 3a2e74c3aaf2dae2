//! Every command has exactly one answer, and the right one.

use proptest::prelude::*;
use steadybench_protocol::limits::{
    CURRENT_CODE_MAX, HOST_SILENT_MAX_MS, HOST_SILENT_MIN_MS, READING_PERIOD_MAX_US, READING_PERIOD_MIN_US,
    THERMISTOR_CODE_MAX,
};
use steadybench_protocol::{
    BoardTime, Command, Configure, ConversionTime, FrameBuffer, FromBoard, GuardLimits, GuardState,
    PROTOCOL_VERSION, Refusal, RefusalReason, ShuntRange, TimeReply, TimeRequest, ToBoard,
};

use crate::rig::{Rig, facts, no_limits};

/// The one message that answers.
fn answer(rig: &mut Rig, command: &ToBoard) -> FromBoard {
    rig.take();
    rig.send(command);
    let mut answers: Vec<_> = rig
        .take()
        .into_iter()
        .filter(|message| !matches!(message, FromBoard::Readings(_) | FromBoard::Slow(_)))
        .collect();
    assert_eq!(answers.len(), 1, "{command:?}: {answers:?}");
    answers.remove(0)
}

fn refused(command: Command, reason: RefusalReason) -> FromBoard {
    FromBoard::Refusal(Refusal { command, reason })
}

fn configure(reading_period_us: u32, conversion_time: ConversionTime) -> ToBoard {
    ToBoard::Configure(Configure {
        reading_period_us,
        conversion_time,
        shunt_range: ShuntRange::Millivolts41,
    })
}

#[test]
fn a_board_that_has_started_says_so_once() {
    let mut rig = Rig::new();
    rig.pump();
    assert!(
        rig.received.is_empty(),
        "before the chips were looked for there is nothing to say"
    );
    rig.run_for(500_000);
    let hellos = rig
        .received
        .iter()
        .filter(|message| matches!(message, FromBoard::Hello(_)));
    assert_eq!(hellos.count(), 1);
    let Some(FromBoard::Hello(hello)) = rig.received.first() else {
        panic!("{:?}", rig.received)
    };
    assert_eq!(hello.protocol_version, PROTOCOL_VERSION);
    assert_eq!(hello.boot_nonce, facts().boot_nonce);
    assert!(!hello.running);
    assert_eq!(hello.channels[0].current_step_pv, 312_500);
    assert_eq!(hello.channels[1].rail_step_pv, 195_312_500);
}

#[test]
fn a_hello_request_that_comes_before_the_chips_were_looked_for_is_answered_after() {
    let mut rig = Rig::new();
    let mut frame = FrameBuffer::new();
    let mut bytes = frame.encode(&ToBoard::HelloRequest).unwrap();
    rig.link
        .bytes_in(&rig.station, BoardTime::from_micros(0), &mut bytes);
    rig.pump();
    assert!(rig.received.is_empty());
    rig.run_for(1_000);
    assert_eq!(rig.received.len(), 2, "the hello of the start and the answer");
}

#[test]
fn settings_are_taken_or_refused_with_the_reason() {
    use ConversionTime::{Us150, Us540, Us4120};
    let mut rig = Rig::ready();
    for (period, time, reason) in [
        (
            READING_PERIOD_MIN_US - 1,
            Us150,
            RefusalReason::ReadingPeriodOutOfRange,
        ),
        (
            READING_PERIOD_MAX_US + 1,
            Us150,
            RefusalReason::ReadingPeriodOutOfRange,
        ),
        (0, Us150, RefusalReason::ReadingPeriodOutOfRange),
        (600, Us540, RefusalReason::ConversionTooLong),
        (4_219, Us4120, RefusalReason::ConversionTooLong),
    ] {
        let refusal = refused(Command::Configure, reason);
        assert_eq!(
            answer(&mut rig, &configure(period, time)),
            refusal,
            "{period} {time:?}"
        );
    }
    let FromBoard::Hello(hello) = answer(&mut rig, &configure(4_220, Us4120)) else {
        panic!()
    };
    assert_eq!(hello.reading_period_us, 4_220);
    assert_eq!(hello.channels[0].conversion_time, Us4120);
    assert_eq!(hello.channels[0].current_step_pv, 78_125);
    rig.run_for(10_000);
    assert!(matches!(answer(&mut rig, &ToBoard::Start), FromBoard::Health(health) if health.running));
    let refusal = refused(Command::Configure, RefusalReason::WhileRunning);
    assert_eq!(answer(&mut rig, &configure(1_000, Us540)), refusal);
    // Starting and stopping twice is no error.
    assert!(matches!(answer(&mut rig, &ToBoard::Start), FromBoard::Health(health) if health.running));
    assert!(matches!(answer(&mut rig, &ToBoard::Stop), FromBoard::Health(health) if !health.running));
    assert!(matches!(answer(&mut rig, &ToBoard::Stop), FromBoard::Health(health) if !health.running));
}

#[test]
fn limits_out_of_range_are_refused_and_leave_the_guard_as_it_was() {
    let mut rig = Rig::ready();
    let mut good = no_limits();
    good.over_current_code[0] = Some(CURRENT_CODE_MAX as u32);
    good.host_silent_ms = Some(HOST_SILENT_MIN_MS);
    let armed = answer(&mut rig, &ToBoard::GuardLimits(good));
    assert!(matches!(armed, FromBoard::Health(health) if health.guard == GuardState::Armed));
    for bad in [
        GuardLimits {
            over_current_code: [None, Some(CURRENT_CODE_MAX as u32 + 1)],
            ..good
        },
        GuardLimits {
            over_current_readings: 0,
            ..good
        },
        GuardLimits {
            over_current_readings: 41,
            ..good
        },
        GuardLimits {
            hot_code: [Some(THERMISTOR_CODE_MAX + 1), None],
            ..good
        },
        GuardLimits {
            host_silent_ms: Some(HOST_SILENT_MIN_MS - 1),
            ..good
        },
        GuardLimits {
            host_silent_ms: Some(HOST_SILENT_MAX_MS + 1),
            ..good
        },
    ] {
        let refusal = refused(Command::GuardLimits, RefusalReason::LimitOutOfRange);
        assert_eq!(answer(&mut rig, &ToBoard::GuardLimits(bad)), refusal, "{bad:?}");
        assert_eq!(rig.ask_health().guard, GuardState::Armed);
    }
    let off = answer(&mut rig, &ToBoard::GuardLimits(no_limits()));
    assert!(matches!(off, FromBoard::Health(health) if health.guard == GuardState::Off));
}

/// The four instants of RFC 5905, section 8: T1 is echoed, T2 is the arrival, T3 the sending.
#[test]
fn a_time_request_is_stamped_on_arrival_and_again_on_sending() {
    let mut rig = Rig::ready();
    let request = TimeRequest {
        number: 9,
        host_send_ns: u64::MAX - 3,
    };
    let mut frame = FrameBuffer::new();
    let mut bytes = frame.encode(&ToBoard::TimeRequest(request)).unwrap();
    let arrival = rig.time();
    rig.link.bytes_in(&rig.station, arrival, &mut bytes);
    rig.now.set(rig.now.get() + 321);
    rig.pump();
    let reply = TimeReply {
        number: 9,
        host_send_ns: u64::MAX - 3,
        board_receive: arrival,
        board_send: arrival.plus_micros(321),
    };
    assert_eq!(rig.take(), [FromBoard::Time(reply)]);
}

#[test]
fn identify_blinks_for_five_seconds() {
    let mut rig = Rig::ready();
    let blinks = |rig: &mut Rig| {
        let lit = (0..200).map(|_| {
            rig.run_for(5_000);
            rig.station.borrow().lamp_lit(rig.time())
        });
        let lit: Vec<bool> = lit.collect();
        lit.windows(2).filter(|pair| !pair[0] && pair[1]).count()
    };
    assert_eq!(blinks(&mut rig), 0);
    rig.send(&ToBoard::Identify);
    assert!((3..=5).contains(&blinks(&mut rig)));
    rig.run_for(4_100_000);
    assert_eq!(blinks(&mut rig), 0);
}

fn command() -> impl Strategy<Value = ToBoard> {
    let limits = (prop::option::of(0_u32..600_000), 0_u8..50).prop_map(|(code, readings)| GuardLimits {
        over_current_code: [code, None],
        over_current_readings: readings,
        ..GuardLimits::default()
    });
    prop_oneof![
        Just(ToBoard::HelloRequest),
        (100_u32..12_000, 0_usize..8).prop_map(|(period, time)| configure(period, ConversionTime::ALL[time])),
        Just(ToBoard::Start),
        Just(ToBoard::Stop),
        any::<(u32, u64)>().prop_map(|(number, host_send_ns)| {
            ToBoard::TimeRequest(TimeRequest { number, host_send_ns })
        }),
        limits.prop_map(ToBoard::GuardLimits),
        Just(ToBoard::Rearm),
        Just(ToBoard::Identify),
    ]
}

/// Whether a message can be the answer to a command.
fn answers(message: &FromBoard, command: &ToBoard) -> bool {
    match (message, command) {
        (FromBoard::Refusal(refusal), command) => refusal.command == command.command(),
        (FromBoard::Hello(_), ToBoard::HelloRequest | ToBoard::Configure(_)) => true,
        (FromBoard::Time(reply), ToBoard::TimeRequest(request)) => reply.number == request.number,
        (FromBoard::Health(health), ToBoard::Start) => health.running,
        (FromBoard::Health(health), ToBoard::Stop) => !health.running,
        (FromBoard::Health(_), ToBoard::GuardLimits(_) | ToBoard::Rearm | ToBoard::Identify) => true,
        _ => false,
    }
}

/// Whether the messages are the commands' answers in order, with nothing between but health that came of itself.
fn pair_up(messages: &[FromBoard], commands: &[ToBoard]) -> bool {
    let Some((message, messages)) = messages.split_first() else {
        return commands.is_empty();
    };
    let answered = commands
        .split_first()
        .is_some_and(|(command, commands)| answers(message, command) && pair_up(messages, commands));
    answered || (matches!(message, FromBoard::Health(_)) && pair_up(messages, commands))
}

proptest! {
    /// Any commands, at any times, the bytes cut anywhere: as many answers as commands, each fitting, in order.
    #[test]
    fn answers_are_as_many_as_commands_and_in_their_order(
        commands in prop::collection::vec((command(), 0_u64..3_000), 1..40),
        piece in 1_usize..70,
    ) {
        let mut rig = Rig::ready();
        let mut bytes = Vec::new();
        let mut frame = FrameBuffer::new();
        let mut sent = Vec::new();
        for (command, wait) in &commands {
            bytes.extend_from_slice(frame.encode(command).unwrap());
            sent.push(command.clone());
            if *wait > 1_500 {
                for piece in bytes.chunks(piece) {
                    rig.send_bytes(piece);
                }
                bytes.clear();
                rig.run_for(*wait);
            }
        }
        for piece in bytes.chunks(piece) {
            rig.send_bytes(piece);
        }
        let unasked = |message: &FromBoard| {
            matches!(message, FromBoard::Readings(_) | FromBoard::Slow(_) | FromBoard::GuardTrip(_))
        };
        let mut received = rig.take();
        received.retain(|message| !unasked(message));
        prop_assert!(pair_up(&received, &sent), "{:?}: {:?}", sent, received);
        prop_assert_eq!(rig.ask_health().frames_rejected, 0);
    }
}
