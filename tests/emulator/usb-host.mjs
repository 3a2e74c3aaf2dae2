// A small USB host: enumerates the board, opens its serial port, and moves bytes. It speaks to the emulated USB
// controller through the controller's registers and its shared memory, as the wire would.
//
// rp2040js 1.4.1 has a host model of its own, which this replaces: there a receive buffer stops being available in the
// moment it is offered, so that firmware that polls it never waits, and the line state goes to the device instead of
// the interface, so that DTR never rises.

const BUFFER_CONTROL_AT = 0x80;
const ENDPOINT_CONTROL_AT = 0x08;
const CONTROL_BUFFER_AT = 0x100;

const FULL = 1 << 15;
const AVAILABLE = 1 << 10;
const STALL = 1 << 11;
const LENGTH = 0x3ff;

const SIE_BUS_RESET = 1 << 19;
const SIE_SETUP_RECEIVED = 1 << 17;
const SIE_PULL_UP = 1 << 16;

const PACKET_BYTES = 64;
/** A 64-byte bulk packet on a full-speed bus takes about this long (USB 2.0, section 5.8.4: 19 in a frame of 1 ms). */
const PACKET_NANOS = 1e6 / 19;
/** Time from the pull-up to the reset, and of the reset itself; the standard asks for 100 ms and 10 ms. */
const DEBOUNCE_NANOS = 5e6;
const RESET_NANOS = 10e6;

const REQUEST = { getDescriptor: 6, setAddress: 5, setConfiguration: 9, setLineCoding: 0x20, setLineState: 0x22 };
const DESCRIPTOR = { device: 1, configuration: 2, string: 3 };

export class UsbHost {
  /**
   * @param chip the emulated chip
   * @param hooks `onReady(descriptors)` once the port can be opened, and `onData(bytes)`
   */
  constructor(chip, { onReady, onData }) {
    this.chip = chip;
    this.usb = chip.usbCtrl;
    this.onReady = onReady;
    this.onData = onData;
    this.descriptors = {};
    this.ready = false;
    this.listening = true;
    this.toSend = [];
    this.control = null;
    this.queue = [];
    this.packets = new Map();

    this.usb.DPRAMUpdated = (offset, value) => this.offered(offset, value);
    this.usb.onResetReceived = () => this.enumerate();
    const write = this.usb.writeUint32.bind(this.usb);
    let attached = false;
    this.usb.writeUint32 = (offset, value) => {
      write(offset, value);
      if (offset === 0x4c && value & SIE_PULL_UP && !attached) {
        attached = true;
        this.after(DEBOUNCE_NANOS + RESET_NANOS, () => {
          this.usb.sieStatus |= SIE_BUS_RESET;
          this.usb.sieStatusUpdated();
        });
      }
    };
  }

  after(nanos, then) {
    this.chip.clock.createAlarm(then).schedule(nanos);
  }

  /**
   * A program opens or closes the port. While it is closed the host asks for no data; most operating systems raise DTR
   * when it is opened, which `dtr` may deny.
   */
  setOpen(open, { dtr = open } = {}) {
    this.open = open;
    this.dtr = dtr;
    if (!this.ready) return;
    this.sendLineState();
    if (open) this.resume();
  }

  sendLineState() {
    this.transfer(0x21, REQUEST.setLineState, this.dtr ? 3 : 0, this.interfaceNumber);
  }

  /** Sends bytes to the board's serial port. */
  write(bytes) {
    this.toSend.push(...bytes);
    this.offerOut();
  }

  /** Stops or resumes taking packets from the board: a host that has stalled, or died with the cable in. */
  setListening(listening) {
    this.listening = listening;
    if (listening) this.resume();
  }

  resume() {
    for (const [offset, value] of this.waiting()) this.offered(offset, value);
  }

  *waiting() {
    for (let offset = BUFFER_CONTROL_AT; offset < BUFFER_CONTROL_AT + 16 * 8; offset += 4) {
      const value = this.word(offset);
      if (value & AVAILABLE) yield [offset, value];
    }
  }

  word(offset) {
    return this.chip.usbDPRAMView.getUint32(offset, true);
  }

  setWord(offset, value) {
    this.chip.usbDPRAMView.setUint32(offset, value, true);
  }

  bufferAt(endpoint, out) {
    if (endpoint === 0) return CONTROL_BUFFER_AT;
    return this.word(ENDPOINT_CONTROL_AT + 8 * (endpoint - 1) + (out ? 4 : 0)) & 0xffc0;
  }

  /** The firmware wrote a buffer control register: perhaps it offers a buffer. The packet passes a little later. */
  offered(offset, value) {
    if (offset < BUFFER_CONTROL_AT || offset >= BUFFER_CONTROL_AT + 16 * 8) return;
    const endpoint = (offset - BUFFER_CONTROL_AT) >> 3;
    const out = (offset & 4) !== 0;
    if (endpoint === 0 && value & STALL && this.control) {
      const { setup } = this.control;
      throw new Error(`the board stalls USB request ${setup[1]} (type ${setup[0]}, value ${setup[2] | (setup[3] << 8)})`);
    }
    if (!(value & AVAILABLE) || !this.listening || this.packets.get(offset)) return;
    if (endpoint !== 0 && (out ? this.toSend.length === 0 : !this.open)) return;
    this.packets.set(offset, true);
    this.after(PACKET_NANOS, () => {
      this.packets.set(offset, false);
      if (!this.listening || !(this.word(offset) & AVAILABLE)) return;
      if (endpoint !== 0 && !out && !this.open) return;
      if (out) this.giveOut(endpoint, offset);
      else this.takeIn(endpoint, offset);
    });
  }

