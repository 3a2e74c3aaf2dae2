//! The host's side, in virtual time.

use std::time::Duration;

use steadybench_protocol::{
    Configure, ConversionTime, Deframer, FrameBuffer, FromBoard, Health, Hello, Mark, ReadingsBlock,
    ShuntRange, SlowValues, ToBoard,
};
use steadybench_virtual::{Scenario, VirtualBoard};

pub(crate) struct Host {
    pub(crate) board: VirtualBoard,
    deframer: Deframer,
    pub(crate) messages: Vec<FromBoard>,
}

pub(crate) fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

pub(crate) fn frame(command: &ToBoard) -> Vec<u8> {
    FrameBuffer::new().encode(command).unwrap().to_vec()
}

pub(crate) fn decode(deframer: &mut Deframer, mut bytes: &[u8]) -> Vec<FromBoard> {
    let mut messages = Vec::new();
    while let Some(message) = deframer.next::<FromBoard>(&mut bytes) {
        messages.push(message.expect("a frame that can be read"));
    }
    messages
}

impl Host {
    pub(crate) fn new(scenario: &Scenario, seed: u64) -> Self {
        let mut host = Self {
            board: VirtualBoard::new(scenario, seed),
            deframer: Deframer::new(),
            messages: Vec::new(),
        };
        host.run(ms(50));
        host
    }

    /// A host that has started the stream.
    pub(crate) fn started(scenario: &Scenario, seed: u64) -> Self {
        let mut host = Self::new(scenario, seed);
        host.send(&ToBoard::Start);
        host
    }

    pub(crate) fn run(&mut self, length: Duration) {
        let bytes = self.board.advance(self.board.now() + length, &[]);
        self.messages.extend(decode(&mut self.deframer, &bytes));
    }

    pub(crate) fn send(&mut self, command: &ToBoard) {
        let bytes = self.board.advance(self.board.now(), &frame(command));
        self.messages.extend(decode(&mut self.deframer, &bytes));
    }

    pub(crate) fn configure(&mut self, reading_period_us: u32, conversion_time: ConversionTime) {
        self.send(&ToBoard::Configure(Configure {
            reading_period_us,
            conversion_time,
            shunt_range: ShuntRange::Millivolts164,
        }));
        self.run(ms(20));
    }

    pub(crate) fn blocks(&self) -> impl Iterator<Item = &ReadingsBlock> {
        self.messages.iter().filter_map(|message| match message {
            FromBoard::Readings(block) => Some(block),
            _ => None,
        })
    }

    pub(crate) fn marks(&self) -> Vec<Mark> {
        self.messages
            .iter()
            .filter_map(|message| match message {
                FromBoard::Mark(mark) => Some(*mark),
                _ => None,
            })
            .collect()
    }

    pub(crate) fn slow(&self) -> Vec<SlowValues> {
        self.messages
            .iter()
            .filter_map(|message| match message {
                FromBoard::Slow(slow) => Some(*slow),
                _ => None,
            })
            .collect()
    }

    pub(crate) fn hello(&mut self) -> Hello {
        self.send(&ToBoard::HelloRequest);
        self.messages
            .iter()
            .rev()
            .find_map(|message| match message {
                FromBoard::Hello(hello) => Some(hello.clone()),
                _ => None,
            })
            .expect("a hello")
    }

    pub(crate) fn health(&mut self) -> Health {
        self.send(&ToBoard::Identify);
        self.messages
            .iter()
            .rev()
            .find_map(|message| match message {
                FromBoard::Health(health) => Some(*health),
                _ => None,
            })
            .expect("health")
    }
}
