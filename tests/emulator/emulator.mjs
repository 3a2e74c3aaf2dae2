// The board: the unmodified image in an emulated RP2040, with the chips of the bench around it and a USB host.
//
// Time is the emulated chip's own. The same image, script and input give the same run to the instruction. Emulation
// shows nothing of electrical behaviour, of real USB timing, or of edges on the I2C lines.

import { RP2040, GPIOPinState } from 'rp2040js';
import { I2cBus } from './i2c-bus.mjs';
import { Ina228 } from './ina228.mjs';
import { mend } from './mends.mjs';
import { PINS } from './pins.mjs';
import { readElf } from './elf.mjs';
import { RttReader } from './rtt.mjs';
import { StackPaint } from './stack.mjs';
import { UsbHost } from './usb-host.mjs';

const FLASH_AT = 0x10000000;
const VECTORS_AT = 0x10000100;
const THERMISTOR_HALF_SCALE = 2048;

export class Emulator {
  /**
   * @param {Uint8Array} elf the image
   * @param {object} options
   * @param {object[]} [options.monitors] settings of the two power monitors, see `Ina228`
   * @param {number[]} [options.thermistorCodes] what the converter reads, 0 to 4095
   * @param {Uint8Array} [options.flashIdentity] eight bytes
   * @param {number} [options.randomSeed] of the chip's random bits
   * @param {(bytes: Uint8Array) => void} [options.onData] bytes of the board's serial port
   * @param {(attached: boolean, descriptors?: object) => void} [options.onAttached] the port came or went
   * @param {(closed: boolean, nanos: number) => void} [options.onRelay] the supply relay's output turned
   * @param {(cause: string, nanos: number) => void} [options.onBoot] the chip starts
   * @param {(bytes: Uint8Array) => void} [options.onLog] what the image logged, as defmt frames
   * @param {(number: number, address: number) => void} [options.onBreakpoint] the image ran into a breakpoint
   */
  constructor(elf, options = {}) {
    this.image = readElf(elf);
    this.options = options;
    this.monitors = [0, 1].map((channel) => new Ina228(options.monitors?.[channel]));
    this.buses = this.monitors.map((monitor) => new I2cBus(monitor));
    this.thermistorCodes = [...(options.thermistorCodes ?? [THERMISTOR_HALF_SCALE, THERMISTOR_HALF_SCALE])];
    this.footSwitchPressed = false;
    this.portOpen = false;
    this.random = options.randomSeed ?? 1;

    this.bootedAt = 0;
    this.events = [];
    /** What happened: times are in nanoseconds since the board was powered first, emulated. */
    this.truth = { boots: [], footSwitch: [], guardRelay: [], lamp: [] };
    this.awakeNanos = 0;
    this.asleepNanos = 0;
    this.boot('power-on');
  }

  /** Nanoseconds since the board was powered first. */
  now() {
    return this.bootedAt + this.chip.clock.nanos;
  }

  /** Nanoseconds since the present boot: the board's own time. */
  boardNanos() {
    return this.chip.clock.nanos;
  }

  boot(cause) {
    const before = this.chip;
    this.hung = false;
    const { scratch, reason } = this.kept ?? {};
    const chip = new RP2040();
    this.chip = chip;
    mend(chip, {
      flashIdentity: this.options.flashIdentity ?? Uint8Array.of(0xe4, 0x64, 0x2c, 0x10, 0x5b, 0x4a, 0x19, 0x2f),
      resetCause: cause === 'watchdog' ? 'power-on' : cause,
      randomBit: () => this.randomBit(),
      onBreakpoint: (number) => this.onBreakpoint(number),
    });
    for (const { address, data } of this.image.segments) {
      if (address >= FLASH_AT && address < FLASH_AT + chip.flash.length) chip.flash.set(data, address - FLASH_AT);
    }
    if (before && cause !== 'power-on') chip.sram.set(before.sram);
    this.stack ??= new StackPaint(this.image.symbols);
    this.stack.paint(chip);
    this.rtt = new RttReader(this.image.symbols, this.options.onLog);

    const watchdog = chip.peripherals[0x40058];
    if (cause === 'watchdog') {
      watchdog.scratchData.set(scratch);
      watchdog.reason = reason;
    }
    watchdog.onWatchdogTrigger = () => {
      this.kept = { scratch: watchdog.scratchData.slice(), reason: watchdog.reason };
      this.resetDue = 'watchdog';
    };

    this.buses.forEach((bus, channel) => {
      const { controller, ...pins } = PINS.monitor[channel];
      bus.connect(this, chip, chip.i2c[controller], pins);
    });
    chip.adc.onADCRead = (channel) => {
      const input = PINS.thermistorConverterChannel.indexOf(channel);
      chip.adc.channelValues[channel] = this.thermistorCodes[input] ?? 0;
      chip.adc.currentChannel = channel;
      chip.adc.sampleAlarm.schedule(chip.adc.sampleTime * 1000);
    };
    chip.gpio[PINS.footSwitch].setInputValue(!this.footSwitchPressed);
    this.watchOutput(PINS.guardRelay, this.truth.guardRelay, this.options.onRelay);
    this.watchOutput(PINS.lamp, this.truth.lamp);

    this.usb = new UsbHost(chip, {
      onData: (bytes) => this.options.onData?.(bytes),
      onReady: (descriptors) => this.options.onAttached?.(true, descriptors),
    });
    this.usb.setOpen(this.portOpen);

    chip.core.VTOR = VECTORS_AT;
    chip.core.reset();
    this.truth.boots.push({ nanos: this.bootedAt, cause });
    this.options.onBoot?.(cause, this.bootedAt);
  }

