// One I2C bus: the emulated controller at one end, a chip model at the other, and between them the time that bits take
// and the faults of wires. Only what a controller sees is modelled: no edges, no voltages.

import { GPIOPinState } from 'rp2040js';

/** The controller's state when no transfer is under way. */
const IDLE = 0;

const START_BITS = 1;
const BYTE_BITS = 9;
const STOP_BITS = 1;

/**
 * What is connected to the bus answers these; every time is in nanoseconds since the board was powered first.
 *
 * @typedef {object} Device
 * @property {(address: number, reading: boolean, now: number) => boolean} connect whether the address is acknowledged
 * @property {(byte: number, now: number) => boolean} write whether the byte is acknowledged
 * @property {(now: number) => number} read the next byte
 * @property {(now: number) => void} stop the transaction has ended
 */

export class I2cBus {
  /** @param {Device} device */
  constructor(device) {
    this.device = device;
    /** `null`, or which line is held low and for how many clocks of a recovery: `{ line: 'sda', clocks: 9 }`. */
    this.stuck = null;
  }

  /**
   * Connects the bus to a controller; again after each reset, as the emulated chip is then a new one.
   *
   * @param emulator gives `now()` in nanoseconds
   * @param chip the emulated chip
   * @param controller its I2C controller
   * @param pins `{ sda, scl }` numbers of the pins
   */
  connect(emulator, chip, controller, { sda, scl }) {
    this.chip = chip;
    this.controller = controller;
    this.lines = { sda: chip.gpio[sda], scl: chip.gpio[scl] };
    this.settleLines();
    this.countRecoveryClocks();

    this.pending = null;
    this.alarm = chip.clock.createAlarm(() => {
      const { next } = this.pending;
      this.pending = null;
      // A controller that was switched off meanwhile has forgotten what the bits were for.
      if (controller.state !== IDLE) next();
    });
    const afterBits = (bits, next) => {
      this.pending = { bits, next };
      // While a line is held the controller waits.
      if (!this.stuck) this.alarm.schedule(bits * this.bitNanos());
    };
    const now = () => emulator.now();

    controller.onStart = () => afterBits(START_BITS, () => controller.completeStart());
    controller.onConnect = (address, mode) =>
      afterBits(BYTE_BITS, () => controller.completeConnect(this.device.connect(address, mode === 1, now())));
    controller.onWriteByte = (byte) =>
      afterBits(BYTE_BITS, () => controller.completeWrite(this.device.write(byte, now())));
    controller.onReadByte = () => afterBits(BYTE_BITS, () => controller.completeRead(this.device.read(now())));
    controller.onStop = () =>
      afterBits(STOP_BITS, () => {
        this.device.stop(now());
        controller.completeStop();
      });
  }

  /** The time of one bit at the controller's settings; 2500 ns at 400 kHz. */
  bitNanos() {
    const { sclHighPeriod, sclLowPeriod } = this.controller;
    return ((sclHighPeriod + sclLowPeriod) * 1e9) / this.chip.clkPeri;
  }

  /** Holds a line low until `clocks` clock pulses have come; for ever when `clocks` is `Infinity`. */
  hold(line, clocks = Infinity) {
    this.stuck = { line, clocks };
    this.alarm.cancel();
    this.settleLines();
  }

  release() {
    this.stuck = null;
    this.settleLines();
    if (this.pending) this.alarm.schedule(this.pending.bits * this.bitNanos());
  }

  settleLines() {
    for (const [line, pin] of Object.entries(this.lines)) pin.setInputValue(this.stuck?.line !== line);
  }

  /** Counts clock pulses that the firmware makes by hand with the pins in its own control. */
  countRecoveryClocks() {
    this.lines.scl.addListener((state, before) => {
      const rises = before === GPIOPinState.Low && state !== GPIOPinState.Low;
      if (rises && this.stuck?.line === 'sda' && --this.stuck.clocks <= 0) this.release();
    });
  }
}