  offerOut() {
    if (this.ready) {
      const offset = BUFFER_CONTROL_AT + 8 * this.outEndpoint + 4;
      this.offered(offset, this.word(offset));
    }
  }

  takeIn(endpoint, offset) {
    const value = this.word(offset);
    const from = this.bufferAt(endpoint, false);
    const bytes = this.chip.usbDPRAM.slice(from, from + (value & LENGTH));
    this.setWord(offset, value & ~(AVAILABLE | FULL));
    this.usb.indicateBufferReady(endpoint, false);
    if (endpoint === 0) this.controlTook(bytes);
    else if (endpoint === this.inEndpoint && bytes.length > 0) this.onData(bytes);
  }

  giveOut(endpoint, offset) {
    const value = this.word(offset);
    let bytes = [];
    if (endpoint === 0) bytes = this.control?.dataOut?.splice(0, PACKET_BYTES) ?? [];
    else if (endpoint === this.outEndpoint) bytes = this.toSend.splice(0, Math.min(PACKET_BYTES, value & LENGTH));
    this.chip.usbDPRAM.set(bytes, this.bufferAt(endpoint, true));
    this.setWord(offset, (value & ~(AVAILABLE | LENGTH)) | FULL | bytes.length);
    this.usb.indicateBufferReady(endpoint, true);
    if (endpoint === 0) this.controlGave();
  }

  /** Queues a control transfer. `then` gets the bytes of its data stage. */
  transfer(type, request, value, index, { length = 0, data, then = () => {} } = {}) {
    const total = data?.length ?? length;
    const setup = [type, request, value & 0xff, value >> 8, index & 0xff, index >> 8, total & 0xff, total >> 8];
    this.queue.push({ setup, dataOut: data && [...data], wanted: length, took: [], then });
    if (!this.control) this.nextTransfer();
  }

  nextTransfer() {
    this.control = this.queue.shift() ?? null;
    if (!this.control) return;
    this.chip.usbDPRAM.set(this.control.setup, 0);
    this.usb.sieStatus |= SIE_SETUP_RECEIVED;
    this.usb.sieStatusUpdated();
  }

  controlTook(bytes) {
    const { control } = this;
    if (!control) return;
    control.took.push(...bytes);
    // With no data stage to the host, the packet taken was the status stage.
    if (control.wanted === 0) this.finish();
    else control.inComplete = bytes.length < PACKET_BYTES || control.took.length >= control.wanted;
  }

  controlGave() {
    // With a data stage to the host, the empty packet given was the status stage.
    if (this.control?.inComplete) this.finish();
  }

  finish() {
    const { then, took } = this.control;
    this.control = null;
    this.after(PACKET_NANOS, () => {
      then(Uint8Array.from(took));
      if (!this.control) this.nextTransfer();
    });
  }

  descriptor(kind, index, length, then, language = 0) {
    this.transfer(0x80, REQUEST.getDescriptor, (kind << 8) | index, language, { length, then });
  }

  enumerate() {
    this.ready = false;
    this.control = null;
    this.queue = [];
    const { descriptors } = this;
    this.descriptor(DESCRIPTOR.device, 0, 64, (device) => {
      descriptors.device = device;
      this.transfer(0, REQUEST.setAddress, 1, 0);
      for (const [name, index] of [['manufacturer', 14], ['product', 15], ['serialNumber', 16]]) {
        const read = (bytes) => (descriptors[name] = Buffer.from(bytes.subarray(2)).toString('utf16le'));
        if (device[index]) this.descriptor(DESCRIPTOR.string, device[index], 255, read, 0x0409);
      }
      this.descriptor(DESCRIPTOR.configuration, 0, 9, (head) => {
        const total = head[2] | (head[3] << 8);
        this.descriptor(DESCRIPTOR.configuration, 0, total, (bytes) => this.configure(bytes));
      });
    });
  }

  configure(configuration) {
    this.descriptors.configuration = configuration;
    Object.assign(this, serialPort(configuration));
    this.transfer(0, REQUEST.setConfiguration, configuration[5], 0);
    // 115200 baud, one stop bit, no parity, eight data bits: the numbers do not matter to a virtual port.
    const coding = [0x00, 0xc2, 0x01, 0x00, 0, 0, 8];
    this.transfer(0x21, REQUEST.setLineCoding, 0, this.interfaceNumber, {
      data: coding,
      then: () => {
        this.ready = true;
        if (this.dtr) this.sendLineState();
        this.onReady(this.descriptors);
        this.offerOut();
      },
    });
  }
}

/** Finds the serial port (CDC 1.2: control class 02h subclass 02h, data class 0Ah) in a configuration descriptor. */
export function serialPort(configuration) {
  const found = {};
  let inData = false;
  for (let at = 0; at + 1 < configuration.length && configuration[at] > 0; at += configuration[at]) {
    const [, kind] = configuration.subarray(at);
    if (kind === 4) {
      const [number, , , cls, subclass] = configuration.subarray(at + 2);
      if (cls === 2 && subclass === 2) found.interfaceNumber = number;
      inData = cls === 10;
    } else if (kind === 5 && inData) {
      const address = configuration[at + 2];
      if (address & 0x80) found.inEndpoint = address & 15;
      else found.outEndpoint = address & 15;
    }
  }
  if (found.interfaceNumber === undefined || !found.inEndpoint || !found.outEndpoint) {
    throw new Error('the board offers no serial port: its configuration descriptor has no CDC interface pair');
  }
  return found;
}
