// The real image on the emulated board. Every time and share here is emulated.

import assert from 'node:assert/strict';
import { describe, test } from 'node:test';
import { Desk } from './desk.mjs';
import { toBoard } from '../wire.mjs';

const PERIOD_US = { normal: 1000, fastest: 250 };
const CONVERSION = { us150: 2, us540: 4 };

/** Holds every reading against what the chips served: the first by its time, and every later one by its order. */
function assertServed(desk, { readings }) {
  desk.board.monitors.forEach(({ served }, channel) => {
    const first = served.nanos.findIndex((nanos) => nanos >= readings[0].dueUs * 1000);
    assert.ok(served.nanos[first] < readings[0].dueUs * 1000 + 200e3, 'the first reading was read at its time');
    readings.forEach(({ index, codes }, after) => {
      assert.equal(codes[channel], served.codes[first + after], `channel ${channel + 1}, reading ${index}`);
    });
  });
}

describe('USB', () => {
  test('the board enumerates as a serial port under the project\'s name', () => {
    const { descriptors } = new Desk();
    assert.equal(descriptors.manufacturer, 'Steadybench');
    assert.equal(descriptors.product, 'Steadybench recorder');
    assert.equal(descriptors.serialNumber, 'E4642C105B4A192F');
    const { device } = descriptors;
    // idVendor and idProduct: the pair that pid.codes sets aside for tests.
    assert.deepEqual([...device.subarray(8, 12)], [0x09, 0x12, 0x01, 0x00]);
    // Miscellaneous, common class, interface association: what a composite device says (USB ECN "IAD").
    assert.deepEqual([...device.subarray(4, 7)], [0xef, 0x02, 0x01]);
  });

  test('nothing is sent before the port is opened or the host has spoken', () => {
    const desk = new Desk({ open: false });
    desk.board.run(500);
    desk.board.setPortOpen(true, { dtr: false });
    desk.board.run(500);
    assert.equal(desk.bytes, 0);
    assert.equal(desk.hello()?.board, 'pico');
  });

  test('a port opened anew serves its new user, whatever the one before left in it', () => {
    const desk = new Desk();
    desk.ask(toBoard.start(), 'health');
    for (let user = 0; user < 5; user++) {
      // Closed in the middle of whatever frame it is: the rest of a packet waits in the board.
      desk.board.setPortOpen(false);
      const silent = desk.bytes;
      desk.board.run(150 + 7.3 * user);
      assert.equal(desk.bytes, silent);
      desk.receiver.held = [];
      const faults = desk.receiver.faults;
      desk.board.setPortOpen(true);
      desk.board.run(20);
      assert.ok(desk.hello().running);
      assert.ok(desk.receiver.faults <= faults + 1, 'at most the frame that was cut is lost');
    }
  });
});

describe('hello', () => {
  test('says what the board is', () => {
    const hello = new Desk().of('hello')[0];
    assert.equal(hello.protocolVersion, 1);
    assert.equal(hello.board, 'pico');
    assert.deepEqual([...hello.boardSerial], [0xe4, 0x64, 0x2c, 0x10, 0x5b, 0x4a, 0x19, 0x2f]);
    assert.deepEqual([hello.bootCount, hello.resetCause, hello.guard], [1, 'power-on', 'off']);
    for (const channel of hello.channels) {
      assert.deepEqual(channel.monitor, { state: 'ready' });
      assert.equal(channel.shuntMicroOhm, 50_000);
    }
    assert.deepEqual(hello.thermistors, Array(2).fill({ seriesOhm: 10_000, fullScaleCode: 4096 }));
  });

  test('tells one start from another', () => {
    const nonces = [1, 2].map((randomSeed) => new Desk({ randomSeed }).of('hello')[0].bootNonce);
    assert.notEqual(nonces[0], nonces[1]);
  });
});

