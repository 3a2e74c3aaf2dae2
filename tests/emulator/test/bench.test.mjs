// The models around the chip: monitor, waveforms, scripts, pins, and what is read of files and descriptors.

import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { describe, test } from 'node:test';
import { readElf } from '../elf.mjs';
import { Ina228, REGISTER } from '../ina228.mjs';
import { PINS } from '../pins.mjs';
import { act, emulatorOptions } from '../script.mjs';
import { serialPort } from '../usb-host.mjs';
import { codes, overTime } from '../waveform.mjs';

/** Reads a register as a controller does. */
function read(monitor, register, bytes, now = 0) {
  assert.ok(monitor.connect(0x40, false, now));
  monitor.write(register, now);
  assert.ok(monitor.connect(0x40, true, now));
  return Array.from({ length: bytes }, () => monitor.read(now)).reduce((value, byte) => value * 256 + byte, 0);
}

function write(monitor, register, value, now = 0) {
  monitor.connect(0x40, false, now);
  for (const byte of [register, value >> 8, value & 0xff]) monitor.write(byte, now);
}

describe('the monitor chip', () => {
  test('has the identity and reset values of its data sheet', () => {
    // TI SLYS021A, tables 7-23 and 7-24, and table 7-6 for ADC_CONFIG.
    const monitor = new Ina228();
    assert.equal(read(monitor, REGISTER.manufacturer, 2), 0x5449);
    assert.equal(read(monitor, REGISTER.device, 2), 0x2281);
    assert.equal(read(monitor, REGISTER.adcConfig, 2), 0xfb68);
  });

  test('scales shunt and rail as its data sheet does', () => {
    // 312.5 nV and 78.125 nV a step, left-justified in 24 bits: tables 7-8 and 7-5; 195.3125 µV for the rail: table 7-9.
    const monitor = new Ina228({ current: () => -0.02, railVolts: () => 12, shuntOhm: 0.05 });
    const settled = 10e6;
    assert.equal(read(monitor, REGISTER.shuntVoltage, 3, settled), (-3200 & 0xfffff) * 16);
    assert.equal(read(monitor, REGISTER.busVoltage, 3, settled), 61440 * 16);
    write(monitor, REGISTER.config, 0x10, settled);
    assert.equal(read(monitor, REGISTER.shuntVoltage, 3, 2 * settled), (-12800 & 0xfffff) * 16);
  });

  test('saturates at both ends', () => {
    for (const [current, code] of [
      [100, 0x7ffff],
      [-100, 0x80000],
    ]) {
      assert.equal(read(new Ina228({ current: () => current }), REGISTER.shuntVoltage, 3, 10e6), code * 16);
    }
  });

  test('converts in its own time', () => {
    // Continuous, all three, 50 µs each but 540 µs for the shunt: 640 µs a round, 0.5 % longer with a slow oscillator.
    const monitor = new Ina228({ code: (conversion) => conversion, clockError: 0.005 });
    write(monitor, REGISTER.adcConfig, 0xf000 | (4 << 6));
    const round = 640e3 * 1.005;
    for (const conversion of [0, 1, 99]) {
      assert.equal(read(monitor, REGISTER.shuntVoltage, 3, (conversion + 1.01) * round) >> 4, conversion);
    }
    assert.deepEqual(monitor.served.codes, [0, 1, 99]);
  });

  test('answers only when it is there', () => {
    const monitor = new Ina228();
    assert.equal(monitor.connect(0x41, false, 0), false);
    monitor.absent = true;
    assert.equal(monitor.connect(0x40, false, 0), false);
  });
});

test('waveforms add up, and refuse what they do not know', () => {
  const shape = overTime({ offset: 1, sine: { amplitude: 2, hz: 50 }, steps: [[1, 10], [2, 0]] });
  assert.ok(Math.abs(shape(0.005) - 3) < 1e-9);
  assert.ok(Math.abs(shape(1.5) - 11) < 1e-9);
  assert.ok(Math.abs(shape(2.5) - 1) < 1e-9);
  assert.throws(() => overTime({ offset: 1, noise: 2 }), /noise/);
  const window = new Set(Array.from({ length: 4096 }, (_, conversion) => codes({ from: -7, spread: 4096 })(conversion)));
  assert.equal(window.size, 4096);
});

test('a script sets up the channels, and an unknown action is named', () => {
  const { monitors, thermistorCodes } = emulatorOptions({ channels: [{ current: 0.5 }, { thermistor_code: 900 }] });
  assert.equal(monitors[0].current(3), 0.5);
  assert.deepEqual(thermistorCodes, [2048, 900]);
  assert.throws(() => act({ monitors: [] }, { wait: 1 }), /no action/);
  assert.throws(() => act({ monitors: [{}] }, { fault: 'fire' }), /absent/);
});

test('the pins are those of the board', () => {
  const source = readFileSync(new URL('../../../firmware/boards/pico/src/pins.rs', import.meta.url), 'utf8');
  const pins = (field) => {
    const line = source.split('\n').find((text) => text.includes(`pub(crate) ${field}:`));
    return [...line.matchAll(/PIN_(\d+)/g)].map(([, number]) => Number(number));
  };
  PINS.monitor.forEach(({ sda, scl }, channel) => assert.deepEqual(pins(`monitor_${channel + 1}`), [sda, scl]));
  assert.deepEqual(pins('supply_relay'), [PINS.guardRelay]);
  assert.deepEqual(pins('foot_switch'), [PINS.footSwitch]);
  assert.deepEqual(pins('lamp'), [PINS.lamp]);
  // The converter's channel 0 is on GPIO 26.
  PINS.thermistorConverterChannel.forEach((input, channel) =>
    assert.deepEqual(pins(`thermistor_${channel + 1}`), [26 + input]),
  );
});

test('what is no image is refused', () => {
  assert.throws(() => readElf(new Uint8Array(100)), /not an ELF file/);
  const wide = new Uint8Array(100);
  wide.set([0x7f, 0x45, 0x4c, 0x46, 2, 1]);
  assert.throws(() => readElf(wide), /32-bit/);
});

test('a device without a serial port is refused', () => {
  assert.throws(() => serialPort(Uint8Array.of(9, 2, 9, 0, 0, 1, 0, 128, 50)), /no serial port/);
});
