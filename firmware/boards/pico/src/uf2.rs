//! Packs an image for a board's drive: the UF2 format, blocks of 512 bytes that each say where they belong.
//!
//! Source: the UF2 file format specification, sections "File format" and "Family ID", and for the family number its
//! list of families; the page size is that of the RP2040's boot ROM (data sheet, section 2.8.4).

use std::collections::BTreeMap;
use std::path::Path;
use std::process::ExitCode;
use std::{env, fs};

use crate::elf::{self, FLASH, Segment};

const MAGIC_START: [u32; 2] = [0x0A32_4655, 0x9E5D_5157];
const MAGIC_END: u32 = 0x0AB1_6F30;
/// The field behind the count is a family number.
const FLAG_FAMILY: u32 = 0x2000;
const FAMILY_RP2040: u32 = 0xE48B_FF56;
const BLOCK_BYTES: usize = 512;
/// What a block carries: one page of the flash chip.
const PAGE_BYTES: u32 = 256;

/// `steadybench-pico ELF UF2`.
pub(crate) fn main() -> ExitCode {
    let arguments: Vec<_> = env::args_os().skip(1).collect();
    let [elf, uf2] = arguments.as_slice() else {
        eprintln!(
            "usage: steadybench-pico ELF UF2: packs the image ELF into UF2 (build-image.sh calls this)"
        );
        return ExitCode::from(2);
    };
    match convert(Path::new(elf), Path::new(uf2)) {
        Ok(size) => {
            println!("flash      {:>7} bytes", size.flash);
            println!("static RAM {:>7} bytes, the stack left out", size.ram);
            ExitCode::SUCCESS
        }
        Err(reason) => {
            eprintln!("error: {reason}");
            ExitCode::FAILURE
        }
    }
}

fn convert(elf: &Path, uf2: &Path) -> Result<elf::Size, String> {
    let file = fs::read(elf).map_err(|error| format!("cannot read {}: {error}", elf.display()))?;
    let segments = elf::segments(&file)?;
    let packed = pack(&segments)?;
    fs::write(uf2, packed).map_err(|error| format!("cannot write {}: {error}", uf2.display()))?;
    Ok(elf::size(&segments))
}

/// Makes the blocks, in order of address; a page that is used in part is filled up with zeros.
fn pack(segments: &[Segment<'_>]) -> Result<Vec<u8>, String> {
    let mut pages: BTreeMap<u32, [u8; PAGE_BYTES as usize]> = BTreeMap::new();
    for segment in segments.iter().filter(|segment| !segment.bytes.is_empty()) {
        for (address, byte) in (segment.stored_at..).zip(segment.bytes) {
            if !FLASH.contains(&address) {
                return Err(format!(
                    "the image stores a byte at {address:#x}, which is not in flash: see memory.x"
                ));
            }
            let page = address - address % PAGE_BYTES;
            pages.entry(page).or_insert([0; PAGE_BYTES as usize])[(address - page) as usize] = *byte;
        }
    }
    let count = u32::try_from(pages.len()).map_err(|_| "too many pages")?;
    let blocks = pages
        .iter()
        .zip(0..)
        .flat_map(|((address, page), number)| block(*address, page, number, count));
    Ok(blocks.collect())
}

fn block(address: u32, page: &[u8; PAGE_BYTES as usize], number: u32, count: u32) -> [u8; BLOCK_BYTES] {
    let mut block = [0; BLOCK_BYTES];
    let [start, second] = MAGIC_START;
    let head = [
        start,
        second,
        FLAG_FAMILY,
        address,
        PAGE_BYTES,
        number,
        count,
        FAMILY_RP2040,
    ];
    for (bytes, field) in block.chunks_exact_mut(4).zip(head) {
        bytes.copy_from_slice(&field.to_le_bytes());
    }
    block[32..32 + page.len()].copy_from_slice(page);
    block[BLOCK_BYTES - 4..].copy_from_slice(&MAGIC_END.to_le_bytes());
    block
}

#[cfg(test)]
mod tests {
    use super::*;

    fn segment(stored_at: u32, bytes: &[u8]) -> Segment<'_> {
        Segment::stored(stored_at, bytes)
    }

    fn word(block: &[u8], at: usize) -> u32 {
        u32::from_le_bytes(*block[at..].first_chunk().unwrap())
    }

    /// Offsets of the fields: UF2 specification, table in section "File format".
    #[test]
    fn blocks_have_the_specified_layout() {
        let page: Vec<u8> = (0..=255).collect();
        let packed = pack(&[segment(0x1000_0000, &page), segment(0x1000_0100, &[7, 8])]).unwrap();
        assert_eq!(packed.len(), 2 * 512);
        for (number, block) in packed.chunks(512).enumerate() {
            // "UF2\n" in ASCII.
            assert_eq!(&block[..4], b"UF2\n");
            assert_eq!(word(block, 4), 0x9E5D_5157);
            assert_eq!(word(block, 8), 0x2000);
            assert_eq!(word(block, 12), 0x1000_0000 + 256 * number as u32);
            assert_eq!(word(block, 16), 256);
            assert_eq!((word(block, 20), word(block, 24)), (number as u32, 2));
            assert_eq!(word(block, 28), 0xE48B_FF56);
            assert_eq!(word(block, 508), 0x0AB1_6F30);
            assert!(block[32 + 256..508].iter().all(|byte| *byte == 0));
        }
        assert_eq!(packed[32..288], page);
        assert_eq!(packed[512 + 32..512 + 35], [7, 8, 0]);
    }

    #[test]
    fn stretches_that_share_a_page_become_one_block() {
        let packed = pack(&[segment(0x1000_0010, &[1]), segment(0x1000_0020, &[2])]).unwrap();
        assert_eq!(packed.len(), 512);
        assert_eq!((packed[32 + 0x10], packed[32 + 0x20]), (1, 2));
    }

    #[test]
    fn refuses_what_is_not_in_flash() {
        assert!(pack(&[segment(0x2000_0000, &[1])]).is_err());
    }
}
