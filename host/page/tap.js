// Tap and flex: the list of places, made while working; taps; and where each place stands.

import { change } from "./connection.js";
import { classed, drawn, element, find, findAll, say } from "./dom.js";

const AIMS = ["INPUT", "TEXTAREA", "SELECT", "BUTTON", "A", "SUMMARY"];
const VERDICTS = [[/accus/i, "bad", "▲"], [/suspect/i, "warn", "◆"], [/clear/i, "calm", "✓"]];

export class Tap {
  constructor(store, page) {
    this.store = store;
    this.page = page;
    this.places = [];
    this.place = null;
    this.rows = new Map();
    this.taps = new Map();
    find("#tap-now").addEventListener("click", () => this.tap());
    find("#add-place").addEventListener("submit", (event) => {
      event.preventDefault();
      const field = event.currentTarget.elements.place;
      if (!field.value.trim()) return;
      this.choose(field.value.trim());
      field.value = "";
      find("#tap-now").focus();
    });
    addEventListener("keydown", (event) => this.key(event));
    store.on("standing", () => this.show());
    store.on("job", () => this.show());
    store.on("marked", (mark) => this.marked(mark));
    store.on("new-run", () => { this.taps.clear(); this.show(); });
    store.on("state", (state) => {
      const place = state.place || null;
      if (place === this.place || this.asking) return;
      this.place = place;
      if (place && !this.places.includes(place)) this.places.push(place);
      this.show();
    });
    this.show();
  }

  key(event) {
    if (this.page.activity !== "tap" || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    const typing = AIMS.includes(event.target.tagName) && event.target.type !== "radio";
    if (event.key === " " && (!typing || event.target.id === "tap-now")) {
      event.preventDefault();
      this.tap();
    } else if (/^[1-9]$/.test(event.key) && !(typing && event.target.tagName !== "BUTTON")) {
      const place = this.places[Number(event.key) - 1];
      if (place) this.choose(place);
    }
  }

  async choose(place) {
    if (!this.places.includes(place)) this.places.push(place);
    this.place = place;
    this.show();
    this.rows.get(place).made.scrollIntoView({ block: "nearest" });
    this.asking = (this.asking ?? 0) + 1;
    await this.page.changing(() => change("/v1/place", { place }));
    // A state that was under way still has the place before.
    setTimeout(() => { this.asking--; }, 250);
  }

  tap() {
    const button = find("#tap-now");
    if (this.place === null) {
      this.page.complain("Choose or add the place first, so that the tap has one.");
      return;
    }
    classed(button, "main tap changes hit");
    setTimeout(() => classed(button, "main tap changes"), 150);
    this.page.changing(() => change("/v1/marks", { kind: "tap", label: this.place }));
  }

  /** A tap that came back from the program, whoever made it. */
  marked(mark) {
    if (mark.kind !== "tap") return;
    this.page.announceTap(mark);
  }

  standings() {
    return new Map((this.store.standing?.places ?? []).map((one) => [one.place, one]));
  }

  show() {
    const standings = this.standings();
    for (const place of [...standings.keys(), ...(this.store.job?.places ?? [])]) {
      if (place && !this.places.includes(place)) this.places.push(place);
    }
    const where = find("#places");
    this.places.forEach((place, at) => {
      if (!this.rows.has(place)) {
        const row = placeRow(place, at + 1, () => this.choose(place));
        this.rows.set(place, row);
        where.append(row.made);
      }
      this.rows.get(place).show(standings.get(place), place === this.place);
    });
    say(find("#standing-words"), this.store.standing?.sentence ??
      (this.places.length ? "" : "Write down the first place you mean to tap."));
    const button = find("#tap-now");
    say(button.firstChild, this.place ? `Tap ${this.place}` : "Tap");
    for (const begin of findAll("[data-activity=tap] [data-begin]")) begin.hidden = this.store.kind === "tap";
  }
}

/** One place: choice, hits of taps, the interval drawn to scale, the verdict in a word and a shape. */
function placeRow(place, number, choose) {
  const choice = element("input", { type: "radio", name: "place", onchange: choose });
  const count = element("span", { class: "count" });
  const verdict = element("span", { class: "verdict" });
  const more = element("span", { class: "more" });
  const low = drawn("rect", { y: 3, height: 6, rx: 3, class: "interval" });
  const value = drawn("rect", { y: 0, height: 12, width: 2.5, class: "estimate" });
  const bar = drawn("svg", { viewBox: "0 0 100 12", class: "probability", preserveAspectRatio: "none", "aria-hidden": "true" },
    drawn("rect", { y: 5, width: 100, height: 2, class: "scale" }), low, value);
  const made = element("label", { class: "place" }, choice, element("span", { class: "number", "aria-hidden": "true" }, String(number)),
    element("span", { class: "name" }, place), count, verdict, bar, more);
  return {
    made,
    show(standing, chosen) {
      choice.checked = chosen;
      classed(made, `place${chosen ? " chosen" : ""}`);
      say(count, standing ? `${standing.hits} of ${standing.taps}` : "no taps");
      bar.style.visibility = standing ? "visible" : "hidden";
      if (!standing) return;
      const { value: at } = standing.probability;
      const from = standing.probability.low ?? 0;
      const to = standing.probability.high ?? 1;
      low.setAttribute("x", from * 100);
      low.setAttribute("width", Math.max(1, (to - from) * 100));
      value.setAttribute("x", Math.min(97.5, Math.max(0, at * 100 - 1.2)));
      const word = standing.verdict;
      const [, tone, shape] = VERDICTS.find(([pattern]) => pattern.test(word)) ?? [null, "", "…"];
      say(verdict, `${shape} ${word}`);
      classed(verdict, `verdict ${tone}`);
      const percent = (share) => `${(share * 100).toFixed(0)} %`;
      const further = standing.taps_more > 0 ? `; ${standing.taps_more} more without an answer would clear it` : "";
      say(more, `answers ${percent(from)} to ${percent(to)} of taps${further}`);
    },
  };
}
