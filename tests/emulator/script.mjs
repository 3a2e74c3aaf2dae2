// What happens on the bench: the settings a run begins with, and actions, from a script's list or one by one.

import { codes, overTime } from './waveform.mjs';

/**
 * Turns a script's `"channels"` into options of `Emulator`.
 *
 * `{ "channels": [{ "current": W, "code": C, "rail_volts": W, "shunt_ohm": 0.05, "thermistor_code": 2048,
 *    "clock_error": 0.003, "absent": false }, …] }`, W and C as in waveform.mjs, all of it optional.
 */
export function emulatorOptions(script) {
  const channels = script.channels ?? [];
  return {
    monitors: [0, 1].map((channel) => {
      const { current, code, rail_volts: rail, shunt_ohm: shuntOhm, clock_error: clockError } = channels[channel] ?? {};
      return {
        current: current === undefined ? undefined : overTime(current),
        code: code === undefined ? undefined : codes(code),
        railVolts: rail === undefined ? undefined : overTime(rail),
        shuntOhm,
        clockError,
      };
    }),
    thermistorCodes: [0, 1].map((channel) => channels[channel]?.thermistor_code ?? 2048),
  };
}

/** Carries out what stands in a script before its first event, and books its events. */
export function play(emulator, script, actions) {
  (script.channels ?? []).forEach((channel, index) => {
    if (channel.absent) emulator.monitors[index].absent = true;
  });
  for (const event of script.events ?? []) {
    emulator.at(event.at_ms * 1e6, () => act(emulator, event, actions));
  }
}

/**
 * Carries out one action. Channels count from 1, as on the board.
 *
 * | action | what it does |
 * |---|---|
 * | `{"foot_switch": "press"}`, `"release"` | moves the contact |
 * | `{"channel": 1, "current": W}` | changes the current, in amperes |
 * | `{"channel": 1, "rail_volts": W}` | changes the rail |
 * | `{"channel": 1, "thermistor_code": 900}` | changes what the converter reads |
 * | `{"channel": 1, "fault": "absent"}`, `"present"` | takes the chip off its bus, puts it back |
 * | `{"channel": 1, "fault": "restart"}` | the chip's supply dips: its settings are lost |
 * | `{"channel": 1, "fault": "wrong-chip"}` | another chip answers |
 * | `{"channel": 1, "fault": "stuck-data", "clocks": 5}` | the data line is held, until so many clocks or for ever |
 * | `{"channel": 1, "fault": "stuck-clock"}`, `"free"` | the clock line is held; both lines are let go |
 * | `{"board": "unplug"}`, `"plug"` | the USB cable, which powers the board |
 * | `{"board": "reset"}`, `"hang"` | the reset pin; the program stops for ever, interrupts off |
 * | `{"host": "stall"}`, `"resume"` | the host takes no more bytes, takes them again |
 */
export function act(emulator, action, actions = {}) {
  const channel = (action.channel ?? 1) - 1;
  const monitor = emulator.monitors[channel];
  const known = [
    ['foot_switch', { press: () => emulator.setFootSwitch(true), release: () => emulator.setFootSwitch(false) }],
    ['current', (shape) => (monitor.current = overTime(shape))],
    ['rail_volts', (shape) => (monitor.railVolts = overTime(shape))],
    ['thermistor_code', (code) => emulator.setThermistorCode(channel, code)],
    [
      'fault',
      {
        absent: () => (monitor.absent = true),
        present: () => (monitor.absent = false),
        restart: () => monitor.restart(emulator.now()),
        'wrong-chip': () => (monitor.identity = { manufacturer: 0x5449, device: 0x2381 }),
        'stuck-data': () => emulator.buses[channel].hold('sda', action.clocks),
        'stuck-clock': () => emulator.buses[channel].hold('scl'),
        free: () => emulator.buses[channel].release(),
      },
    ],
    [
      'board',
      {
        unplug: () => actions.unplug?.(),
        plug: () => actions.plug?.(),
        reset: () => (emulator.resetDue = 'run-pin'),
        hang: () => emulator.hang(),
      },
    ],
    ['host', { stall: () => emulator.usb.setListening(false), resume: () => emulator.usb.setListening(true) }],
  ];
  const names = known.filter(([name]) => name in action);
  if (names.length === 0) throw new Error(`no action in ${JSON.stringify(action)}`);
  for (const [name, how] of names) {
    const what = typeof how === 'function' ? () => how(action[name]) : how[action[name]];
    if (!what) throw new Error(`"${name}" cannot be ${JSON.stringify(action[name])}; it can be ${Object.keys(how).join(', ')}`);
    what();
  }
}
