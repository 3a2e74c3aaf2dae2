//! For tests: a disk that fails as it is told, and records of a board that was never there.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use steadybench_protocol::{
    BoardTime, ChannelDescription, Configure, ConversionTime, DividerDescription, FirmwareVersion,
    FrameBuffer, FromBoard, GuardState, Health, Hello, MonitorState, PROTOCOL_VERSION, RailCodes,
    ReadingsBlock, ResetCause, ShuntRange, SlowValues, ThermistorReading, TimeReply,
};

use super::files::{AppendFile, Confirmation, FileLayer};
use super::plan::{FullRate, RunKind, RunPlan};
use super::wire_log::{HostMarkKind, Record, Stamp};

/// A disk in memory.
#[derive(Clone, Debug, Default)]
pub(crate) struct FakeDisk(Arc<Mutex<State>>);

#[derive(Debug, Default)]
struct State {
    files: BTreeMap<PathBuf, Vec<u8>>,
    room: Option<usize>,
    /// Most bytes one append takes, as a disk that writes in part.
    piece: Option<usize>,
}

impl FakeDisk {
    /// Bytes that the disk still takes; `None` is any number.
    pub(crate) fn set_room(&self, room: Option<usize>) {
        self.0.lock().unwrap().room = room;
    }

    pub(crate) fn set_piece(&self, piece: usize) {
        self.0.lock().unwrap().piece = Some(piece);
    }

    pub(crate) fn read(&self, path: &Path) -> Vec<u8> {
        self.0.lock().unwrap().files[path].clone()
    }

    pub(crate) fn text(&self, path: &Path) -> String {
        String::from_utf8(self.read(path)).unwrap()
    }
}

impl FileLayer for FakeDisk {
    fn create_folder(&self, _path: &Path) -> io::Result<()> {
        Ok(())
    }

    fn create_file(&self, path: &Path) -> io::Result<Box<dyn AppendFile>> {
        let mut state = self.0.lock().unwrap();
        if state.files.insert(path.to_owned(), Vec::new()).is_some() {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        Ok(Box::new(FakeFile {
            disk: self.clone(),
            path: path.to_owned(),
        }))
    }
}

struct FakeFile {
    disk: FakeDisk,
    path: PathBuf,
}

impl AppendFile for FakeFile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut state = self.disk.0.lock().unwrap();
        let room = state.room.unwrap_or(usize::MAX);
        if room == 0 {
            return Err(io::ErrorKind::StorageFull.into());
        }
        let taken = bytes.len().min(room).min(state.piece.unwrap_or(usize::MAX));
        if let Some(room) = &mut state.room {
            *room -= taken;
        }
        let file = state.files.get_mut(&self.path).unwrap();
        file.extend_from_slice(&bytes[..taken]);
        Ok(taken)
    }

    fn confirmation(&self) -> Confirmation {
        Box::new(|| Ok(()))
    }

    fn reopen(&mut self) -> io::Result<u64> {
        Ok(self.disk.0.lock().unwrap().files[&self.path].len() as u64)
    }
}

pub(crate) fn configure() -> Configure {
    Configure {
        reading_period_us: 1000,
        conversion_time: ConversionTime::Us540,
        shunt_range: ShuntRange::Millivolts164,
    }
}

pub(crate) fn plan() -> RunPlan {
    RunPlan {
        kind: RunKind::Free,
        configure: configure(),
        full_rate: FullRate::Always,
        interval_us: 1_000_000,
    }
}

pub(crate) fn hello(boot_nonce: u32) -> Hello {
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
        board: "test".try_into().unwrap(),
        firmware_version: FirmwareVersion {
            major: 0,
            minor: 1,
            patch: 0,
        },
        boot_nonce,
        boot_count: 1,
        reset_cause: ResetCause::PowerOn,
        time: BoardTime::from_micros(1_000_000),
        reading_period_us: 1000,
        running: false,
        guard: GuardState::Off,
        channels: [channel; 2],
        thermistors: [DividerDescription {
            series_ohm: 10_000,
            full_scale_code: 4096,
        }; 2],
    }
}

