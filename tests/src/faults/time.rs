//! The host's clock set by hours, leap seconds, summer time kept wrongly, sleep; and a month in virtual time.
//!
//! Records are made as a station would make them, with a board whose crystal is off by a known amount and a host whose
//! clocks do what the fault says, and go through the interpreter that recording and replay share.

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use steadybench_host::recorder::{Record, Stamp};
use steadybench_host::stream::{HappeningKind, Output, Stream};
use steadybench_protocol::{BoardTime, FrameBuffer, FromBoard, Health, ReadingsBlock, TimeReply};

use super::{Outcome, random};
use crate::board::{health, hello};

/// UTC of the beginning: 2026-10-24T23:40:00Z, an hour and twenty minutes before summer time ends in Europe.
const BEGUN_UTC_NS: i64 = 1_792_885_200_000_000_000;

/// Readings in a block.
const PER_BLOCK: u64 = 20;

/// What happens to the host's clocks.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fault {
    /// The clock is set by so many seconds.
    Set { at_s: f64, by_s: f64 },
    /// The computer sleeps; its monotonic clock may stand still meanwhile, and the port may be lost.
    Sleep {
        at_s: f64,
        for_s: f64,
        monotonic_stands: bool,
        port_lost: bool,
    },
}

/// A board and a host with two clocks.
struct Made {
    period_us: u32,
    crystal_ppm: f64,
    fault: Option<Fault>,
    /// Board time at the beginning, and the index of the next reading.
    board_begun_us: u64,
    next_index: u64,
    begun_index: u64,
    requests: u32,
    frames: FrameBuffer,
}

impl Made {
    fn board_us(&self, true_s: f64) -> u64 {
        self.board_begun_us + (true_s * (1e6 + self.crystal_ppm)) as u64
    }

    /// When the next block is complete.
    fn block_s(&self) -> f64 {
        let board_s =
            (self.next_index + PER_BLOCK - self.begun_index) as f64 * f64::from(self.period_us) * 1e-6;
        board_s / (1.0 + self.crystal_ppm * 1e-6)
    }

    fn stamp(&self, true_s: f64) -> Stamp {
        let (mut utc_s, mut monotonic_s) = (true_s, true_s);
        match self.fault {
            Some(Fault::Set { at_s, by_s }) if true_s >= at_s => utc_s += by_s,
            Some(Fault::Sleep {
                at_s,
                for_s,
                monotonic_stands: true,
                ..
            }) => {
                monotonic_s -= (true_s - at_s).clamp(0.0, for_s);
            }
            _ => {}
        }
        Stamp {
            monotonic_ns: (monotonic_s * 1e9) as u64 + 1_000_000_000,
            utc_ns: BEGUN_UTC_NS + (utc_s * 1e9) as i64,
        }
    }

    fn received(&mut self, true_s: f64, message: &FromBoard, key: bool) -> Record {
        let Stamp { monotonic_ns, utc_ns } = self.stamp(true_s);
        Record::Received {
            at_ns: monotonic_ns,
            utc_ns: key.then_some(utc_ns),
            bytes: self
                .frames
                .encode(message)
                .expect("a frame buffer holds every message")
                .to_vec(),
        }
    }

    fn health(&mut self, true_s: f64, running: bool) -> Record {
        let health = Health {
            time: BoardTime::from_micros(self.board_us(true_s)),
            ..health(self.next_index, running)
        };
        self.received(true_s, &FromBoard::Health(health), false)
    }

    fn exchange(&mut self, true_s: f64) -> [Record; 2] {
        self.requests += 1;
        let sent = self.stamp(true_s);
        let reply = TimeReply {
            number: self.requests,
            host_send_ns: sent.monotonic_ns,
            board_receive: BoardTime::from_micros(self.board_us(true_s + 150e-6)),
            board_send: BoardTime::from_micros(self.board_us(true_s + 200e-6)),
        };
        [
            Record::TimeSent {
                number: self.requests,
                at: sent,
            },
            self.received(true_s + 350e-6, &FromBoard::Time(reply), true),
        ]
    }

    fn block(&mut self) -> Record {
        let since = self.next_index - self.begun_index;
        let time = BoardTime::from_micros(self.board_begun_us + since * u64::from(self.period_us));
        let mut block = ReadingsBlock::new(self.next_index, time, self.period_us);
        for index in self.next_index..self.next_index + PER_BLOCK {
            let code = 2_700 + (index % 7) as i32;
            block
                .push([Some(code), Some(code * 2)], false)
                .expect("a block holds its readings");
        }
        let true_s = self.block_s();
        self.next_index += PER_BLOCK;
        self.received(true_s, &FromBoard::Readings(block), false)
    }
}

