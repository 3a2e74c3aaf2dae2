#!/usr/bin/env node
// Measures the image, and runs it on the emulated board; prints the figures that README and the board's own README quote.
// They are emulated: instruction times of the core are modelled, the flash cache's misses are not.
//
//     node figures.mjs [--keep FILE]
//
// With `--keep` the table is left in FILE, for `cargo run -p steadybench-bench --example ratios -- keep FILE`.

import { writeFileSync } from 'node:fs';

import { readElf } from './elf.mjs';
import { image } from './image.mjs';
import { Desk } from './test/desk.mjs';
import { toBoard } from './wire.mjs';

const SECONDS = 10;
const RAM_AT = 0x2000_0000;

/** Runs at a rate and gives what was late, lost, and slept through. */
function measure(readingPeriodUs, conversionTime) {
  const desk = new Desk();
  desk.ask(toBoard.configure({ readingPeriodUs, conversionTime }), 'hello');
  desk.ask(toBoard.start(), 'health');
  desk.board.run(100);
  const from = desk.board.sleepMark();
  const began = performance.now();
  desk.board.run(SECONDS * 1000);
  const speed = (SECONDS * 1000) / (performance.now() - began);
  const asleep = desk.board.sleepShare(from);
  const health = desk.ask(toBoard.stop(), 'health', 200);
  const { readings, missing } = desk.readings();
  const lost = missing + readings.filter(({ codes }) => codes.includes(null)).length;
  const late = readings.filter((reading) => reading.late).length;
  return { desk, asleep, lost, late, readings: readings.length, health, speed };
}

const percent = (share) => `${(100 * share).toFixed(1)} %`;
const kilobytes = (bytes) => `${(bytes / 1000).toFixed(1)} KB`;

const rows = [];
function row(what, found, wanted = '') {
  console.log(`| ${what} | ${found} | ${wanted} |`);
  rows.push({ what, found, wanted });
}

console.log('| what | found | wanted |\n|---|---|---|');
const { segments, symbols, sizes } = readElf(image());
const flash = segments.reduce((sum, { data }) => sum + data.length, 0);
const ram = symbols.get('__sheap') - RAM_AT;
const [shared] = [...sizes].filter(([name]) => name.includes('SHARED')).map(([, size]) => size);
row('image: flash', kilobytes(flash), '96 KB');
row('image: static RAM for the buffer and what stands with it', kilobytes(shared));
row('image: static RAM besides', kilobytes(ram - shared), '24 KB');

for (const [rate, period, conversion, wantedAsleep] of [
  [1000, 1000, 4, '80 %'],
  [4000, 250, 2, ''],
]) {
  const { desk, asleep, lost, late, readings, speed } = measure(period, conversion);
  const name = `image at ${rate}/s, emulated`;
  row(`${name}: the core sleeps`, percent(asleep), wantedAsleep);
  row(`${name}: readings lost of ${readings}; marked late`, `${lost}; ${late}`, '0');
  row(`${name}: deepest stack`, kilobytes(desk.board.stack.measure(desk.board.chip)));
  console.error(`this machine emulates ${speed.toFixed(1)} times as fast as time passes`);
}

const keep = process.argv.indexOf('--keep');
if (keep > 0) {
  const command = 'cd tests/emulator && npm ci && node figures.mjs';
  writeFileSync(process.argv[keep + 1], JSON.stringify({ command, machine: '', rows }));
}
