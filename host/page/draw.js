// Draws the trace: two lanes of current, one of temperature, and above them what happened.

import { clock, fixed, quantity, roundStep } from "./figure.js";
import { canvasPath, isFilled } from "./glyphs.js";
import { sameScale } from "./lanes.js";

const LEFT = 62;
const RIGHT = 10;
const STRIP = 24;
const AXIS = 24;
const GAP = 8;
/** Lanes are never magnified past these, so that a quiet current looks quiet. */
const LEAST_A = 200e-6;
const LEAST_C = 1;
/** Temperatures come ten times a second; each is drawn until the next, and when that is late a little longer. */
const WARM_HOLDS_S = 0.15;

let inks = null;
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { inks = null; });

function colours(canvas) {
  if (!inks) {
    const style = getComputedStyle(canvas);
    inks = Object.fromEntries(["ink", "soft", "line", "grid", "one", "two", "bad", "warn", "sheet", "sunk", "moving"]
      .map((name) => [name, style.getPropertyValue(`--${name}`)]));
    inks.font = style.fontFamily;
  }
  return inks;
}

export function draw(trace) {
  const { canvas, lanes } = trace;
  const ratio = Math.min(devicePixelRatio || 1, 2);
  const width = canvas.clientWidth;
  const height = canvas.clientHeight;
  if (!width || !height) return;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const c = canvas.getContext("2d", { alpha: false });
  const ink = colours(canvas);
  c.setTransform(ratio, 0, 0, ratio, 0, 0);
  c.fillStyle = ink.sheet;
  c.fillRect(0, 0, width, height);
  c.font = `12px ${ink.font}`;
  const area = { left: LEFT, width: width - LEFT - RIGHT, top: STRIP, bottom: height - AXIS };
  trace.area = area;
  const time = { from: trace.from_s, span: trace.span_s, x: (at_s) => LEFT + (at_s - trace.from_s) / trace.span_s * area.width };
  fill(trace, Math.max(1, Math.floor(area.width)));

  const room = area.bottom - area.top - 2 * GAP;
  const boxes = [["one", 0, 0.39], ["two", 0.39, 0.78], ["temperature", 0.78, 1]].map(([name, from, to], at) => ({
    name, top: area.top + room * from + at * GAP, bottom: area.top + room * to + at * GAP,
  }));
  timeAxis(c, ink, trace, time, area, height);
  const breaks = gaps(c, ink, trace, time, area);
  for (const box of boxes) {
    const lane = lanes[box.name];
    valueAxis(c, ink, box, lane, area);
    if (box.name === "temperature") {
      line(c, trace.warm[0], box, lane, ink.one, [], breaks);
      line(c, trace.warm[1], box, lane, ink.two, [5, 3], breaks);
    } else {
      line(c, lane, box, lane, ink[box.name], [], breaks);
      laneBadge(c, ink, box);
    }
  }
  happenings(c, ink, trace, time, area);
  pointer(c, ink, trace, time, area, boxes);
}

