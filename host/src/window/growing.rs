//! A CSV file that grows, read on from where it was read to.

use std::io::{Read, Seek, SeekFrom};
use std::path::PathBuf;

use crate::recorder::open_unlinked;

/// Most bytes of a file that are read at once.
const PIECE_BYTES: u64 = 4 << 20;

/// Rows so near to each other are read with what stands between them.
const NEAR_BYTES: u64 = 256;

/// Where a row stands in the file.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    at: u64,
    bytes: u32,
}

impl Place {
    fn end(self) -> u64 {
        self.at + u64::from(self.bytes)
    }
}

/// The file.
#[derive(Debug)]
pub(super) struct Growing {
    path: PathBuf,
    read_to: u64,
}

impl Growing {
    pub(super) const fn new(path: PathBuf) -> Self {
        Self { path, read_to: 0 }
    }

    /// The rows that have come since, whole ones only, each with its place.
    pub(super) fn rows(&mut self) -> Vec<(csv::StringRecord, Place)> {
        let mut text = Vec::new();
        let read = open_unlinked(&self.path).and_then(|mut file| {
            file.seek(SeekFrom::Start(self.read_to))?;
            file.take(PIECE_BYTES).read_to_end(&mut text)
        });
        // A file that cannot be read has nothing to show; the recorder says what is wrong with the disk.
        let Some(end) = read
            .ok()
            .and_then(|_| text.iter().rposition(|byte| *byte == b'\n'))
        else {
            return Vec::new();
        };
        let text = &text[..=end];
        let from = self.read_to;
        self.read_to += text.len() as u64;
        let mut reader = reader(text, from == 0);
        let mut rows = Vec::new();
        let mut row = csv::StringRecord::new();
        loop {
            let before = reader.position().byte();
            match reader.read_record(&mut row) {
                Ok(true) => {
                    let begin = row.position().map_or(before, csv::Position::byte);
                    let bytes = u32::try_from(reader.position().byte() - begin).unwrap_or(u32::MAX);
                    let at = from + begin;
                    rows.push((row.clone(), Place { at, bytes }));
                }
                Ok(false) => return rows,
                // Text of another making is passed over; the files of a job may have been edited.
                Err(_) if reader.position().byte() > before => {}
                Err(_) => return rows,
            }
        }
    }

    /// The rows at `places`, which are in the order they were read in or nearly so; where the file has not what it had,
    /// those before.
    pub(super) fn rows_at(&self, places: &[Place]) -> Vec<csv::StringRecord> {
        // One reader for all of them: to make one takes longer than to read a row.
        reader(&self.text_at(places), false)
            .into_records()
            .map_while(Result::ok)
            .take(places.len())
            .collect()
    }

    fn text_at(&self, places: &[Place]) -> Vec<u8> {
        let mut text = Vec::new();
        let Ok(mut file) = open_unlinked(&self.path) else {
            return text;
        };
        for near in places.chunk_by(|one, next| (one.end()..=one.end() + NEAR_BYTES).contains(&next.at)) {
            let (begin, end) = (near[0].at, near[near.len() - 1].end());
            let mut piece = vec![0; usize::try_from(end - begin).unwrap_or(0)];
            let read = file
                .seek(SeekFrom::Start(begin))
                .and_then(|_| file.read_exact(&mut piece));
            if read.is_err() {
                break;
            }
            for place in near {
                let from = (place.at - begin) as usize;
                text.extend_from_slice(&piece[from..from + place.bytes as usize]);
            }
        }
        text
    }
}

fn reader(text: &[u8], has_header: bool) -> csv::Reader<&[u8]> {
    csv::ReaderBuilder::new()
        .has_headers(has_header)
        .flexible(true)
        .buffer_capacity(text.len().clamp(1, 1 << 16))
        .from_reader(text)
}
