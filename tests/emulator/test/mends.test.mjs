// Each mend, on a chip without it and on one with it: the fault is there, and then it is not. A mend whose fault is gone
// in a newer version of the emulator fails here, and can be deleted.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { RP2040 } from 'rp2040js';
import * as mends from '../mends.mjs';

const I2C0 = 0x40044000;
const IC_DATA_CMD = I2C0 + 0x10;
const IC_INTR_MASK = I2C0 + 0x30;
const IC_RAW_INTR_STAT = I2C0 + 0x34;
const IC_RX_TL = I2C0 + 0x38;
const IC_TX_TL = I2C0 + 0x3c;
const IC_ENABLE = I2C0 + 0x6c;
const TX_EMPTY = 1 << 4;
const RX_FULL = 1 << 2;
const ADC_CS = 0x4004c000;
const WATCHDOG = 0x40058000;
const RESETS = 0x4000c000;
const SSI = 0x18000000;

function quietChip() {
  const chip = new RP2040();
  const quiet = () => {};
  chip.logger = { debug: quiet, info: quiet, warn: quiet, error: quiet };
  return chip;
}

/** `works` must be false on a plain chip and true on a mended one. */
function faultAndMend(name, mend, works) {
  test(name, () => {
    assert.equal(works(quietChip()), false, 'the emulator has the fault no more: delete the mend');
    const chip = quietChip();
    mend(chip);
    assert.equal(works(chip), true);
  });
}

function instruction(chip, opcode) {
  chip.writeUint16(0x20000000, opcode);
  chip.core.PC = 0x20000000;
  chip.core.executeInstruction();
}

faultAndMend('SEV sets the event that WFE waits for', mends.mendSendEvent, (chip) => {
  chip.core.eventRegistered = false;
  instruction(chip, 0xbf40);
  return chip.core.eventRegistered;
});

const masks = (chip) => mends.mendI2cInterruptMask(chip.i2c[0]);

faultAndMend('the I2C interrupt mask can be written', masks, (chip) => {
  chip.writeUint32(IC_INTR_MASK, TX_EMPTY);
  return chip.readUint32(IC_INTR_MASK) === TX_EMPTY;
});

faultAndMend('a moved receive threshold raises the I2C interrupt that is due', masks, (chip) => {
  chip.i2c[0].rxFIFO.push(1);
  chip.i2c[0].rxFIFO.push(2);
  chip.writeUint32(IC_RX_TL, 1);
  return (chip.readUint32(IC_RAW_INTR_STAT) & RX_FULL) !== 0;
});

faultAndMend('a moved transmit threshold raises the I2C interrupt that is due', masks, (chip) => {
  chip.writeUint32(IC_TX_TL, 1);
  return (chip.readUint32(IC_RAW_INTR_STAT) & TX_EMPTY) !== 0;
});

faultAndMend('an I2C abort reports the transmit queue empty', (chip) => mends.mendI2cAbort(chip.i2c[0]), (chip) => {
  chip.i2c[0].abort(1);
  return (chip.readUint32(IC_RAW_INTR_STAT) & TX_EMPTY) !== 0;
});

/** Begins a transfer that never ends, then does `then`, and says whether another transfer begins. */
function beginsAgainAfter(then) {
  return (chip) => {
    let starts = 0;
    chip.i2c[0].onStart = () => starts++;
    chip.writeUint32(IC_ENABLE, 1);
    chip.writeUint32(IC_DATA_CMD, 0x55);
    then(chip);
    chip.writeUint32(IC_ENABLE, 1);
    chip.writeUint32(IC_DATA_CMD, 0x55);
    return starts === 2;
  };
}

faultAndMend(
  'an I2C controller switched off forgets its transfer',
  (chip) => mends.mendI2cDisable(chip.i2c[0]),
  beginsAgainAfter((chip) => chip.writeUint32(IC_ENABLE, 0)),
);

faultAndMend(
  'an I2C controller held in reset forgets its transfer',
  mends.mendI2cReset,
  beginsAgainAfter((chip) => {
    chip.writeUint32(RESETS, 1 << 3);
    chip.writeUint32(RESETS, 0);
  }),
);

faultAndMend('the converter goes round its channels', (chip) => mends.mendAdcChannelSelection(chip.adc), (chip) => {
  // From channel 0 to channel 1, round the two of them; the fault stays on channel 0.
  const roundRobin = 0b11 << 16;
  chip.writeUint32(ADC_CS, roundRobin | 0b101);
  chip.clock.tick(10e3);
  return chip.adc.activeChannel === 1;
});

faultAndMend('the watchdog comes to its end once', (chip) => mends.mendWatchdog(chip.peripherals[0x40058]), (chip) => {
  const watchdog = chip.peripherals[0x40058];
  let ends = 0;
  const tooOften = new Error('again and again');
  watchdog.onWatchdogTrigger = () => {
    if (++ends > 5) throw tooOften;
  };
  chip.writeUint32(WATCHDOG + 0x04, 2000);
  chip.writeUint32(WATCHDOG, 1 << 30);
  try {
    chip.clock.tick(5e6);
  } catch (error) {
    assert.equal(error, tooOften);
  }
  return ends === 1;
});

const flashIdentity = Uint8Array.of(1, 2, 3, 4, 5, 6, 7, 8);

faultAndMend(
  'the flash chip tells its identity',
  (chip) => mends.mendFlash(chip, { flashIdentity, onBreakpoint: () => {} }),
  (chip) => {
    chip.writeUint8(SSI + 0x60, 0x4b);
    const answer = Array.from({ length: 12 }, () => chip.readUint8(SSI + 0x60));
    return answer.slice(4).every((byte, index) => byte === flashIdentity[index]);
  },
);

faultAndMend(
  'the boot ROM has a table of functions',
  (chip) => mends.mendFlash(chip, { flashIdentity, onBreakpoint: () => {} }),
  (chip) => {
    // rom_table_lookup(function table, "C4") gives memcpy44, which copies two words.
    const call = (address, ...registers) => {
      chip.core.registers.set(registers);
      chip.core.LR = 0x20000101;
      chip.core.PC = address & ~1;
      for (let i = 0; i < 2; i++) chip.core.executeInstruction();
      return chip.core.registers[0];
    };
    const lookup = chip.readUint16(0x18);
    if (lookup === 0) return false;
    const copy = call(lookup, chip.readUint16(0x14), 'C'.charCodeAt(0) | ('4'.charCodeAt(0) << 8));
    chip.writeUint32(0x20001000, 0x11223344);
    call(copy, 0x20002000, 0x20001000, 4);
    return chip.readUint32(0x20002000) === 0x11223344 && chip.core.PC === 0x20000100;
  },
);

faultAndMend(
  'the chip says why it started',
  (chip) => mends.mendResetCause(chip, { resetCause: 'run-pin' }),
  (chip) => chip.readUint32(0x40064008) === 1 << 16,
);

faultAndMend(
  'the ring oscillator gives bits',
  (chip) => mends.mendRandomBits(chip, { randomBit: () => 0 }),
  (chip) => chip.readUint32(0x4006001c) === 0,
);