/** Columns of time into columns of pixels. */
function fill(trace, width) {
  const { lanes, recent, window } = trace;
  trace.warm ??= [new lanes.one.constructor(), new lanes.one.constructor()];
  const all = [lanes.one, lanes.two, ...trace.warm];
  for (const lane of all) {
    lane.resize(width);
    lane.clear();
  }
  const x = (at_s) => (at_s - trace.from_s) / trace.span_s * width;
  let known_to_s = -Infinity;
  if (window?.run === trace.source.run && !trace.isRecent) {
    const { from_s, column_s } = window;
    const columns = window.channels[0].current.min.length;
    const begin = Math.max(0, Math.floor((trace.from_s - from_s - WARM_HOLDS_S) / column_s));
    const end = Math.min(columns, Math.ceil((trace.to_s - from_s) / column_s));
    const warm = held(trace.warm, window.temperature, Math.ceil(WARM_HOLDS_S / column_s));
    for (let i = begin; i < end; i++) {
      const x0 = x(from_s + i * column_s);
      const x1 = x(from_s + (i + 1) * column_s);
      const put = (lane, series) => {
        const min = series?.min?.[i];
        if (min !== null && min !== undefined) lane.take(x0, x1, min, series.max[i]);
      };
      put(lanes.one, window.channels[0].current);
      put(lanes.two, window.channels[1]?.current);
      warm(x0, x1, i);
    }
    known_to_s = Math.min(from_s + columns * column_s, window.known_to_s);
  }
  if (!trace.past) recent.within(Math.max(trace.from_s, known_to_s), trace.to_s, (start_s, i) => {
    const x0 = x(start_s);
    const x1 = x(start_s + recent.column_s);
    lanes.one.take(x0, x1, recent.min1[i], recent.max1[i]);
    lanes.two.take(x0, x1, recent.min2[i], recent.max2[i]);
    trace.warm[0].take(x0, x1, recent.temperature1[i], recent.temperature1[i]);
    trace.warm[1].take(x0, x1, recent.temperature2[i], recent.temperature2[i]);
  });
  lanes.one.rescale(lanes.one.extremes(), LEAST_A);
  lanes.two.rescale(lanes.two.extremes(), LEAST_A);
  if (trace.together) sameScale([lanes.one, lanes.two]);
  const warm = trace.warm.map((lane) => lane.extremes()).filter(Boolean);
  if (warm.length) lanes.temperature.rescale([Math.min(...warm.map((w) => w[0])), Math.max(...warm.map((w) => w[1]))], LEAST_C);
}

/** Puts temperatures into their lanes; each holds until the next comes, but no longer than `columns`. */
function held(lanes, series, columns) {
  const last = lanes.map(() => -Infinity);
  return (x0, x1, i) => lanes.forEach((lane, at) => {
    const { min, max } = series[at];
    if (min[i] !== null) last[at] = i;
    if (i - last[at] <= columns) lane.take(x0, x1, min[last[at]], max[last[at]]);
  });
}

/** One line through the extremes of every pixel. It breaks at stated gaps, and where the next reading is more than twice as
 *  far away as usual. */
function line(c, lane, box, scale, colour, dash, breaks) {
  const longest = Math.max(3, 2.5 * lane.spacing());
  const toY = (value) => box.bottom - (value - scale.low) / (scale.high - scale.low || 1) * (box.bottom - box.top);
  c.save();
  c.beginPath();
  c.rect(LEFT, box.top, lane.width, box.bottom - box.top);
  c.clip();
  c.beginPath();
  let last = null;
  for (let x = 0; x < lane.width; x++) {
    const min = lane.min[x];
    if (min !== min) continue;
    const low = toY(min);
    const high = toY(lane.max[x]);
    if (last === null || x - last.x > longest || breaks[x] > breaks[last.x]) c.moveTo(LEFT + x, low);
    else c.lineTo(LEFT + x, Math.abs(last.y - low) < Math.abs(last.y - high) ? low : high);
    const nearLow = last !== null && Math.abs(last.y - low) < Math.abs(last.y - high);
    const end = nearLow ? high : low;
    if (last === null || !nearLow) c.lineTo(LEFT + x, high);
    c.lineTo(LEFT + x, end);
    last = { x, y: end };
  }
  c.strokeStyle = colour;
  c.lineWidth = 1.4;
  c.lineJoin = "bevel";
  c.setLineDash(dash);
  c.stroke();
  c.restore();
}

function timeAxis(c, ink, trace, time, area, height) {
  const every = roundStep(time.span * 92 / area.width);
  const steps = [60, 120, 300, 600, 1800, 3600, 7200, 14400, 43200, 86400];
  const tick = every > 30 ? steps.find((one) => one >= every * 0.99) ?? 86400 : every;
  // Ticks stand at round times of day, which is what people compare with.
  const zero_s = trace.source.utc_ms(0) / 1000 - new Date(trace.source.utc_ms(0)).getTimezoneOffset() * 60;
  c.fillStyle = ink.soft;
  c.strokeStyle = ink.grid;
  c.lineWidth = 1;
  c.textAlign = "center";
  c.textBaseline = "middle";
  c.beginPath();
  for (let at = Math.ceil((zero_s + time.from) / tick) * tick; at <= zero_s + time.from + time.span; at += tick) {
    const x = Math.round(time.x(at - zero_s)) + 0.5;
    c.moveTo(x, area.top);
    c.lineTo(x, area.bottom);
    if (x > LEFT + 20 && x < LEFT + area.width - 20) {
      c.fillText(clock(trace.source.utc_ms(at - zero_s) + 0.01, tick), x, height - AXIS / 2 + 1);
    }
  }
  c.stroke();
}