/// What the interpreter gave.
#[derive(Debug, Default)]
struct Seen {
    readings: u64,
    lost: u64,
    clock_sets: u32,
    wrong_spacing: u64,
    worst_utc_s: f64,
    beyond_bound: u64,
    last_index: u64,
    last_elapsed_us: i64,
}

impl Seen {
    fn take(&mut self, made: &Made, output: &Output) {
        match output {
            Output::Reading(reading) => {
                let since = reading.index - made.begun_index;
                let wanted_us = (since * u64::from(made.period_us)) as i64;
                self.wrong_spacing += u64::from(reading.when.elapsed_us != Some(wanted_us));
                if let Some(instant) = reading.when.utc {
                    let true_s = wanted_us as f64 / (1e6 + made.crystal_ppm);
                    let truth_ns = i128::from(BEGUN_UTC_NS) + (true_s * 1e9) as i128;
                    let off_s = (instant.utc.as_nanosecond() - truth_ns) as f64 * 1e-9;
                    self.worst_utc_s = self.worst_utc_s.max(off_s.abs());
                    // Stamps and times have a resolution of 1 µs each.
                    self.beyond_bound += u64::from(off_s.abs() > instant.bound_s + 3e-6);
                }
                self.readings += 1;
                self.last_index = reading.index;
                self.last_elapsed_us = wanted_us;
            }
            Output::Gap(gap) => self.lost += gap.readings,
            Output::Happening(happening) => {
                self.clock_sets += u32::from(happening.kind == HappeningKind::HostClockSet);
            }
            _ => {}
        }
    }
}

/// Records `length_s` seconds.
fn play(made: &mut Made, length_s: f64, exchange_every_s: f64, mut progress: impl FnMut(f64)) -> Seen {
    let mut stream = Stream::new();
    let mut seen = Seen::default();
    let mut feed = |made: &Made, record: &Record, seen: &mut Seen| {
        stream.take(record, &mut |output| seen.take(made, &output));
    };
    let at = made.stamp(0.0);
    let hello = made.received(0.0, &FromBoard::Hello(hello(made.period_us)), true);
    let health = made.health(0.0, false);
    let opened = Record::Opened {
        at,
        port: "made".into(),
    };
    for record in [opened, hello, health] {
        feed(made, &record, &mut seen);
    }
    let mut next_exchange_s = 0.0;
    loop {
        let mut now_s = made.block_s();
        if now_s > length_s {
            break;
        }
        if let Some(Fault::Sleep {
            at_s,
            for_s,
            port_lost,
            ..
        }) = made.fault
            && (at_s..at_s + for_s).contains(&now_s)
        {
            let wake_s = at_s + for_s;
            if port_lost {
                let at = made.stamp(wake_s);
                let closed = Record::Closed {
                    at,
                    reason: "the device is gone".into(),
                };
                let opened = Record::Opened {
                    at,
                    port: "made".into(),
                };
                feed(made, &closed, &mut seen);
                feed(made, &opened, &mut seen);
            }
            // The board's buffer was full after a while, and it dropped what came then.
            while made.block_s() < wake_s {
                made.next_index += PER_BLOCK;
            }
            now_s = made.block_s();
        }
        if now_s >= next_exchange_s {
            for record in made.exchange(now_s - 0.001) {
                feed(made, &record, &mut seen);
            }
            next_exchange_s = now_s + exchange_every_s;
            progress(now_s);
        }
        let block = made.block();
        feed(made, &block, &mut seen);
    }
    let health = made.health(length_s, false);
    feed(made, &health, &mut seen);
    seen
}

fn draw(number: u64, random: &mut ChaCha8Rng) -> (&'static str, Fault) {
    let at_s = random.random_range(30.0..400.0);
    let hours = f64::from(random.random_range(1..6)) * 3_600.0;
    let set = |by_s| Fault::Set { at_s, by_s };
    match number % 6 {
        0 => ("set forward by hours", set(hours)),
        1 => ("set back by hours", set(-hours)),
        // A host that does not smear it repeats a second.
        2 => ("leap second", set(-1.0)),
        // A host that keeps local time as if it were UTC.
        3 => (
            "summer time",
            set(if random.random_bool(0.5) {
                3_600.0
            } else {
                -3_600.0
            }),
        ),
        kind => (
            "sleep of 20 min",
            Fault::Sleep {
                at_s,
                for_s: 1_200.0,
                monotonic_stands: kind == 4,
                port_lost: random.random_bool(0.5),
            },
        ),
    }
}

