// The 20-bit power monitor INA228 as a controller on I2C sees it: registers, conversions in its own time, faults.
// Register addresses, widths, reset values and step sizes: TI data sheet SLYS021A, tables 7-3 and 7-5 to 7-24.

/** Addresses of the registers and their width in bytes. */
export const REGISTER = {
  config: 0x00,
  adcConfig: 0x01,
  shuntCalibration: 0x02,
  shuntVoltage: 0x04,
  busVoltage: 0x05,
  dieTemperature: 0x06,
  diagnosis: 0x0b,
  manufacturer: 0x3e,
  device: 0x3f,
};

const WIDE = new Set([0x04, 0x05, 0x07, 0x08]);
const RESET_VALUES = {
  0x00: 0x0000,
  0x01: 0xfb68,
  0x02: 0x1000,
  0x03: 0x0000,
  0x0b: 0x0001,
  0x0c: 0x7fff,
  0x0d: 0x8000,
  0x0e: 0x7fff,
  0x0f: 0x0000,
  0x10: 0x7fff,
  0x11: 0xffff,
};

const CONVERSION_MICROS = [50, 84, 150, 280, 540, 1052, 2074, 4120];
const AVERAGES = [1, 4, 16, 64, 128, 256, 512, 1024];

const SHUNT_STEP_VOLTS = { wide: 312.5e-9, narrow: 78.125e-9 };
const BUS_STEP_VOLTS = 195.3125e-6;
const TEMPERATURE_STEP_C = 7.8125e-3;
const CODE_MAX = 2 ** 19 - 1;
const CODE_MIN = -(2 ** 19);

const ADDRESS = 0x40;

export class Ina228 {
  /**
   * @param {object} options
   * @param {(seconds: number) => number} [options.current] in amperes; time is that since the board was powered first
   * @param {(conversion: number) => number} [options.code] codes in place of a current, one for each conversion
   * @param {(seconds: number) => number} [options.railVolts]
   * @param {number} [options.shuntOhm]
   * @param {number} [options.dieCelsius]
   * @param {number} [options.clockError] of the chip's own oscillator; the data sheet allows ±0.005
   */
  constructor({ current, code, railVolts, shuntOhm, dieCelsius, clockError } = {}) {
    this.current = current ?? (() => 0);
    this.code = code ?? null;
    this.railVolts = railVolts ?? (() => 24);
    this.shuntOhm = shuntOhm ?? 0.05;
    this.dieCelsius = dieCelsius ?? 30;
    this.clockError = clockError ?? 0;
    this.absent = false;
    this.identity = { manufacturer: 0x5449, device: 0x2281 };
    /** What was read of the shunt register: time in nanoseconds and code, in order. */
    this.served = { nanos: [], codes: [] };
    this.pointer = 0;
    this.transaction = [];
    this.restart(0);
  }

  /** As after a dip of the chip's supply: every register has its reset value. */
  restart(now) {
    this.values = new Map(Object.entries(RESET_VALUES).map(([address, value]) => [Number(address), value]));
    this.beginConversions(now);
  }

  beginConversions(now) {
    this.conversionsBegan = now;
    this.held = { conversion: -1, shunt: 0, bus: 0 };
  }

  get narrow() {
    return (this.values.get(REGISTER.config) & 0x10) !== 0;
  }

  /** Nanoseconds of one round of the conversions that the mode field asks for; 0 when shut down. */
  roundNanos() {
    const config = this.values.get(REGISTER.adcConfig);
    const mode = config >> 12;
    if ((mode & 7) === 0) return 0;
    const time = (shift) => CONVERSION_MICROS[(config >> shift) & 7];
    const micros = (mode & 1 ? time(9) : 0) + (mode & 2 ? time(6) : 0) + (mode & 4 ? time(3) : 0);
    return micros * 1000 * AVERAGES[config & 7] * (1 + this.clockError);
  }

  /** The last finished conversions; each is worked out when it is first read. */
  conversion(now) {
    const round = this.roundNanos();
    if (round === 0) return this.held;
    const conversion = Math.floor((now - this.conversionsBegan) / round) - 1;
    if (conversion >= 0 && conversion !== this.held.conversion) {
      const seconds = (this.conversionsBegan + (conversion + 0.5) * round) / 1e9;
      this.held = {
        conversion,
        shunt: this.code ? this.code(conversion) : this.shuntCode(this.current(seconds)),
        bus: clamp(Math.round(this.railVolts(seconds) / BUS_STEP_VOLTS), 0, CODE_MAX),
      };
    }
    return this.held;
  }

  shuntCode(amperes) {
    const step = this.narrow ? SHUNT_STEP_VOLTS.narrow : SHUNT_STEP_VOLTS.wide;
    return clamp(Math.round((amperes * this.shuntOhm) / step), CODE_MIN, CODE_MAX);
  }

  value(address, now) {
    switch (address) {
      case REGISTER.shuntVoltage: {
        const { shunt } = this.conversion(now);
        this.served.nanos.push(now);
        this.served.codes.push(shunt);
        return (shunt << 4) & 0xffffff;
      }
      case REGISTER.busVoltage:
        return this.conversion(now).bus << 4;
      case REGISTER.dieTemperature:
        return Math.round(this.dieCelsius / TEMPERATURE_STEP_C) & 0xffff;
      case REGISTER.manufacturer:
        return this.identity.manufacturer;
      case REGISTER.device:
        return this.identity.device;
      default:
        return this.values.get(address) ?? 0;
    }
  }

  store(address, value, now) {
    if (address === REGISTER.config && value & 0x8000) {
      this.restart(now);
      return;
    }
    if (!this.values.has(address)) return; // Read-only, or not a register.
    this.values.set(address, value);
    if (address === REGISTER.adcConfig) this.beginConversions(now);
  }

  connect(address, reading, now) {
    if (this.absent || address !== ADDRESS) return false;
    this.transaction = [];
    if (reading) {
      const bytes = WIDE.has(this.pointer) ? 3 : 2;
      const value = this.value(this.pointer, now);
      for (let i = bytes - 1; i >= 0; i--) this.transaction.push((value >> (8 * i)) & 0xff);
    }
    return true;
  }

  write(byte, now) {
    this.transaction.push(byte);
    if (this.transaction.length === 1) this.pointer = byte;
    if (this.transaction.length === 3) this.store(this.pointer, (this.transaction[1] << 8) | byte, now);
    return true;
  }

  read() {
    return this.transaction.shift() ?? 0xff;
  }

  stop() {}
}

function clamp(value, low, high) {
  return Math.min(high, Math.max(low, value));
}