describe('readings', () => {
  for (const [name, period, conversion, seconds] of [
    ['1000/s', PERIOD_US.normal, CONVERSION.us540, 5],
    ['4000/s', PERIOD_US.fastest, CONVERSION.us150, 3],
  ]) {
    test(`are the codes that the chips served, without a gap, at ${name}`, () => {
      const desk = new Desk();
      assert.ok(desk.ask(toBoard.configure({ readingPeriodUs: period, conversionTime: conversion }), 'hello'));
      assert.equal(desk.ask(toBoard.start(), 'health').running, true);
      desk.board.run(seconds * 1000);
      const health = desk.ask(toBoard.stop(), 'health', 100);
      const { readings, missing } = desk.readings();
      assert.equal(missing, 0);
      assert.equal(readings.length, health.nextIndex);
      assert.ok(readings.length >= (seconds * 1e6) / period);
      assert.ok(readings.every(({ codes }) => !codes.includes(null)));
      assertServed(desk, { readings });
      assert.equal(desk.receiver.faults, 0);
      assert.deepEqual([health.readingsDropped, health.busErrors], [0, [0, 0]]);
      // Marked, not lost: a tick that reads the rail too or makes a frame may come late at the fastest rate.
      const late = readings.filter((reading) => reading.late).length;
      assert.ok(late <= (period === PERIOD_US.normal ? 0 : 0.02 * readings.length), `${late} late`);
    });
  }

  test('wait out a host that stalls for two seconds', () => {
    const desk = new Desk();
    desk.ask(toBoard.start(), 'health');
    desk.board.usb.setListening(false);
    desk.board.run(2000);
    desk.board.usb.setListening(true);
    desk.board.run(500);
    const health = desk.ask(toBoard.stop(), 'health', 200);
    const { readings, missing } = desk.readings();
    assert.deepEqual([missing, health.readingsDropped], [0, 0]);
    assert.equal(readings.length, health.nextIndex);
    assert.ok(health.bufferHighWater > 90);
    assertServed(desk, { readings });
  });

  test('that a longer stall drops are counted to the last', () => {
    const desk = new Desk();
    desk.ask(toBoard.start(), 'health');
    desk.board.usb.setListening(false);
    desk.board.run(5000);
    desk.board.usb.setListening(true);
    desk.board.run(500);
    const health = desk.ask(toBoard.stop(), 'health', 200);
    const { readings, missing } = desk.readings();
    assert.ok(missing > 1000);
    assert.equal(missing, health.readingsDropped);
    assert.equal(readings.length + missing, health.nextIndex);
  });

  test('come with rail, thermistors and chip temperature', () => {
    const desk = new Desk({ monitors: [{ railVolts: () => 24, dieCelsius: 31 }, { railVolts: () => 5 }] });
    desk.board.setThermistorCode(0, 1500);
    desk.board.setThermistorCode(1, 4095);
    desk.ask(toBoard.start(), 'health');
    desk.board.run(1000);
    const slow = desk.last('slow');
    // 24 V and 5 V in steps of 195.3125 µV, 31 °C in steps of 7.8125 m°C.
    assert.deepEqual(slow.rail.map(({ latest }) => latest), [122880, 25600]);
    assert.equal(slow.chipTemperature[0], 3968);
    assert.deepEqual(slow.thermistor, [{ state: 'code', code: 1500 }, { state: 'open' }]);
    assert.ok(desk.of('slow').length >= 9);
  });
});

describe('foot switch', () => {
  test('marks bear the time of the first contact, within 2 ms', () => {
    const desk = new Desk();
    desk.ask(toBoard.start(), 'health');
    const bounce = (millis) => {
      desk.board.setFootSwitch(!desk.board.footSwitchPressed);
      desk.board.run(millis);
    };
    const moves = [];
    for (let move = 0; move < 10; move++) {
      moves.push({ us: desk.board.boardNanos() / 1000, pressed: !desk.board.footSwitchPressed });
      for (const millis of [0.3, 0.7, 60 + 3.217 * move]) bounce(millis);
    }
    const marks = desk.of('mark');
    assert.equal(marks.length, moves.length);
    marks.forEach((mark, index) => {
      assert.equal(mark.number, index);
      assert.equal(mark.edge, moves[index].pressed ? 'pressed' : 'released');
      const after = mark.timeUs - moves[index].us;
      assert.ok(after >= -1 && after < 2000, `mark ${index} is ${after} µs after the contact`);
    });
  });
});

