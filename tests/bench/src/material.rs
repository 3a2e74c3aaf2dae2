//! A board's stream at rest: two supply currents that scatter as the monitor chip's noise table says, and all that comes
//! beside them.

use rand::SeedableRng;
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

/// A stream: its records, and its codes for whoever packs these alone.
#[derive(Debug)]
pub struct Material {
    /// How the board was set.
    pub configure: Configure,
    /// As a collector would give them to the recorder.
    pub records: Vec<Record>,
    /// The codes, channel 1 and channel 2 in turn.
    pub codes: Vec<i32>,
    hello: Hello,
}

impl Material {
    /// `seconds` of a board that takes `rate` readings a second.
    ///
    /// # Panics
    /// When `rate` has no conversion time among those excerpted.
    #[must_use]
    pub fn new(rate: u32, seconds: u32) -> Self {
        let reading_period_us = 1_000_000 / rate;
        let configure = Configure {
            reading_period_us,
            conversion_time: Configure::quietest_conversion(reading_period_us),
            shunt_range: ShuntRange::Millivolts164,
        };
        let sigma = noise_codes(configure.conversion_time.micros());
        let noise = Normal::new(0.0, sigma).expect("a finite spread");
        let mut random = ChaCha8Rng::seed_from_u64(u64::from(rate));
        let mut maker = Maker {
            frames: FrameBuffer::new(),
            records: Vec::new(),
            codes: Vec::new(),
        };
        let hello = hello(&configure);
        maker.received(0, &FromBoard::Hello(hello.clone()), true);
        let per_block = (20_000 / reading_period_us).min(32);
        let block_us = u64::from(per_block * reading_period_us);
        let blocks = u64::from(seconds) * 1_000_000 / block_us;
        let mut next_second_us = 0;
        let mut next_slow_us = 100_000;
        let small = Normal::new(0.0, 1.5).expect("a finite spread");
        for number in 0..blocks {
            let now_us = number * block_us;
            if now_us >= next_second_us {
                maker.exchange(now_us, (now_us / 1_000_000) as u32);
                maker.received(
                    now_us,
                    &FromBoard::Health(health(now_us, number * u64::from(per_block))),
                    false,
                );
                next_second_us += 1_000_000;
            }
            let time = BoardTime::from_micros(now_us);
            let mut block = ReadingsBlock::new(number * u64::from(per_block), time, reading_period_us);
            for _ in 0..per_block {
                let codes = LEVELS.map(|level| (level + noise.sample(&mut random)).round() as i32);
                maker.codes.extend(codes);
                block
                    .push(codes.map(Some), false)
                    .expect("a block has room for as many");
            }
            maker.received(now_us + block_us, &FromBoard::Readings(block), false);
            if now_us + block_us >= next_slow_us {
                let mut scatter = || f64::round(small.sample(&mut random)) as i32;
                let slow = SlowValues {
                    time: BoardTime::from_micros(next_slow_us),
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
                };
                maker.received(now_us + block_us, &FromBoard::Slow(slow), false);
                next_slow_us += 100_000;
            }
        }
        Self {
            configure,
            records: maker.records,
            codes: maker.codes,
            hello,
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
        BoardIntroduction {
            port: "bench".into(),
            hello: self.hello.clone(),
            guard: None,
        }
    }

    /// A soak that is recorded with or without a row for every reading.
    #[must_use]
    pub fn plan(&self, full_rate: FullRate) -> RunPlan {
        RunPlan {
            kind: RunKind::Soak,
            configure: self.configure,
            full_rate,
            interval_us: 60_000_000,
        }
    }
}

struct Maker {
    frames: FrameBuffer,
    records: Vec<Record>,
    codes: Vec<i32>,
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

fn hello(configure: &Configure) -> Hello {
    let made = board::hello(configure.reading_period_us);
    Hello {
        board_serial: *b"material",
        channels: made.channels.map(|channel| ChannelDescription {
            shunt_micro_ohm: 50_000,
            conversion_time: configure.conversion_time,
            shunt_range: configure.shunt_range,
            ..channel
        }),
        ..made
    }
}

fn health(now_us: u64, next_index: u64) -> Health {
    Health {
        time: BoardTime::from_micros(now_us),
        ..board::health(next_index, true)
    }
}
