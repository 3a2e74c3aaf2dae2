// The second writing of the wire, held against published vectors and against the specification's own bytes.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { Receiver, crc32, decode, frame, stuff, toBoard, unstuff } from '../wire.mjs';

const hex = (text) => [...Buffer.from(text, 'hex')];

test('the checksum has the catalogued check value', () => {
  // CRC-32/ISO-HDLC in the crate crc-catalog 2.5.0.
  assert.equal(crc32(Buffer.from('123456789')), 0xcbf43926);
});

test('byte stuffing agrees with the published examples', () => {
  const count = (from, to) => Array.from({ length: to - from + 1 }, (_, index) => from + index);
  // Tests of the crate cobs 0.5.1, and the paper by Cheshire and Baker for the rule behind them.
  for (const [plain, stuffed] of [
    [hex('00'), hex('0101')],
    [hex('0000'), hex('010101')],
    [hex('001100'), hex('01021101')],
    [hex('11220033'), hex('0311220233')],
    [hex('11223344'), hex('0511223344')],
    [hex('11000000'), hex('0211010101')],
    [count(1, 254), [255, ...count(1, 254)]],
    [count(0, 254), [1, 255, ...count(1, 254)]],
    [count(1, 255), [255, ...count(1, 254), 2, 255]],
    [[...count(2, 255), 0], [255, ...count(2, 255), 1, 1]],
    [[...count(3, 255), 0, 1], [254, ...count(3, 255), 2, 1]],
  ]) {
    assert.deepEqual(stuff(plain), stuffed);
    assert.deepEqual(unstuff(stuffed), plain);
  }
  assert.equal(unstuff([5, 1, 2]), null);
  assert.equal(unstuff([0]), null);
});

test('numbers take the bytes that postcard gives them', () => {
  // postcard wire format: 128 is 80 01, 16383 is FF 7F, 16384 is 80 80 01, 65535 is FF FF 03.
  for (const [value, bytes] of [
    [128, hex('8001')],
    [16383, hex('ff7f')],
    [16384, hex('808001')],
    [65535, hex('ffff03')],
  ]) {
    const body = unstuff([...toBoard.timeRequest({ number: value, hostSendNs: 0n })].slice(0, -1)).slice(0, -4);
    assert.deepEqual(body, [4, ...bytes, 0]);
  }
});

test('a block of readings is the sum of its differences, and what is missing is null', () => {
  // Index 100, time 2000, period 1000, none late; codes 5, 6, 4 and then -1, missing, 63: zigzag of 5, +1, -2; -1, 0, +64.
  const body = [1, 100, 0xd0, 0x0f, 0xe8, 0x07, 0, 3, 10, 2, 3, 0, 3, 1, 0, 0x80, 0x01, 2];
  assert.deepEqual(decode([...frame(body)].slice(0, -1)), {
    kind: 'readings',
    firstIndex: 100,
    firstTimeUs: 2000,
    periodUs: 1000,
    late: 0,
    codes: [
      [5, 6, 4],
      [-1, null, 63],
    ],
  });
});

test('damage costs the frames it touches and is counted', () => {
  const refusal = frame([7, 2, 4]);
  const stream = [...refusal, ...refusal, ...refusal];
  stream[refusal.length + 2] ^= 0x10;
  const messages = [];
  const receiver = new Receiver((message) => messages.push(message));
  for (const byte of stream) receiver.take([byte]);
  assert.deepEqual(messages, Array(2).fill({ kind: 'refusal', command: 'start', reason: 'no-monitor' }));
  assert.equal(receiver.faults, 1);
});
