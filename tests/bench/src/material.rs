//! A board's stream at rest: two supply currents that scatter as the monitor chip's noise table says, and all that comes
//! beside them.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use steadybench_host::clock::HostTime;
use steadybench_host::recorder::{BoardIntroduction, FullRate, Record, RunKind, RunPlan};
use steadybench_protocol::{
    BoardTime, ChannelDescription, Configure, FrameBuffer, FromBoard, Health, Hello, RailCodes,
    ReadingsBlock, ShuntRange, SlowValues, ThermistorReading, TimeReply,
};
use steadybench_tests::board;

/// UTC at which the stream begins, in nanoseconds since 1970.
const BEGUN_UTC_NS: i64 = 1_790_000_000_000_000_000;

/// Codes of the two currents at rest: 90 mA and 268 mA in 50 mΩ.
const LEVELS: [f64; 2] = [14_400.0, 42_870.0];

/// Noise-free bits at one conversion, range ±163.84 mV: TI SLYS021A, table 8-2.
const NOISE_FREE_BITS: [(u32, f64); 3] = [(540, 14.2), (150, 13.3), (50, 12.4)];

/// Noise from peak to peak is 6.6 standard deviations (common practice, no source).
const PEAK_TO_PEAK: f64 = 6.6;

/// Standard deviation of a code at this conversion time, in codes of 20 bits.
///
/// # Panics
/// For a conversion time that is not among those excerpted.
#[must_use]
pub fn noise_codes(conversion_us: u32) -> f64 {
    let (_, bits) = NOISE_FREE_BITS
        .iter()
        .find(|(us, _)| *us == conversion_us)
        .expect("one of the excerpted conversion times");
    2_f64.powf(20.0 - bits) / PEAK_TO_PEAK
}

/// What is added to the noise.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Course {
    /// Channel 1 begins so much above its level, as a part of it, and settles in [`Self::time_constant_s`].
    pub warm_up: f64,
    /// Seconds; without meaning where nothing settles.
    pub time_constant_s: f64,
    /// Dropouts of channel 1, for 5 ms to a tenth of its current, an hour; at random instants.
    pub dropouts_per_hour: f64,
}

/// How long a dropout lasts, in microseconds.
const DROPOUT_US: u64 = 5_000;

/// A board's stream, made as it is asked for: it takes no more room for a week than for a minute.
#[derive(Debug)]
pub struct BoardStream {
    configure: Configure,
    course: Course,
    board_serial: [u8; 8],
    maker: Maker,
    random: ChaCha8Rng,
    noise: Normal<f64>,
    per_block: u32,
    block: u64,
    blocks: u64,
    next_second_us: u64,
    next_slow_us: u64,
    dropout_until_us: u64,
}

/// What a block of readings brought.
#[derive(Debug)]
pub struct Piece {
    /// As a collector would give them to the recorder.
    pub records: Vec<Record>,
    /// The codes, channel 1 and channel 2 in turn.
    pub codes: Vec<i32>,
}

impl BoardStream {
    /// `seconds` of a board that takes `rate` readings a second.
    ///
    /// # Panics
    /// When `rate` has no conversion time among those excerpted.
    #[must_use]
    pub fn new(rate: u32, seconds: u64, course: Course) -> Self {
        let reading_period_us = 1_000_000 / rate;
        let configure = Configure {
            reading_period_us,
            conversion_time: Configure::quietest_conversion(reading_period_us),
            shunt_range: ShuntRange::Millivolts164,
        };
        let sigma = noise_codes(configure.conversion_time.micros());
        let per_block = (20_000 / reading_period_us).min(32);
        let block_us = u64::from(per_block * reading_period_us);
        Self {
            configure,
            course,
            board_serial: *b"material",
            maker: Maker {
                frames: FrameBuffer::new(),
                records: Vec::new(),
            },
            random: ChaCha8Rng::seed_from_u64(u64::from(rate)),
            noise: Normal::new(0.0, sigma).expect("a finite spread"),
            per_block,
            block: 0,
            blocks: seconds * 1_000_000 / block_us,
            next_second_us: 0,
            next_slow_us: 100_000,
            dropout_until_us: 0,
        }
    }

