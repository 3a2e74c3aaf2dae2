// The wire as protocol/SPEC.md has it, written a second time from the specification: COBS frames, CRC-32, postcard.

const CRC_TABLE = Uint32Array.from({ length: 256 }, (_, byte) => {
  let crc = byte;
  for (let bit = 0; bit < 8; bit++) crc = crc & 1 ? (crc >>> 1) ^ 0xedb88320 : crc >>> 1;
  return crc >>> 0;
});

/** CRC-32/ISO-HDLC. */
export function crc32(bytes) {
  let crc = 0xffffffff;
  for (const byte of bytes) crc = CRC_TABLE[(crc ^ byte) & 0xff] ^ (crc >>> 8);
  return ~crc >>> 0;
}

/** Consistent overhead byte stuffing (Cheshire and Baker), the delimiter left out. */
export function stuff(bytes) {
  const out = [];
  let group = [];
  bytes.forEach((byte, index) => {
    if (byte !== 0) group.push(byte);
    if (byte === 0 || (group.length === 254 && index < bytes.length - 1)) {
      out.push(group.length + 1, ...group);
      group = [];
    }
  });
  return [...out, group.length + 1, ...group];
}

/** Undoes `stuff`; `null` when the bytes are no such encoding. */
export function unstuff(bytes) {
  const out = [];
  for (let at = 0; at < bytes.length; ) {
    const code = bytes[at];
    if (code === 0 || at + code > bytes.length) return null;
    out.push(...bytes.slice(at + 1, at + code));
    at += code;
    if (code < 255 && at < bytes.length) out.push(0);
  }
  return out;
}

class Reader {
  constructor(bytes) {
    this.bytes = bytes;
    this.at = 0;
  }

  byte() {
    if (this.at >= this.bytes.length) throw new Error('the body ends too early');
    return this.bytes[this.at++];
  }

  varint() {
    let value = 0n;
    for (let shift = 0n; ; shift += 7n) {
      const byte = this.byte();
      value |= BigInt(byte & 0x7f) << shift;
      if (byte < 0x80) return value;
    }
  }

  number() {
    return Number(this.varint());
  }

  signed() {
    const value = this.varint();
    return Number(value & 1n ? -((value + 1n) >> 1n) : value >> 1n);
  }

  bool() {
    return this.byte() !== 0;
  }

  bytes8() {
    return Uint8Array.from({ length: 8 }, () => this.byte());
  }

  string() {
    return String.fromCharCode(...Array.from({ length: this.number() }, () => this.byte()));
  }

  option(read) {
    return this.byte() === 0 ? null : read();
  }

  both(read) {
    return [read(0), read(1)];
  }

  one(names) {
    const index = this.number();
    if (index >= names.length) throw new Error(`variant ${index} where only ${names.length} are known`);
    return names[index];
  }
}

const RESET_CAUSES = ['power-on', 'watchdog', 'external', 'brown-out', 'unknown'];
const GUARD_STATES = ['off', 'armed', 'tripped'];
const COMMANDS = ['hello-request', 'configure', 'start', 'stop', 'time-request', 'guard-limits', 'rearm', 'identify'];
const REFUSALS = [
  'while-running',
  'reading-period-out-of-range',
  'conversion-too-long',
  'limit-out-of-range',
  'no-monitor',
  'still-past-limit',
  'not-tripped',
];
const MONITOR_STATES = ['ready', 'absent', 'wrong-chip', 'bus-stuck'];
const THERMISTOR_STATES = ['code', 'open', 'shorted', 'failed'];
const GUARD_CAUSES = ['over-current', 'over-temperature', 'thermistor-lost', 'host-silent', 'monitor-lost'];

function monitor(r) {
  const state = r.one(MONITOR_STATES);
  return state === 'wrong-chip' ? { state, manufacturer: r.number(), device: r.number() } : { state };
}

function thermistor(r) {
  const state = r.one(THERMISTOR_STATES);
  return state === 'code' ? { state, code: r.number() } : { state };
}

function channelCodes(r) {
  let code = 0;
  const codes = Array.from({ length: r.number() }, () => (code += r.signed()));
  const missing = r.number();
  return codes.map((value, position) => ((missing >>> position) & 1 ? null : value));
}

