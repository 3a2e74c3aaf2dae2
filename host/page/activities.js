// Power-up, twins and soak: what the program found so far, as figures with their bounds.

import { classed, element, find, say } from "./dom.js";
import { bounded, duration, stopwatch } from "./figure.js";
import { badge, gravity, stateShape } from "./glyphs.js";

/** Rows of name and value, or value and interval; a row without a value is left out. */
function table(rows) {
  return element("dl", { class: "found" }, rows.filter(([, value]) => value !== null && value !== undefined)
    .map(([name, value]) => [element("dt", {}, name), element("dd", {}, Array.isArray(value) ? [value[0], value[1] && element("small", {}, value[1])] : value)]));
}

function channelFound(number, name, word, rows, reasons = []) {
  return element("section", { class: `found-channel ${number === 1 ? "one" : "two"}` },
    element("h3", {}, badge(number), element("span", {}, name || `Channel ${number}`)),
    word ? element("p", { class: `state ${gravity(word)}` }, stateShape(word), element("span", {}, word)) : null,
    table(rows), reasons.length ? element("ul", { class: "reasons" }, reasons.map((reason) => element("li", {}, reason))) : null);
}

const nameOf = (store, number) => store.board?.channels[number - 1].name;

/** Replaces what is shown only when it changed, so that nothing flickers and no selection is lost. */
function replace(where, made) {
  const before = where.textContent;
  const kept = document.createElement("div");
  kept.append(...made);
  if (kept.textContent !== before) where.replaceChildren(...kept.childNodes);
}

export function powerUp(store, trace) {
  const show = () => {
    const told = store.powerUp;
    const state = told?.state ?? "";
    const reached = { armed: 1, seen: 2, frozen: 3 }[state] ?? 0;
    find("#power-up-stages").childNodes.forEach((stage) => {
      if (stage.nodeType !== Node.ELEMENT_NODE) return;
      const at = [...stage.parentNode.children].indexOf(stage) + 1;
      classed(stage, at < reached ? "done" : at === reached ? "now" : "");
      if (at === reached) stage.setAttribute("aria-current", "step");
      else stage.removeAttribute("aria-current");
    });
    say(find("#arm"), state === "armed" ? "Armed: switch on now" : "Arm");
    say(find("#power-up-words"), told?.words ?? "Arm first, then switch the unit's supply on.");
    const knownGood = told?.known_good ? [element("section", { class: "found-channel" }, element("h3", {}, "Against known-good units"),
      element("p", { class: "told" }, told.known_good))] : [];
    replace(find("#power-up-figures"), [...knownGood, ...(told?.channels ?? []).map((channel) => channelFound(channel.channel,
      nameOf(store, channel.channel), channel.verdict, [
        [channel.peak_is_at_least ? "Peak, at least" : "Peak", bounded(channel.peak_a, "A")],
        ["Time to peak", channel.time_to_peak_s === 0 ? "within one reading" : time(channel.time_to_peak_s)],
        ["I²t", bounded(channel.i2t_a2s, "A²s")],
        ["Charge", bounded(channel.charge_as, "C")],
        ["Settled current", bounded(channel.settled_a, "A")],
        ["Settled after", time(channel.settling_time_s)],
        ["Against the fuse", channel.fuse?.verdict],
      ], [...channel.reasons, ...(channel.fuse?.reasons ?? []),
        ...(channel.fuse?.assumptions ?? []).map((assumed) => `Taken for granted: ${assumed}`)]))]);
    // What was taken stands still until the hand moves it.
    if (state === "frozen" && store.frozen !== told.switched_on_s) {
      store.frozen = told.switched_on_s;
      trace.visit(told.switched_on_s + 0.4, 1);
    }
  };
  store.on("power_up", show);
  store.on("job", show);
  store.on("new-run", show);
  show();
}

const time = (seconds) => (seconds === null || seconds === undefined ? null : duration(seconds));

export function twins(store) {
  const show = () => {
    const told = store.twins ?? store.boards[0]?.twins;
    replace(find("#twins-figures"), told ? [
      element("p", { class: `state ${gravity(told.word)}` }, stateShape(told.word), element("span", {}, told.word)),
      table([
        ["Difference, 1 less 2", bounded(told.difference_a, "A")],
        ["Ratio, 1 to 2", ratio(told.ratio)],
        ["Does not matter", told.margin_a ? `up to ${bounded({ value: told.margin_a }, "A")[0]}` : null],
        ["Still needed", time(told.more_s)],
        ["Why", told.reason],
      ]),
      ...(told.beside?.length ? [element("h3", {}, "Beside the mean current"), element("ul", { class: "reasons" },
        told.beside.map((side) => element("li", {}, `${side.what}: ${side.differs ? "differs" : "alike"}. ${side.reason}`)))] : []),
    ] : [element("p", { class: "words" }, "The comparison begins when both channels have readings.")]);
  };
  store.on("state", () => { if (!find("[data-activity=twins]").hidden) show(); });
  store.on("twins", show);
  show();
}

function ratio(figure) {
  if (!figure) return null;
  if (figure.low === null || figure.high === null) return figure.value.toPrecision(4);
  return [figure.value.toPrecision(4), `${figure.low.toPrecision(4)} to ${figure.high.toPrecision(4)}`];
}

export function soak(store) {
  const where = find("#soak-figures");
  const left = element("p", { class: "left" });
  const progress = element("progress", { max: 1, value: 0, "aria-label": "Share of the soak that is over" });
  const found = element("div");
  const rest = element("div");
  const show = () => {
    const told = store.soak;
    const running = store.kind === "soak" && !store.standby;
    find("#begin-soak").hidden = running;
    if (!running && !told) {
      where.replaceChildren();
      return;
    }
    if (!found.isConnected) where.replaceChildren(left, progress, rest, found);
    const left_s = store.left_s;
    say(left, left_s === null || left_s === undefined ? `running for ${stopwatch(store.elapsed_s)}, until it is stopped`
      : `${stopwatch(left_s)} left`);
    progress.hidden = left_s === null || left_s === undefined;
    progress.value = store.elapsed_s / Math.max(1, store.elapsed_s + (left_s ?? 0));
    replace(found, (told?.channels ?? []).map((channel) => channelFound(channel.channel, nameOf(store, channel.channel),
      channel.word, [
        [channel.word === "settled" ? "Settled at" : "Will settle at", bounded(channel.settled_a, "A")],
        ["Still to go", channel.to_go_a ? bounded({ value: -channel.to_go_a }, "A") : null],
        ["Wait", channel.wait_min ? `${Math.ceil(channel.wait_min)} min` : null],
        ["Drift in an hour", bounded(channel.drift_a_per_h, "A")],
        ["Time constant", channel.time_constant_s ? `${time(channel.time_constant_s.value)}` : null],
        ["Current per kelvin", bounded(channel.temperature_slope_a_per_k, "A/K")],
      ], [channel.reason, ...channel.notes])));
    replace(rest, [table([
      ["Short faults so far", told ? String(told.faults) : null],
      ["Guard", store.board?.guard.state],
      ["Readings lost", store.board ? String(store.board.losses) : null],
    ])]);
    say(find("#soak-words"), told?.words ?? (running ? "Not enough data yet for a forecast." : ""));
  };
  for (const name of ["soak", "job", "new-run"]) store.on(name, show);
  let last = 0;
  store.on("state", () => {
    if (performance.now() - last < 900) return;
    last = performance.now();
    show();
  });
  show();
}