    /// The same of another board: of another serial number, and with other noise.
    #[must_use]
    pub fn of_board(mut self, number: u8) -> Self {
        self.board_serial = *b"material";
        self.board_serial[7] ^= number;
        self.random.set_stream(u64::from(number));
        self
    }

    /// The board, as the recorder is to know it.
    #[must_use]
    pub fn introduction(&self) -> BoardIntroduction {
        BoardIntroduction {
            port: "bench".into(),
            hello: self.hello(),
            guard: None,
        }
    }

    fn hello(&self) -> Hello {
        let configure = self.configure;
        let made = board::hello(configure.reading_period_us);
        Hello {
            board_serial: self.board_serial,
            channels: made.channels.map(|channel| ChannelDescription {
                shunt_micro_ohm: 50_000,
                conversion_time: configure.conversion_time,
                shunt_range: configure.shunt_range,
                ..channel
            }),
            ..made
        }
    }

    /// A soak that is recorded with or without a row for every reading.
    #[must_use]
    pub const fn plan(&self, full_rate: FullRate) -> RunPlan {
        RunPlan {
            kind: RunKind::Soak,
            configure: self.configure,
            full_rate,
            interval_us: 60_000_000,
        }
    }

    /// A pair of codes at this time.
    fn codes(&mut self, at_us: u64) -> [i32; 2] {
        let course = self.course;
        let mut levels = LEVELS;
        if course.warm_up > 0.0 {
            levels[0] *= 1.0 + course.warm_up * (-(at_us as f64) / 1e6 / course.time_constant_s).exp();
        }
        if course.dropouts_per_hour > 0.0 {
            let chance = course.dropouts_per_hour * f64::from(self.configure.reading_period_us) / 3.6e9;
            if self.random.random_bool(chance) {
                self.dropout_until_us = at_us + DROPOUT_US;
            }
            if at_us < self.dropout_until_us {
                levels[0] *= 0.1;
            }
        }
        levels.map(|level| (level + self.noise.sample(&mut self.random)).round() as i32)
    }

    /// Slow values that scatter a little about a rail of 24 V and a bench at room temperature.
    fn slow(&mut self, time_us: u64) -> SlowValues {
        let small = Normal::new(0.0, 1.5).expect("a finite spread");
        let random = &mut self.random;
        let mut scatter = || f64::round(small.sample(random)) as i32;
        SlowValues {
            time: BoardTime::from_micros(time_us),
            rail: [0, 1].map(|_| {
                let latest = 122_880_u32.saturating_add_signed(scatter());
                Some(RailCodes {
                    latest,
                    lowest: latest - scatter().unsigned_abs(),
                    highest: latest + scatter().unsigned_abs(),
                })
            }),
            thermistor: [0, 1]
                .map(|_| ThermistorReading::Code(2048_u16.saturating_add_signed(scatter() as i16))),
            chip_temperature: [0, 1].map(|_| Some(3200 + scatter() as i16 / 2)),
        }
    }
}

impl Iterator for BoardStream {
    type Item = Piece;

