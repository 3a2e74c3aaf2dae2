// A board on the desk for a test: the image, free-running, with a host that keeps every message.

import { Emulator } from '../emulator.mjs';
import { image } from '../image.mjs';
import { Receiver, toBoard } from '../wire.mjs';

/** Codes that differ from one conversion to the next, so that a mistaken reading shows. */
export const CODES = [(k) => 1000 + ((k * 7919) % 4096), (k) => -2000 + ((k * 104729) % 8192)];

export class Desk {
  constructor({ open = true, ...options } = {}) {
    this.messages = [];
    this.bytes = 0;
    this.attached = [];
    this.receiver = new Receiver((message) => this.messages.push({ ...message, atUs: this.board.boardNanos() / 1000 }));
    this.board = new Emulator(image(), {
      monitors: CODES.map((code) => ({ code })),
      ...options,
      onData: (bytes) => {
        this.bytes += bytes.length;
        this.receiver.take(bytes);
      },
      onAttached: (attached, descriptors) => {
        this.attached.push(attached);
        if (attached) this.descriptors = descriptors;
      },
    });
    this.board.setPortOpen(open);
    this.board.run(60);
  }

  of(kind) {
    return this.messages.filter((message) => message.kind === kind);
  }

  last(kind) {
    return this.of(kind).at(-1);
  }

  /** Sends a command and gives the first message of `kind` that comes after it, or `undefined`. */
  ask(bytes, kind, millis = 60) {
    const before = this.messages.length;
    this.board.write(bytes);
    this.board.run(millis);
    return this.messages.slice(before).find((message) => message.kind === kind);
  }

  hello() {
    return this.ask(toBoard.helloRequest(), 'hello');
  }

  /** The readings so far in order: index, due time, codes of both channels, late; and how many instants lack. */
  readings() {
    const readings = [];
    let missing = 0;
    let next = null;
    for (const { firstIndex, firstTimeUs, periodUs, late, codes } of this.of('readings')) {
      missing += firstIndex - (next ?? firstIndex);
      next = firstIndex + codes[0].length;
      codes[0].forEach((code, position) =>
        readings.push({
          index: firstIndex + position,
          dueUs: firstTimeUs + position * periodUs,
          codes: [code, codes[1][position]],
          late: ((late >>> position) & 1) === 1,
        }),
      );
    }
    return { readings, missing };
  }
}
