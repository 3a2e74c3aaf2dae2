#!/usr/bin/env node
// Runs the board's image and serves its serial port to other programs.
//
//   node run.mjs --elf IMAGE (--link PATH | --tcp PORT) [--script FILE] [--truth FILE] [--rtt FILE]
//                [--seconds N] [--free-run]
//
// --link PATH   a pseudo-terminal appears at PATH (needs socat); it goes while the board is unplugged or restarts
// --tcp PORT    a port on 127.0.0.1; 0 takes a free one, which the "serving" line names
// --script FILE settings and events, see script.mjs
// --truth FILE  what really happened, written at the end, see truth.mjs
// --rtt FILE    the image's log as raw defmt frames
// --seconds N   stop after so much emulated time; without it, at end of input, on SIGTERM or SIGINT
// --free-run    as fast as the machine goes, in place of the wall clock's pace
//
// Each line of standard input is one action of script.mjs as JSON, or {"quit": true}, or {"truth": true}, which prints
// the record so far. Standard output has one JSON object a line: {"event": "serving", "at": ADDRESS}, "attached",
// "detached", "opened", "closed", "supply_relay", "boot", "behind", "done". The exit code is 0, or 2 for a mistake in
// the arguments.

import { spawn } from 'node:child_process';
import { createWriteStream, existsSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { createInterface } from 'node:readline';
import { parseArgs } from 'node:util';
import { Emulator } from './emulator.mjs';
import { act, emulatorOptions, play } from './script.mjs';
import { truth } from './truth.mjs';

const SLICE_NANOS = 500e3;
/** A slice of free running, so that bytes from outside get in. */
const FREE_SLICE_NANOS = 5e6;

const say = (event, more = {}) => process.stdout.write(`${JSON.stringify({ event, ...more })}\n`);

function fail(message) {
  process.stderr.write(`error: ${message}\n`);
  process.exit(2);
}

function settings() {
  const string = { type: 'string' };
  const options = {
    elf: string,
    link: string,
    tcp: string,
    script: string,
    truth: string,
    rtt: string,
    seconds: string,
    'free-run': { type: 'boolean' },
  };
  let values;
  try {
    ({ values } = parseArgs({ options }));
  } catch (error) {
    fail(error.message);
  }
  if (!values.elf) fail('--elf IMAGE is missing: the image that firmware/boards/pico/build-image.sh made');
  if (!existsSync(values.elf)) fail(`${values.elf} does not exist: build it with firmware/boards/pico/build-image.sh`);
  if (!values.link === !values.tcp) fail('give one of --link PATH and --tcp PORT');
  return values;
}

/** A pseudo-terminal held by a socat child: there while the board is attached, made anew when its user closes it. */
class Terminal {
  constructor(link, port) {
    this.link = link;
    this.port = port;
  }

  attach() {
    this.wanted = true;
    this.start();
  }

  start() {
    // wait-slave: nothing is carried until somebody opens the terminal, and the child ends when the last one closes it.
    const child = spawn('socat', ['-d', '-d', `PTY,link=${this.link},rawer,wait-slave,pty-interval=0.02`, 'STDIO']);
    this.child = child;
    child.on('error', () => fail('--link needs socat: install it, or use --tcp'));
    child.stderr.on('data', (text) => {
      if (`${text}`.includes('PTY is')) this.sayWhenLinked(child);
      if (`${text}`.includes('starting data transfer loop')) this.port.opened();
    });
    child.stdout.on('data', (bytes) => this.port.received(bytes));
    child.stdin.on('error', () => {});
    child.on('exit', () => {
      if (this.child !== child) return;
      this.port.closed();
      if (this.wanted) this.start();
    });
  }

  /** socat names the terminal before it makes the link to it, and who is told "serving" opens the link at once. */
  sayWhenLinked(child) {
    if (this.child !== child) return;
    if (existsSync(this.link)) say('serving', { at: this.link });
    else setTimeout(() => this.sayWhenLinked(child), 1);
  }

  detach() {
    this.wanted = false;
    const { child } = this;
    this.child = null;
    // Killed outright it leaves the link alone, which may be a new child's by then.
    child?.kill('SIGKILL');
    rmSync(this.link, { force: true });
    this.port.closed();
  }

  send(bytes) {
    this.child?.stdin.write(bytes);
  }
}

/** A port on the loopback for one user at a time. */
class Socket {
  constructor(number, port) {
    this.number = Number(number);
    this.port = port;
  }

  attach() {
    this.server = createServer((socket) => {
      if (this.socket) {
        socket.destroy(); // Busy: a serial port has one user.
        return;
      }
      this.socket = socket;
      socket.setNoDelay(true);
      socket.on('data', (bytes) => this.port.received(bytes));
      socket.on('error', () => {});
      socket.on('close', () => {
        if (this.socket === socket) {
          this.socket = null;
          this.port.closed();
        }
      });
      this.port.opened();
    });
    this.server.on('error', (error) => fail(`cannot serve on port ${this.number}: ${error.message}`));
    this.server.listen(this.number, '127.0.0.1', () => {
      this.number = this.server.address().port;
      say('serving', { at: `127.0.0.1:${this.number}` });
    });
  }

  detach() {
    this.server?.close();
    this.server = null;
    this.socket?.destroy();
    this.socket = null;
    this.port.closed();
  }

  send(bytes) {
    this.socket?.write(bytes);
  }
}

class Bench {
  constructor(values) {
    this.values = values;
    this.script = values.script ? JSON.parse(readFileSync(values.script, 'utf8')) : {};
    const log = values.rtt ? createWriteStream(values.rtt) : null;
    const port = {
      opened: () => this.setOpen(true),
      closed: () => this.setOpen(false),
      received: (bytes) => this.emulator.write(bytes),
    };
    this.port = values.link ? new Terminal(values.link, port) : new Socket(values.tcp, port);
    this.emulator = new Emulator(readFileSync(values.elf), {
      ...emulatorOptions(this.script),
      onData: (bytes) => this.port.send(bytes),
      onAttached: (attached, descriptors) => this.attached(attached, descriptors),
      onLog: (bytes) => log?.write(bytes),
      onRelay: (closed, nanos) => say('supply_relay', { closed, us: nanos / 1000 }),
      onBoot: (cause, nanos) => say('boot', { cause, us: nanos / 1000 }),
      onBreakpoint: (number, at) => say('breakpoint', { number, at }),
    });
    this.actions = { unplug: () => this.unplug(), plug: () => this.plug() };
    play(this.emulator, this.script, this.actions);
  }

  attached(attached, descriptors) {
    if (attached) {
      say('attached', { serial: descriptors.serialNumber });
      this.port.attach();
    } else {
      this.port.detach();
      say('detached');
    }
  }

  setOpen(open) {
    if (this.open === open) return;
    this.open = open;
    say(open ? 'opened' : 'closed');
    this.emulator.setPortOpen(open);
  }

  /** The cable powers the board, so without it nothing runs; the bench around it stands still too. */
  unplug() {
    this.unplugged = true;
    this.emulator.powerOff();
    this.attached(false);
  }

  plug() {
    if (!this.unplugged) return;
    this.unplugged = false;
    this.emulator.reset('power-on', { quietly: true });
    this.resetPace();
  }

  resetPace() {
    this.paceFrom = { wall: performance.now(), emulated: this.emulator.now() };
    this.behind = 0;
  }

  command(line) {
    let action;
    try {
      action = JSON.parse(line);
      if (action.quit) this.end();
      else if (action.truth) say('truth', truth(this.emulator));
      else act(this.emulator, action, this.actions);
    } catch (error) {
      say('error', { message: error.message, line });
    }
  }

  turn() {
    if (this.unplugged) {
      setTimeout(() => this.turn(), 5);
      return;
    }
    const limit = this.values.seconds ? Number(this.values.seconds) * 1e9 : Infinity;
    if (this.emulator.now() >= limit) {
      this.end();
      return;
    }
    if (this.values['free-run']) {
      this.emulator.runUntil(Math.min(limit, this.emulator.now() + FREE_SLICE_NANOS));
      setImmediate(() => this.turn());
      return;
    }
    const due = () => this.paceFrom.emulated + (performance.now() - this.paceFrom.wall) * 1e6;
    const target = Math.min(limit, due());
    // Small slices, so that bytes from outside come in at about the time they arrived.
    if (this.emulator.now() < target) this.emulator.runUntil(Math.min(target, this.emulator.now() + SLICE_NANOS));
    const lag = (due() - this.emulator.now()) / 1e6;
    if (lag > 1000) {
      // The machine is too slow or was held up: what is lost is said, and the pace begins anew.
      this.behind += lag;
      say('behind', { ms: Math.round(this.behind) });
      this.paceFrom = { wall: performance.now(), emulated: this.emulator.now() };
    }
    if (lag < 0.2) setTimeout(() => this.turn(), 1);
    else setImmediate(() => this.turn());
  }

  run() {
    this.resetPace();
    createInterface({ input: process.stdin })
      .on('line', (line) => line.trim() && this.command(line))
      .on('close', () => this.values.seconds === undefined && this.end());
    for (const signal of ['SIGTERM', 'SIGINT']) process.on(signal, () => this.end());
    this.turn();
  }

  end() {
    this.port.detach();
    const record = truth(this.emulator);
    if (this.values.truth) writeFileSync(this.values.truth, JSON.stringify(record));
    const { emulated_us: emulatedUs, asleep_share: asleepShare, stack_bytes: stackBytes } = record;
    say('done', { emulated_us: emulatedUs, asleep_share: asleepShare, stack_bytes: stackBytes });
    process.stdout.write('', () => process.exit(0));
  }
}

new Bench(settings()).run();