describe('guard', () => {
  /** A current that steps past the limit at 1 s after `from`. */
  function overload(desk) {
    const monitor = desk.board.monitors[1];
    const from = desk.board.now() + 50e6;
    monitor.code = null;
    monitor.current = (seconds) => (seconds * 1e9 >= from ? 2.0 : 0.5);
    return from;
  }

  function assertTripped(desk, from) {
    const { served } = desk.board.monitors[1];
    const limit = 160_000;
    const seen = served.nanos.find((nanos, index) => nanos >= from && served.codes[index] > limit);
    const opened = desk.board.truth.guardRelay.at(-1);
    assert.equal(opened.high, false);
    assert.ok(opened.nanos - seen < 10e6, `${(opened.nanos - seen) / 1e3} µs after the reading`);
    assert.ok(opened.nanos >= seen);
  }

  const limits = toBoard.guardLimits({ overCurrent: [null, 160_000] });

  test('opens the relay within 10 ms of the reading that passed the limit', () => {
    const desk = new Desk();
    assert.equal(desk.ask(limits, 'health').guard, 'armed');
    desk.ask(toBoard.start(), 'health');
    assert.equal(desk.board.truth.guardRelay.at(-1).high, true);
    const from = overload(desk);
    desk.board.run(200);
    assertTripped(desk, from);
    const trip = desk.last('guardTrip');
    assert.deepEqual([trip.cause, trip.channel], ['over-current', 1]);
    assert.ok(trip.timeUs - trip.causeTimeUs < 10_000);
    assert.deepEqual(desk.ask(toBoard.rearm(), 'refusal').reason, 'still-past-limit');
    desk.board.monitors[1].current = () => 0.5;
    desk.board.run(20);
    assert.equal(desk.ask(toBoard.rearm(), 'health').guard, 'armed');
    assert.equal(desk.board.truth.guardRelay.at(-1).high, true);
  });

  test('does so with a dead host, and says so when one comes', () => {
    const desk = new Desk();
    desk.ask(limits, 'health');
    desk.ask(toBoard.start(), 'health');
    desk.board.usb.setListening(false);
    desk.board.run(4000);
    const from = overload(desk);
    desk.board.run(200);
    assertTripped(desk, from);
    assert.equal(desk.of('guardTrip').length, 0);
    desk.board.usb.setListening(true);
    desk.board.run(300);
    assert.equal(desk.last('guardTrip').cause, 'over-current');
  });

  test('does so for a hot thermistor and a lost one', () => {
    for (const [code, cause] of [
      [500, 'over-temperature'],
      [4095, 'thermistor-lost'],
    ]) {
      const desk = new Desk();
      desk.ask(toBoard.guardLimits({ hot: [800, null], thermistorRequired: [true, false] }), 'health');
      const from = desk.board.now();
      desk.board.setThermistorCode(0, code);
      desk.board.run(100);
      assert.ok(desk.board.truth.guardRelay.at(-1).nanos - from < 12e6);
      assert.equal(desk.last('guardTrip').cause, cause);
    }
  });

  test('acts when the host falls silent', () => {
    const desk = new Desk();
    desk.ask(toBoard.guardLimits({ hostSilentMs: 500 }), 'health');
    desk.board.run(300);
    assert.equal(desk.hello().guard, 'armed');
    desk.board.run(700);
    assert.equal(desk.last('guardTrip').cause, 'host-silent');
    assert.equal(desk.board.truth.guardRelay.at(-1).high, false);
  });
});

describe('faults of the monitor chips', () => {
  test('an absent chip is named, and found when it comes', () => {
    const desk = new Desk({ open: false });
    desk.board.monitors[0].absent = true;
    desk.board.reset('run-pin');
    desk.board.setPortOpen(true);
    desk.board.run(100);
    const monitors = () => desk.hello().channels.map(({ monitor }) => monitor.state);
    assert.deepEqual(monitors(), ['absent', 'ready']);
    desk.board.monitors[0].absent = false;
    desk.board.run(300);
    assert.deepEqual(monitors(), ['ready', 'ready']);
  });

  test('another chip is named by what it says of itself', () => {
    const desk = new Desk();
    desk.board.monitors[1].identity = { manufacturer: 0x5449, device: 0x2381 };
    desk.board.reset('run-pin');
    desk.board.run(100);
    assert.deepEqual(desk.hello().channels[1].monitor, { state: 'wrong-chip', manufacturer: 0x5449, device: 0x2381 });
  });

  test('a chip that lost its settings gets them again', () => {
    const desk = new Desk();
    desk.ask(toBoard.start(), 'health');
    desk.board.run(100);
    desk.board.monitors[0].restart(desk.board.now());
    desk.board.run(200);
    const health = desk.ask(toBoard.stop(), 'health', 100);
    assert.deepEqual(health.monitorRestarts, [1, 0]);
    assert.equal(desk.board.monitors[0].values.get(1), desk.board.monitors[1].values.get(1));
  });

  test('a held data line is clocked free, and the other channel loses nothing that it need not', () => {
    const desk = new Desk();
    desk.ask(toBoard.start(), 'health');
    desk.board.run(100);
    desk.board.buses[0].hold('sda', 5);
    desk.board.run(1000);
    assert.equal(desk.board.buses[0].stuck, null);
    const { readings } = desk.readings();
    const tail = readings.slice(-200);
    assert.ok(tail.every(({ codes }) => !codes.includes(null)));
    assert.ok(readings.some(({ codes }) => codes[0] === null));
    assert.ok(readings.every(({ codes }) => codes[1] !== null));
    assert.deepEqual(desk.hello().channels.map(({ monitor }) => monitor.state), ['ready', 'ready']);
  });

  test('a line held for ever is named, and the other channel goes on', () => {
    for (const line of ['sda', 'scl']) {
      const desk = new Desk();
      desk.ask(toBoard.start(), 'health');
      desk.board.buses[1].hold(line);
      desk.board.run(1500);
      assert.deepEqual(desk.hello().channels.map(({ monitor }) => monitor.state), ['ready', 'bus-stuck']);
      const { readings } = desk.readings();
      const tail = readings.slice(-500);
      assert.ok(tail.every(({ codes }) => codes[0] !== null && codes[1] === null));
      desk.board.buses[1].release();
      desk.board.run(500);
      assert.equal(desk.hello().channels[1].monitor.state, 'ready');
    }
  });
});

