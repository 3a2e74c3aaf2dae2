//! What is wrong with a board, with the remedy.

use steadybench_protocol::{Hello, PROTOCOL_VERSION};

use crate::exit::Exit;
use crate::fault::Fault;
use crate::link::LinkEvent;
use crate::port::PortAddress;
use crate::recorder::serial_digits;
use crate::stream::refusal_words;

/// The fault that a conversation ended in.
pub(super) fn of_event(address: &PortAddress, event: &LinkEvent) -> Fault {
    let port = format!("port {address}");
    match event {
        LinkEvent::OtherVersion(version) => Fault::new(
            Exit::ProtocolVersion,
            port,
            format!("the board speaks protocol version {version}; this program speaks {PROTOCOL_VERSION}"),
        )
        .remedy(if *version > PROTOCOL_VERSION {
            "use a newer steady, or load this version's firmware onto the board"
        } else {
            "load this version's firmware onto the board"
        }),
        LinkEvent::Silent { bytes: 0, .. } => Fault::new(
            Exit::SilentBoard,
            port,
            "nothing answers: no byte came within 3 s of asking",
        )
        .remedy(
            "see that the board's lamp is lit and the cable carries data, press its reset, then try again",
        ),
        LinkEvent::Silent { bytes, frames: 0 } => Fault::new(
            Exit::NotABoard,
            port,
            format!("{bytes} bytes came and none of them are a Steadybench board's"),
        )
        .remedy("see with `steady ports` which port the board is on; this one belongs to something else"),
        LinkEvent::Silent { frames, .. } => Fault::new(
            Exit::SilentBoard,
            port,
            format!("the board has stopped answering after {frames} messages"),
        )
        .remedy("unplug the board and plug it in again"),
        LinkEvent::Refused(refusal) => Fault::new(
            Exit::Refused,
            port,
            format!(
                "the board refused {:?}: {}",
                refusal.command,
                refusal_words(refusal.reason)
            ),
        )
        .remedy("change that setting, or see to the wiring of the monitor chips"),
        LinkEvent::Greeted { .. } | LinkEvent::Started | LinkEvent::Stopped => {
            Fault::new(Exit::Failed, port, "the board said something out of turn")
        }
    }
}

/// The fault of a board that stands where another was.
pub(super) fn another_board(known: &Hello, met: &Hello) -> Fault {
    Fault::new(
        Exit::AnotherBoard,
        format!("board {}", serial_digits(met)),
        format!(
            "it stands where board {} of this run was, and is not recorded",
            serial_digits(known)
        ),
    )
    .remedy("plug the run's own board in again, or stop and start a run with the other one")
}

#[cfg(test)]
mod tests {
    use steadybench_protocol::{Command, Refusal, RefusalReason};

    use super::*;

    #[test]
    fn every_fault_says_what_why_and_what_to_do() {
        let address = PortAddress::Device("/dev/ttyACM0".into());
        let refusal = Refusal {
            command: Command::Start,
            reason: RefusalReason::NoMonitor,
        };
        let words: Vec<String> = [
            LinkEvent::Silent { bytes: 0, frames: 0 },
            LinkEvent::Silent {
                bytes: 812,
                frames: 0,
            },
            LinkEvent::Silent {
                bytes: 812,
                frames: 9,
            },
            LinkEvent::OtherVersion(2),
            LinkEvent::Refused(refusal),
        ]
        .iter()
        .map(|event| {
            let fault = of_event(&address, event);
            format!("{} {fault}", fault.exit().code())
        })
        .collect();
        insta::assert_snapshot!(words.join("\n"), @r"
        6 port /dev/ttyACM0: nothing answers: no byte came within 3 s of asking
          remedy: see that the board's lamp is lit and the cable carries data, press its reset, then try again
        7 port /dev/ttyACM0: 812 bytes came and none of them are a Steadybench board's
          remedy: see with `steady ports` which port the board is on; this one belongs to something else
        6 port /dev/ttyACM0: the board has stopped answering after 9 messages
          remedy: unplug the board and plug it in again
        8 port /dev/ttyACM0: the board speaks protocol version 2; this program speaks 1
          remedy: use a newer steady, or load this version's firmware onto the board
        10 port /dev/ttyACM0: the board refused Start: no monitor chip answers on either channel
          remedy: change that setting, or see to the wiring of the monitor chips
        ");
    }
}
