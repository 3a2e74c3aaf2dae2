//! Bytes to UTF-8 with line feeds: byte order marks, UTF-16, and lines that end with a carriage return alone.

use std::io::{BufRead, BufReader, Read};

use encoding_rs::{UTF_8, WINDOWS_1252};
use encoding_rs_io::DecodeReaderBytesBuilder;

/// A reader of UTF-8 text from a file in UTF-8 or UTF-16 with a byte order mark, or in a single-byte Western encoding.
///
/// A file without a mark whose beginning is not UTF-8 is taken for Windows-1252, in which `°` and `µ` of an older
/// logger are what they seem; anything else in such a file would be a heading and does no harm.
///
/// # Errors
/// Whatever reading the beginning of the file meets.
pub fn to_utf8(file: impl Read + 'static) -> std::io::Result<Box<dyn BufRead>> {
    let mut file = BufReader::with_capacity(1 << 16, file);
    let beginning = file.fill_buf()?;
    let carriage_returns_only = beginning.contains(&b'\r') && !beginning.contains(&b'\n');
    let western = match std::str::from_utf8(beginning) {
        Ok(_) => false,
        // A character cut by the buffer's end is no fault.
        Err(error) => error.error_len().is_some() && !has_mark(beginning),
    };
    let decoded = DecodeReaderBytesBuilder::new()
        .encoding(Some(if western { WINDOWS_1252 } else { UTF_8 }))
        .bom_override(true)
        .strip_bom(true)
        .build(file);
    Ok(if carriage_returns_only {
        Box::new(BufReader::with_capacity(1 << 18, LineFeeds(decoded)))
    } else {
        Box::new(BufReader::with_capacity(1 << 18, decoded))
    })
}

/// Gives a line feed for each carriage return, which an old instrument ends its lines with.
struct LineFeeds<R>(R);

impl<R: Read> Read for LineFeeds<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let count = self.0.read(buffer)?;
        for byte in buffer.iter_mut().take(count).filter(|byte| **byte == b'\r') {
            *byte = b'\n';
        }
        Ok(count)
    }
}

fn has_mark(bytes: &[u8]) -> bool {
    [&[0xEF, 0xBB, 0xBF][..], &[0xFF, 0xFE], &[0xFE, 0xFF]]
        .iter()
        .any(|mark| bytes.starts_with(mark))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(bytes: Vec<u8>) -> String {
        let mut text = String::new();
        to_utf8(std::io::Cursor::new(bytes))
            .unwrap()
            .read_to_string(&mut text)
            .unwrap();
        text
    }

    #[test]
    fn reads_the_encodings_that_instruments_write() {
        let plain = "t [s];T [°C]\n0;21\n";
        assert_eq!(text(plain.into()), plain);
        assert_eq!(text([b"\xEF\xBB\xBF", plain.as_bytes()].concat()), plain);
        let little = plain.encode_utf16().flat_map(u16::to_le_bytes);
        assert_eq!(text([0xFF, 0xFE].into_iter().chain(little).collect()), plain);
        let big = plain.encode_utf16().flat_map(u16::to_be_bytes);
        assert_eq!(text([0xFE, 0xFF].into_iter().chain(big).collect()), plain);
        assert_eq!(text(b"t [s];T [\xB0C]\n0;21\n".to_vec()), plain);
        assert_eq!(text(plain.replace('\n', "\r").into()), plain);
        let windows = plain.replace('\n', "\r\n");
        assert_eq!(text(windows.clone().into()), windows);
    }
}
