// Panic paths in the task that takes the readings, read off the image.

import assert from 'node:assert/strict';
import { test } from 'node:test';
import { readElf } from '../elf.mjs';
import { image } from '../image.mjs';
import { callGraph, reachable } from '../panics.mjs';

/** Kinds of panic by the function that raises them (names as the compiler mangles them). */
const PANIC = /(panic_bounds_check|slice_index_fail|slice_(?:start|end)_index\w*fail|unwrap_failed|expect_failed|panic_already_borrowed|panic_const_\w+|panicking5panic17h|panicking9panic_fmt)/;

/** What an index, a slice, a division, an overflow or an absent value raises: nothing that is measured may lead there. */
const BY_DATA = /panic_bounds_check|index\w*fail|unwrap_failed|panic_const_(?!async_fn_resumed)/;

/** By libraries, each with the reason why no data leads there. */
const LIBRARIES = [
  // A read of up to 16 bytes into its own buffer, in pieces that its own counter cuts.
  { where: /embassy_rp3i2c.*read_async_internal/, kind: /slice_index_fail/ },
];

const graph = callGraph(readElf(image()));
const measuring = [...graph.keys()].filter(
  (name) => /TaskStorage.*4poll/.test(name) && [...reachable(graph, name)].some((called) => /ina228.*Ina228.*4read/.test(called)),
);

test('one task takes the readings', () => {
  assert.equal(measuring.length, 1, measuring.join('\n'));
});

test('no value that is measured can lead the task that takes the readings to a panic', () => {
  const found = [];
  for (const name of reachable(graph, measuring[0])) {
    if (PANIC.test(name)) continue;
    for (const called of graph.get(name) ?? []) {
      const kind = called.match(PANIC)?.[1];
      if (!kind || !BY_DATA.test(kind)) continue;
      if (!LIBRARIES.some(({ where, kind: known }) => where.test(name) && known.test(kind))) found.push(`${name} -> ${kind}`);
    }
  }
  assert.deepEqual(found, []);
});

test('the check sees panic paths where there are some', () => {
  const others = [...graph].filter(([, called]) => called.some((name) => /panic_bounds_check/.test(name)));
  assert.ok(others.length > 0);
});
