//! What a linked image puts where: the loadable segments of a 32-bit little-endian ELF file (System V ABI, chapter 4
//! and 5).

use std::ops::Range;

/// Addresses of the flash memory (RP2040 data sheet, section 2.2).
pub(crate) const FLASH: Range<u32> = 0x1000_0000..0x1100_0000;

/// Addresses of the memory for variables.
const RAM: Range<u32> = 0x2000_0000..0x2004_2000;

/// One stretch of the image.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Segment<'a> {
    /// Where it is stored: in flash, for what goes onto the board.
    pub(crate) stored_at: u32,
    /// What is stored.
    pub(crate) bytes: &'a [u8],
    /// Where it is while the program runs.
    runs_at: u32,
    /// Bytes while it runs, those that start as zero included.
    runs_bytes: u32,
}

/// How much of the board the image takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Size {
    /// Bytes in flash.
    pub(crate) flash: u32,
    /// Bytes of variables, the stack left out.
    pub(crate) ram: u32,
}

/// Lists the loadable segments.
///
/// # Errors
/// Says what is wrong with the file.
pub(crate) fn segments(file: &[u8]) -> Result<Vec<Segment<'_>>, &'static str> {
    const CUT_SHORT: &str = "the ELF file is cut short: build it again";
    if file.get(..6) != Some(b"\x7fELF\x01\x01") {
        return Err(
            "not a 32-bit little-endian ELF file: give the image that cargo built for thumbv6m-none-eabi",
        );
    }
    let table = word(file, 28).ok_or(CUT_SHORT)?;
    let entry_bytes = half(file, 42).ok_or(CUT_SHORT)?;
    let entries = half(file, 44).ok_or(CUT_SHORT)?;
    let mut segments = Vec::new();
    for index in 0..u32::from(entries) {
        let entry = table as usize + index as usize * usize::from(entry_bytes);
        let field = |offset| word(file, entry + offset).ok_or(CUT_SHORT);
        const LOADABLE: u32 = 1;
        if field(0)? != LOADABLE {
            continue;
        }
        let (from, stored_bytes) = (field(4)? as usize, field(16)? as usize);
        segments.push(Segment {
            stored_at: field(12)?,
            bytes: file.get(from..from + stored_bytes).ok_or(CUT_SHORT)?,
            runs_at: field(8)?,
            runs_bytes: field(20)?,
        });
    }
    Ok(segments)
}

/// Adds up what the segments take.
pub(crate) fn size(segments: &[Segment<'_>]) -> Size {
    let stored = segments
        .iter()
        .filter(|segment| FLASH.contains(&segment.stored_at));
    let varying = segments.iter().filter(|segment| RAM.contains(&segment.runs_at));
    Size {
        flash: stored.map(|segment| segment.bytes.len() as u32).sum(),
        ram: varying.map(|segment| segment.runs_bytes).sum(),
    }
}

fn word(file: &[u8], at: usize) -> Option<u32> {
    file.get(at..)?
        .first_chunk()
        .map(|bytes| u32::from_le_bytes(*bytes))
}

fn half(file: &[u8], at: usize) -> Option<u16> {
    file.get(at..)?
        .first_chunk()
        .map(|bytes| u16::from_le_bytes(*bytes))
}

#[cfg(test)]
impl<'a> Segment<'a> {
    /// What only lies in flash.
    pub(crate) const fn stored(stored_at: u32, bytes: &'a [u8]) -> Self {
        Self {
            stored_at,
            bytes,
            runs_at: stored_at,
            runs_bytes: bytes.len() as u32,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A header, two program headers, and four bytes of content at 0x80.
    fn file() -> Vec<u8> {
        let mut file = vec![0; 0x84];
        file[..6].copy_from_slice(b"\x7fELF\x01\x01");
        file[28..32].copy_from_slice(&52_u32.to_le_bytes());
        file[42..44].copy_from_slice(&32_u16.to_le_bytes());
        file[44..46].copy_from_slice(&2_u16.to_le_bytes());
        for (at, fields) in [
            (52, [1, 0x80, 0x2000_0000, 0x1000_0100, 4, 4]),
            (84, [1, 0x84, 0x2000_0004, 0x2000_0004, 0, 400]),
        ] {
            for (index, field) in fields.into_iter().enumerate() {
                file[at + 4 * index..at + 4 * index + 4].copy_from_slice(&u32::to_le_bytes(field));
            }
        }
        file[0x80..].copy_from_slice(&[1, 2, 3, 4]);
        file
    }

    #[test]
    fn finds_what_is_stored_and_what_varies() {
        let file = file();
        let segments = segments(&file).unwrap();
        assert_eq!(
            (segments[0].stored_at, segments[0].bytes),
            (0x1000_0100, &[1, 2, 3, 4][..])
        );
        assert_eq!(size(&segments), Size { flash: 4, ram: 404 });
    }

    #[test]
    fn refuses_what_is_no_image() {
        assert!(segments(b"MZ").is_err());
        assert!(segments(&file()[..0x82]).is_err());
        assert!(segments(&file()[..60]).is_err());
    }
}
