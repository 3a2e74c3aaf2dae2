// Currents, voltages and codes that a script can ask for, as functions of time or of the conversion's number.

/**
 * A quantity over time: a number, or an object that adds up what it names:
 * `{ "offset": 0.8, "sine": { "amplitude": 0.05, "hz": 100 }, "steps": [[1.5, 0.4], [2.0, 0.0]] }`.
 * Steps are `[from seconds, added]`, each in force until the next.
 *
 * @returns {(seconds: number) => number}
 */
export function overTime(shape) {
  if (typeof shape === 'number') return () => shape;
  const { offset = 0, sine, steps = [] } = shape;
  refuseOthers(shape, ['offset', 'sine', 'steps']);
  return (seconds) => {
    let value = offset;
    if (sine) value += sine.amplitude * Math.sin(2 * Math.PI * sine.hz * seconds);
    const step = steps.findLast(([from]) => seconds >= from);
    return step ? value + step[1] : value;
  };
}

/**
 * Codes by the conversion's number: `{ "from": 1000, "spread": 4096 }` gives every code of a window of that width once
 * in a fixed order that looks like none, so that a code stands for few conversions.
 *
 * @returns {(conversion: number) => number}
 */
export function codes({ from, spread, ...others }) {
  refuseOthers(others, []);
  // A stride that has no factor in common with any power of two up to 2^20.
  return (conversion) => from + ((conversion * 7919) % spread);
}

function refuseOthers(shape, known) {
  const other = Object.keys(shape).find((key) => !known.includes(key));
  if (other) throw new Error(`a waveform knows nothing of "${other}"; it knows ${known.join(', ')}`);
}
