// Mends faults and gaps of rp2040js 1.4.1, and nothing else. Each mend is one function with its own test in
// test/mends.test.mjs that fails without it; when a newer version makes one needless, delete it.

import { BasePeripheral } from 'rp2040js';
import { FlashChip, installBootRom } from './boot-rom.mjs';

/** Applies every mend to a new chip. See the functions for what `options` holds. */
export function mend(chip, options) {
  mendSendEvent(chip);
  for (const bus of chip.i2c) {
    mendI2cInterruptMask(bus);
    mendI2cAbort(bus);
    mendI2cDisable(bus);
  }
  mendI2cReset(chip);
  mendAdcChannelSelection(chip.adc);
  mendWatchdog(chip.peripherals[0x40058]);
  mendFlash(chip, options);
  mendResetCause(chip, options);
  mendRandomBits(chip, options);
}

/** The instruction SEV only writes a line to the log; it must set the event that WFE waits for. */
export function mendSendEvent(chip) {
  const quiet = () => {};
  chip.logger = {
    debug: quiet,
    warn: quiet,
    info: (component, message) => {
      if (message === 'SEV') chip.core.eventRegistered = true;
    },
    error: (component, message) => {
      throw new Error(`${component}: ${message}`);
    },
  };
}

const IC_INTR_MASK = 0x30;
const IC_RX_TL = 0x38;
const IC_TX_TL = 0x3c;
const R_RX_FULL = 1 << 2;
const R_TX_EMPTY = 1 << 4;

/**
 * Writes to the I2C interrupt mask are ignored, and the two level interrupts are not looked at anew when a threshold
 * moves: a driver that waits for an interrupt waits for ever.
 */
export function mendI2cInterruptMask(bus) {
  const write = bus.writeUint32.bind(bus);
  const setLevel = (bit, level) => {
    bus.intRaw = level ? bus.intRaw | bit : bus.intRaw & ~bit;
    bus.checkInterrupts();
  };
  bus.writeUint32 = (offset, value) => {
    if (offset === IC_INTR_MASK) {
      bus.intEnable = value & 0x7fff;
      bus.checkInterrupts();
      return;
    }
    write(offset, value);
    if (offset === IC_RX_TL) setLevel(R_RX_FULL, bus.rxFIFO.itemCount > bus.rxThreshold);
    if (offset === IC_TX_TL) setLevel(R_TX_EMPTY, bus.txFIFO.itemCount <= bus.txThreshold);
  };
}

/** After an abort the transmit queue is empty, but the interrupt that says so does not come. */
export function mendI2cAbort(bus) {
  const abort = bus.abort.bind(bus);
  bus.abort = (reason) => {
    abort(reason);
    bus.setInterrupts(R_TX_EMPTY);
  };
}

const IC_ENABLE = 0x6c;

/** A controller that is switched off keeps the transfer it was in, and never begins another. */
export function mendI2cDisable(bus) {
  const write = bus.writeUint32.bind(bus);
  bus.writeUint32 = (offset, value) => {
    if (offset === IC_ENABLE && !(value & 1)) forgetTransfer(bus);
    write(offset, value);
  };
}

function forgetTransfer(bus) {
  Object.assign(bus, { state: 0, busy: false, stop: false, pendingRestart: false, firstByte: false });
}

const RESETS_RESET = 0x0;
const RESET_BITS = [1 << 3, 1 << 4];

/** The reset controller only stores what is written: an I2C controller held in reset does not start anew. */
export function mendI2cReset(chip) {
  const resets = chip.peripherals[0x4000c];
  const write = resets.writeUint32.bind(resets);
  resets.writeUint32 = (offset, value) => {
    write(offset, value);
    if (offset !== RESETS_RESET) return;
    chip.i2c.forEach((bus, index) => {
      if (!(value & RESET_BITS[index])) return;
      forgetTransfer(bus);
      bus.rxFIFO.reset();
      bus.txFIFO.reset();
      Object.assign(bus, { enable: 0, control: 0x65, rxThreshold: 0, txThreshold: 0, abortSource: 0 });
      // Nothing is pending; the mask has its reset value (RP2040 data sheet, IC_INTR_MASK).
      Object.assign(bus, { intRaw: 0, intEnable: 0x8ff });
      bus.checkInterrupts();
    });
  };
}

const AINSEL_SHIFT = 12;
const AINSEL_MASK = 7;

/** The setter of the converter's channel masks with the field's position instead of its width. */
export function mendAdcChannelSelection(adc) {
  Object.defineProperty(adc, 'activeChannel', {
    get: () => (adc.cs >> AINSEL_SHIFT) & AINSEL_MASK,
    set: (channel) => {
      adc.cs = (adc.cs & ~(AINSEL_MASK << AINSEL_SHIFT)) | ((channel & AINSEL_MASK) << AINSEL_SHIFT);
    },
  });
}

/** When the watchdog's counter has come to zero, it comes to zero again at once, and again: time stands still. */
export function mendWatchdog({ alarm }) {
  const { callback } = alarm;
  alarm.callback = () => {
    alarm.enable = false;
    callback();
  };
}

const SSI_DATA = 0x60;

/**
 * The boot ROM is empty, the controller of the flash cache absent, and the flash chip behind the serial interface
 * silent: reading the flash chip's identity never ends.
 *
 * @param options.flashIdentity eight bytes
 * @param options.onBreakpoint hears breakpoints of the image itself
 */
export function mendFlash(chip, { flashIdentity, onBreakpoint }) {
  installBootRom(chip, onBreakpoint);
  const flash = new FlashChip(flashIdentity);
  const ssi = chip.peripherals[0x18000];
  const [read, write] = [ssi.readUint32.bind(ssi), ssi.writeUint32.bind(ssi)];
  ssi.readUint32 = (offset) => (offset === SSI_DATA ? flash.read() : read(offset));
  ssi.writeUint32 = (offset, value) => (offset === SSI_DATA ? flash.write(value & 0xff) : write(offset, value));
  chip.peripherals[0x14000] = new Registers(chip, 'XIP_CTRL', { 0x08: 0b11 });
}

const CHIP_RESET = 0x08;

/**
 * The block that says why the chip started is absent.
 *
 * @param options.resetCause `'power-on'`, `'run-pin'` or `'debugger'`
 */
export function mendResetCause(chip, { resetCause }) {
  const bit = { 'power-on': 1 << 8, 'run-pin': 1 << 16, debugger: 1 << 20 }[resetCause];
  chip.peripherals[0x40064] = new Registers(chip, 'VREG_AND_CHIP_RESET', { 0x00: 0x10b1, [CHIP_RESET]: bit });
}

const ROSC_RANDOM_BIT = 0x1c;

/**
 * The ring oscillator is absent, and with it the bit that comes out at random.
 *
 * @param options.randomBit gives 0 or 1
 */
export function mendRandomBits(chip, { randomBit }) {
  const oscillator = new Registers(chip, 'ROSC', { 0x18: 0x80001000 });
  const read = oscillator.readUint32.bind(oscillator);
  oscillator.readUint32 = (offset) => (offset === ROSC_RANDOM_BIT ? randomBit() : read(offset));
  chip.peripherals[0x40060] = oscillator;
}

/** Registers that only keep what is written. */
class Registers extends BasePeripheral {
  constructor(chip, name, initial) {
    super(chip, name);
    this.values = new Map(Object.entries(initial).map(([offset, value]) => [Number(offset), value]));
  }

  readUint32(offset) {
    return this.values.get(offset) ?? 0;
  }

  writeUint32(offset, value) {
    this.values.set(offset, value);
  }
}
