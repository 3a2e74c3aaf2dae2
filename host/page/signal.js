// A sound and a flash for each event: eyes are on the board, hands are full. Each kind has its own figure in pitch, so
// that a dropout and a step are told apart without looking, and its own edge of the screen.
//
// A sound begins with the program's first glimpse of an event, before anybody can know what it will be: with one short
// onset that all have in common. What it is follows some hundredths of a second later, and the figure goes on as that, or
// falls silent where it was harmless. All tones are made beforehand, and the output is kept awake by a signal too small
// for any converter, so that nothing has to be prepared when it matters.

import { classed, find, say } from "./dom.js";

/** Pitches in hertz over time in seconds, and the wave. A dropout falls away, a step goes up and stays. */
const FIGURES = {
  onset: { wave: "triangle", notes: [[0, 988]], length_s: 0.16 },
  dropout: { wave: "triangle", notes: [[0, 494], [0.1, 247]], length_s: 0.26 },
  step: { wave: "square", notes: [[0, 392], [0.14, 587]], length_s: 0.42, level: 0.45 },
  spike: { wave: "sine", notes: [[0, 1976]], length_s: 0.09 },
  chatter: { wave: "sawtooth", notes: [[0, 740], [0.05, 554], [0.1, 740], [0.15, 554], [0.2, 740]], length_s: 0.27, level: 0.5 },
};
const WAVES = {
  sine: (turn) => Math.sin(2 * Math.PI * turn),
  triangle: (turn) => 1 - 4 * Math.abs(turn - 0.5),
  square: (turn) => (turn < 0.5 ? 1 : -1),
  sawtooth: (turn) => 2 * turn - 1,
};
const LEVEL = 0.5;
/** Far below the last step of a converter of 16 bits, yet no silence to those who save power where nothing sounds. */
const AWAKE = 1e-6;
/** So long is an onset that goes on at once. */
const ONSET_S = 0.07;
/** An onset is cut off within this when it goes on as something else. */
const CUT_S = 0.004;
/** No more flashes a second than are safe to look at (WCAG 2.2, success criterion 2.3.1: three). */
const FLASH_EVERY_MS = 400;
/** Onsets that may still be going on as something. */
const BEGUN_MAX = 32;

let context = null;
let buffers = null;
let on = false;
let flashedAt = -Infinity;
const begun = new Map();

export function signals(store) {
  const button = find("#sound");
  // Wanted unless it was turned off: the first touch of the page allows it.
  const wanted = () => localStorage.getItem("sound") !== "off";
  const show = () => {
    button.setAttribute("aria-pressed", String(on));
    say(button, on ? "Sound on" : wanted() ? "Touch for sound" : "Sound off");
  };
  const turn = (to) => {
    on = to;
    // A browser lets a page sound only after a hand has touched it.
    if (on) prepare().resume();
    else context?.suspend();
    show();
  };
  button.addEventListener("click", () => {
    localStorage.setItem("sound", on ? "off" : "on");
    turn(!on);
    if (on) sound("step");
  });
  for (const name of ["pointerdown", "keydown"]) {
    addEventListener(name, (event) => {
      if (!on && wanted() && event.target !== button) turn(true);
    }, { once: true, capture: true });
  }
  store.on("glimpse", (one) => {
    const key = `${one.board} ${one.number}`;
    if (begun.has(key)) return;
    begun.set(key, sound("onset"));
    if (begun.size > BEGUN_MAX) begun.delete(begun.keys().next().value);
  });
  store.on("event", (one) => {
    const onset = begun.get(one.id);
    begun.delete(one.id);
    if (!one.grave || one.revised) {
      cut(onset);
      return;
    }
    // Without a glimpse the figure has its onset all the same.
    cut(onset ?? sound("onset"), onset ? 0 : ONSET_S);
    sound(one.kind, onset ? 0 : ONSET_S);
    flash(one.kind);
  });
  store.on("new-run", () => begun.clear());
  show();
}

function prepare() {
  if (context) return context;
  context = new AudioContext({ latencyHint: "interactive" });
  buffers = Object.fromEntries(Object.entries(FIGURES).map(([kind, figure]) => [kind, rendered(kind, figure)]));
  const awake = new ConstantSourceNode(context, { offset: AWAKE });
  awake.connect(context.destination);
  awake.start();
  return context;
}

/** The samples of a figure: it begins and ends within milliseconds without a click. */
function rendered(kind, { wave, notes, length_s, level = 1 }) {
  const rate = context.sampleRate;
  const buffer = new AudioBuffer({ length: Math.ceil(length_s * rate), sampleRate: rate });
  const samples = buffer.getChannelData(0);
  const shape = WAVES[wave];
  let phase = 0;
  for (let i = 0; i < samples.length; i++) {
    const at_s = i / rate;
    const pitch = notes.findLast(([from_s]) => from_s <= at_s)[1];
    phase = (phase + pitch / rate) % 1;
    const fade = Math.min(1, at_s / 0.001, (length_s - at_s) / (0.3 * length_s));
    samples[i] = LEVEL * level * fade * shape(phase);
  }
  buffer.figure = kind;
  return buffer;
}

/** Begins at once, or after so long; gives what is needed to cut it off. */
function sound(kind, after_s = 0) {
  if (!on || context === null) return null;
  const source = new AudioBufferSourceNode(context, { buffer: buffers[kind] ?? buffers.spike });
  const loudness = new GainNode(context);
  source.connect(loudness).connect(context.destination);
  source.start(after_s ? context.currentTime + after_s : 0);
  return { source, loudness };
}

function cut(sounding, after_s = 0) {
  if (!sounding) return;
  const at_s = context.currentTime + after_s;
  sounding.loudness.gain.setValueAtTime(1, at_s);
  sounding.loudness.gain.linearRampToValueAtTime(0, at_s + CUT_S);
  sounding.source.stop(at_s + CUT_S);
}

function flash(kind) {
  const now = performance.now();
  if (now - flashedAt < FLASH_EVERY_MS) return;
  flashedAt = now;
  const where = find("#flash");
  classed(where, kind);
  void where.offsetWidth; // begins the animation anew
  classed(where, `${kind} shown`);
}
