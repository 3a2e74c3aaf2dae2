//! One sheet of `extremes.bin`: some seconds of a run in short bins. `EXTREMES.md` is the specification.

use serde::{Deserialize, Serialize};

use crate::stream::{Output, Reading, When};
use crate::units::{SlowQuantities, Units};

/// First bytes of a file.
const FILE_MAGIC: [u8; 8] = *b"STDYXTRM";

/// Version of the format.
const FORMAT_VERSION: u16 = 1;

/// Bytes of the file header.
pub const FILE_HEADER_BYTES: usize = 12;

/// First bytes of a sheet.
const MARKER: [u8; 4] = *b"XTRM";

/// Bytes of a sheet's head.
pub const HEAD_BYTES: usize = 56;

/// Readings of a bin when none is missing.
pub const READINGS_PER_BIN: i64 = 16;

/// Bins of a sheet.
pub const BINS: usize = 256;

/// Bins of a group.
pub const GROUP: usize = 16;

/// Most bytes of a payload: what 256 bins and the slow values beside them can take.
const PAYLOAD_BYTES_MAX: usize = 1 << 20;

/// Slow values waiting for their sheet; more than these can wait only when no readings come.
const SLOW_WAITING_MAX: usize = 1_024;

/// Lowest and highest code; lowest above highest says that there is none.
pub type Ends = [i32; 2];

/// No reading.
pub const NONE: Ends = [i32::MAX, i32::MIN];

/// Widens `ends` by others.
pub fn widen(ends: &mut Ends, by: Ends) {
    ends[0] = ends[0].min(by[0]);
    ends[1] = ends[1].max(by[1]);
}

/// The header of a file.
#[must_use]
pub fn file_header() -> [u8; FILE_HEADER_BYTES] {
    let mut header = [0; FILE_HEADER_BYTES];
    header[..8].copy_from_slice(&FILE_MAGIC);
    header[8..10].copy_from_slice(&FORMAT_VERSION.to_le_bytes());
    header
}

/// What stands before a sheet's payload.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Head {
    /// Bytes of the payload.
    pub payload_bytes: u32,
    /// Number of the first bin.
    pub first_bin: i64,
    /// Microseconds of a bin.
    pub bin_us: u32,
    /// Where in `wire.log` the chunk begins that holds the first reading.
    pub wire_offset: u64,
    /// Board time less the run's time, in microseconds.
    pub board_less_run_us: i64,
    /// The run's time of the last reading, in microseconds.
    pub last_us: i64,
    /// The nonce of the board's start that its readings are of.
    pub boot_nonce: u32,
    /// Whether that start's hello stands in the same chunk: then what is before the hello is another's.
    pub begins_boot: bool,
    /// Whether that start's first reading stands in the same chunk: slow values before it are none of the run's.
    pub begins_readings: bool,
}

impl Head {
    /// Reads a sheet whose bytes are at the front of `bytes`; `None` when there is no whole one.
    #[must_use]
    pub fn read(bytes: &[u8]) -> Option<(Self, &[u8])> {
        let head = bytes.first_chunk::<HEAD_BYTES>()?;
        let word = |at: usize| u32::from_le_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
        let long = |at: usize| i64::from_le_bytes(std::array::from_fn(|place| head[at + place]));
        let this = Self {
            payload_bytes: word(4),
            first_bin: long(8),
            bin_us: word(16),
            wire_offset: long(20).cast_unsigned(),
            board_less_run_us: long(28),
            last_us: long(36),
            boot_nonce: word(44),
            begins_boot: word(48) & 1 != 0,
            begins_readings: word(48) & 2 != 0,
        };
        let legal =
            head[..4] == MARKER && this.payload_bytes as usize <= PAYLOAD_BYTES_MAX && this.bin_us > 0;
        let payload = bytes.get(HEAD_BYTES..HEAD_BYTES + this.payload_bytes as usize)?;
        (legal && crc(&head[..52], payload) == word(52)).then_some((this, payload))
    }

    /// Where it begins and ends, in microseconds of the run.
    #[must_use]
    pub fn span_us(&self) -> (i64, i64) {
        let bin_us = i64::from(self.bin_us);
        let first_us = self.first_bin.saturating_mul(bin_us);
        (first_us, first_us.saturating_add(BINS as i64 * bin_us))
    }

