// Reads what the emulator needs of a 32-bit little-endian ELF file: what to load where, and where symbols stand.

const PROGRAM_LOAD = 1;
const SECTION_SYMBOLS = 2;

const text = new TextDecoder();

/**
 * @param {Uint8Array} file the bytes of the ELF file
 * @returns {{segments: {address: number, data: Uint8Array}[], symbols: Map<string, number>,
 *   sizes: Map<string, number>}} loadable segments by physical (load) address, and symbols' values and sizes by name
 */
export function readElf(file) {
  const view = new DataView(file.buffer, file.byteOffset, file.byteLength);
  if (file.length < 52 || view.getUint32(0) !== 0x7f454c46) {
    throw new Error('not an ELF file: it must begin with 7f 45 4c 46');
  }
  if (file[4] !== 1 || file[5] !== 1) {
    throw new Error('not an image for the board: the ELF file must be 32-bit and little-endian');
  }
  const word = (at) => view.getUint32(at, true);
  const half = (at) => view.getUint16(at, true);

  const segments = [];
  for (let i = 0, at = word(28); i < half(44); i++, at += half(42)) {
    const size = word(at + 16);
    if (word(at) === PROGRAM_LOAD && size > 0) {
      const from = word(at + 4);
      segments.push({ address: word(at + 12), data: file.subarray(from, from + size) });
    }
  }

  const symbols = new Map();
  const sizes = new Map();
  const section = (index) => word(32) + index * half(46);
  for (let index = 0; index < half(48); index++) {
    const at = section(index);
    if (word(at + 4) !== SECTION_SYMBOLS) continue;
    const names = word(section(word(at + 24)) + 16);
    for (let entry = word(at + 16), end = entry + word(at + 20); entry < end; entry += 16) {
      const from = names + word(entry);
      const name = text.decode(file.subarray(from, file.indexOf(0, from)));
      if (!name) continue;
      symbols.set(name, word(entry + 4));
      sizes.set(name, word(entry + 8));
    }
  }
  return { segments, symbols, sizes };
}
