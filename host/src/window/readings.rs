//! Single readings of a stretch, from the chunks of `wire.log` that hold them.

use std::path::Path;

use steadybench_protocol::ThermistorReading;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::link::{Received, Receiver};
use crate::recorder::Record;
use crate::recorder::wire_log::{LogItem, LogReader};

use super::sheet::{Head, SlowRow};

/// What a stretch of a recording holds.
pub(super) trait Sink {
    /// A reading.
    fn reading(&mut self, elapsed_us: i64, codes: [Option<i32>; 2]);
    /// Slow values.
    fn slow(&mut self, elapsed_us: i64, row: &SlowRow);
    /// What follows is of another start of the board, and passed over.
    fn other_start(&mut self) {}
}

/// Reads the chunks from that of `head` on, up to the one that begins at `last_offset` and with it; to the end when there
/// is none. Gives what the board read after the start that `head` is of, and nothing of any other.
///
/// # Errors
/// When the file cannot be read.
pub(super) fn read_stretch(
    log: &Path,
    head: &Head,
    last_offset: Option<u64>,
    sink: &mut impl Sink,
) -> Result<(), Fault> {
    let fault = |rule| Fault::new(Exit::BadInput, log.display().to_string(), rule);
    let mut reader = LogReader::open_at(log, head.wire_offset)?;
    let mut receiver = Receiver::new();
    let mut is_ours = !head.begins_boot;
    let mut measures = !head.begins_readings;
    while last_offset.is_none_or(|last| reader.position() <= last) {
        let Some(item) = reader.next_item().map_err(fault)? else {
            break;
        };
        let LogItem::Chunk { records, .. } = item else {
            receiver.reset_frame();
            continue;
        };
        for record in &records {
            match record {
                Record::Received { bytes, .. } => {
                    let mut input = &bytes[..];
                    while let Some(received) = receiver.next(&mut input) {
                        match &received {
                            Received::Hello { hello, .. } => {
                                let was_ours = is_ours;
                                is_ours = hello.boot_nonce == head.boot_nonce;
                                if was_ours && !is_ours {
                                    sink.other_start();
                                }
                            }
                            _ if is_ours => {
                                measures |= matches!(received, Received::Block { .. });
                                if measures {
                                    give(&received, head.board_less_run_us, sink);
                                }
                            }
                            _ => {}
                        }
                    }
                }
                Record::Lost | Record::Opened { .. } => receiver.reset_frame(),
                _ => {}
            }
        }
    }
    Ok(())
}

fn give(received: &Received, board_less_run_us: i64, sink: &mut impl Sink) {
    let elapsed = |board_us: u64| {
        i64::try_from(board_us)
            .unwrap_or(i64::MAX)
            .wrapping_sub(board_less_run_us)
    };
    match received {
        Received::Block { block, .. } => {
            for position in 0..block.len() {
                sink.reading(elapsed(block.time(position).as_micros()), block.codes(position));
            }
        }
        Received::Slow(slow) => {
            let row = SlowRow {
                after_us: 0,
                rail: slow
                    .rail
                    .map(|rail| rail.map(|codes| [codes.lowest, codes.highest])),
                thermistor: slow.thermistor.map(|reading| match reading {
                    ThermistorReading::Code(code) => Some(code),
                    _ => None,
                }),
            };
            sink.slow(elapsed(slow.time.as_micros()), &row);
        }
        _ => {}
    }
}