    pub(super) fn write(&self, payload: &[u8]) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(HEAD_BYTES + payload.len());
        bytes.extend_from_slice(&MARKER);
        bytes.extend_from_slice(&self.payload_bytes.to_le_bytes());
        bytes.extend_from_slice(&self.first_bin.to_le_bytes());
        bytes.extend_from_slice(&self.bin_us.to_le_bytes());
        bytes.extend_from_slice(&self.wire_offset.to_le_bytes());
        bytes.extend_from_slice(&self.board_less_run_us.to_le_bytes());
        bytes.extend_from_slice(&self.last_us.to_le_bytes());
        bytes.extend_from_slice(&self.boot_nonce.to_le_bytes());
        bytes.extend_from_slice(
            &(u32::from(self.begins_boot) | u32::from(self.begins_readings) << 1).to_le_bytes(),
        );
        let crc = crc(&bytes, payload);
        bytes.extend_from_slice(&crc.to_le_bytes());
        bytes.extend_from_slice(payload);
        bytes
    }
}

fn crc(head: &[u8], payload: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(head);
    hasher.update(payload);
    hasher.finalize()
}

/// Extremes of both channels in a row of bins, as they are written.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Extents {
    channels: [ChannelExtents; 2],
}

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct ChannelExtents {
    spreads: Vec<u32>,
    steps: Vec<i32>,
}

impl Extents {
    fn of(bins: &[[Ends; 2]]) -> Self {
        let channels = [0, 1].map(|channel: usize| {
            let mut extents = ChannelExtents::default();
            let mut before = 0_i32;
            for [low, high] in bins.iter().map(|bin| bin[channel]) {
                if low > high {
                    extents.spreads.push(0);
                    continue;
                }
                extents
                    .spreads
                    .push(high.wrapping_sub(low).cast_unsigned().saturating_add(1));
                extents.steps.push(low.wrapping_sub(before));
                before = low;
            }
            extents
        });
        Self { channels }
    }

    /// Visits every bin that has readings: its place, the channel, its extremes.
    pub fn each(&self, mut visit: impl FnMut(usize, usize, Ends)) {
        for (channel, extents) in self.channels.iter().enumerate() {
            let mut steps = extents.steps.iter();
            let mut low = 0_i32;
            for (place, &spread) in extents.spreads.iter().enumerate() {
                if spread > 0
                    && let Some(step) = steps.next()
                {
                    low = low.wrapping_add(*step);
                    visit(place, channel, [low, low.wrapping_add_unsigned(spread - 1)]);
                }
            }
        }
    }
}

/// Slow values at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SlowRow {
    /// Microseconds after the sheet's beginning; slow values that came late lie before it.
    pub after_us: i64,
    /// Lowest and highest rail code since the slow values before, for each channel.
    pub rail: [Option<[u32; 2]>; 2],
    /// Thermistors.
    pub thermistor: [Option<u16>; 2],
}

/// What a payload holds, in the order it is written.
pub struct Payload<'a>(&'a [u8]);

impl<'a> Payload<'a> {
    /// Of a sheet that was found whole.
    #[must_use]
    pub const fn new(payload: &'a [u8]) -> Self {
        Self(payload)
    }

    /// Extremes in groups of bins, and the slow values; then, where `bins` are asked for, the extremes in bins.
    #[must_use]
    pub fn read(&self, bins: bool) -> Option<(Extents, Vec<SlowRow>, Option<Extents>)> {
        let (groups, rest) = postcard::take_from_bytes(self.0).ok()?;
        let (slow, rest) = postcard::take_from_bytes(rest).ok()?;
        let bins = if bins {
            Some(postcard::from_bytes(rest).ok()?)
        } else {
            None
        };
        Some((groups, slow, bins))
    }
}

/// Makes sheets of what a stream gives.
#[derive(Debug)]
pub struct SheetWriter {
    bin_us: u32,
    units: Option<Units>,
    boot: Option<Boot>,
    open: Option<Open>,
    slow_waiting: Vec<(i64, SlowRow)>,
}

/// The board's present start, and the chunks of its first hello and its first reading.
#[derive(Clone, Copy, Debug)]
struct Boot {
    nonce: u32,
    hello_offset: u64,
    reading_offset: Option<u64>,
}

#[derive(Debug)]
struct Open {
    head: Head,
    bins: Vec<[Ends; 2]>,
}

impl SheetWriter {
    /// For readings that are so far apart.
    #[must_use]
    pub fn new(reading_period_us: u32) -> Self {
        Self {
            bin_us: reading_period_us.max(1).saturating_mul(READINGS_PER_BIN as u32),
            units: None,
            boot: None,
            open: None,
            slow_waiting: Vec::new(),
        }
    }