const FROM_BOARD = [
  function hello(r) {
    return {
      protocolVersion: r.number(),
      boardSerial: r.bytes8(),
      board: r.string(),
      firmwareVersion: [r.number(), r.number(), r.number()],
      bootNonce: r.number(),
      bootCount: r.number(),
      resetCause: r.one(RESET_CAUSES),
      timeUs: r.number(),
      readingPeriodUs: r.number(),
      running: r.bool(),
      guard: r.one(GUARD_STATES),
      channels: r.both(() => ({
        monitor: monitor(r),
        shuntMicroOhm: r.number(),
        conversionTime: r.number(),
        shuntRange: r.number(),
        currentStepPv: r.number(),
        railStepPv: r.number(),
      })),
      thermistors: r.both(() => ({ seriesOhm: r.number(), fullScaleCode: r.number() })),
    };
  },
  function readings(r) {
    const [firstIndex, firstTimeUs, periodUs, late] = [r.number(), r.number(), r.number(), r.number()];
    return { firstIndex, firstTimeUs, periodUs, late, codes: r.both(() => channelCodes(r)) };
  },
  function slow(r) {
    return {
      timeUs: r.number(),
      rail: r.both(() => r.option(() => ({ latest: r.number(), lowest: r.number(), highest: r.number() }))),
      thermistor: r.both(() => thermistor(r)),
      chipTemperature: r.both(() => r.option(() => r.signed())),
    };
  },
  function mark(r) {
    return { number: r.number(), timeUs: r.number(), edge: r.one(['pressed', 'released']) };
  },
  function health(r) {
    return {
      timeUs: r.number(),
      running: r.bool(),
      guard: r.one(GUARD_STATES),
      nextIndex: r.number(),
      readingsDropped: r.number(),
      lateTicks: r.number(),
      busErrors: r.both(() => r.number()),
      monitorRestarts: r.both(() => r.number()),
      bufferHighWater: r.number(),
      bufferCapacity: r.number(),
      framesRejected: r.number(),
    };
  },
  function time(r) {
    return { number: r.number(), hostSendNs: r.varint(), boardReceiveUs: r.number(), boardSendUs: r.number() };
  },
  function guardTrip(r) {
    const [timeUs, causeTimeUs, cause] = [r.number(), r.number(), r.one(GUARD_CAUSES)];
    const trip = { timeUs, causeTimeUs, cause };
    if (cause !== 'host-silent') trip.channel = r.number();
    if (cause === 'over-current') trip.code = r.signed();
    if (cause === 'over-temperature') trip.code = r.number();
    return trip;
  },
  function refusal(r) {
    return { command: r.one(COMMANDS), reason: r.one(REFUSALS) };
  },
];

/** Opens one frame, its delimiter taken off; throws when it is no message. */
export function decode(frame) {
  const checked = unstuff(frame);
  if (!checked || checked.length < 5) throw new Error('not a frame');
  const body = checked.slice(0, -4);
  const [a, b, c, d] = checked.slice(-4);
  if (crc32(body) !== (a | (b << 8) | (c << 16) | (d << 24)) >>> 0) throw new Error('the checksum does not belong');
  const reader = new Reader(body);
  const read = FROM_BOARD[reader.number()];
  if (!read) throw new Error('a message of no known kind');
  const message = { kind: read.name, ...read(reader) };
  if (reader.at !== body.length) throw new Error(`${body.length - reader.at} bytes too many in a ${message.kind}`);
  return message;
}

/** Cuts a stream of bytes into messages. */
export class Receiver {
  constructor(onMessage) {
    this.onMessage = onMessage;
    this.held = [];
    this.faults = 0;
  }

  take(bytes) {
    for (const byte of bytes) {
      if (byte !== 0) {
        this.held.push(byte);
        continue;
      }
      const frame = this.held;
      this.held = [];
      if (frame.length === 0) continue;
      let message;
      try {
        message = decode(frame);
      } catch {
        this.faults++;
        continue;
      }
      this.onMessage(message);
    }
  }
}

function varint(value) {
  const out = [];
  for (let rest = BigInt(value); ; rest >>= 7n) {
    if (rest < 0x80n) return [...out, Number(rest)];
    out.push(Number(rest & 0x7fn) | 0x80);
  }
}

const option = (value) => (value === null || value === undefined ? [0] : [1, ...varint(value)]);

/** Makes a frame of a body, delimiter included. */
export function frame(body) {
  const crc = crc32(body);
  return Uint8Array.from([...stuff([...body, crc & 0xff, (crc >> 8) & 0xff, (crc >> 16) & 0xff, crc >>> 24]), 0]);
}

/** Frames of the messages that a host sends. */
export const toBoard = {
  helloRequest: () => frame([0]),
  configure: ({ readingPeriodUs, conversionTime, shuntRange = 0 }) =>
    frame([1, ...varint(readingPeriodUs), conversionTime, shuntRange]),
  start: () => frame([2]),
  stop: () => frame([3]),
  timeRequest: ({ number, hostSendNs }) => frame([4, ...varint(number), ...varint(hostSendNs)]),
  guardLimits: ({ overCurrent = [], readings = 1, hot = [], thermistorRequired = [false, false], hostSilentMs } = {}) =>
    frame([
      5,
      ...option(overCurrent[0]),
      ...option(overCurrent[1]),
      readings,
      ...option(hot[0]),
      ...option(hot[1]),
      ...thermistorRequired.map(Number),
      ...option(hostSilentMs),
    ]),
  rearm: () => frame([6]),
  identify: () => frame([7]),
};
