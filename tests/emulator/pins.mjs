// The board's pins, as firmware/boards/pico/src/pins.rs has them.

export const PINS = {
  monitor: [
    { controller: 0, sda: 4, scl: 5 },
    { controller: 1, sda: 6, scl: 7 },
  ],
  thermistorConverterChannel: [0, 1],
  guardRelay: 14,
  footSwitch: 15,
  lamp: 25,
};
