// What happened, newest first: the list beside the trace, and the same said aloud in measure.

import { element, find, say } from "./dom.js";
import { clock } from "./figure.js";
import { eventShape } from "./glyphs.js";

const LISTED = 60;
const SAY_EVERY_MS = 3000;

/** The end of a board's identity, which tells boards of one bench apart. */
const shortSerial = (serial) => `…${serial.slice(-4)}`;

export function listHappenings(store, trace) {
  const list = find("#happening-list");
  let due = false;
  let shown = null;
  const show = () => {
    due = false;
    const sorted = store.happenings.filter((one) => one.kind !== "nuisance" && (one.type === "event" || one.board === store.board?.serial)).sort((a, b) => b.at_s - a.at_s).slice(0, LISTED);
    const now = sorted.map((one) => `${one.key} ${one.words}`).join("\n");
    if (now === shown) return;
    shown = now;
    list.replaceChildren(...sorted.map((one) => element("li", { class: one.grave ? "grave" : "" },
      element("span", { class: "shape" }, eventShape(one.kind)),
      element("time", {}, clock(one.utc ? Date.parse(one.utc) : store.utc_ms(one.at_s), 0.01)),
      element("span", {}, store.boards.length > 1 && one.board ? `Board ${shortSerial(one.board)}: ${one.words}` : one.words),
      element("button", { type: "button", "aria-label": `Show on the trace: ${one.words}`,
        onclick: () => trace.visit(one.at_s, Math.min(trace.span_s, 2)) }, "Show"))));
    find("#nothing-happened").hidden = sorted.length > 0;
  };
  const soon = () => {
    if (due) return;
    due = true;
    setTimeout(show, 120);
  };
  store.on("happenings", soon);
  store.on("happenings", () => trace.redraw());
  store.on("new-run", soon);
  show();

  let saidAt = -Infinity;
  store.on("event", (one) => {
    const now = performance.now();
    if (!one.grave || one.revised || now - saidAt < SAY_EVERY_MS) return;
    saidAt = now;
    say(find("#said"), one.words);
  });
}
