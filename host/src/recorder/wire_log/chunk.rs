//! One chunk of `wire.log`: the records of at most half a second, compressed, behind a header that proves them whole.
//! `WIRE_LOG.md` is the specification.

use super::packed;
use super::record::Record;

/// First bytes of a file: a name, then the format's version.
pub const FILE_MAGIC: [u8; 8] = *b"STDYWIRE";

/// Version of the format that this program writes. It reads version 1 too.
pub const FORMAT_VERSION: u16 = 2;

/// The first version: the records in postcard, compressed as bytes.
pub(super) const FORMAT_VERSION_1: u16 = 1;

/// Bytes of the file header.
pub(crate) const FILE_HEADER_BYTES: usize = 12;

/// First bytes of a chunk, by which the next whole one is found after damage.
pub(crate) const CHUNK_MARKER: [u8; 4] = *b"CHNK";

/// Bytes of a chunk's header.
pub(crate) const CHUNK_HEADER_BYTES: usize = 28;

/// Most bytes of records in one chunk; a header that claims more is no header.
pub(crate) const RAW_BYTES_MAX: usize = 1 << 20;

/// Most bytes of a chunk's payload: what does not compress grows by a little.
pub(crate) const STORED_BYTES_MAX: usize = RAW_BYTES_MAX + (RAW_BYTES_MAX >> 8) + 1024;

/// UTC that is not known.
pub(crate) const UTC_UNKNOWN: i64 = i64::MIN;

/// The header of a chunk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ChunkHeader {
    /// Counts the chunks from zero.
    pub sequence: u32,
    /// Bytes of the payload.
    pub stored_bytes: u32,
    /// Bytes of the records before compression.
    pub raw_bytes: u32,
    /// UTC of the last reading in it, in microseconds since 1970; `None` when not known.
    pub until_utc_us: Option<i64>,
    crc: u32,
}

/// The header of a file.
#[must_use]
pub fn file_header() -> [u8; FILE_HEADER_BYTES] {
    let mut header = [0; FILE_HEADER_BYTES];
    header[..8].copy_from_slice(&FILE_MAGIC);
    header[8..10].copy_from_slice(&FORMAT_VERSION.to_le_bytes());
    header[10..].copy_from_slice(&steadybench_protocol::PROTOCOL_VERSION.to_le_bytes());
    header
}

/// Makes a chunk of records, which have `raw_bytes` together in postcard by [`record_bytes`].
///
/// # Errors
/// When the compressor fails, or the records are longer than a chunk may be.
pub fn seal(
    sequence: u32,
    records: &[Record],
    raw_bytes: usize,
    until_utc_us: Option<i64>,
) -> std::io::Result<Vec<u8>> {
    let stored = packed::pack(records)?;
    if raw_bytes > RAW_BYTES_MAX || stored.len() > STORED_BYTES_MAX {
        return Err(std::io::Error::other("more records than one chunk holds"));
    }
    let mut chunk = Vec::with_capacity(CHUNK_HEADER_BYTES + stored.len());
    chunk.extend_from_slice(&CHUNK_MARKER);
    chunk.extend_from_slice(&sequence.to_le_bytes());
    chunk.extend_from_slice(&(stored.len() as u32).to_le_bytes());
    chunk.extend_from_slice(&(raw_bytes as u32).to_le_bytes());
    chunk.extend_from_slice(&until_utc_us.unwrap_or(UTC_UNKNOWN).to_le_bytes());
    let crc = checksum(&chunk, &stored);
    chunk.extend_from_slice(&crc.to_le_bytes());
    chunk.extend_from_slice(&stored);
    Ok(chunk)
}

/// Bytes of a record in postcard.
#[must_use]
pub fn record_bytes(record: &Record) -> usize {
    // Counting fails for no record there is.
    postcard::experimental::serialized_size(record).unwrap_or(0)
}

/// CRC-32/ISO-HDLC over the header before it and the payload behind it.
fn checksum(header: &[u8], payload: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(header);
    hasher.update(payload);
    hasher.finalize()
}

impl ChunkHeader {
    /// Reads a header; `None` when these bytes cannot be one.
    #[must_use]
    pub fn read(bytes: &[u8; CHUNK_HEADER_BYTES]) -> Option<Self> {
        let word = |at: usize| u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]]);
        let until = i64::from_le_bytes(bytes[16..24].try_into().ok()?);
        let header = Self {
            sequence: word(4),
            stored_bytes: word(8),
            raw_bytes: word(12),
            until_utc_us: (until != UTC_UNKNOWN).then_some(until),
            crc: word(24),
        };
        let legal = bytes[..4] == CHUNK_MARKER
            && header.stored_bytes as usize <= STORED_BYTES_MAX
            && header.raw_bytes as usize <= RAW_BYTES_MAX;
        legal.then_some(header)
    }

    /// Whether `payload` is the one this header was written for; `bytes` are the header's own.
    #[must_use]
    pub fn proves(&self, bytes: &[u8; CHUNK_HEADER_BYTES], payload: &[u8]) -> bool {
        payload.len() == self.stored_bytes as usize && checksum(&bytes[..24], payload) == self.crc
    }

    /// The records of a payload that the header has proved, in a file of this version of the format.
    ///
    /// # Errors
    /// In words, when the payload is not what the header says it is all the same.
    pub fn open(&self, version: u16, payload: &[u8]) -> Result<Vec<Record>, String> {
        if version != FORMAT_VERSION_1 {
            return packed::unpack(payload);
        }
        let raw = zstd::bulk::decompress(payload, self.raw_bytes as usize)
            .map_err(|error| format!("it does not decompress: {error}"))?;
        if raw.len() != self.raw_bytes as usize {
            return Err("it decompresses to another length than it says".into());
        }
        let mut records = Vec::new();
        let mut rest = &raw[..];
        while !rest.is_empty() {
            let (record, after) =
                postcard::take_from_bytes(rest).map_err(|error| format!("it holds no record: {error}"))?;
            records.push(record);
            rest = after;
        }
        Ok(records)
    }
}
