//! A chunk's records in little room: the numbers in them are taken out and written each by its likelihood; what is left
//! is compressed as bytes. Put together again they are the same records, byte for byte.
//!
//! Readings of a supply's current are noise around a level; no general compressor sees through differences, checksums
//! and stuffing to that. A frame that this program would not have made exactly so, as a damaged one, is kept as it came.

mod bell;
mod body;
mod columns;
mod predictor;
mod putting_together;
mod range;
mod series;
mod step;
mod taking_apart;
#[cfg(test)]
mod tests;

use crate::recorder::Record;

use super::chunk::RAW_BYTES_MAX;
use putting_together::PuttingTogether;
use range::{RangeDecoder, RangeEncoder};
use step::Step;
use taking_apart::TakingApart;

/// A few hundred bytes a chunk: the highest levels that do not search for longer than they gain.
const COMPRESSION_LEVEL: i32 = 9;

/// Packs records.
///
/// # Errors
/// When the compressor fails.
pub(super) fn pack(records: &[Record]) -> std::io::Result<Vec<u8>> {
    let mut apart = TakingApart::default();
    for record in records {
        apart.take(record);
    }
    let mut encoder = RangeEncoder::new();
    if apart.columns.fit() {
        apart.columns.put(&mut encoder);
    } else {
        // A time that is years off: such a chunk is kept as it came.
        apart.steps = records.iter().cloned().map(Step::Record).collect();
    }
    let mut steps = Vec::new();
    for step in &apart.steps {
        steps.extend(postcard::to_stdvec(step).map_err(std::io::Error::other)?);
    }
    let stored = zstd::bulk::compress(&steps, COMPRESSION_LEVEL)?;
    let mut packed = Vec::with_capacity(8 + stored.len());
    packed.extend_from_slice(&(steps.len() as u32).to_le_bytes());
    packed.extend_from_slice(&(stored.len() as u32).to_le_bytes());
    packed.extend_from_slice(&stored);
    packed.extend(encoder.finish());
    Ok(packed)
}

/// Unpacks records.
///
/// # Errors
/// In words, when the bytes are not such records.
pub(super) fn unpack(packed: &[u8]) -> Result<Vec<Record>, String> {
    let none = || "it holds no records".to_owned();
    let (steps_bytes, rest) = packed.split_first_chunk::<4>().ok_or_else(none)?;
    let (stored_bytes, rest) = rest.split_first_chunk::<4>().ok_or_else(none)?;
    let steps_bytes = u32::from_le_bytes(*steps_bytes) as usize;
    if steps_bytes > 2 * RAW_BYTES_MAX {
        return Err("it claims more records than a chunk holds".into());
    }
    let stored_bytes = u32::from_le_bytes(*stored_bytes) as usize;
    let (stored, numbers) = rest.split_at_checked(stored_bytes).ok_or_else(none)?;
    let raw = zstd::bulk::decompress(stored, steps_bytes)
        .map_err(|error| format!("it does not decompress: {error}"))?;
    let mut steps: Vec<Step> = Vec::new();
    let mut rest = &raw[..];
    while !rest.is_empty() {
        let (step, after) =
            postcard::take_from_bytes(rest).map_err(|error| format!("it holds no record: {error}"))?;
        steps.push(step);
        rest = after;
    }
    // A code takes a byte on the wire at least.
    let counts = putting_together::counts(&steps, RAW_BYTES_MAX).ok_or_else(none)?;
    let columns = columns::Columns::take(counts, &mut RangeDecoder::new(numbers)).ok_or_else(none)?;
    let mut together = PuttingTogether::new(columns);
    for step in steps {
        together.take(step).ok_or_else(none)?;
    }
    Ok(together.finish())
}
