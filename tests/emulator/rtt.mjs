// Takes the image's log out of its memory. The bytes are defmt frames; `defmt-print -e IMAGE < FILE` makes them text.

const RAM_AT = 0x20000000;

export class RttReader {
  /** @param {Map<string, number>} symbols of the image; @param {(bytes: Uint8Array) => void} [onLog] */
  constructor(symbols, onLog) {
    this.blockAt = symbols.get('_SEGGER_RTT');
    this.onLog = onLog;
  }

  drain(chip) {
    if (this.blockAt === undefined) return;
    const ram = chip.sramView;
    const block = this.blockAt - RAM_AT;
    // A sixteen-byte name, the counts of channels up and down, then the first channel up: name, buffer, size, the
    // board's position, ours, flags; four bytes each.
    const [buffer, size, written, taken] = [28, 32, 36, 40].map((offset) => ram.getUint32(block + offset, true));
    if (size === 0 || written === taken || written >= size) return;
    const bytes = chip.sram.subarray(buffer - RAM_AT, buffer - RAM_AT + size);
    const fresh =
      written > taken ? bytes.slice(taken, written) : Uint8Array.of(...bytes.subarray(taken), ...bytes.subarray(0, written));
    ram.setUint32(block + 40, written, true);
    this.onLog?.(fresh);
  }
}