pub(crate) fn health(next_index: u64, running: bool) -> Health {
    Health {
        time: BoardTime::from_micros(2_000_000 + next_index * 1000),
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

/// A board whose messages are records.
#[derive(Debug)]
pub(crate) struct RecordedBoard {
    pub(crate) next_index: u64,
    requests: u32,
    frames: FrameBuffer,
}

/// UTC of the host when its monotonic clock was at zero, in nanoseconds.
const UTC_AT_ZERO_NS: i64 = 1_790_000_000_000_000_000;

impl RecordedBoard {
    pub(crate) fn new() -> Self {
        Self {
            next_index: 0,
            requests: 0,
            frames: FrameBuffer::new(),
        }
    }

    /// The host's monotonic clock stands at the board's time.
    fn now_ns(&self) -> u64 {
        2_000_000_000 + self.next_index * 1_000_000
    }

    fn stamp(&self) -> Stamp {
        let monotonic_ns = self.now_ns();
        Stamp {
            monotonic_ns,
            utc_ns: UTC_AT_ZERO_NS + monotonic_ns as i64,
        }
    }

    pub(crate) fn received(&mut self, message: &FromBoard, key: bool) -> Record {
        let Stamp { monotonic_ns, utc_ns } = self.stamp();
        Record::Received {
            at_ns: monotonic_ns,
            utc_ns: key.then_some(utc_ns),
            bytes: self.frames.encode(message).unwrap().to_vec(),
        }
    }

    /// The port is opened, the board met and its time taken.
    pub(crate) fn begin(&mut self) -> Vec<Record> {
        let mut records = vec![
            Record::Opened {
                at: self.stamp(),
                port: "/dev/test".into(),
            },
            self.received(&FromBoard::Hello(hello(1)), true),
            self.received(&FromBoard::Health(health(0, false)), false),
        ];
        records.extend(self.exchange());
        records
    }

    pub(crate) fn exchange(&mut self) -> [Record; 2] {
        self.requests += 1;
        let at = self.stamp();
        let board = BoardTime::from_micros(at.monotonic_ns / 1000);
        let reply = TimeReply {
            number: self.requests,
            host_send_ns: at.monotonic_ns,
            board_receive: board,
            board_send: board,
        };
        [
            Record::TimeSent {
                number: self.requests,
                at,
            },
            self.received(&FromBoard::Time(reply), true),
        ]
    }

    /// The next twenty readings, and what comes beside them.
    pub(crate) fn block(&mut self) -> Vec<Record> {
        let time = BoardTime::from_micros(2_000_000 + self.next_index * 1000);
        let mut block = ReadingsBlock::new(self.next_index, time, 1000);
        for _ in 0..20 {
            let wave = (self.next_index * 7 % 200) as i32;
            let second = (self.next_index % 33 != 5).then_some(-wave);
            block
                .push([Some(800 + wave), second], self.next_index.is_multiple_of(100))
                .unwrap();
            self.next_index += 1;
        }
        let mut records = vec![self.received(&FromBoard::Readings(block), false)];
        if self.next_index.is_multiple_of(100) {
            records.push(self.received(&FromBoard::Slow(slow(time)), false));
        }
        if self.next_index.is_multiple_of(1000) {
            records.extend(self.exchange());
            records.push(Record::HostMark {
                at: self.stamp(),
                kind: HostMarkKind::Tap,
                label: format!("=J{}, \"left\"", self.next_index),
            });
        }
        records
    }

    /// The board has stopped.
    pub(crate) fn end(&mut self) -> Record {
        let next_index = self.next_index;
        self.received(&FromBoard::Health(health(next_index, false)), false)
    }
}

fn slow(time: BoardTime) -> SlowValues {
    let rail = RailCodes {
        latest: 122_880,
        lowest: 122_800,
        highest: 122_900,
    };
    SlowValues {
        time,
        rail: [Some(rail), None],
        thermistor: [ThermistorReading::Code(2048), ThermistorReading::Open],
        chip_temperature: [Some(3200), None],
    }
}
