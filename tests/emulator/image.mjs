// Finds the board's image for the tests, and fails where there is none: a test that needs it never passes without.

import { existsSync, readFileSync } from 'node:fs';
import { resolve } from 'node:path';
import { fileURLToPath } from 'node:url';

/** Where the image lies: `STEADYBENCH_IMAGE`, or where firmware/boards/pico/build-image.sh puts it. */
export function imagePath() {
  if (process.env.STEADYBENCH_IMAGE) return process.env.STEADYBENCH_IMAGE;
  const root = fileURLToPath(new URL('../..', import.meta.url));
  return resolve(root, process.env.CARGO_TARGET_DIR ?? 'target', 'board', 'steadybench-pico.elf');
}

/** The image's bytes. */
export function image() {
  const path = imagePath();
  if (!existsSync(path)) {
    throw new Error(`the board image ${path} does not exist: build it with firmware/boards/pico/build-image.sh`);
  }
  return readFileSync(path);
}
