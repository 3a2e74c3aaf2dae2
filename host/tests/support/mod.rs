//! A small board of the tests' own: it speaks the protocol over TCP, as fast as it is read, and fails as it is told.

#![allow(dead_code, unreachable_pub, clippy::unwrap_used)] // Each test uses its part; a test may stop at once.

use std::collections::BTreeMap;
use std::io::{ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use steadybench_protocol::{
    BoardTime, ChannelDescription, Configure, ConversionTime, Deframer, DividerDescription, FirmwareVersion,
    FrameBuffer, FromBoard, GuardState, Health, Hello, Mark, MarkEdge, MonitorState, PROTOCOL_VERSION,
    RailCodes, ReadingsBlock, ResetCause, ShuntRange, SlowValues, ThermistorReading, TimeReply, ToBoard,
};

/// Readings in each block.
pub const PER_BLOCK: u64 = 20;

/// What goes wrong with the block of a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mishap {
    /// It never leaves.
    Dropped,
    /// One byte of it is changed.
    Damaged,
    /// It comes twice.
    Repeated,
    /// Before it the far end hangs up.
    HangUp,
    /// Before it the board starts anew, and the line is lost with it.
    Restart,
    /// Before it the line is lost, and another board answers at the next connection, once.
    OtherBoard,
    /// After it the foot switch is pressed.
    FootSwitch,
}

#[derive(Clone, Debug)]
pub struct Script {
    /// Blocks to be sent in all.
    pub blocks: u64,
    /// By the number of the block, counted over everything.
    pub mishaps: BTreeMap<u64, Mishap>,
    /// Version the hello says.
    pub version: u16,
    /// Whether anything is answered.
    pub silent: bool,
    /// Sent in place of everything.
    pub garbage: bool,
    /// Every byte of the identity of this board.
    pub serial: u8,
}

impl Default for Script {
    fn default() -> Self {
        Self {
            blocks: 50,
            mishaps: BTreeMap::new(),
            version: PROTOCOL_VERSION,
            silent: false,
            garbage: false,
            serial: 1,
        }
    }
}

/// The codes that the reading of an index bears.
pub fn codes(index: u64) -> [Option<i32>; 2] {
    let wave = (index * 7 % 200) as i32;
    let second = (index % 333 != 5).then_some(-(wave * 3));
    [Some(800 + wave), second]
}

pub struct FakeBoard {
    pub address: SocketAddr,
    stop: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl FakeBoard {
    pub fn start(script: Script) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        listener.set_nonblocking(true).unwrap();
        let address = listener.local_addr().unwrap();
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let thread = std::thread::spawn(move || {
            let mut board = Board::new(script);
            while !stopped.load(Ordering::Relaxed) {
                match listener.accept() {
                    Ok((stream, _)) => {
                        stream.set_nonblocking(false).unwrap();
                        board.serve(stream, &stopped);
                        // The other board stands there for one connection only.
                        board.serial = board.script.serial + board.other_next;
                        board.other_next = 0;
                    }
                    Err(error) if error.kind() == ErrorKind::WouldBlock => {
                        std::thread::sleep(Duration::from_millis(2));
                    }
                    Err(error) => panic!("{error}"),
                }
            }
        });
        Self {
            address,
            stop,
            thread: Some(thread),
        }
    }

    pub fn port(&self) -> String {
        format!("tcp:{}", self.address)
    }
}

impl Drop for FakeBoard {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            thread.join().unwrap();
        }
    }
}

struct Board {
    script: Script,
    serial: u8,
    /// 1 when another board answers at the next connection.
    other_next: u8,
    boot_nonce: u32,
    started: Instant,
    configure: Configure,
    running: bool,
    next_index: u64,
    next_block: u64,
    guard: GuardState,
    frames: FrameBuffer,
}

impl Board {
    fn new(script: Script) -> Self {
        Self {
            serial: script.serial,
            script,
            other_next: 0,
            boot_nonce: 100,
            started: Instant::now(),
            configure: Configure {
                reading_period_us: 1000,
                conversion_time: ConversionTime::Us540,
                shunt_range: ShuntRange::Millivolts164,
            },
            running: false,
            next_index: 0,
            next_block: 0,
            guard: GuardState::Off,
            frames: FrameBuffer::new(),
        }
    }

    fn time(&self) -> BoardTime {
        BoardTime::from_micros(self.started.elapsed().as_micros() as u64 + 5_000_000)
    }

    fn serve(&mut self, mut stream: TcpStream, stop: &AtomicBool) {
        stream.set_read_timeout(Some(Duration::from_millis(1))).unwrap();
        let mut deframer = Deframer::new();
        let mut bytes = [0; 1024];
        while !stop.load(Ordering::Relaxed) {
            match stream.read(&mut bytes) {
                Ok(0) => return,
                Ok(count) => {
                    let mut input = &bytes[..count];
                    while let Some(message) = deframer.next::<ToBoard>(&mut input) {
                        if self.script.garbage {
                            let _ = stream.write_all(b"login: \r\nlogin: \r\n");
                        } else if !self.script.silent && self.answer(message.unwrap(), &mut stream).is_err() {
                            return;
                        }
                    }
                }
                Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {}
                Err(_) => return,
            }
            let sending = self.running && self.serial == self.script.serial;
            if sending && self.next_block < self.script.blocks && self.send_block(&mut stream).is_err() {
                return;
            }
        }
    }

    fn send(&mut self, message: &FromBoard, stream: &mut TcpStream) -> std::io::Result<()> {
        stream.write_all(self.frames.encode(message).unwrap())
    }

