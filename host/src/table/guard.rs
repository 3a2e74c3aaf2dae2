//! What no table holds, found before it becomes a value: zero bytes, and rows without end.

use std::io::{self, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Longest row in bytes. A quotation mark that is never closed makes the rest of a file one row, and a row is held whole.
const ROW_BYTES_MAX: usize = 1 << 20;

/// Passes text on, and fails at what is no table, with the line.
pub(super) struct Guard<R> {
    inner: R,
    separator: u8,
    /// Lines begun before the next byte.
    line: u64,
    /// Line on which the row began.
    row_line: u64,
    row_bytes: usize,
    quoted: bool,
    /// The next byte begins a cell.
    cell_begins: bool,
    row_is_open: bool,
    torn: Arc<AtomicBool>,
}

impl<R: Read> Guard<R> {
    /// Guards `inner`, whose first byte stands at the beginning of line `line`. `torn` becomes true when the text has
    /// ended without a line end, which it has when its last row is read and not before.
    pub(super) fn new(inner: R, separator: u8, line: u64, torn: Arc<AtomicBool>) -> Self {
        Self {
            inner,
            separator,
            line,
            row_line: line,
            row_bytes: 0,
            quoted: false,
            cell_begins: true,
            row_is_open: false,
            torn,
        }
    }

    fn look(&mut self, bytes: &[u8]) -> io::Result<()> {
        no_zero_bytes(bytes, self.line)?;
        if memchr::memchr(b'"', bytes).is_some() {
            for byte in bytes {
                self.step(*byte);
            }
        } else {
            self.skip(bytes);
        }
        if self.row_bytes > ROW_BYTES_MAX {
            let rule = if self.quoted {
                "a quotation mark is opened in this row and not closed within 1 MB"
            } else {
                "this row is longer than 1 MB"
            };
            return Err(fault(self.row_line, rule));
        }
        if let Some(last) = bytes.last() {
            self.row_is_open = *last != b'\n';
        }
        Ok(())
    }

    /// Bytes without a quotation mark: only where the last row begins matters.
    fn skip(&mut self, bytes: &[u8]) {
        let lines = lines(bytes);
        let end = memchr::memrchr(b'\n', bytes).filter(|_| !self.quoted);
        self.line += lines;
        match end {
            Some(end) => {
                self.row_line = self.line;
                self.row_bytes = bytes.len() - end - 1;
            }
            None => self.row_bytes += bytes.len(),
        }
        if let Some(last) = bytes.last() {
            self.cell_begins = *last == b'\n' || *last == self.separator;
        }
    }

    fn step(&mut self, byte: u8) {
        self.row_bytes += 1;
        if byte == b'"' && (self.quoted || self.cell_begins) {
            // A doubled mark inside a cell closes it and opens it again.
            self.cell_begins = self.quoted;
            self.quoted = !self.quoted;
            return;
        }
        self.cell_begins = !self.quoted && (byte == self.separator || byte == b'\n');
        if byte == b'\n' {
            self.line += 1;
            if !self.quoted {
                self.row_bytes = 0;
                self.row_line = self.line;
            }
        }
    }
}

/// Fails where `bytes`, which begin on line `line`, hold a zero byte.
pub(super) fn no_zero_bytes(bytes: &[u8], line: u64) -> io::Result<()> {
    match memchr::memchr(0, bytes) {
        None => Ok(()),
        Some(at) => Err(fault(
            line + lines(&bytes[..at]),
            "it holds zero bytes, as a power cut leaves them or a file that is no text",
        )),
    }
}

fn lines(bytes: &[u8]) -> u64 {
    memchr::memchr_iter(b'\n', bytes).count() as u64
}

fn fault(line: u64, rule: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, format!("line {line}: {rule}"))
}

impl<R: Read> Read for Guard<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(buffer)?;
        self.look(&buffer[..count])?;
        if count == 0 && !buffer.is_empty() {
            self.torn.store(self.row_is_open, Ordering::Relaxed);
        }
        Ok(count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pass(text: &[u8], pieces: usize) -> (Result<(), String>, bool) {
        let torn = Arc::new(AtomicBool::new(false));
        let mut guard = Guard::new(text, b',', 1, Arc::clone(&torn));
        let mut buffer = vec![0; pieces];
        loop {
            match guard.read(&mut buffer) {
                Ok(0) => return (Ok(()), torn.load(Ordering::Relaxed)),
                Ok(_) => {}
                Err(error) => return (Err(error.to_string()), false),
            }
        }
    }

    #[test]
    fn zero_bytes_and_endless_rows_are_told_with_their_line() {
        let long = "7".repeat(ROW_BYTES_MAX);
        for pieces in [1, 7, 4096, 1 << 21] {
            assert_eq!(pass(b"a,b\n1,2\n", pieces), (Ok(()), false));
            assert_eq!(pass(b"a,b\n1,2", pieces), (Ok(()), true));
            let (outcome, _) = pass(b"a,b\n1,2\n3,\0\0\n", pieces);
            assert!(outcome.unwrap_err().starts_with("line 3: it holds zero bytes"));
        }
        for pieces in [4096, 1 << 16] {
            let (outcome, _) = pass(format!("a\n1\n{long}{long}\n").as_bytes(), pieces);
            assert_eq!(outcome.unwrap_err(), "line 3: this row is longer than 1 MB");
            let open = format!("a\n\"1\n{}", "1,2\n".repeat(ROW_BYTES_MAX / 2));
            let (outcome, _) = pass(open.as_bytes(), pieces);
            assert!(outcome.unwrap_err().starts_with("line 2: a quotation mark"));
            // A mark inside a cell opens nothing.
            let inch = format!("a\n5\" wide\n{}", "1,2\n".repeat(ROW_BYTES_MAX / 2));
            assert_eq!(pass(inch.as_bytes(), pieces), (Ok(()), false));
        }
    }
}
