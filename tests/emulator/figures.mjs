#!/usr/bin/env node
// Measures the image on the emulated board and prints the figures that README.md of the board quotes. They are emulated:
// instruction times of the core are modelled, the flash cache's misses are not.

import { Desk } from './test/desk.mjs';
import { toBoard } from './wire.mjs';

const SECONDS = 10;

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

for (const [name, period, conversion] of [
  ['1000 readings/s', 1000, 4],
  ['4000 readings/s', 250, 2],
]) {
  const { desk, asleep, lost, late, readings, speed } = measure(period, conversion);
  console.log(`${name}: core asleep ${percent(asleep)}; of ${readings} readings ${lost} lost, ${late} late`);
  console.log(`  deepest stack ${desk.board.stack.measure(desk.board.chip)} of ${desk.board.stack.available} bytes`);
  console.log(`  this machine emulates ${speed.toFixed(1)} times as fast as time passes`);
}
