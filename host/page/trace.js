// The trace: which stretch of the run is shown, and where its columns come from. The last minute is drawn from the stream;
// anything else is asked of the program, which answers any window with true extremes from full-rate readings.

import { ask } from "./connection.js";
import { element, find, findAll, say } from "./dom.js";
import { clock, duration, quantity } from "./figure.js";
import { draw } from "./draw.js";
import { takeHand } from "./hand.js";
import { Lane } from "./lanes.js";
import { Recent } from "./recent.js";
import { Store } from "./store.js";

const SPANS = [[1, "1 s"], [10, "10 s"], [60, "1 min"], [600, "10 min"], [3600, "1 h"], [Infinity, "All"]];
const SHORTEST_S = 0.01;
const ASK_AFTER_MS = 90;
const WORDS_EVERY_MS = 1500;
const MADE_EVERY_MS = 700;

export class Trace {
  constructor(store) {
    this.store = store;
    this.plot = find("#plot");
    this.canvas = find("canvas", this.plot);
    this.note = find("#reading-at");
    this.recent = new Recent();
    this.lanes = { one: new Lane(), two: new Lane(), temperature: new Lane() };
    this.span_s = 10;
    this.to_s = 0;
    this.following = true;
    this.together = false;
    this.whole = false;
    this.board = null;
    this.past = null;
    this.window = null;
    this.drawn = 0;
    this.drawn_to_s = -Infinity;
    this.made_share = 1;
    this.controls();
    takeHand(this);
    this.width = this.plot.clientWidth;
    new ResizeObserver(() => {
      this.width = this.plot.clientWidth;
      this.redraw(true);
    }).observe(this.plot);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.redraw(true));
    document.addEventListener("visibilitychange", () => this.redraw(true));
  }

  controls() {
    for (const [span, name] of SPANS) {
      find(".spans").append(element("button", { type: "button", "data-span": String(span), onclick: () => this.show(span) }, name));
    }
    for (const button of findAll("[data-move]")) {
      button.addEventListener("click", () => this.move(button.dataset.move));
    }
    find("#same-scale").addEventListener("click", (event) => {
      this.together = !this.together;
      event.currentTarget.setAttribute("aria-pressed", String(this.together));
      for (const lane of Object.values(this.lanes)) lane.low = lane.high = 0;
      this.redraw();
    });
    find("#present").addEventListener("click", () => this.showRun(null));
    find("#board").addEventListener("change", (event) => {
      const serial = event.currentTarget.value;
      if (this.past?.served.includes(serial)) {
        this.past.serial = serial;
        this.window = null;
        this.redraw(true);
        return;
      }
      this.board = this.store.serial = serial;
      this.forget();
    });
  }

  /** What is drawn: the present run, or one that is over. */
  get source() { return this.past ?? this.store; }

  /** Shows a run that is over, or the present one again. */
  showRun(run) {
    this.window = null;
    this.past = null;
    this.made_share = 1;
    if (run) {
      this.past = new Store();
      this.past.run = run.run;
      this.past.served = run.boards;
      this.past.serial = run.boards.includes(this.board) ? this.board : run.boards[0];
      this.past.zero_utc_ms = Date.parse(run.started_utc);
      this.past.elapsed_s = run.length_s ?? 0;
    }
    say(find("#trace-heading"), run ? `Trace of run ${run.run}, which is over` : "Trace");
    find("#present").hidden = !run;
    this.following = !run;
    this.to_s = this.now_s;
    this.whole = false;
    this.span_s = run ? Math.max(1, this.now_s) : 10;
    this.redraw(true);
  }

  /** Another run or board: nothing of the old one is shown. */
  forget() {
    this.drawn_to_s = -Infinity;
    if (this.past) this.showRun(null);
    this.recent.clear();
    this.window = null;
    this.following = true;
    this.redraw(true);
  }

  get serial() { return this.past ? this.past.serial : this.board; }
  get now_s() { return this.past ? this.past.elapsed_s : Math.max(this.recent.to_s, this.store.elapsed_s); }
  get from_s() { return this.to_s - this.span_s; }

  take(board) {
    const changes = this.isChangedBy(board.recent);
    this.recent.push(board.recent, board.channels.map((channel) => channel.temperature_c));
    if (changes) this.redraw();
  }

  /** Whether new columns change the picture: not when they are out of view, nor when they lie within what the last pixel
   *  of a long view shows already. */
  isChangedBy(recent) {
    if (this.past || !recent) return false;
    const end_s = recent.start_elapsed_s + recent.ch1_min.length * recent.column_s;
    if (!this.following && this.to_s < recent.start_elapsed_s) return false;
    const pixel_s = this.span_s / this.lanes.one.width;
    if (pixel_s < 0.05 || !(end_s - this.drawn_to_s < pixel_s)) return true;
    const last = Math.min(this.lanes.one.width - 1, Math.floor((this.drawn_to_s - this.from_s) / pixel_s - 1e-6));
    const within = (lane, min, max) => min.every((low, i) => low === null || (lane.min[last] <= low && max[i] <= lane.max[last]));
    return !within(this.lanes.one, recent.ch1_min, recent.ch1_max) || !within(this.lanes.two, recent.ch2_min, recent.ch2_max);
  }

  show(span_s) {
    this.whole = span_s === Infinity;
    this.following = true;
    this.span_s = this.whole ? Math.max(this.now_s, 1) : span_s;
    this.redraw(true);
  }

  move(how) {
    if (how === "live") this.setFollowing(!this.following);
    else if (how === "left") this.pan(-this.span_s / 4);
    else if (how === "right") this.pan(this.span_s / 4);
    else this.zoom(how === "in" ? 0.5 : 2, this.following ? 1 : 0.5);
  }

  setFollowing(following) {
    if (following && this.past) this.showRun(null);
    this.following = following;
    this.redraw(true);
  }

  pan(by_s) {
    this.whole = false;
    this.following = by_s > 0 && this.to_s + by_s >= this.now_s;
    this.to_s = Math.max(Math.min(this.to_s + by_s, this.now_s + this.span_s / 2), this.span_s / 2);
    this.redraw(true);
  }

  /** Zooms about the instant that stands at `share` of the width. */
  zoom(factor, share) {
    const about_s = this.from_s + share * this.span_s;
    const longest_s = Math.max(this.now_s * 1.05, 10);
    this.whole = false;
    this.span_s = Math.min(longest_s, Math.max(SHORTEST_S, this.span_s * factor));
    if (!this.following || share < 0.9) {
      this.following = false;
      this.to_s = about_s + (1 - share) * this.span_s;
    }
    this.redraw(true);
  }

  /** Puts an instant in the middle of the view. */
  visit(at_s, span_s = this.span_s) {
    this.following = false;
    this.whole = false;
    this.span_s = span_s;
    this.to_s = at_s + span_s / 2;
    this.redraw(true);
  }

  /** A pointer stands at this share of the width, or nowhere. */
  point(share) {
    this.pointed = share;
    this.redraw();
  }

  /** Goes to the next event (+1) or the one before (-1). */
  nextEvent(direction) {
    const middle = this.to_s - this.span_s / 2;
    const ahead = this.source.happenings
      .filter((one) => one.type === "event" && one.kind !== "nuisance" && one.board === this.serial && (one.at_s - middle) * direction > this.span_s * 1e-3)
      .sort((a, b) => (a.at_s - b.at_s) * direction);
    if (ahead.length) this.visit(ahead[0].at_s, Math.min(this.span_s, 10));
  }

  redraw(byHand = false) {
    if (byHand) this.handled = true;
    if (this.pending || document.hidden) return;
    this.pending = true;
    requestAnimationFrame(() => {
      this.pending = false;
      if (this.following) this.to_s = this.now_s;
      if (this.whole) this.span_s = Math.max(this.now_s, 1);
      this.askIfNeeded();
      draw(this);
      this.drawn_to_s = this.now_s;
      this.drawn++;
      this.inform();
    });
  }

  /** Whether what is shown can be drawn from the stream alone. */
  get isRecent() { return !this.past && this.from_s >= this.recent.from_s && this.span_s >= this.width * this.recent.column_s / 4; }

  askIfNeeded() {
    if (!this.serial || this.source.run === null || this.isRecent) return;
    const held = this.window;
    // What comes after the window is drawn from the stream, as long as there is no hole between them.
    const goesOn = !this.past && held && held.known_to_s >= this.recent.from_s;
    const fits = held && held.run === this.source.run && held.board === this.serial && held.from_s <= Math.max(0, this.from_s)
      && (goesOn || held.known_to_s >= Math.min(this.to_s, this.now_s)) && held.to_s - held.from_s <= this.span_s * 2.2;
    if (fits) return;
    if (this.asking || (this.abort && !this.handled)) return;
    this.handled = false;
    this.asking = setTimeout(() => this.fetchWindow(), this.following ? ASK_AFTER_MS * 4 : ASK_AFTER_MS);
  }

  async fetchWindow() {
    this.asking = null;
    this.abort?.abort();
    const abort = (this.abort = new AbortController());
    const margin_s = this.following ? 0 : this.span_s / 2;
    const from_s = Math.max(0, this.from_s - margin_s);
    const to_s = Math.max(from_s + SHORTEST_S, Math.min(this.now_s, this.to_s + margin_s));
    const pixels = Math.min(4000, Math.ceil(this.width * (to_s - from_s) / this.span_s));
    const source = this.source;
    const { run } = source;
    const query = new URLSearchParams({ run, board: this.serial, from_s, to_s, columns: Math.max(50, pixels) });
    try {
      const window = await ask(`/v1/window?${query}`, abort.signal);
      this.made_share = window.made_share;
      if (window.made_share < 1) {
        // Its extremes are being made on the other side: what is shown meanwhile says so.
        setTimeout(() => { this.handled = true; this.redraw(); }, MADE_EVERY_MS);
        this.inform();
        return;
      }
      // What is not on the disk yet is in the stream.
      this.window = { ...window, run, known_to_s: this.past ? Infinity : Math.min(to_s, window.recorded_to_s) };
      source.takeWindow(window);
      this.redraw();
    } catch (error) {
      // Where the program cannot be reached, the connection says so already.
      if (error.name !== "AbortError" && error.status) this.store.emit("complaint", `The trace could not be fetched: ${error.message}`);
    } finally {
      if (this.abort === abort) this.abort = null;
    }
  }

  /** The same in words, for those who do not see the drawing. */
  inform() {
    for (const button of findAll(".spans button")) {
      const span = Number(button.dataset.span);
      button.setAttribute("aria-pressed", String(this.whole ? span === Infinity : span === this.span_s));
    }
    find("#follow").setAttribute("aria-pressed", String(this.following));
    // Words follow the picture in measure; at once when another stretch is shown or the first reading comes, and the last
    // word is always on the last picture.
    const shown = `${this.span_s} ${this.source.run} ${this.lanes.one.extremes() === null} ${this.lanes.two.extremes() === null}`;
    const wait_ms = shown === this.informedOf ? this.informed + WORDS_EVERY_MS - performance.now() : 0;
    if (wait_ms > 0) {
      this.informing ??= setTimeout(() => { this.informing = null; this.inform(); }, wait_ms);
      return;
    }
    this.informedOf = shown;
    this.informed = performance.now();
    const range = (lane, name) => {
      const extremes = lane.extremes();
      if (!extremes) return `${name}: no readings`;
      const [low, high] = extremes.map((value) => quantity(value, (extremes[1] - extremes[0]) / 50, "A"));
      return `${name}: ${low.text} ${low.unit} to ${high.text} ${high.unit}`;
    };
    const inView = this.source.happenings.filter((one) => one.at_s >= this.from_s && one.at_s <= this.to_s && one.type === "event" && one.kind !== "nuisance"
      && one.board === this.serial);
    const made = this.made_share < 1 && !this.isRecent
      ? ` The extremes of this run are being made from its recording, ${Math.floor(this.made_share * 100)} % so far; then it is shown.` : "";
    const unlisted = !this.isRecent && this.window?.unlisted > 0
      ? ` ${this.window.unlisted.toLocaleString()} more events and marks stand here than are shown: zoom in to see them.` : "";
    const words = `${duration(this.span_s)} up to ${clock(this.source.utc_ms(this.to_s))}. ` +
      `${range(this.lanes.one, "Channel 1")}; ${range(this.lanes.two, "channel 2")}; ` +
      `${inView.length} event${inView.length === 1 ? "" : "s"} in view.${unlisted}${made}`;
    say(find("#trace-words"), words);
  }
}