function valueAxis(c, ink, box, lane, area) {
  const span = lane.high - lane.low;
  const isCurrent = box.name !== "temperature";
  const tick = roundStep(span * (isCurrent ? 20 : 14) / (box.bottom - box.top));
  c.strokeStyle = ink.grid;
  c.fillStyle = ink.soft;
  c.textAlign = "right";
  c.textBaseline = "middle";
  c.beginPath();
  for (let at = Math.ceil(lane.low / tick) * tick; at <= lane.high + tick * 1e-6; at += tick) {
    const y = Math.round(box.bottom - (at - lane.low) / span * (box.bottom - box.top)) + 0.5;
    c.moveTo(LEFT, y);
    c.lineTo(LEFT + area.width, y);
    if (y < box.top + 5 || y > box.bottom - 3) continue;
    c.fillText(isCurrent ? ampereLabel(at, tick, lane) : `${fixed(at, tick < 1 ? 1 : 0)} °C`, LEFT - 6, y);
  }
  c.stroke();
  c.strokeStyle = ink.line;
  c.strokeRect(LEFT + 0.5, Math.round(box.top) + 0.5, area.width - 1, Math.round(box.bottom - box.top));
}

/** One unit for all labels of a lane. */
function ampereLabel(value, tick, lane) {
  const size = Math.max(Math.abs(lane.low), Math.abs(lane.high));
  const [prefix, factor] = size >= 1 ? ["", 1] : size >= 1e-3 ? ["m", 1e-3] : ["µ", 1e-6];
  const decimals = Math.max(0, Math.min(4, Math.ceil(-Math.log10(tick / factor) - 1e-6)));
  return `${fixed(value / factor, decimals)} ${prefix}A`;
}

function laneBadge(c, ink, box) {
  const [x, y] = [LEFT + 16, box.top + 16];
  c.fillStyle = ink[box.name];
  c.beginPath();
  if (box.name === "one") c.arc(x, y, 9, 0, 7);
  else {
    c.moveTo(x, y - 11);
    c.lineTo(x + 11, y);
    c.lineTo(x, y + 11);
    c.lineTo(x - 11, y);
  }
  c.fill();
  c.fillStyle = ink.sheet;
  c.textAlign = "center";
  c.textBaseline = "middle";
  c.fillText(box.name === "one" ? "1" : "2", x, y + 0.5);
}

/** Where readings are missing the ground is grey, and no line crosses: gives how many breaks there are up to each pixel. */
function gaps(c, ink, trace, time, area) {
  const breaks = new Uint32Array(Math.max(1, Math.floor(area.width)) + 1);
  c.fillStyle = ink.sunk;
  for (const gap of trace.source.gaps.values()) {
    const x0 = Math.max(LEFT, time.x(gap.from_s));
    const x1 = Math.min(LEFT + area.width, Math.max(time.x(gap.to_s), time.x(gap.from_s) + 1));
    if (gap.board !== trace.serial || x1 <= LEFT || x0 >= LEFT + area.width) continue;
    c.fillRect(x0, area.top, x1 - x0, area.bottom - area.top);
    breaks[Math.min(breaks.length - 1, Math.ceil(x1 - LEFT - 0.01))]++;
  }
  for (let x = 1; x < breaks.length; x++) breaks[x] += breaks[x - 1];
  return breaks;
}

/** What comes first where several stand on one pixel: what speaks for a fault. */
const rank = (one) => (one.type === "event" ? (one.grave ? 3 : 0) : one.type === "alteration" ? 2 : 1);