    fn next(&mut self) -> Option<Piece> {
        if self.block == self.blocks {
            return None;
        }
        let reading_period_us = self.configure.reading_period_us;
        let block_us = u64::from(self.per_block * reading_period_us);
        let now_us = self.block * block_us;
        let index = self.block * u64::from(self.per_block);
        if self.block == 0 {
            let hello = FromBoard::Hello(self.hello());
            self.maker.received(0, &hello, true);
        }
        if now_us >= self.next_second_us {
            self.maker.exchange(now_us, (now_us / 1_000_000) as u32);
            self.maker
                .received(now_us, &FromBoard::Health(health(now_us, index)), false);
            self.next_second_us += 1_000_000;
        }
        let mut block = ReadingsBlock::new(index, BoardTime::from_micros(now_us), reading_period_us);
        let mut all = Vec::with_capacity(self.per_block as usize * 2);
        for number in 0..self.per_block {
            let codes = self.codes(now_us + u64::from(number * reading_period_us));
            all.extend(codes);
            block
                .push(codes.map(Some), false)
                .expect("a block has room for as many");
        }
        self.maker
            .received(now_us + block_us, &FromBoard::Readings(block), false);
        if now_us + block_us >= self.next_slow_us {
            let slow = self.slow(self.next_slow_us);
            self.maker
                .received(now_us + block_us, &FromBoard::Slow(slow), false);
            self.next_slow_us += 100_000;
        }
        self.block += 1;
        Some(Piece {
            records: std::mem::take(&mut self.maker.records),
            codes: all,
        })
    }
}

/// A stream at rest, whole in memory: its records, and its codes for whoever packs these alone.
#[derive(Debug)]
pub struct Material {
    /// As a collector would give them to the recorder.
    pub records: Vec<Record>,
    /// The codes, channel 1 and channel 2 in turn.
    pub codes: Vec<i32>,
    stream: BoardStream,
}

impl Material {
    /// `seconds` of a board that takes `rate` readings a second.
    ///
    /// # Panics
    /// As [`BoardStream::new`].
    #[must_use]
    pub fn new(rate: u32, seconds: u32) -> Self {
        let mut stream = BoardStream::new(rate, u64::from(seconds), Course::default());
        let mut records = Vec::new();
        let mut codes = Vec::new();
        for piece in &mut stream {
            records.extend(piece.records);
            codes.extend(piece.codes);
        }
        Self {
            records,
            codes,
            stream,
        }
    }

    /// Reading instants of both channels.
    #[must_use]
    pub fn instants(&self) -> usize {
        self.codes.len() / 2
    }

    /// The bytes of all frames, as a line would carry them.
    #[must_use]
    pub fn bytes(&self) -> Vec<u8> {
        self.records
            .iter()
            .filter_map(|record| match record {
                Record::Received { bytes, .. } => Some(&bytes[..]),
                _ => None,
            })
            .flatten()
            .copied()
            .collect()
    }

    /// The board, as the recorder is to know it.
    #[must_use]
    pub fn introduction(&self) -> BoardIntroduction {
        self.stream.introduction()
    }

    /// A soak that is recorded with or without a row for every reading.
    #[must_use]
    pub const fn plan(&self, full_rate: FullRate) -> RunPlan {
        self.stream.plan(full_rate)
    }
}

#[derive(Debug)]
struct Maker {
    frames: FrameBuffer,
    records: Vec<Record>,
}

impl Maker {
    fn host_time(now_us: u64) -> HostTime {
        // A line is read a little later, and never twice the same.
        let monotonic_ns = 5_000_000_000 + now_us * 1000 + 300_000 + now_us * 7919 % 400_000;
        HostTime {
            utc_ns: BEGUN_UTC_NS + monotonic_ns as i64,
            monotonic_ns,
        }
    }

    fn received(&mut self, now_us: u64, message: &FromBoard, key: bool) {
        let frame = self
            .frames
            .encode(message)
            .expect("a message fits its frame")
            .to_vec();
        self.records
            .push(Record::received(Self::host_time(now_us), frame, key));
    }

    fn exchange(&mut self, now_us: u64, number: u32) {
        let at = Self::host_time(now_us.saturating_sub(600));
        self.records.push(Record::TimeSent {
            number,
            at: at.into(),
        });
        let reply = TimeReply {
            number,
            host_send_ns: at.monotonic_ns,
            board_receive: BoardTime::from_micros(now_us),
            board_send: BoardTime::from_micros(now_us + 20),
        };
        self.received(now_us, &FromBoard::Time(reply), true);
    }
}

fn health(now_us: u64, next_index: u64) -> Health {
    Health {
        time: BoardTime::from_micros(now_us),
        ..board::health(next_index, true)
    }
}
