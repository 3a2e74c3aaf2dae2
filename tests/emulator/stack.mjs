// Measures how deep the stack ever went: the free memory below it is painted, and later the paint that is left counted.

const RAM_AT = 0x20000000;
const PAINT = 0xa5;

export class StackPaint {
  /** @param {Map<string, number>} symbols of the image, as cortex-m-rt's linker script names them */
  constructor(symbols) {
    this.top = symbols.get('_stack_start') - RAM_AT;
    this.bottom = symbols.get('__euninit') - RAM_AT;
    this.deepest = 0;
  }

  /** Paints anew; what was measured before is kept. */
  paint(chip) {
    if (this.painted) this.measure(this.painted);
    chip.sram.fill(PAINT, this.bottom, this.top);
    this.painted = chip;
  }

  /** Bytes of the deepest stack so far. */
  measure(chip) {
    let at = this.bottom;
    while (at < this.top && chip.sram[at] === PAINT) at++;
    this.deepest = Math.max(this.deepest, this.top - at);
    return this.deepest;
  }

  /** Bytes that the stack may use. */
  get available() {
    return this.top - this.bottom;
  }
}
