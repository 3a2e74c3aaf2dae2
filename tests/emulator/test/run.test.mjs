// The program that serves the board to others: its port, its standard input and output, its mistakes.

import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { existsSync, mkdtempSync, openSync, readFileSync, readSync, rmSync, writeFileSync, writeSync, closeSync } from 'node:fs';
import { connect } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { after, test } from 'node:test';
import { fileURLToPath } from 'node:url';
import { image, imagePath } from '../image.mjs';
import { Receiver, toBoard } from '../wire.mjs';

const program = fileURLToPath(new URL('../run.mjs', import.meta.url));
const folder = mkdtempSync(join(tmpdir(), 'steadybench-'));
const boards = [];
after(() => {
  // A board of a test that failed would keep the runner waiting for ever.
  for (const board of boards) board.kill('SIGKILL');
  rmSync(folder, { recursive: true });
});

function run(...args) {
  image();
  const child = spawn(process.execPath, [program, '--elf', imagePath(), ...args], { stdio: ['pipe', 'pipe', 'inherit'] });
  boards.push(child);
  const events = [];
  const waiting = [];
  createInterface({ input: child.stdout }).on('line', (line) => {
    events.push(JSON.parse(line));
    waiting.splice(0).forEach((again) => again());
  });
  return {
    child,
    tell: (action) => child.stdin.write(`${JSON.stringify(action)}\n`),
    exit: new Promise((resolve) => child.on('exit', resolve)),
    /** The next event of this kind, taken off the list. */
    async event(kind) {
      for (;;) {
        const at = events.findIndex(({ event }) => event === kind);
        if (at >= 0) return events.splice(at, 1)[0];
        await new Promise((resolve) => waiting.push(resolve));
      }
    },
  };
}

/** Resolves when a message for which `wanted` holds has come. */
function messages(socket) {
  const waiting = new Set();
  const receiver = new Receiver((message) => {
    for (const entry of waiting) {
      if (entry.wanted(message)) {
        waiting.delete(entry);
        entry.resolve(message);
      }
    }
  });
  socket.on('data', (bytes) => receiver.take(bytes));
  return (wanted) => new Promise((resolve) => waiting.add({ wanted, resolve }));
}

const kind = (name) => (message) => message.kind === name;

test('a board on a loopback port plays its script, restarts, and leaves a record', async () => {
  const [script, truth, rtt] = ['script.json', 'truth.json', 'rtt.bin'].map((name) => join(folder, name));
  writeFileSync(
    script,
    JSON.stringify({
      channels: [{ current: 0.8 }, { current: { offset: 0.8, steps: [[0.5, 0.4]] } }],
      events: [{ at_ms: 600, foot_switch: 'press' }],
    }),
  );
  const board = run('--tcp', '0', '--free-run', '--script', script, '--truth', truth, '--rtt', rtt);
  const { at } = await board.event('serving');
  const socket = connect(Number(at.split(':')[1]), '127.0.0.1');
  const next = messages(socket);
  const running = next((message) => message.kind === 'health' && message.running);
  socket.write(toBoard.start());
  await running;
  const mark = await next(kind('mark'));
  assert.ok(mark.timeUs >= 600e3 && mark.timeUs < 602e3);
  // 0.8 A and 1.2 A in 50 mΩ, at 312.5 nV a step.
  const readings = await next(kind('readings'));
  assert.deepEqual([readings.codes[0].at(-1), readings.codes[1].at(-1)], [128000, 192000]);

  const closed = new Promise((resolve) => socket.on('close', resolve));
  board.tell({ board: 'hang' });
  await closed;
  assert.equal((await board.event('boot')).cause, 'power-on');
  assert.equal((await board.event('boot')).cause, 'watchdog');
  await board.event('serving');
  board.tell({ quit: true });
  assert.equal(await board.exit, 0);
  const record = JSON.parse(readFileSync(truth, 'utf8'));
  assert.deepEqual(record.boots.map(({ cause }) => cause), ['power-on', 'watchdog']);
  assert.equal(record.foot_switch[0].pressed, true);
  assert.ok(record.channels[0].code.length > 500);
  assert.ok(readFileSync(rtt).length > 0);
});

test('a board on a pseudo-terminal can be opened again, unplugged and plugged in', async () => {
  const link = join(folder, 'board');
  const board = run('--link', link);
  await board.event('serving');
  for (let turn = 0; turn < 2; turn++) {
    const terminal = openSync(link, 'r+');
    await board.event('opened');
    writeSync(terminal, toBoard.helloRequest());
    assert.ok(readSync(terminal, Buffer.alloc(4096)) > 0);
    closeSync(terminal);
    await board.event('closed');
    await board.event('serving');
  }
  board.tell({ board: 'unplug' });
  await board.event('detached');
  assert.equal(existsSync(link), false);
  board.tell({ board: 'plug' });
  await board.event('serving');
  assert.equal(existsSync(link), true);
  board.tell({ board: 'melt' });
  assert.match((await board.event('error')).message, /"board" cannot be "melt"/);
  board.child.kill('SIGTERM');
  assert.equal(await board.exit, 0);
  assert.equal(existsSync(link), false);
});

test('mistakes in the arguments are named', async () => {
  for (const [args, message] of [
    [[], /--elf IMAGE is missing/],
    [['--elf', 'nowhere.elf', '--tcp', '0'], /nowhere\.elf does not exist: build it/],
    [['--elf', program], /give one of --link PATH and --tcp PORT/],
    [['--speed', '9'], /--speed/],
  ]) {
    const child = spawn(process.execPath, [program, ...args]);
    let text = '';
    child.stderr.on('data', (bytes) => (text += bytes));
    assert.equal(await new Promise((resolve) => child.on('close', resolve)), 2);
    assert.match(text, message);
  }
});
