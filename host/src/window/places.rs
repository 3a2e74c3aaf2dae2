//! Where the sheets of a recording are. Of every sixteenth the place is kept in memory, and the heads between are read from
//! the file when they are asked for: days of recording take some tens of kilobytes.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::ops::Range;

use super::sheet::{FILE_HEADER_BYTES, HEAD_BYTES, Head};

/// Sheets from one kept place to the next.
const STRIDE: usize = 16;

/// A stride of sheets.
#[derive(Clone, Copy, Debug)]
struct Stride {
    /// Where in the file its first sheet begins.
    at: u64,
    /// Where its first sheet begins, in microseconds of the run.
    first_us: i64,
    /// Where its last sheet ends, in microseconds of the run.
    beyond_us: i64,
}

/// The places of a file's sheets, one behind another in the file and in time.
#[derive(Debug)]
pub(super) struct Places {
    strides: Vec<Stride>,
    count: usize,
    bin_us: Option<i64>,
    last: Option<Head>,
    next: u64,
}

impl Places {
    /// Of a file without sheets.
    pub(super) const fn new() -> Self {
        Self {
            strides: Vec::new(),
            count: 0,
            bin_us: None,
            last: None,
            next: FILE_HEADER_BYTES as u64,
        }
    }

    /// Takes in the sheet that begins at [`Self::next`].
    pub(super) fn push(&mut self, head: Head) {
        let (first_us, beyond_us) = head.span_us();
        match self.strides.last_mut() {
            Some(stride) if !self.count.is_multiple_of(STRIDE) => stride.beyond_us = beyond_us,
            _ => self.strides.push(Stride {
                at: self.next,
                first_us,
                beyond_us,
            }),
        }
        self.count += 1;
        self.bin_us.get_or_insert(i64::from(head.bin_us));
        self.next += (HEAD_BYTES + head.payload_bytes as usize) as u64;
        self.last = Some(head);
    }

    /// How many sheets there are.
    pub(super) const fn count(&self) -> usize {
        self.count
    }

    /// Where in the file the next sheet is to begin.
    pub(super) const fn next(&self) -> u64 {
        self.next
    }

    /// Microseconds of a bin.
    pub(super) const fn bin_us(&self) -> Option<i64> {
        self.bin_us
    }

    /// The last sheet's head.
    pub(super) const fn last(&self) -> Option<&Head> {
        self.last.as_ref()
    }

    /// The sheets that touch a stretch of the run.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub(super) fn touching(&self, file: &mut File, from_us: i64, to_us: i64) -> io::Result<Range<usize>> {
        let stride = self.strides.partition_point(|stride| stride.beyond_us <= from_us);
        let first = self.first_in(file, stride, |head| head.span_us().1 > from_us)?;
        let stride = self.strides.partition_point(|stride| stride.first_us < to_us);
        let beyond = match stride.checked_sub(1) {
            Some(stride) => self.first_in(file, stride, |head| head.span_us().0 >= to_us)?,
            None => 0,
        };
        Ok(first..beyond.max(first))
    }

    /// The first sheet of a stride for which this holds; the one behind the stride when there is none.
    fn first_in(&self, file: &mut File, stride: usize, holds: impl Fn(&Head) -> bool) -> io::Result<usize> {
        let beyond = self.count.min((stride + 1) * STRIDE);
        let mut found = beyond;
        self.read(file, self.count.min(stride * STRIDE)..beyond, |sheet, head, _| {
            if found == beyond && holds(head) {
                found = sheet;
            }
        })?;
        Ok(found)
    }

    /// Visits sheets in their order: number, head and payload. It ends early at one that is not whole any more.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub(super) fn read(
        &self,
        file: &mut File,
        sheets: Range<usize>,
        mut visit: impl FnMut(usize, &Head, &[u8]),
    ) -> io::Result<()> {
        let mut held = Vec::new();
        for stride in sheets.start / STRIDE..sheets.end.div_ceil(STRIDE) {
            let Some(Stride { at, .. }) = self.strides.get(stride) else {
                break;
            };
            let end = self.strides.get(stride + 1).map_or(self.next, |next| next.at);
            held.resize(usize::try_from(end - at).unwrap_or(0), 0);
            file.seek(SeekFrom::Start(*at))?;
            file.read_exact(&mut held)?;
            let mut rest = &held[..];
            for sheet in stride * STRIDE..sheets.end.min((stride + 1) * STRIDE) {
                let Some((head, payload)) = Head::read(rest) else {
                    return Ok(());
                };
                rest = &rest[HEAD_BYTES + payload.len()..];
                if sheets.contains(&sheet) {
                    visit(sheet, &head, payload);
                }
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::super::sheet::file_header;
    use super::*;

    /// Sheets of two starts of the board: the first's last one ends early, under the next one, and a gap follows later.
    fn heads() -> Vec<Head> {
        (0..100_i64)
            .map(|sheet| Head {
                payload_bytes: (sheet as u32 * 37) % 200,
                first_bin: 256 * sheet - if sheet >= 21 { 100 } else { 0 }
                    + if sheet >= 70 { 5_000 } else { 0 },
                bin_us: 16_000,
                wire_offset: 1_000 * sheet as u64,
                board_less_run_us: 0,
                last_us: 0,
                boot_nonce: u32::from(sheet >= 21),
                begins_boot: false,
                begins_readings: false,
            })
            .collect()
    }

    #[test]
    fn every_stretch_finds_the_sheets_that_touch_it_and_no_other() {
        let heads = heads();
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(&file_header()).unwrap();
        let mut places = Places::new();
        for head in &heads {
            file.write_all(&head.write(&vec![7; head.payload_bytes as usize]))
                .unwrap();
            places.push(*head);
        }
        assert_eq!(places.next(), file.metadata().unwrap().len());
        assert_eq!(places.last(), heads.last());
        assert!(places.strides.len() < 8);

        // On the sheets' edges and a microsecond beside them, and beyond both ends.
        let mut instants: Vec<i64> = heads
            .iter()
            .flat_map(|head| [head.span_us().0, head.span_us().1])
            .flat_map(|edge| [edge - 1, edge, edge + 1])
            .collect();
        instants.extend([i64::MIN, i64::MAX]);
        for &from_us in instants.iter().step_by(5) {
            for &to_us in instants.iter().filter(|to_us| **to_us > from_us).step_by(3) {
                let touching = |head: &Head| head.span_us().1 > from_us && head.span_us().0 < to_us;
                let first = heads.iter().position(touching);
                let found = places.touching(&mut file, from_us, to_us).unwrap();
                assert_eq!((!found.is_empty()).then_some(found.start), first);
                assert_eq!(found.len(), heads.iter().filter(|head| touching(head)).count());
            }
        }
        for range in [0..0, 0..1, 15..17, 16..32, 5..99, 99..100] {
            let mut read = Vec::new();
            places
                .read(&mut file, range.clone(), |sheet, head, payload| {
                    assert_eq!(payload.len(), head.payload_bytes as usize);
                    read.push((sheet, *head));
                })
                .unwrap();
            let wanted: Vec<_> = range.clone().zip(heads[range].iter().copied()).collect();
            assert_eq!(read, wanted);
        }
    }
}
