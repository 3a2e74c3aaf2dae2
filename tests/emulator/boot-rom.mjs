// Stands in for the chip's boot ROM and for the flash chip behind it, as far as the image calls on them: the table of
// ROM functions (RP2040 data sheet, section 2.8.3), and the flash chip's answer to "read unique identity" (4Bh).

/** Where the stand-in's functions lie; the ROM holds `bkpt #n; bx lr` there, and `serve` does the work. */
const LOOKUP_AT = 0x100;
const FUNCTIONS_AT = 0x200;
const RETURN = 0x4770;
const BREAKPOINT = 0xbe00;

/** Functions by the two letters that the ROM table names them with. */
const FUNCTIONS = {
  IF: () => {}, // connect_internal_flash
  EX: () => {}, // flash_exit_xip
  FC: () => {}, // flash_flush_cache
  CX: () => {}, // flash_enter_cmd_xip
  C4: copyWords, // memcpy44
  MC: copyBytes, // memcpy
};
const NAMES = Object.keys(FUNCTIONS);

function copyWords(chip, [to, from, count]) {
  for (let i = 0; i < count; i += 4) chip.writeUint32(to + i, chip.readUint32(from + i));
  return to;
}

function copyBytes(chip, [to, from, count]) {
  for (let i = 0; i < count; i++) chip.writeUint8(to + i, chip.readUint8(from + i));
  return to;
}

/** Puts the stand-in's code into the ROM of `chip` and answers its calls. `onOther` hears any other breakpoint. */
export function installBootRom(chip, onOther) {
  const rom = new DataView(chip.bootrom.buffer);
  const stub = (at, number) => {
    rom.setUint16(at, BREAKPOINT | number, true);
    rom.setUint16(at + 2, RETURN, true);
  };
  rom.setUint16(0x18, LOOKUP_AT | 1, true);
  stub(LOOKUP_AT, 0xff);
  NAMES.forEach((_, index) => stub(FUNCTIONS_AT + 4 * index, 0x80 + index));

  chip.onBreak = (number) => {
    const { registers } = chip.core;
    const inRom = chip.core.PC < 0x4000;
    if (inRom && number === 0xff) {
      const letters = String.fromCharCode(registers[1] & 0xff, (registers[1] >> 8) & 0xff);
      const index = NAMES.indexOf(letters);
      if (index < 0) throw new Error(`the image asks for ROM function ${letters}, which the stand-in does not have`);
      registers[0] = (FUNCTIONS_AT + 4 * index) | 1;
    } else if (inRom && number >= 0x80 && number < 0x80 + NAMES.length) {
      const result = FUNCTIONS[NAMES[number - 0x80]](chip, registers);
      if (result !== undefined) registers[0] = result;
    } else {
      onOther(number);
    }
  };
}

/** The flash chip's half of the serial interface: takes command bytes, queues the answer. */
export class FlashChip {
  /** @param {Uint8Array} identity eight bytes */
  constructor(identity) {
    this.identity = identity;
    this.answer = [];
  }

  /** A byte written to the data register. */
  write(byte) {
    // 4Bh is answered by four bytes of no meaning before the identity.
    if (byte === 0x4b) this.answer = [0, 0, 0, 0, ...this.identity];
    // 05h and 35h read the status registers (no write in progress, quad mode enabled) behind one byte of no meaning.
    if (byte === 0x05) this.answer = [0, 0];
    if (byte === 0x35) this.answer = [0, 0x02];
  }

  /** A byte read from the data register. */
  read() {
    return this.answer.shift() ?? 0;
  }
}
