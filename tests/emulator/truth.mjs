// What really happened, for a test to hold against what the host was told. Times are emulated microseconds since the
// board was powered first; `board_us` is the board's own time, which begins anew with each start.

/** Makes the record of a run so far, ready for JSON. */
export function truth(emulator) {
  const micros = (nanos) => Math.round(nanos) / 1000;
  return {
    emulated_us: micros(emulator.now()),
    boots: emulator.truth.boots.map(({ nanos, cause }) => ({ us: micros(nanos), cause })),
    channels: emulator.monitors.map(({ served }) => ({
      read_us: served.nanos.map(micros),
      code: served.codes,
    })),
    foot_switch: emulator.truth.footSwitch.map(({ nanos, boardNanos, pressed }) => ({
      us: micros(nanos),
      board_us: micros(boardNanos),
      pressed,
    })),
    supply_relay: emulator.truth.guardRelay.map(({ nanos, high }) => ({ us: micros(nanos), closed: high })),
    asleep_share: emulator.sleepShare(),
    stack_bytes: emulator.stack.measure(emulator.chip),
    stack_available_bytes: emulator.stack.available,
  };
}
