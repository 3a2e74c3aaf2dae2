// Which functions of the image can come to a panic: read off the image itself, by its branch-and-link instructions.
//
// Direct calls only. What is called through a pointer (a waker, a table of functions) is not followed; in the image these
// are the executor's and the timer queue's.

/** Functions of the image in order of their address: name, where it begins, where it ends. */
export function functions({ symbols }) {
  const named = [...symbols]
    .filter(([name, address]) => !name.startsWith('$') && (address & 1) === 1)
    .map(([name, address]) => ({ name, from: address & ~1 }))
    .sort((one, other) => one.from - other.from);
  return named.map((one, at) => ({ ...one, to: named[at + 1]?.from ?? one.from }));
}

/** What `one` branches to outside itself: the addresses of BL instructions (ARMv6-M, A6.7.13, encoding T1). */
function* calls(code, one) {
  for (let at = one.from; at + 4 <= one.to; at += 2) {
    const [high, low] = [code(at), code(at + 2)];
    if ((high & 0xf800) !== 0xf000 || (low & 0xd000) !== 0xd000) continue;
    const s = (high >> 10) & 1;
    const [i1, i2] = [13, 11].map((bit) => ~((low >> bit) ^ s) & 1);
    const offset = (-s << 24) | (i1 << 23) | (i2 << 22) | ((high & 0x3ff) << 12) | ((low & 0x7ff) << 1);
    yield at + 4 + offset;
    at += 2;
  }
}

/**
 * @param {{segments: {address: number, data: Uint8Array}[], symbols: Map<string, number>}} image
 * @returns {Map<string, string[]>} by function, the functions it calls, each as often as it does
 */
export function callGraph(image) {
  const all = functions(image);
  const code = (address) => {
    const segment = image.segments.find(({ address: from, data }) => address >= from && address + 1 < from + data.length);
    return segment ? segment.data[address - segment.address] | (segment.data[address - segment.address + 1] << 8) : 0;
  };
  // A call goes to where a function begins; what else looks like one is a constant between the instructions.
  const beginning = new Map(all.map(({ from, name }) => [from, name]));
  const called = (one) => [...calls(code, one)].map((address) => beginning.get(address)).filter((name) => name && name !== one.name);
  return new Map(all.map((one) => [one.name, called(one)]));
}

/** Every function that `from` can come to, itself included. */
export function reachable(graph, from) {
  const seen = new Set([from]);
  for (const name of seen) for (const called of graph.get(name) ?? []) seen.add(called);
  return seen;
}