/** One happening for each pixel at most, so that the work is bounded by the width and not by the night. */
function byPixel(trace, time) {
  const pixels = new Map();
  for (const one of trace.source.happenings) {
    if (one.board !== trace.serial || one.at_s < trace.from_s || one.at_s > trace.to_s) continue;
    const x = Math.round(time.x(one.at_s));
    const there = pixels.get(x);
    if (!there || rank(one) > rank(there)) pixels.set(x, one);
  }
  return [...pixels].sort(([a], [b]) => a - b);
}

const colourOf = (one, ink) => (one.type === "event" ? (one.grave ? ink.bad : ink.soft) : one.type === "alteration" ? ink.moving : ink.ink);

function happenings(c, ink, trace, time, area) {
  const shown = byPixel(trace, time);
  c.lineWidth = 1;
  for (const [x, one] of shown) {
    c.strokeStyle = colourOf(one, ink);
    c.setLineDash(one.type === "event" ? [] : one.type === "alteration" ? [8, 4] : [2, 3]);
    c.globalAlpha = 0.75;
    c.beginPath();
    c.moveTo(x + 0.5, STRIP - 3);
    // What was judged harmless has its place, and does not stand in the way.
    c.lineTo(x + 0.5, one.kind === "nuisance" ? area.top + 5 : area.bottom);
    c.stroke();
  }
  c.globalAlpha = 1;
  c.setLineDash([]);
  // Shapes have room for themselves: faults first, then the rest from left to right.
  const taken = new Uint8Array(Math.ceil(area.left + area.width) + 1);
  for (const graves of [true, false]) {
    for (const [x, one] of shown) {
      const room = graves ? 9 : 13;
      if (one.grave !== graves || taken.subarray(Math.max(0, x - room + 1), x + room).includes(1)) continue;
      taken[x] = 1;
      c.fillStyle = c.strokeStyle = colourOf(one, ink);
      c.save();
      c.translate(x - 6.5, 3);
      c.scale(0.9, 0.9);
      c.lineWidth = 1.8;
      const path = canvasPath(one.kind);
      if (isFilled(one.kind)) c.fill(path);
      else c.stroke(path);
      c.restore();
    }
  }
}

/** What stands under the pointer. */
function pointer(c, ink, trace, time, area, boxes) {
  const note = trace.note;
  if (trace.pointed === null || trace.pointed === undefined) {
    note.hidden = true;
    return;
  }
  const x = Math.min(area.width - 1, Math.floor(trace.pointed * area.width));
  const at_s = time.from + trace.pointed * time.span;
  c.strokeStyle = ink.ink;
  c.globalAlpha = 0.5;
  c.beginPath();
  c.moveTo(LEFT + x + 0.5, area.top);
  c.lineTo(LEFT + x + 0.5, area.bottom);
  c.stroke();
  c.globalAlpha = 1;
  const range = (lane, shown) => {
    const [min, max] = [lane.min[x], lane.max[x]];
    if (!(min <= max)) return "no reading";
    const fine = (shown.high - shown.low) / 400;
    const [low, high] = [quantity(min, fine, "A"), quantity(max, fine, "A")];
    return low.text === high.text ? `${low.text} ${low.unit}` : `${low.text} to ${high.text} ${high.unit}`;
  };
  const near = trace.source.happenings.find((one) => Math.abs(time.x(one.at_s) - LEFT - x) < 6);
  const words = [clock(trace.source.utc_ms(at_s), time.span / area.width), `1: ${range(trace.lanes.one, trace.lanes.one)}`,
    `2: ${range(trace.lanes.two, trace.lanes.two)}`, ...(near ? [near.words] : [])].join("\n");
  if (note.textContent !== words) note.textContent = words;
  note.hidden = false;
  const right = x > area.width / 2;
  note.style.left = right ? "auto" : `${LEFT + x + 14}px`;
  note.style.right = right ? `${area.width - x + RIGHT + 14}px` : "auto";
  note.style.top = `${boxes[0].top + 6}px`;
}