/// Throws `count` faults of the host's clocks, then lets a board run for `days`.
#[must_use]
pub fn run(seed: u64, count: u64, days: f64, mut progress: impl FnMut(u64)) -> Outcome {
    let mut outcome = Outcome::new(
        "time",
        "host clock set by hours, leap second, summer time, sleep, 30 days",
    );
    let mut random = random(seed);
    let (mut readings, mut lost, mut worst_s): (u64, u64, f64) = (0, 0, 0.0);
    for number in 0..count {
        progress(number);
        let (words, fault) = draw(number, &mut random);
        let mut made = Made {
            period_us: 1_000,
            crystal_ppm: random.random_range(-50.0..50.0),
            fault: Some(fault),
            board_begun_us: random.random_range(0..1 << 40),
            next_index: random.random_range(0..1 << 36),
            begun_index: 0,
            requests: 0,
            frames: FrameBuffer::new(),
        };
        made.begun_index = made.next_index;
        let length_s = if matches!(fault, Fault::Sleep { .. }) {
            1_800.0
        } else {
            600.0
        };
        let seen = play(&mut made, length_s, 1.0, |_| ());
        let taken = made.next_index - made.begun_index;
        let case = || format!("{words}, {fault:?}");
        outcome.require(seen.wrong_spacing == 0, || {
            format!(
                "{}: {} readings stand at another time",
                case(),
                seen.wrong_spacing
            )
        });
        outcome.require(seen.readings + seen.lost == taken, || {
            format!(
                "{}: {} read and {} lost are not {taken}",
                case(),
                seen.readings,
                seen.lost
            )
        });
        outcome.require(seen.beyond_bound * 100 <= seen.readings, || {
            format!(
                "{}: UTC of {} of {} readings is off by more than its bound, up to {} s",
                case(),
                seen.beyond_bound,
                seen.readings,
                seen.worst_utc_s
            )
        });
        let sets = u32::from(matches!(fault, Fault::Set { .. }));
        outcome.require(seen.clock_sets == sets, || {
            format!("{}: {} settings of the clock are told", case(), seen.clock_sets)
        });
        readings += seen.readings;
        lost += seen.lost;
        worst_s = worst_s.max(seen.worst_utc_s);
    }
    let month = month(days, &mut outcome);
    outcome.tried = format!(
        "{count} runs: clock set by up to 5 h either way, leap second, summer time, sleep of 20 min with and without the port; {month}"
    );
    outcome.lost = format!(
        "no reading at another time than its board's, of {readings}; {lost} that a board dropped while the computer slept, each counted; UTC off by {:.2} ms at most",
        worst_s * 1e3
    );
    outcome
}

/// A long run past every boundary of 32 bits: of the index, and of microseconds many times.
fn month(days: f64, outcome: &mut Outcome) -> String {
    let mut made = Made {
        period_us: 10_000,
        crystal_ppm: 31.0,
        fault: None,
        board_begun_us: u64::from(u32::MAX) - 60_000_000,
        next_index: u64::from(u32::MAX) - 400_000,
        begun_index: u64::from(u32::MAX) - 400_000,
        requests: 0,
        frames: FrameBuffer::new(),
    };
    let seen = play(&mut made, days * 86_400.0, 10.0, |_| ());
    let taken = made.next_index - made.begun_index;
    outcome.require(
        seen.wrong_spacing == 0 && seen.lost == 0 && seen.readings == taken,
        || {
            format!(
                "in {days} days {} of {taken} readings came, {} at another time",
                seen.readings, seen.wrong_spacing
            )
        },
    );
    outcome.require(seen.last_index > u64::from(u32::MAX), || {
        "the index did not pass 32 bits".into()
    });
    outcome.require(seen.beyond_bound * 100 <= seen.readings, || {
        format!(
            "in {days} days UTC of {} readings is off by more than its bound",
            seen.beyond_bound
        )
    });
    format!(
        "{days} days at 100/s in virtual time, index from {} to {}, the last of {} readings at {:.2} s",
        made.begun_index,
        seen.last_index,
        seen.readings,
        seen.last_elapsed_us as f64 * 1e-6
    )
}
