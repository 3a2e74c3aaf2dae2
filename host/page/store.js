// What is known at present. The stream and the answers to windows come in; the parts of the page are told.

const HAPPENINGS = 4000;
const EXAMINATIONS = { standing: "standings", soak: "soaks", power_up: "powerUps", twins: "comparisons" };

export class Store {
  constructor() {
    this.listeners = new Map();
    this.sequence = null;
    this.kind = null;
    this.boards = [];
    this.job = null;
    this.forgetRun(null);
  }

  on(name, listener) {
    this.listeners.set(name, [...(this.listeners.get(name) ?? []), listener]);
  }

  emit(name, data) {
    for (const listener of this.listeners.get(name) ?? []) listener(data);
  }

  forgetRun(run) {
    this.run = run;
    this.happenings = [];
    this.byKey = new Map();
    this.gaps = new Map();
    for (const name of Object.values(EXAMINATIONS)) this[name] = new Map();
    // Number of the stream's event that brought the last word of an examination, by name and board.
    this.numbers = new Map();
    this.frozen = undefined;
    this.elapsed_s = 0;
    this.zero_utc_ms = Date.now();
  }

  /** The board whose trace is shown; its examinations are shown too. */
  get board() { return this.boards.find((board) => board.serial === this.serial) ?? this.boards[0]; }
  get standing() { return this.standings.get(this.board?.serial) ?? null; }
  get soak() { return this.soaks.get(this.board?.serial) ?? null; }
  get powerUp() { return this.powerUps.get(this.board?.serial) ?? null; }
  get twins() { return this.comparisons.get(this.board?.serial) ?? null; }

  /** What the examinations said before this page began to listen: the answer of `/v1/status`. It holds the events before
   *  number `next_event`; what the stream has brought since is newer, though it may have come sooner. */
  takeFindings(findings, next_event) {
    for (const name of Object.keys(EXAMINATIONS)) {
      for (const one of findings[name]) {
        if (!(this.numbers.get(`${name} ${one.board}`) >= next_event)) this.take(name, one);
      }
    }
  }

  /** The instant of a board time, by the time base of the run. */
  utc_ms(elapsed_s) { return this.zero_utc_ms + elapsed_s * 1000; }

  /** Takes what the stream or an answer says; `number` is that of the stream's event. */
  take(name, data, number = null) {
    // The last word on a run that is over may come after the first of the next.
    if (name in EXAMINATIONS && this.run !== null && data.run !== this.run) return;
    const known = {
      state: () => this.takeState(data),
      detection: () => this.takeDetection(data),
      mark: () => this.takeMark(data),
    }[name];
    known?.();
    if (name in EXAMINATIONS) {
      this[EXAMINATIONS[name]].set(data.board, data);
      if (number !== null) this.numbers.set(`${name} ${data.board}`, number);
    }
    this.emit(name, data);
  }

  takeState(state) {
    this.sequence = state.sequence;
    this.kind = state.kind;
    this.heard_ms = performance.now();
    if (state.run !== this.run) {
      this.forgetRun(state.run);
      this.emit("new-run", state);
    }
    this.standby = !state.recording;
    this.left_s = state.left_s;
    this.boards = state.boards;
    if (!this.board) return;
    const { elapsed_s } = this.board;
    if (elapsed_s < this.elapsed_s - 60) this.elapsed_s = 0;
    if (elapsed_s <= this.elapsed_s) return;
    this.elapsed_s = elapsed_s;
    const zero_ms = Date.parse(state.utc) - elapsed_s * 1000;
    // The first map is kept: times already on the screen do not move by the milliseconds of a later one.
    if (Math.abs(zero_ms - this.zero_utc_ms) > 500) this.zero_utc_ms = zero_ms;
  }

  takeDetection(detection) {
    const one = eventOf(detection);
    this.note(one);
    this.emit("event", { ...one, id: `${detection.board} ${detection.number}`, revised: detection.revised, arrived_utc: detection.arrived_utc,
      said_utc: detection.said_utc });
  }

  takeMark(mark) {
    const one = markOf(mark);
    if (one.kind !== "place") this.note(one);
    this.emit("marked", one);
  }

  takeWindow(window) {
    for (const detection of window.events) this.note(eventOf(detection));
    for (const mark of window.marks) if (mark.kind !== "place") this.note(markOf(mark));
    for (const alteration of window.alterations) this.note(alterationOf(alteration, window.board));
    for (const gap of window.gaps) {
      this.gaps.set(`${window.board} ${gap.from_s}`, { ...gap, board: window.board });
      if (this.gaps.size > HAPPENINGS) this.gaps.delete(this.gaps.keys().next().value);
    }
    this.emit("happenings");
  }

  note(one) {
    if (typeof one.at_s !== "number") return;
    const known = this.byKey.get(one.key);
    if (known) {
      // An answer that was on its way when the event was revised does not take that back.
      if (known.revised && !one.revised) return;
      Object.assign(known, one);
    } else {
      this.byKey.set(one.key, one);
      this.happenings.push(one);
      if (this.happenings.length > HAPPENINGS) this.byKey.delete(this.happenings.shift().key);
    }
    this.emit("happenings");
  }
}

function eventOf(detection) {
  return {
    key: `event ${detection.board} ${detection.number}`, type: "event", kind: detection.kind, board: detection.board,
    at_s: detection.at.elapsed_s, utc: detection.at.utc, words: detection.words, reason: detection.reason, grave: detection.fault,
    revised: detection.revised,
  };
}

function markOf(mark) {
  const at_s = mark.at.elapsed_s;
  const what = mark.kind === "tap" ? "tap" : `${mark.kind}:`;
  const words = `${what}${mark.label ? ` ${mark.label}` : ""}${mark.source === "pedal" ? ", by foot switch" : ""}`;
  return { key: `mark ${mark.board} ${at_s} ${mark.kind}`, type: "mark", kind: mark.kind, board: mark.board, at_s, utc: mark.at.utc, words,
    source: mark.source, grave: false };
}

function alterationOf(alteration, board) {
  return { key: `alteration ${alteration.number} ${alteration.event}`, type: "alteration", kind: "alteration", board,
    at_s: alteration.at.elapsed_s, utc: alteration.at.utc, words: `alteration ${alteration.number} ${alteration.event}: ${alteration.what}`,
    grave: false };
}