    fn answer(&mut self, message: ToBoard, stream: &mut TcpStream) -> std::io::Result<()> {
        let received = self.time();
        let answer = match message {
            ToBoard::HelloRequest => FromBoard::Hello(self.hello()),
            ToBoard::Configure(configure) => {
                self.configure = configure;
                FromBoard::Hello(self.hello())
            }
            ToBoard::Start => {
                self.running = true;
                FromBoard::Health(self.health())
            }
            ToBoard::Stop => {
                self.running = false;
                FromBoard::Health(self.health())
            }
            ToBoard::TimeRequest(request) => FromBoard::Time(TimeReply {
                number: request.number,
                host_send_ns: request.host_send_ns,
                board_receive: received,
                board_send: self.time(),
            }),
            ToBoard::GuardLimits(limits) => {
                self.guard = if limits.acts() {
                    GuardState::Armed
                } else {
                    GuardState::Off
                };
                FromBoard::Health(self.health())
            }
            ToBoard::Rearm | ToBoard::Identify => FromBoard::Health(self.health()),
        };
        self.send(&answer, stream)
    }

    /// Sends the next block, or fails as the script has it; an error is the end of the line.
    fn send_block(&mut self, stream: &mut TcpStream) -> std::io::Result<()> {
        let number = self.next_block;
        let mishap = self.script.mishaps.get(&number).copied();
        let gone = || Err(ErrorKind::ConnectionReset.into());
        match mishap {
            Some(Mishap::HangUp) => {
                self.script.mishaps.remove(&number);
                return gone();
            }
            Some(Mishap::Restart) => {
                self.script.mishaps.remove(&number);
                self.boot_nonce += 1;
                self.next_index = 0;
                self.running = false;
                self.started = Instant::now();
                return gone();
            }
            Some(Mishap::OtherBoard) => {
                self.script.mishaps.remove(&number);
                self.other_next = 1;
                return gone();
            }
            _ => {}
        }
        let period_us = self.configure.reading_period_us;
        let first = BoardTime::from_micros(6_000_000 + self.next_index * u64::from(period_us));
        let mut block = ReadingsBlock::new(self.next_index, first, period_us);
        for _ in 0..PER_BLOCK {
            block.push(codes(self.next_index), false).unwrap();
            self.next_index += 1;
        }
        self.next_block += 1;
        let mut frame = self.frames.encode(&FromBoard::Readings(block)).unwrap().to_vec();
        match mishap {
            Some(Mishap::Dropped) => return Ok(()),
            Some(Mishap::Damaged) => {
                let middle = frame.len() / 2;
                frame[middle] = if frame[middle] == 1 { 2 } else { 1 };
            }
            Some(Mishap::Repeated) => stream.write_all(&frame)?,
            _ => {}
        }
        stream.write_all(&frame)?;
        if mishap == Some(Mishap::FootSwitch) {
            let mark = Mark {
                number: 0,
                time: first,
                edge: MarkEdge::Pressed,
            };
            self.send(&FromBoard::Mark(mark), stream)?;
        }
        if number.is_multiple_of(5) {
            let slow = slow_values(first);
            self.send(&FromBoard::Slow(slow), stream)?;
        }
        Ok(())
    }

    fn hello(&mut self) -> Hello {
        let mut hello = hello(self.serial, self.boot_nonce, self.configure);
        hello.protocol_version = self.script.version;
        hello.running = self.running;
        hello.time = self.time();
        hello
    }

    fn health(&self) -> Health {
        Health {
            time: self.time(),
            running: self.running,
            guard: self.guard,
            next_index: self.next_index,
            readings_dropped: 0,
            late_ticks: 0,
            bus_errors: [0; 2],
            monitor_restarts: [0; 2],
            buffer_high_water: 1,
            buffer_capacity: 100,
            frames_rejected: 0,
        }
    }
}

/// A hello of a board with 10 mΩ shunts.
pub fn hello(serial: u8, boot_nonce: u32, configure: Configure) -> Hello {
    let channel = ChannelDescription {
        monitor: MonitorState::Ready,
        shunt_micro_ohm: 10_000,
        conversion_time: configure.conversion_time,
        shunt_range: configure.shunt_range,
        current_step_pv: configure.shunt_range.step_pv(),
        rail_step_pv: 195_312_500,
    };
    Hello {
        protocol_version: PROTOCOL_VERSION,
        board_serial: [serial; 8],
        board: "fake".try_into().unwrap(),
        firmware_version: FirmwareVersion {
            major: 0,
            minor: 1,
            patch: 0,
        },
        boot_nonce,
        boot_count: boot_nonce - 99,
        reset_cause: ResetCause::Watchdog,
        time: BoardTime::from_micros(5_000_000),
        reading_period_us: configure.reading_period_us,
        running: false,
        guard: GuardState::Off,
        channels: [channel; 2],
        thermistors: [DividerDescription {
            series_ohm: 10_000,
            full_scale_code: 4096,
        }; 2],
    }
}

/// 24 V on both rails, 25 °C on the first thermistor, the second one open.
pub fn slow_values(time: BoardTime) -> SlowValues {
    let rail = RailCodes {
        latest: 122_880,
        lowest: 122_800,
        highest: 122_900,
    };
    SlowValues {
        time,
        rail: [Some(rail); 2],
        thermistor: [ThermistorReading::Code(2048), ThermistorReading::Open],
        chip_temperature: [Some(3200), None],
    }
}