describe('starts', () => {
  test('a hung program is started anew by the watchdog: named, counted, and the relay stays open until re-armed', () => {
    const desk = new Desk();
    const nonce = desk.of('hello')[0].bootNonce;
    assert.equal(desk.board.truth.guardRelay.at(-1).high, true);
    const hung = desk.board.now();
    desk.board.hang();
    desk.board.run(700);
    const opened = desk.board.truth.guardRelay.at(-1);
    assert.equal(opened.high, false);
    assert.ok(opened.nanos - hung < 510e6);
    assert.deepEqual(desk.attached, [true, false, true]);
    const hello = desk.hello();
    assert.deepEqual([hello.resetCause, hello.bootCount, hello.guard], ['watchdog', 2, 'tripped']);
    assert.notEqual(hello.bootNonce, nonce);
    assert.equal(desk.ask(toBoard.rearm(), 'health').guard, 'off');
    assert.equal(desk.board.truth.guardRelay.at(-1).high, true);
  });

  test('a panic opens the relay at once and starts the chip anew', () => {
    const desk = new Desk();
    const { core } = desk.board.chip;
    const [name] = [...desk.board.image.symbols.keys()].filter((symbol) => /panic_bounds_check/.test(symbol));
    assert.ok(name, 'the image has a bounds check to fail');
    const panicked = desk.board.now();
    // As the compiler calls it: index, length, and where in the source, which is a string, a line and a column.
    const place = 0x20041000;
    desk.board.chip.sram.set(Buffer.from('test.rs'), place + 16 - 0x20000000);
    [place + 16, 7, 1, 1].forEach((word, index) => desk.board.chip.writeUint32(place + 4 * index, word));
    core.registers.set([7, 3, place]);
    core.PC = desk.board.image.symbols.get(name) & ~1;
    core.waiting = false;
    desk.board.run(100);
    const opened = desk.board.truth.guardRelay.at(-1);
    assert.equal(opened.high, false);
    assert.ok(opened.nanos - panicked < 100e3, `${(opened.nanos - panicked) / 1e3} µs`);
    assert.equal(desk.board.truth.boots.length, 2);
    assert.equal(desk.hello().resetCause, 'watchdog');
  });

  test('the reset pin is told from power', () => {
    const desk = new Desk();
    desk.board.reset('run-pin');
    desk.board.run(60);
    const hello = desk.hello();
    assert.deepEqual([hello.resetCause, hello.bootCount, hello.guard], ['external', 1, 'off']);
  });

  test('a working program feeds the watchdog whether or not a host takes what it sends', () => {
    const desk = new Desk();
    desk.ask(toBoard.start(), 'health');
    desk.board.usb.setListening(false);
    desk.board.run(3000);
    assert.equal(desk.board.truth.boots.length, 1);
  });
});

describe('time', () => {
  test('replies bear the board\'s time of receipt and of sending', () => {
    const desk = new Desk();
    const before = desk.board.boardNanos() / 1000;
    const reply = desk.ask(toBoard.timeRequest({ number: 9, hostSendNs: 2n ** 63n + 5n }), 'time', 5);
    assert.deepEqual([reply.number, reply.hostSendNs], [9, 2n ** 63n + 5n]);
    assert.ok(before <= reply.boardReceiveUs && reply.boardReceiveUs <= reply.boardSendUs);
    assert.ok(reply.boardSendUs <= reply.atUs);
    assert.ok(reply.boardSendUs - before < 1000);
  });
});
