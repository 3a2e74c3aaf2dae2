// The big figures. Their words come from the program; here they are only made large, and fade with age.

import { classed, element, find, say } from "./dom.js";
import { fixed, quantity } from "./figure.js";
import { badge, gravity, stateShape } from "./glyphs.js";

/** Older than this is said and shown; grey all through at GREY_S. */
const STALE_S = 0.6;
const GREY_S = 6;

export class Figures {
  constructor(store, { rearm }) {
    this.store = store;
    this.rearm = rearm;
    this.where = find("#figures");
    this.boards = new Map();
    store.on("state", () => this.show());
    setInterval(() => this.show(), 500);
  }

  show() {
    const { boards } = this.store;
    const silent_s = (performance.now() - (this.store.heard_ms ?? performance.now())) / 1000;
    const silence_s = silent_s > 0.4 ? silent_s : 0;
    for (const board of boards) {
      if (!this.boards.has(board.port)) this.add(board);
      this.boards.get(board.port)(board, silence_s);
    }
  }

  add(board) {
    const channels = [1, 2].map(channelCard);
    const twins = twinsCard();
    const guard = guardCard(this.rearm);
    const name = element("p", { class: "board-name" });
    const made = element("div", { class: "board", role: "group", "aria-label": `Board ${board.serial || board.port}` }, name,
      channels.map((card) => card.made), twins.made, guard.made);
    this.where.append(made);
    this.boards.set(board.port, (now, silence_s) => {
      name.hidden = this.boards.size < 2;
      say(name, `Board ${now.serial} on ${now.port}`);
      channels.forEach((card, at) => card.show(now.channels[at], silence_s));
      twins.show(now.twins);
      guard.show(now);
    });
  }
}

function channelCard(number) {
  const part = (name, more = {}) => element("span", { class: name, ...more });
  const [title, value, unit, rail, warm, word, age] = ["title", "value", "unit", "rail", "warm", "word", "age"].map((name) => part(name));
  const shape = part("state-shape");
  const bound = element("p", { class: "bound" });
  const state = element("p", { class: "state" }, shape, word, age);
  const made = element("article", { class: `channel ${number === 1 ? "one" : "two"}`, "aria-label": `Channel ${number}` },
    element("h3", {}, badge(number), title),
    element("p", { class: "current" }, value, unit), bound,
    element("p", { class: "beside" }, rail, warm), state);
  let shown = null;
  return {
    made,
    show(channel, silence_s) {
      say(title, channel.name);
      const current = quantity(channel.current_a, channel.current_uncertainty_a, "A");
      say(value, current.text);
      say(unit, current.unit);
      say(bound, current.bound || (channel.current_a === null ? "" : "bound not known yet"));
      say(rail, channel.rail_v === null ? "— V" : `${fixed(channel.rail_v, 2)} V`);
      say(warm, channel.temperature_c === null ? "— °C" : `${fixed(channel.temperature_c, 1)} °C`);
      const age_s = (channel.age_s ?? 0) + silence_s;
      const stale = age_s > STALE_S;
      state.title = channel.reason;
      const words = silence_s > 2 ? "no connection" : stale && age_s > 2 ? "no reading" : channel.state;
      say(word, words);
      say(age, stale ? `${age_s < 10 ? age_s.toFixed(1) : age_s.toFixed(0)} s old` : "");
      if (words !== shown) {
        shown = words;
        shape.replaceChildren(stateShape(words));
      }
      classed(state, `state ${gravity(words)}`);
      classed(made, `channel ${number === 1 ? "one" : "two"}${stale ? " stale" : ""}`);
      made.style.setProperty("--fresh", stale ? String(Math.max(0, 1 - age_s / GREY_S)) : "1");
    },
  };
}

function twinsCard() {
  const difference = element("span", { class: "value" });
  const ratio = element("span", { class: "value" });
  const word = element("span", { class: "word" });
  const made = element("section", { class: "twins", "aria-label": "Difference and ratio", hidden: true },
    element("h3", {}, "1 against 2"), difference, ratio, word);
  return {
    made,
    show(twins) {
      made.hidden = !twins;
      if (!twins) return;
      const shown = quantity(twins.difference_a.value, halfWidth(twins.difference_a), "A");
      say(difference, `${shown.text} ${shown.unit}${shown.bound ? ` ${shown.bound}` : ""}`);
      const half = twins.ratio && halfWidth(twins.ratio);
      say(ratio, twins.ratio ? ratioWords(twins.ratio.value, half) : "ratio not known");
      say(word, twins.word);
      word.title = twins.reason;
      classed(word, `word ${{ differs: "warn", alike: "calm" }[twins.word] ?? ""}`);
    },
  };
}

const halfWidth = ({ low, high }) => (low === null || high === null ? null : (high - low) / 2);

function ratioWords(value, half) {
  const shown = quantity(value, half, "");
  return half ? `ratio ${fixed(value, 4)} ± ${half.toFixed(4)}` : `ratio ${shown.text}`;
}

function guardCard(rearm) {
  const words = element("span");
  const more = element("span");
  const button = element("button", { type: "button", class: "changes", onclick: rearm, hidden: true }, "Close the relay again");
  const made = element("p", { class: "guard" }, words, more, button);
  return {
    made,
    show(board) {
      const { guard } = board;
      const { state } = guard;
      const tripped = state === "tripped";
      say(words, tripped ? `GUARD TRIPPED${guard.cause ? `: ${guard.cause}` : ""}. The supply relay is open.` : `Guard ${state}`);
      const bound = board.clock_bound_s ? `, clock within ${(board.clock_bound_s * 1000).toFixed(1)} ms` : "";
      say(more, board.connected ? `readings lost: ${board.losses}${bound}` : "board not connected");
      button.hidden = !tripped;
      classed(made, `guard${tripped ? " tripped" : ""}`);
    },
  };
}
