// Shapes for states and events: each is a little picture of what the trace does, so that it needs no colour.

import { drawn } from "./dom.js";

/** Pictures of a state, in a box of 48 by 24, and how grave it is. */
const STATES = {
  steady: ["M2 12H46", "calm"],
  settled: ["M2 12H46", "calm"],
  settling: ["M2 3C10 3 10 16 24 17S40 18 46 18", "moving"],
  starting: ["M2 20H14C20 20 20 6 26 6H46", "moving"],
  changing: ["M2 18C12 18 12 6 24 6S36 14 46 12", "moving"],
  normal: ["M2 20H8L11 4L16 13H46", "calm"],
  fault: ["M2 20H8L11 2H46M30 12L38 20M38 12L30 20", "bad"],
  drifting: ["M2 21L46 4M36 3H46V12", "warn"],
  intermittent: ["M2 8H14V20H18M24 20H26V8H30M36 8H46", "bad"],
  clipped: ["M2 20L12 4H36L46 20M10 0H38", "bad"],
  "no reading": ["M3 12h1M15 12h1M27 12h1M39 12h1", "bad"],
  alike: ["M12 22V6M36 22V6M4 22H44", "calm"],
  differs: ["M12 22V14M36 22V2M4 22H44", "warn"],
  "no connection": ["M2 12H14M34 12H46M18 6L30 18M30 6L18 18", "bad"],
  "guard tripped": ["M2 12H16M32 12H46M18 10L30 2", "bad"],
  "not enough data": ["M2 12H10M18 12H24M32 12H36", ""],
};

/** Names of classes for a word's gravity: calm, moving, warn, bad or none. */
export function gravity(word) {
  return shapeOf(word)[1];
}

function shapeOf(word = "") {
  const known = Object.keys(STATES).find((name) => word.toLowerCase().startsWith(name));
  return STATES[known] ?? STATES["not enough data"];
}

export function stateShape(word) {
  return drawn("svg", { viewBox: "0 0 48 24", "aria-hidden": "true" }, drawn("path", { d: shapeOf(word)[0] }));
}

/** Circle for channel 1, diamond for channel 2, wherever a channel is meant. */
export function badge(number) {
  const shape = number === 1
    ? drawn("circle", { class: "shape", cx: 14, cy: 14, r: 12.5 })
    : drawn("path", { class: "shape", d: "M14 0L28 14L14 28L0 14Z" });
  const digit = drawn("text", { x: 14, y: 14.5 });
  digit.textContent = String(number);
  return drawn("svg", { class: `badge ${number === 1 ? "one" : "two"}`, viewBox: "0 0 28 28", role: "img",
    "aria-label": `Channel ${number}` }, shape, digit);
}

/** Pictures of events and marks in a box of 16 by 16, as path data for drawings and canvas alike. */
const EVENTS = {
  dropout: "M1 2H15L8 15Z",
  spike: "M1 14H15L8 1Z",
  step: "M1 15V9H7V2H15V6H11V15Z",
  chatter: "M1 14L4 2L7 14L10 2L13 14L15 8",
  load_change: "M1 12H6V6H15",
  nuisance: "M8 6A2 2 0 1 1 7.9 6Z",
  tap: "M8 1V11M4 7L8 11L12 7M3 15H13",
  place: "M8 15C3 9 3 7 3 6A5 5 0 1 1 13 6C13 7 13 9 8 15Z",
  command: "M2 8H6M10 8H14M6 12V4M10 12V4",
  note: "M2 2H14V10H8L4 14V10H2Z",
  alteration: "M2 14L6 10M5 7L9 11L14 6L10 2Z",
  gap: "M2 3V13M14 3V13M6 8H7M10 8H11",
};
const FILLED = new Set(["dropout", "spike", "step", "nuisance", "place", "note", "alteration"]);
const canvasPaths = new Map();

export const isFilled = (kind) => FILLED.has(kind);
export const eventPath = (kind) => EVENTS[kind] ?? EVENTS.note;

/** The same as a canvas path. */
export function canvasPath(kind) {
  if (!canvasPaths.has(kind)) canvasPaths.set(kind, new Path2D(eventPath(kind)));
  return canvasPaths.get(kind);
}

export function eventShape(kind) {
  const path = drawn("path", { d: eventPath(kind), class: isFilled(kind) ? "filled" : "line" });
  return drawn("svg", { viewBox: "0 0 16 16", class: "event-shape", "aria-hidden": "true" }, path);
}