    /// Takes what the stream gave of a chunk that begins at `wire_offset`; sheets that are full go to `out`.
    pub fn take(&mut self, output: &Output, wire_offset: u64, out: &mut Vec<u8>) {
        match output {
            Output::Board { hello, units } => {
                self.units = Some(*units);
                if self.boot.is_none_or(|boot| boot.nonce != hello.boot_nonce) {
                    self.boot = Some(Boot {
                        nonce: hello.boot_nonce,
                        hello_offset: wire_offset,
                        reading_offset: None,
                    });
                }
            }
            Output::Reading(reading) => self.take_reading(reading, wire_offset, out),
            Output::Slow { when, slow } => self.take_slow(*when, slow),
            Output::Gap(_) | Output::Mark(_) | Output::Happening(_) | Output::Health(_) => {}
        }
    }

    fn take_reading(&mut self, reading: &Reading, wire_offset: u64, out: &mut Vec<u8>) {
        let (Some(elapsed_us), Some(boot)) = (reading.when.elapsed_us, &mut self.boot) else {
            return;
        };
        let reading_offset = *boot.reading_offset.get_or_insert(wire_offset);
        let boot = *boot;
        let board_us = i64::try_from(reading.board.as_micros()).unwrap_or(i64::MAX);
        let board_less_run_us = board_us.wrapping_sub(elapsed_us);
        let bin = elapsed_us.div_euclid(i64::from(self.bin_us));
        let first_bin = bin - bin.rem_euclid(BINS as i64);
        let fits = self.open.as_ref().is_some_and(|open| {
            let head = &open.head;
            head.first_bin == first_bin
                && head.board_less_run_us == board_less_run_us
                && head.boot_nonce == boot.nonce
        });
        if !fits {
            self.close(out);
            self.open = Some(Open {
                head: Head {
                    payload_bytes: 0,
                    first_bin,
                    bin_us: self.bin_us,
                    wire_offset,
                    board_less_run_us,
                    last_us: elapsed_us,
                    boot_nonce: boot.nonce,
                    begins_boot: boot.hello_offset == wire_offset,
                    begins_readings: reading_offset == wire_offset,
                },
                bins: vec![[NONE; 2]; BINS],
            });
        }
        let Some(open) = &mut self.open else { return };
        open.head.last_us = elapsed_us;
        let place = usize::try_from(bin - first_bin).unwrap_or(0);
        for (ends, code) in open.bins[place].iter_mut().zip(reading.codes) {
            if let Some(code) = code {
                widen(ends, [code; 2]);
            }
        }
    }

    fn take_slow(&mut self, when: When, slow: &SlowQuantities) {
        let (Some(elapsed_us), Some(units)) = (when.elapsed_us, &self.units) else {
            return;
        };
        if self.slow_waiting.len() == SLOW_WAITING_MAX {
            self.slow_waiting.remove(0);
        }
        self.slow_waiting.push((elapsed_us, slow_row(slow, units)));
    }

    /// Closes the sheet in progress into `out`.
    pub fn close(&mut self, out: &mut Vec<u8>) {
        let Some(Open { mut head, bins }) = self.open.take() else {
            return;
        };
        let (first_us, end_us) = head.span_us();
        let mut slow: Vec<SlowRow> = Vec::new();
        self.slow_waiting.retain(|(elapsed_us, row)| {
            let belongs = *elapsed_us < end_us;
            if belongs {
                slow.push(SlowRow {
                    after_us: elapsed_us - first_us,
                    ..*row
                });
            }
            !belongs
        });
        let groups: Vec<[Ends; 2]> = bins
            .chunks(GROUP)
            .map(|group| {
                group.iter().fold([NONE; 2], |mut all, bin| {
                    widen(&mut all[0], bin[0]);
                    widen(&mut all[1], bin[1]);
                    all
                })
            })
            .collect();
        // Writing to memory fails for nothing there is here.
        let mut payload = postcard::to_stdvec(&Extents::of(&groups)).unwrap_or_default();
        payload.extend(postcard::to_stdvec(&slow).unwrap_or_default());
        payload.extend(postcard::to_stdvec(&Extents::of(&bins)).unwrap_or_default());
        head.payload_bytes = payload.len() as u32;
        out.extend(head.write(&payload));
    }
}

/// Slow values as codes. Their rails were made from codes, so this gives the codes back.
pub(super) fn slow_row(slow: &SlowQuantities, units: &Units) -> SlowRow {
    let rail = [0, 1].map(|channel: usize| {
        let step_v = units.channels[channel].rail_v(1);
        slow.rail_v[channel].map(|[_, low, high]| [low, high].map(|rail_v| (rail_v / step_v).round() as u32))
    });
    SlowRow {
        after_us: 0,
        rail,
        thermistor: slow.thermistor_code,
    }
}