  /** Records when an output turns; a pin that is no output counts as low, as its pull-down and the driver see it. */
  watchOutput(number, record, onTurn) {
    const high = (state) => state === GPIOPinState.High;
    const note = (level) => {
      if (record.at(-1)?.high === level) return;
      record.push({ nanos: this.now(), high: level });
      onTurn?.(level, this.now());
    };
    note(high(this.chip.gpio[number].value));
    this.chip.gpio[number].addListener((state) => note(high(state)));
  }

  /** Xorshift (Marsaglia 2003), one bit at a time: random enough for a nonce, and the same in every run. */
  randomBit() {
    this.random ^= this.random << 13;
    this.random ^= this.random >>> 17;
    this.random ^= this.random << 5;
    return this.random & 1;
  }

  onBreakpoint(number) {
    this.options.onBreakpoint?.(number, this.chip.core.PC);
  }

  /** Runs `then` at `nanos` since the board was powered first. */
  at(nanos, then) {
    const index = this.events.findIndex((event) => event.nanos > nanos);
    this.events.splice(index < 0 ? this.events.length : index, 0, { nanos, then });
  }

  /** Runs until `nanos` since the board was powered first. */
  runUntil(nanos) {
    while (this.now() < nanos) {
      const event = this.events[0];
      this.execute(Math.min(nanos, event?.nanos ?? Infinity) - this.bootedAt);
      if (this.resetDue) this.reset(this.resetDue);
      while (this.events.length > 0 && this.events[0].nanos <= this.now()) this.events.shift().then();
    }
    this.rtt.drain(this.chip);
  }

  /** Runs for some milliseconds. */
  run(millis) {
    this.runUntil(this.now() + millis * 1e6);
  }

  /** Executes until `limit` in the chip's own nanoseconds, or until the chip resets itself. */
  execute(limit) {
    const { core, clock } = this.chip;
    const cycleNanos = 1e9 / this.chip.clkSys;
    while (clock.nanosCounter < limit && !this.resetDue) {
      if (core.waiting || this.hung) {
        const next = Math.min(clock.nextAlarm ? clock.nextAlarm.nanos : Infinity, limit);
        const slept = Math.max(0, next - clock.nanosCounter);
        this.asleepNanos += slept;
        clock.tick(slept);
      } else {
        const nanos = core.executeInstruction() * cycleNanos;
        this.awakeNanos += nanos;
        const { nextAlarm } = clock;
        if (nextAlarm && nextAlarm.nanos <= clock.nanosCounter + nanos) clock.tick(nanos);
        else clock.nanosCounter += nanos;
      }
    }
  }

  /**
   * Resets the chip now: `'watchdog'` keeps the watchdog's registers, `'run-pin'` and `'power-on'` do not. `quietly`
   * leaves out the news that the port is gone.
   */
  reset(cause, { quietly = false } = {}) {
    this.resetDue = null;
    this.rtt.drain(this.chip);
    if (this.usb.ready && !quietly) this.options.onAttached?.(false);
    this.bootedAt = this.now();
    this.boot(cause);
  }

  /** The supply is gone: the outputs fall. `reset('power-on')` brings it back. */
  powerOff() {
    for (const record of [this.truth.guardRelay, this.truth.lamp]) {
      if (record.at(-1).high) record.push({ nanos: this.now(), high: false });
    }
    this.hang();
  }

  /** The program stops for ever with interrupts off, as in a loop that never ends. */
  hang() {
    this.hung = true;
  }

  /** Opens or closes the board's serial port, as a program on the host does; options as in `UsbHost.setOpen`. */
  setPortOpen(open, options) {
    this.portOpen = open;
    this.usb.setOpen(open, options);
  }

  /** Sends bytes to the board's serial port. */
  write(bytes) {
    this.usb.write(bytes);
  }

  setFootSwitch(pressed) {
    if (pressed === this.footSwitchPressed) return;
    this.footSwitchPressed = pressed;
    this.truth.footSwitch.push({ nanos: this.now(), boardNanos: this.boardNanos(), pressed });
    this.chip.gpio[PINS.footSwitch].setInputValue(!pressed);
  }

  setThermistorCode(channel, code) {
    this.thermistorCodes[channel] = code;
  }

  /** Share of the time that the core slept, 0 to 1, since `sleepMark` or the start. */
  sleepShare(since = { awakeNanos: 0, asleepNanos: 0 }) {
    const asleep = this.asleepNanos - since.asleepNanos;
    return asleep / (asleep + this.awakeNanos - since.awakeNanos);
  }

  sleepMark() {
    return { awakeNanos: this.awakeNanos, asleepNanos: this.asleepNanos };
  }
}
